"""The model that never ticks against one that steps at every clock, over random programs of register accesses."""

import random
from collections.abc import Mapping
from functools import partial
from typing import NamedTuple

import pytest

from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Pin
from tests.peripherals.fitted import Fitted
from tests.peripherals.stepped_timer import EIGHT_BITS, SIXTEEN_BITS, Sampler, SteppedTimer

SHARED = {0: 0, 1: 1, 2: 8, 3: 64, 4: 256}
OWN = {0: 0, 1: 1, 2: 8, 3: 32, 4: 64, 5: 128, 6: 256}
"""Divisors by clock select: tables 15-9 and 18-9."""


class Kind(NamedTuple):
    """A timer of a part: its number, its flags' register and which bits of it are which, its modes and clocks."""

    part: str
    n: int
    flags: str
    maximum: int
    modes: Mapping[int, tuple[str, int | str]]
    clocks: Mapping[int, int]
    controls: str

    def __str__(self) -> str:
        return f"{self.part} timer {self.n}"


OLDER = {mode: EIGHT_BITS[mode] for mode in (0, 1, 2, 3)}
FIRST = {mode: SIXTEEN_BITS[mode] for mode in (0, 1, 2, 3)}
"""CTC1 = 0 and PWM11:0; with CTC1 the first generation has tests of its own."""

KINDS = [
    Kind("atmega328p", 0, "TIFR0", 0xFF, EIGHT_BITS, SHARED, "AB"),
    Kind("atmega328p", 2, "TIFR2", 0xFF, EIGHT_BITS, OWN, "AB"),
    Kind("attiny13", 0, "TIFR0", 0xFF, EIGHT_BITS, SHARED, "AB"),
    Kind("attiny85", 0, "TIFR", 0xFF, EIGHT_BITS, SHARED, "AB"),
    Kind("atmega16", 0, "TIFR", 0xFF, OLDER, SHARED, ""),
    Kind("atmega8", 2, "TIFR", 0xFF, OLDER, OWN, ""),
    Kind("atmega128", 0, "TIFR", 0xFF, OLDER, OWN, ""),
    Kind("atmega169", 0, "TIFR0", 0xFF, OLDER, SHARED, "A"),
    Kind("atmega328p", 1, "TIFR1", 0xFFFF, SIXTEEN_BITS, SHARED, "16"),
    Kind("atmega8", 1, "TIFR", 0xFFFF, SIXTEEN_BITS, SHARED, "16"),
    Kind("atmega2560", 4, "TIFR4", 0xFFFF, SIXTEEN_BITS, SHARED, "16"),
    Kind("at90s8535", 1, "TIFR", 0xFFFF, FIRST, SHARED, "16"),
]


