"""I/O ports: output latch, direction, and the pins through their synchroniser.

Datasheet: ATmega48A/…/328P DS40002061A sec. 14. A pin nobody drives reads 0, with its pull-up 1.
Pin-change interrupts and other functions of the pins belong to other devices.
"""

from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.machine.generation import has_single_bit_access


class Port:
    """One port of up to eight pins; `driven` and `levels` are what the outside puts on them."""

    def __init__(self, chip: Chip, letter: str) -> None:
        self.letter = letter
        self.latch = self.direction = 0
        bits = chip.part.bits
        # Bits without a pin read as zero (DS40002061A sec. 14.4, register description).
        with_pin = (n for n in range(8) if f"P{letter}{n}" in bits or f"PORT{letter}{n}" in bits)
        self.pin_mask = sum(1 << n for n in with_pin) or 0xFF
        self.driven = self.levels = 0
        # The pins before and since the last change, because a read sees them a cycle late.
        self._before = self._now = 0
        self._changed_at = -1
        self._data = chip.data
        bus = chip.bus
        self._latch_address = bus.address(f"PORT{letter}")
        self._direction_address = bus.address(f"DDR{letter}")
        pins = bus.address(f"PIN{letter}")
        if self._latch_address is not None:
            bus.attach(self._latch_address, None, self._write_latch)
        if self._direction_address is not None:
            bus.attach(self._direction_address, None, self._write_direction)
        if pins is not None:
            bus.attach(pins, self._read_pins, self._toggle if has_single_bit_access(chip.part) else _ignore)
        chip.add(self)

    def pins(self) -> int:
        """Gives the levels on the pins now."""
        undriven = self.latch & ~self.direction  # The pull-up of an input whose latch is 1.
        outside = self.levels & self.driven | undriven & ~self.driven
        return (self.latch & self.direction | outside & ~self.direction) & self.pin_mask

    def _settle(self, cycle: int) -> None:
        self._before = self._synchronised(cycle - 1)
        self._now = self.pins()
        self._changed_at = cycle

    def _synchronised(self, cycle: int) -> int:
        return self._now if cycle >= self._changed_at else self._before

    def _read_pins(self, cycle: int) -> int:
        # Half to one and a half clocks of delay: IN right after OUT still sees the old level, one NOP later the new
        # one (datasheet of the ATmega16, "Reading the pin value", same text in the family).
        return self._synchronised(cycle - 1)

    def _write_latch(self, value: int, mask: int, cycle: int) -> None:
        self.latch = (self.latch & ~mask | value & mask) & self.pin_mask
        if self._latch_address is not None:
            self._data[self._latch_address] = self.latch
        self._settle(cycle)

    def _write_direction(self, value: int, mask: int, cycle: int) -> None:
        self.direction = (self.direction & ~mask | value & mask) & self.pin_mask
        if self._direction_address is not None:
            self._data[self._direction_address] = self.direction
        self._settle(cycle)

    def _toggle(self, value: int, mask: int, cycle: int) -> None:
        # Writing 1 to a PIN bit toggles the latch: DS40002061A sec. 14.2.2.
        self._write_latch(self.latch ^ (value & mask), 0xFF, cycle)

    def drive(self, driven: int, levels: int, cycle: int) -> None:
        """Puts levels on the pins from outside, from a cycle on."""
        self.driven, self.levels = driven, levels
        self._settle(cycle)

    def save(self) -> Any:
        """Gives the port's state."""
        return self.latch, self.direction, self.driven, self.levels, self._before, self._now, self._changed_at

    def restore(self, saved: Any) -> None:
        """Sets a saved state."""
        self.latch, self.direction, self.driven, self.levels, self._before, self._now, self._changed_at = saved


def _ignore(value: int, mask: int, cycle: int) -> None:
    """Takes a write to the PIN register of a part where it is read-only."""
