"""A chip prepared for measuring: firmware loaded, run up to its starting state, and set back there at will."""

from collections.abc import Callable, Container, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from cyclerule.cache import cache_folder
from cyclerule.engines.engine import Stop
from cyclerule.engines.tracking import TrackingReference
from cyclerule.errors import ArgumentError, FaultError, RunawayError
from cyclerule.firmware.image import Image
from cyclerule.firmware.object_cache import ObjectCache
from cyclerule.isa.operations import I
from cyclerule.machine.bus import Unmodelled
from cyclerule.machine.chip import Chip, Reset, StartUp
from cyclerule.measure.delay_sites import DelaySites, find_delays
from cyclerule.measure.layout import has_vector_table, main_word, reset_word, unused_word
from cyclerule.measure.results import Warned
from cyclerule.parts.part import Part
from cyclerule.peripherals.catalogue import Devices, fit_devices
from cyclerule.peripherals.stimuli import Stimulus
from cyclerule.units import Hertz

if TYPE_CHECKING:
    from cyclerule.engines.llvm.scalar import Scalar

START_UP_LIMIT = 20_000_000
"""Cycles within which start-up code must reach `main`: a hundred times what clearing the largest RAM takes."""

AUTO, REFERENCE, SCALAR = "auto", "reference", "scalar"
ENGINES = (AUTO, REFERENCE, SCALAR)

REFERENCE_CYCLES = 300_000
"""Cycles that "auto" leaves to the reference engine: about what making compiled code takes in time."""


def check_engine(name: str) -> str:
    """Gives the name of an engine back; raises ArgumentError when there is none of that name."""
    if name not in ENGINES:
        raise ArgumentError(f"engine {name!r} is not available; there are {', '.join(ENGINES)}")
    return name


class StartingState(NamedTuple):
    """A state that calls start from: the chip's own, and what the chip does not keep.

    That is what was touched on the way there that is not modelled, the data that arguments put into free program
    memory, as (flash byte address, bytes), and what comes from outside once a call begins.
    """

    chip: tuple[Any, ...]
    unmodelled: Mapping[tuple[int, str], Unmodelled]
    flash: tuple[tuple[int, bytes], ...] = ()
    stimuli: tuple[Stimulus, ...] = ()