class Pair:
    """A model and a stepped timer that go through the same program."""

    def __init__(self, kind: Kind, seed: int) -> None:
        self.kind, self.random = kind, random.Random(seed)
        self.model = Fitted.of(kind.part)
        self.stepped = SteppedTimer(kind.maximum, dict(kind.modes))
        self.cycle = 0
        n, bits = kind.n, self.model.chip.part.bits
        self.channels = {"A": f"{n}A" if f"OCR{n}A" in self.model.chip.part.registers else f"{n}"}
        if f"OCR{n}B" in self.model.chip.part.registers:
            self.channels["B"] = f"{n}B"
        else:
            for each in (self.stepped.buffers, self.stepped.compare, self.stepped.select, self.stepped.output):
                del each["B"]
        self.stepped.is_first = f"PWM{n}1" in bits
        self.stepped.toggles_in_mode_14 = "GPIOR0" in self.model.chip.part.registers
        self._find_pins()
        names = {"TOV": f"TOV{n}", "ICF": f"ICF{n}"} | {c: f"OCF{name}" for c, name in self.channels.items()}
        self.flag_bits = {flag: 1 << bits[name] for flag, name in names.items() if name in bits}

    def _find_pins(self) -> None:
        """Makes the compare outputs' pins outputs; in every other program somebody listens to them."""
        self.pins: dict[str, Pin] = {}
        self.heard: dict[str, list[tuple[bool, int]]] = {}
        self.expected: dict[str, list[tuple[bool, int]]] = {}
        for channel, name in self.channels.items():
            pin = self.model.devices.ports.pin(pin_of(self.model.chip.part, f"OC{name}"))
            assert pin is not None, f"OC{name} of {self.kind.part}"
            self.pins[channel] = pin
            self.model.write(f"DDR{pin.letter}", self.model.read(f"DDR{pin.letter}", 0) | 1 << pin.bit, 0)
            self.expected[channel] = []
            if self.random.random() < 0.5:
                heard = self.heard[channel] = list[tuple[bool, int]]()
                pin.listen(partial(_note, heard))
        self.levels = self.before = dict.fromkeys(self.channels, False)

    def pass_to(self, cycle: int) -> None:
        """Steps the one; the other needs nothing."""
        while self.cycle < cycle:
            self.note_levels()
            self.before = self.levels
            self.stepped.clock()
            self.cycle += 1
        self.note_levels()

    def note_levels(self) -> None:
        """Notes the levels that the pins have in the present cycle."""
        stepped = self.stepped
        levels = {channel: stepped.is_connected(channel) and stepped.output[channel] for channel in self.channels}
        for channel, level in levels.items():
            if level != self.levels[channel]:
                expected = self.expected[channel]
                # Two changes in one cycle are none.
                if expected and expected[-1][1] == self.cycle:
                    expected.pop()
                else:
                    expected.append((level, self.cycle))
        self.levels = levels

    def read_count(self) -> int:
        """Reads TCNT, both bytes in the present cycle, so that no time passes."""
        register, bus = self.model.chip.part.registers[f"TCNT{self.kind.n}"], self.model.chip.bus
        return sum(bus.read(register.address + byte, self.cycle) << 8 * byte for byte in range(register.size_bytes))

    def read_compare(self, channel: str) -> int:
        """Reads a compare register in the same way."""
        register, bus = self.model.chip.part.registers[f"OCR{self.channels[channel]}"], self.model.chip.bus
        return sum(bus.read(register.address + byte, self.cycle) << 8 * byte for byte in range(register.size_bytes))

    def small(self) -> int:
        """Gives a value, most often a small one, sometimes near MAX."""
        maximum = self.kind.maximum
        choice = self.random.random()
        if choice < 0.1:
            return maximum - self.random.randrange(4)
        return self.random.randrange(6) if choice < 0.4 else self.random.randrange(min(maximum, 300) + 1)

    def set_up(self, mode: int, select: int) -> None:
        """Writes the control registers; where mode and clock do not share one, the mode first."""
        n, bits, model, controls = self.kind.n, self.model.chip.part.bits, self.model, self.kind.controls
        divisor = self.kind.clocks[select]
        outputs = {channel: self.random.choice([0, 1, 2, 3]) for channel in self.channels}
        if controls in ("", "A"):
            # COM = 1 in PWM modes is reserved here.
            if outputs["A"] == 1 and mode in (1, 3):
                outputs["A"] = 2
            value = select | (mode & 1) << bits[f"WGM{n}0"] | (mode >> 1) << bits[f"WGM{n}1"]
            model.write(f"TCCR{n}{controls}", value | self.output_bits(outputs), self.cycle)
            self.stepped.select = outputs
            self.stepped.write_settings(mode, divisor)
            return
        # In two steps, each of which must not pass through a reserved mode: stopped in normal mode first.
        model.write(f"TCCR{n}B", 0, self.cycle)
        upper = self.stepped.mode & 3
        self.stepped.write_settings(upper, 0)
        model.write(f"TCCR{n}A", mode & 3 | self.output_bits(outputs), self.cycle)
        self.stepped.select = outputs
        self.stepped.write_settings(mode & 3, 0)
        model.write(f"TCCR{n}B", (mode >> 2) << 3 | select, self.cycle)
        self.stepped.write_settings(mode, divisor)

    def output_bits(self, outputs: Mapping[str, int]) -> int:
        """Gives COMnx of each channel in their places."""
        bits = self.model.chip.part.bits
        return sum(outputs[channel] << bits[f"COM{name}0"] for channel, name in self.channels.items())

    def strobe(self) -> None:
        """Writes a strobe FOCnx, with nothing else changed."""
        n, controls, part = self.kind.n, self.kind.controls, self.model.chip.part
        channel = self.random.choice([*self.channels])
        register = {"": f"TCCR{n}", "A": f"TCCR{n}A", "AB": f"TCCR{n}B", "16": f"TCCR{n}C"}[controls]
        if register not in part.registers:
            register = f"TCCR{n}A"
        kept = 0 if register.endswith("C") else self.model.read(register, self.cycle)
        self.model.write(register, kept | self.model.bit(f"FOC{self.channels[channel]}"), self.cycle)
        self.stepped.force(channel)

    def act(self) -> None:
        """Does one thing at random to both."""
        n, model, stepped = self.kind.n, self.model, self.stepped
        choice = self.random.randrange(10)
        if choice < 2:
            mode = self.random.choice([*self.kind.modes]) if self.random.random() < 0.3 else stepped.mode
            self.set_up(mode, self.random.choice([*self.kind.clocks]))
        elif choice < 4:
            value = self.small()
            model.write(f"TCNT{n}", value, self.cycle)
            stepped.write_count(value)
        elif choice < 7:
            channel, value = self.random.choice([*self.channels]), self.small()
            model.write(f"OCR{self.channels[channel]}", value, self.cycle)
            stepped.write_compare(channel, value)
        elif choice < 8 and self.kind.modes[stepped.mode][1] == "ICR":
            value = self.small()
            model.write(f"ICR{n}", value, self.cycle)
            stepped.icr = value
        elif choice < 9 and not stepped.is_first and self.random.random() < 0.3:
            self.strobe()
        else:
            cleared = self.random.choice([*self.flag_bits])
            model.write(self.kind.flags, self.flag_bits[cleared], self.cycle)
            stepped.flags.discard(cleared)

    def check(self) -> None:
        """Compares all that a program can read."""
        model, stepped = self.model, self.stepped
        assert self.read_count() == stepped.count
        flags = model.read(self.kind.flags, self.cycle)
        assert {flag for flag, bit in self.flag_bits.items() if flags & bit} == stepped.flags
        for channel, pin in self.pins.items():
            if self.random.random() < 0.5:
                read = bool(model.read(f"PIN{pin.letter}", self.cycle) >> pin.bit & 1)
                assert read == self.before[channel], f"pin of channel {channel}"
        assert {channel: self.read_compare(channel) for channel in self.channels} == stepped.buffers


