"""The 10-bit prescaler that timers 0 and 1 (and 3, 4, 5) share: it runs freely from reset.

ATmega48A/…/328P datasheet DS40002061A sec. 17: shared, free-running, reset by PSRSYNC, held by TSM.
"""

from collections.abc import Callable
from typing import Any

from cyclerule.machine.chip import Chip

# The bit's name on the ATmega48, ATmega162, ATmega128, ATmega16, ATtiny167 and ATtiny841. ATmega128 has PSR0 too, for
# timer 0 alone.
RESET_BITS = ("PSRSYNC", "PSR310", "PSR321", "PSR10", "PSR1", "PSR")
OTHER_BITS = {
    "GTCCR": ("PSRASY", "PSR2", "PSR0", "ICPSEL1"),
    "SFIOR": ("PSR2", "PSR0", "PUD", "ACME", "ADHSM", "ADTS0", "ADTS1", "ADTS2", "XMBK", "XMM0", "XMM1", "XMM2"),
}


class Prescaler:
    """Counts the CPU clock from `origin`; a tap of N ticks at origin + N, origin + 2 N and so on.

    UNVERIFIED: that its count is zero at reset and starts with the CPU clock, and that a timer takes the next tick
    after it is enabled, which gives 1 to N clocks where sec. 17.2 says 1 to N + 1. A program that starts a timer at
    clock/1024 at every phase after reset and reads when it first counts would settle both on a board.
    """

    def __init__(self, chip: Chip) -> None:
        self.origin = 0
        self.is_held = False
        self._listeners: list[tuple[Callable[[int], None], Callable[[], None]]] = []
        self._bus = chip.bus
        chip.add(self)
        bits = chip.part.bits
        self._reset_bit = next((bits[name] for name in RESET_BITS if name in bits), None)
        self._hold_bit = bits.get("TSM")
        self._value = 0
        self._register = next((name for name in ("GTCCR", "SFIOR") if name in chip.part.registers), None)
        self._data, self._address = chip.data, None if self._register is None else chip.bus.address(self._register)
        if self._address is not None and self._reset_bit is not None:
            chip.bus.attach(self._address, None, self._write)

    def on_change(self, settle: Callable[[int], None], schedule: Callable[[], None]) -> None:
        """Has `settle` called with the cycle before the phase changes and `schedule` after it."""
        self._listeners.append((settle, schedule))

    def ticks(self, cycle: int, divisor: int) -> int:
        """Gives how many ticks of a tap lie at or before a cycle, counted from the origin."""
        # UNVERIFIED: that a timer at clock/1 stands still too while TSM is set (sec. 17 says that timers are halted,
        # but clock/1 is no tap of this); a board that reads TCNT1 twice meanwhile would settle it.
        return 0 if self.is_held else (cycle - self.origin) // divisor

    def tick_cycle(self, number: int, divisor: int) -> int:
        """Gives the cycle of a tick by its number."""
        return self.origin + number * divisor

    def _write(self, value: int, mask: int, cycle: int) -> None:
        for settle, _ in self._listeners:
            settle(cycle)
        self._value = self._value & ~mask | value & mask
        holds = bool(self._hold_bit is not None and self._value >> self._hold_bit & 1)
        resets = bool(self._reset_bit is not None and self._value >> self._reset_bit & 1)
        # UNVERIFIED: that a tick at the very edge of the reset is still counted; a timer at clock/8 that is read after
        # a reset at each of eight phases would settle it.
        if resets or self.is_held:
            self.origin = cycle
        self.is_held = holds and resets
        # Without TSM the reset bit clears itself at once (DS40002061A sec. 17, GTCCR).
        if not holds and self._reset_bit is not None:
            self._value &= ~(1 << self._reset_bit)
        if self._address is not None:
            self._data[self._address] = self._value
        self._report_others()
        for _, schedule in self._listeners:
            schedule()

    def _report_others(self) -> None:
        own = sum(1 << bit for bit in (self._reset_bit, self._hold_bit) if bit is not None)
        if self._register is not None and self._value & ~own:
            self._bus.report_bits(self._register, self._value & ~own, OTHER_BITS[self._register])

    def save(self) -> Any:
        """Gives the phase."""
        return self.origin, self.is_held, self._value

    def restore(self, saved: Any) -> None:
        """Sets the phase."""
        self.origin, self.is_held, self._value = saved
