"""A chip prepared for measuring: firmware loaded, run up to its starting state, and set back there at will."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from cyclerule.engines.engine import Stop
from cyclerule.engines.tracking import TrackingReference
from cyclerule.errors import ArgumentError, FaultError, RunawayError
from cyclerule.firmware.image import Image
from cyclerule.machine.bus import Unmodelled
from cyclerule.machine.chip import Chip
from cyclerule.measure.results import Warned
from cyclerule.parts.part import Part
from cyclerule.peripherals.catalogue import Devices, fit_devices

START_UP_LIMIT = 20_000_000
"""Cycles within which start-up code must reach `main`: a hundred times what clearing the largest RAM takes."""

ENGINES = ("auto", "reference")


def check_engine(name: str) -> str:
    """Gives the engine that a name stands for; raises ArgumentError when there is none."""
    if name not in ENGINES:
        raise ArgumentError(f"engine {name!r} is not available; there are {', '.join(ENGINES)}")
    return "reference"


class StartingState(NamedTuple):
    """A state that calls start from: the chip's own, and what was touched on the way there that is not modelled."""

    chip: tuple[Any, ...]
    unmodelled: Mapping[tuple[int, str], Unmodelled]


@dataclass
class Stage:
    """A chip with firmware, its devices, an engine, and the state from which every call starts."""

    image: Image
    chip: Chip
    devices: Devices
    engine: TrackingReference
    saved: StartingState
    start: str
    return_word: int

    @classmethod
    def at_reset(cls, image: Image, part: Part, fill: int = 0) -> "Stage":
        """Loads an image into a fresh chip, whose RAM holds `fill` everywhere."""
        chip = Chip(part, image.flash)
        devices = fit_devices(chip)
        engine = TrackingReference(chip)
        if fill:
            chip.data[part.ram_start :] = bytes([fill]) * (part.ram_end + 1 - part.ram_start)
        if image.data_end is not None:
            chip.stack_floor = max(chip.stack_floor, image.data_end - 1)
        return cls(image, chip, devices, engine, StartingState(chip.save(), {}), "at reset", _unused_word(image, chip))

    @classmethod
    def prepare(cls, image: Image, part: Part, fill: int = 0) -> "Stage":
        """Loads an image and runs it from reset to the entry of `main`; without that symbol it stays at reset.

        Raises RunawayError or FaultError when the start-up code does not get there.
        """
        stage = cls.at_reset(image, part, fill)
        main = _function_word(image, "main")
        if main is not None:
            stage.run_to_main(main)
            stage.start = "at the entry of main"
        stage.saved = stage.keep_state()
        return stage

    def run_to_main(self, main: int) -> None:
        """Runs the start-up code to the flash word of `main`; RunawayError when it does not get there."""
        try:
            stop = self.engine.run(START_UP_LIMIT, exits={main})
        except FaultError as fault:
            raise fault.at(self.place(fault.address)) from None
        if stop is not Stop.AT_EXIT:
            place = self.place(2 * self.chip.program_counter)
            raise RunawayError(
                f"the start-up code did not reach main within {START_UP_LIMIT} cycles; it was at {place}",
                place=place,
                cycle=self.chip.cycle,
            )

    def keep_state(self) -> StartingState:
        """Gives the present state, to start calls from."""
        return StartingState(self.chip.save(), dict(self.chip.bus.unmodelled))

    def set_state(self, state: StartingState) -> None:
        """Sets a kept state, what was touched before it included."""
        self.chip.restore(state.chip)
        self.chip.bus.unmodelled = dict(state.unmodelled)

    def place(self, address: int) -> str:
        """Says where a flash byte address is: "hive.c:41 in update", as far as is known."""
        place = self.image.place(address)
        function = self.image.function_at(address)
        if function is not None:
            return f"{place} in {function.source_name}"
        symbol = self.image.symbol_at("flash", address)
        return f"{place} in {symbol.name}" if symbol is not None else place

    def warnings(self) -> list[Warned]:
        """Gives what was touched and is not modelled since the chip was made."""
        return [
            Warned(self.place(2 * each.flash_word), _unmodelled_text(each))
            for each in self.chip.bus.unmodelled.values()
        ]


def _unmodelled_text(each: Unmodelled) -> str:
    if each.what:
        return f"{each.register}: {each.what} is not modelled"
    if each.is_write:
        return f"{each.register} is not modelled: 0x{each.value:02x} was written to it and nothing else happens"
    return f"{each.register} is not modelled: it reads as what was last written to it, here 0x{each.value:02x}"


def _function_word(image: Image, name: str) -> int | None:
    symbol = next((s for s in image.symbols if s.name == name and s.space == "flash"), None)
    return None if symbol is None else symbol.address // 2


def _unused_word(image: Image, chip: Chip) -> int:
    """Finds the highest flash word that holds nothing of the image: a return address no function has."""
    last = 2 * chip.flash_words
    used = sorted(image.flash_used, reverse=True)
    for start, end in used:
        if end < last:
            return last // 2 - 1
        last = start
    if last > 0:
        return last // 2 - 1
    raise ArgumentError("the program fills all of flash, so no return address is free to measure a call with")