EXTERNAL = {6: 0, 7: 0}
"""Clock select of the falling and the rising edge of Tn, which have no divisor."""

EXTERNAL_KINDS = [
    Kind("atmega328p", 0, "TIFR0", 0xFF, EIGHT_BITS, EXTERNAL, "AB"),
    Kind("atmega16", 0, "TIFR", 0xFF, OLDER, EXTERNAL, ""),
    Kind("atmega328p", 1, "TIFR1", 0xFFFF, SIXTEEN_BITS, EXTERNAL, "16"),
]


class ExternalPair(Pair):
    """Such a pair whose timers are clocked by a pin that changes at random; mode and clock are set up once."""

    def __init__(self, kind: Kind, seed: int) -> None:
        super().__init__(kind, seed)
        pin = self.model.devices.ports.pin(pin_of(self.model.chip.part, f"T{kind.n}"))
        assert pin is not None
        self.clock_pin, self.level, self.sampler = pin, False, Sampler()
        self.edge = 0

    def set_up(self, mode: int, select: int) -> None:
        """Writes the control registers for the first time."""
        if not self.edge:
            self.edge = 1 if select == 7 else -1
            super().set_up(mode, select)

    def pass_to(self, cycle: int) -> None:
        """Steps the one, and lets the pin change now and then."""
        while self.cycle < cycle:
            self.note_levels()
            self.before = self.levels
            self.stepped.clock()
            if self.sampler.clock(self.level) == self.edge:
                self.stepped.tick()
            self.cycle += 1
            if self.random.random() < 0.4:
                self.model.pass_to(self.cycle)
                self.level = not self.level
                self.clock_pin.drive(self.level, self.cycle)
        self.note_levels()


def _note(heard: list[tuple[bool, int]], level: bool, cycle: int) -> None:
    heard.append((level, cycle))


def without_glitches(heard: list[tuple[bool, int]]) -> list[tuple[bool, int]]:
    """Leaves out changes that lasted no time."""
    kept = list[tuple[bool, int]]()
    for level, cycle in heard:
        if kept and kept[-1][1] == cycle:
            kept.pop()
        else:
            kept.append((level, cycle))
    return kept


def compare(kind: Kind, seeds: range, pair_of: type[Pair] = Pair) -> None:
    """Runs random programs of some thirty accesses at any distance, begun in every mode."""
    for seed in seeds:
        pair = pair_of(kind, seed)
        modes, favourites = [*kind.modes], [] if pair_of is ExternalPair else [1, 1, 1, 2]
        pair.set_up(modes[seed % len(modes)], pair.random.choice([*favourites, *kind.clocks]))
        for _ in range(30):
            distance = pair.random.choice([1, 2, 3, 7, 30, 200, 600])
            pair.pass_to(pair.cycle + 1 + pair.random.randrange(distance))
            try:
                if pair.random.random() < 0.5:
                    pair.act()
                    pair.note_levels()
                pair.check()
            except AssertionError as error:
                error.add_note(f"{kind}, program {seed}, cycle {pair.cycle}: {pair.stepped}")
                raise
        for channel, heard in pair.heard.items():
            assert without_glitches(heard) == pair.expected[channel], f"{kind}, program {seed}"
        assert pair.model.unmodelled() == []


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_count_and_flags_are_those_of_a_timer_that_steps_at_every_clock(kind: Kind) -> None:
    """120 programs for each kind of timer."""
    compare(kind, range(120))


@pytest.mark.parametrize("kind", EXTERNAL_KINDS, ids=str)
def test_an_external_clock_moves_both_alike(kind: Kind) -> None:
    """60 programs for each kind, with edges on Tn at any distance; they come through figure 17-1's flip-flops."""
    compare(kind, range(60), ExternalPair)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_count_and_flags_are_those_of_a_timer_that_steps_at_every_clock_in_long(kind: Kind) -> None:
    """3,000 more."""
    compare(kind, range(120, 3120))