@dataclass
class Stage:
    """A chip with firmware, its devices, an engine, and the state from which every call starts.

    `engine` is the reference engine, `compiled` the one that takes over where much is to be done; both work on the same
    chip. With `tracks` both note what is read before it is written. `return_word` is the flash word that a measured
    call returns to: one that holds nothing. `ends_of_call` are the words at which a call is over in one way or
    another: that one, and the reset vector.
    """

    image: Image
    chip: Chip
    devices: Devices
    engine: TrackingReference
    saved: StartingState
    start: str
    return_word: int
    ends_of_call: tuple[int, ...]
    tracks: bool = True
    _flash_data: tuple[tuple[int, bytes], ...] = ()
    _stimuli: tuple[Stimulus, ...] = ()
    _wanted: str = REFERENCE
    _used: str = REFERENCE
    began: int = 0
    resets: list[Reset] = field(default_factory=list)
    on_reset: list[Callable[[], None]] = field(default_factory=list)

    @classmethod
    def at_reset(
        cls,
        image: Image,
        part: Part,
        fill: int = 0,
        *,
        tracks: bool = True,
        clock: Hertz | None = None,
        start_up: StartUp | None = None,
    ) -> "Stage":
        """Loads an image into a fresh chip, whose RAM holds `fill` everywhere."""
        chip = Chip(part, image.flash, image.eeprom, clock)
        chip.start_up = start_up or chip.start_up
        devices = fit_devices(chip)
        engine = TrackingReference(chip)
        if fill:
            chip.data[part.ram_start :] = bytes([fill]) * (part.ram_end + 1 - part.ram_start)
        if image.data_end is not None:
            chip.stack_floor = max(chip.stack_floor, image.data_end - 1)
        chip.program_counter = chip.reset_word = reset_word(image)
        saved = StartingState(chip.save(), {})
        return_word = unused_word(image, chip)
        reset = chip.program_counter
        ends = (return_word, reset) if has_vector_table(chip, reset) else (return_word,)
        stage = cls(image, chip, devices, engine, saved, "at reset", return_word, ends, tracks)
        chip.stop_run = stage.request_stop
        return stage

    @classmethod
    def prepare(
        cls,
        image: Image,
        part: Part,
        fill: int = 0,
        *,
        clock: Hertz | None = None,
        start_up: StartUp | None = None,
    ) -> "Stage":
        """Loads an image and runs it from reset to the entry of `main`; where none is found it stays at reset.

        Raises RunawayError or FaultError when the start-up code does not get there.
        """
        stage = cls.at_reset(image, part, fill, clock=clock, start_up=start_up)
        main = main_word(image, stage.chip)
        if main is not None:
            stage.run_to_main(main)
            stage.start = "at the entry of main"
        stage.saved = stage.keep_state()
        return stage

    @cached_property
    def delay_sites(self) -> DelaySites:
        """The delays of the program."""
        return find_delays(self.image, self.chip)

    @cached_property
    def compiled(self) -> "Scalar":
        """The compiled engine, made on first use."""
        from cyclerule.engines.llvm.scalar import Scalar

        return Scalar(self.chip, reference=self.engine, tracks=self.tracks, cache=ObjectCache(cache_folder("code")))

    def begin(self, engine: str, arguments: Iterable[int] = ()) -> None:
        """Starts a measurement: nothing executed, nothing read; `arguments` are data addresses the caller placed."""
        self._wanted, self._used, self.began = engine, REFERENCE, self.chip.cycle
        self.resets.clear()
        self.engine.begin(arguments)
        if engine == SCALAR:
            self._used = SCALAR
        self.instructions = 0

    @property
    def used(self) -> str:
        """The engine that the present measurement has come to use."""
        return self._used

    @property
    def instructions(self) -> int:
        """Instructions executed since the measurement began."""
        return self.compiled.instructions if self._used == SCALAR else self.engine.instructions

    @instructions.setter
    def instructions(self, count: int) -> None:
        self.engine.instructions = count
        if "compiled" in self.__dict__:
            self.compiled.instructions = count

    def first_reads(self, before: bytes) -> Mapping[int, int]:
        """Gives what was read before it was written, by data address; `before` is memory as the call began."""
        return self.compiled.first_reads(before) if self._used == SCALAR else self.engine.first_reads

    def request_stop(self) -> None:
        """Stops the run at the next instruction boundary."""
        (self.compiled if self._used == SCALAR else self.engine).request_stop()

    def run(
        self,
        limit: int,
        *,
        exits: Container[int] = (),
        entries: Container[int] = (),
        stops_at_break: bool = False,
    ) -> Stop:
        """Executes on the engine asked for, as `Engine.run` does; "auto" begins on one and goes on with the other.

        A reset inside the run is carried out and noted in `resets`; the run goes on from the reset vector.
        """
        while True:
            stop = self._execute(limit, exits=exits, entries=entries, stops_at_break=stops_at_break)
            came = self.chip.pending_reset
            if stop is not Stop.REQUESTED or came is None:
                return stop
            self.chip.reset()
            self.resets.append(came)
            for listen in self.on_reset:
                listen()
            if self.chip.program_counter in exits:
                return Stop.AT_EXIT

    def _execute(self, limit: int, *, exits: Container[int], entries: Container[int], stops_at_break: bool) -> Stop:
        if self._used == REFERENCE:
            patience = limit if self._wanted == REFERENCE else min(limit, self.began + REFERENCE_CYCLES)
            if self.chip.cycle < patience or patience == limit:
                stop = self.engine.run(patience, exits=exits, entries=entries, stops_at_break=stops_at_break)
                if stop is not Stop.LIMIT or patience == limit:
                    return stop
                if self.goes_on_at(entries):
                    return Stop.AT_ENTRY
            self._used = SCALAR
        return self.compiled.run(limit, exits=exits, entries=entries, stops_at_break=stops_at_break)

    def goes_on_at(self, entries: Container[int]) -> bool:
        """Tells whether the next instruction is at one of these words, and no handler comes before it."""
        chip = self.chip
        waits = chip.interrupts.requests and chip.flags[I] and chip.interrupts.delivers and not chip.interrupt_shadow
        return chip.program_counter in entries and not chip.is_asleep and not waits

    def run_to_main(self, main: int) -> None:
        """Runs the start-up code to the flash word of `main`; RunawayError when it does not get there."""
        try:
            stop = self.engine.run(START_UP_LIMIT, exits={main})
        except FaultError as fault:
            raise self.located(fault, ", in the start-up code") from None
        if stop is not Stop.AT_EXIT:
            place = self.place(2 * self.chip.program_counter)
            raise RunawayError(
                f"the start-up code did not reach main within {START_UP_LIMIT} cycles; it was at {place}",
                place=place,
                cycle=self.chip.cycle,
            )

    def keep_state(self) -> StartingState:
        """Gives the present state, to start calls from."""
        return StartingState(self.chip.save(), dict(self.chip.bus.unmodelled), self._flash_data, self._stimuli)

    def set_stimuli(self, stimuli: tuple[Stimulus, ...]) -> None:
        """Sets what is to come from outside once `begin_stimuli` is called; part of the states kept from here on."""
        self._stimuli = stimuli

    def set_state(self, state: StartingState) -> None:
        """Sets a kept state, what was touched before it included."""
        self.chip.restore(state.chip)
        self.chip.bus.unmodelled = dict(state.unmodelled)
        self._stimuli = state.stimuli
        if self._flash_data != state.flash:
            for address, data in self._flash_data:
                self.chip.flash[address : address + len(data)] = b"\xff" * len(data)
            self._flash_data = ()
            self.add_to_flash(state.flash)

    def begin_stimuli(self) -> None:
        """Has what comes from outside begin to come, counted from the present cycle."""
        if self._stimuli:
            self.devices.stimuli.load(self._stimuli, self.chip.cycle)

    def add_to_flash(self, pieces: Iterable[tuple[int, bytes]]) -> None:
        """Puts data into free program memory until the next state is set."""
        added = tuple(pieces)
        for address, data in added:
            self.chip.flash[address : address + len(data)] = data
        self._flash_data += added

    @property
    def flash_free(self) -> int:
        """The flash byte address after all that the image and the arguments so far have there."""
        ends = [end for _, end in self.image.flash_used] + [start + len(data) for start, data in self._flash_data]
        return max(ends, default=0)

    @property
    def stack_end(self) -> int:
        """The lowest data address that the stack may use."""
        return max(self.chip.ram_start, self.image.data_end or 0)

    def located(self, fault: FaultError, when: str = "") -> FaultError:
        """Gives a fault of the run that has just stopped with its place, address and cycle filled in."""
        address = 2 * self.chip.program_counter
        place = self.place(address)
        return type(fault)(f"{fault} (at {place}{when})", address=address, cycle=self.chip.cycle, place=place)

    def place(self, address: int) -> str:
        """Says where a flash byte address is: "hive.c:41 in update", as far as is known."""
        place = self.image.place(address)
        function = self.image.function_at(address)
        if function is not None:
            return f"{place} in {function.source_name}"
        symbol = self.image.symbol_at("flash", address)
        return f"{place} in {symbol.name}" if symbol is not None else place

    def warnings(self, touched: Mapping[tuple[int, str], Unmodelled] | None = None) -> list[Warned]:
        """Says in words what was touched that is not modelled: what the chip has noted, or what is given."""
        noted = self.chip.bus.unmodelled if touched is None else touched
        return [Warned(self.place(2 * each.flash_word), _unmodelled_text(each)) for each in noted.values()]


def _unmodelled_text(each: Unmodelled) -> str:
    if each.is_assumed:
        return f"{each.register}: {each.what}"
    if each.what:
        return f"{each.register}: {each.what} is not modelled"
    if each.is_write:
        return f"{each.register} is not modelled: 0x{each.value:02x} was written to it and nothing else happens"
    return f"{each.register} is not modelled: it reads as what was last written to it, here 0x{each.value:02x}"
