"""The model that never ticks against one that steps at every clock, over random programs of register accesses."""

import random
from collections.abc import Mapping
from typing import NamedTuple

import pytest

from tests.peripherals.fitted import Fitted
from tests.peripherals.stepped_timer import EIGHT_BITS, SIXTEEN_BITS, SteppedTimer

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
            del self.stepped.buffers["B"], self.stepped.compare["B"]
        names = {"TOV": f"TOV{n}", "ICF": f"ICF{n}"} | {c: f"OCF{name}" for c, name in self.channels.items()}
        self.flag_bits = {flag: 1 << bits[name] for flag, name in names.items() if name in bits}

    def pass_to(self, cycle: int) -> None:
        """Steps the one; the other needs nothing."""
        for _ in range(cycle - self.cycle):
            self.stepped.clock()
        self.cycle = cycle

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
        if controls in ("", "A"):
            value = select | (mode & 1) << bits[f"WGM{n}0"] | (mode >> 1) << bits[f"WGM{n}1"]
            model.write(f"TCCR{n}{controls}", value, self.cycle)
            self.stepped.write_settings(mode, divisor)
            return
        # In two steps, each of which must not pass through a reserved mode: stopped in normal mode first.
        model.write(f"TCCR{n}B", 0, self.cycle)
        upper = self.stepped.mode & 3
        self.stepped.write_settings(upper, 0)
        model.write(f"TCCR{n}A", mode & 3, self.cycle)
        self.stepped.write_settings(mode & 3, 0)
        model.write(f"TCCR{n}B", (mode >> 2) << 3 | select, self.cycle)
        self.stepped.write_settings(mode, divisor)

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
        assert {channel: self.read_compare(channel) for channel in self.channels} == stepped.buffers


def compare(kind: Kind, seeds: range) -> None:
    """Runs random programs of some thirty accesses at any distance, begun in every mode."""
    for seed in seeds:
        pair = Pair(kind, seed)
        modes = [*kind.modes]
        pair.set_up(modes[seed % len(modes)], pair.random.choice([1, 1, 1, 2, *kind.clocks]))
        for _ in range(30):
            distance = pair.random.choice([1, 2, 3, 7, 30, 200, 600])
            pair.pass_to(pair.cycle + 1 + pair.random.randrange(distance))
            try:
                if pair.random.random() < 0.5:
                    pair.act()
                pair.check()
            except AssertionError as error:
                error.add_note(f"{kind}, program {seed}, cycle {pair.cycle}: {pair.stepped}")
                raise
        assert pair.model.unmodelled() == []


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_count_and_flags_are_those_of_a_timer_that_steps_at_every_clock(kind: Kind) -> None:
    """120 programs for each kind of timer."""
    compare(kind, range(120))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_count_and_flags_are_those_of_a_timer_that_steps_at_every_clock_in_long(kind: Kind) -> None:
    """3,000 more."""
    compare(kind, range(120, 3120))
