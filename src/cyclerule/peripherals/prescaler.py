"""The 10-bit prescaler that timers 0 and 1 (and 3, 4, 5) share: it runs freely from reset.

ATmega48A/…/328P datasheet DS40002061A sec. 17: shared, free-running, reset by PSRSYNC, held by TSM.
"""

from collections.abc import Callable
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part


class Prescaler:
    """Counts the CPU clock from `origin`; a tap of N ticks at origin + N, origin + 2 N and so on.

    UNVERIFIED: that its count is zero at reset and starts with the CPU clock. A program that starts
    a timer at clock/1024 right after reset and reads when it first counts would settle it on a board.
    """

    def __init__(self, chip: Chip) -> None:
        self.origin = 0
        self.is_held = False
        self._listeners: list[Callable[[int], None]] = []
        chip.add(self)
        part = chip.part
        self._reset_bit, self._hold_bit = _first_bit(part, "PSRSYNC", "PSR10", "PSR0"), part.bits.get("TSM")
        control = chip.bus.address("GTCCR") or chip.bus.address("SFIOR")
        self._value = 0
        if control is not None and self._reset_bit is not None:
            chip.bus.attach(control, lambda cycle: self._value, self._write)

    def on_change(self, listener: Callable[[int], None]) -> None:
        """Has `listener` called with the cycle before the phase changes, so that a timer can settle its count."""
        self._listeners.append(listener)

    def ticks(self, cycle: int, divisor: int) -> int:
        """Gives how many ticks of a tap lie at or before a cycle, counted from the origin."""
        return 0 if self.is_held else (cycle - self.origin) // divisor

    def tick_cycle(self, number: int, divisor: int) -> int:
        """Gives the cycle of a tick by its number."""
        return self.origin + number * divisor

    def _write(self, value: int, mask: int, cycle: int) -> None:
        for listener in self._listeners:
            listener(cycle)
        self._value = self._value & ~mask | value & mask
        is_held = bool(self._hold_bit is not None and self._value >> self._hold_bit & 1)
        resets = self._reset_bit is not None and self._value >> self._reset_bit & 1
        if resets:
            self.origin = cycle
        self.is_held = bool(is_held and resets)
        # Without TSM the reset bit clears itself at once (DS40002061A sec. 17, GTCCR).
        if not is_held and self._reset_bit is not None:
            self._value &= ~(1 << self._reset_bit)
        for listener in self._listeners:
            listener(cycle)

    def save(self) -> Any:
        """Gives the phase."""
        return self.origin, self.is_held, self._value

    def restore(self, saved: Any) -> None:
        """Sets the phase."""
        self.origin, self.is_held, self._value = saved


def _first_bit(part: Part, *names: str) -> int | None:
    return next((part.bits[name] for name in names if name in part.bits), None)
