"""The prescalers that timers take their clocks from; they run freely from reset.

ATmega48A/…/328P datasheet DS40002061A sec. 17: one of ten bits shared by timers 0 and 1 (and 3, 4, 5), reset by
PSRSYNC; sec. 18.10: one of timer 2's own, reset by PSRASY; TSM holds both.
"""

from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER
from cyclerule.peripherals.timers.clock import Clock

# The bit's name on the ATmega48, ATmega162, ATmega128, ATmega16, ATtiny167 and ATtiny841.
SHARED_RESET_BITS = ("PSRSYNC", "PSR310", "PSR321", "PSR10", "PSR1", "PSR")
# On the ATmega48, ATmega8 and ATmega128 (there for timer 0).
OWN_RESET_BITS = ("PSRASY", "PSR2", "PSR0")
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
        # What it counts in place of the CPU clock, and where that stood when it began.
        self._source: Clock | None = None
        self.origin = 0
        self.is_held = False
        # The cycle from which on its own clock stands still, in sleep.
        self._stopped_at: int | None = None
        self._listeners: list[tuple[Callable[[int], None], Callable[[], None]]] = []
        chip.add(self)

    def on_change(self, settle: Callable[[int], None], schedule: Callable[[], None]) -> None:
        """Has `settle` called with the cycle before the phase changes and `schedule` after it."""
        self._listeners.append((settle, schedule))

    def tap(self, divisor: int) -> "Tap":
        """Gives the clock that ticks each `divisor` CPU clocks."""
        return Tap(self, divisor)

    @property
    def source(self) -> Clock | None:
        """The asynchronous clock that it counts; None for the CPU clock."""
        return self._source

    def switch(self, source: Clock | None, cycle: int) -> None:
        """Counts another clock from a cycle on, beginning at zero."""
        self._settle(cycle)
        if self._source is not None:
            self._source.use(None, cycle)
        self._source = source
        if source is not None:
            source.use(self._foresee, cycle)
        self.origin = self._passed(cycle)
        self.schedule()

    def _settle(self, cycle: int) -> None:
        for settle, _ in self._listeners:
            settle(cycle)

    def schedule(self) -> None:
        """Has everything on this clock find anew when its ticks come."""
        for _, schedule in self._listeners:
            schedule()

    def _foresee(self, cycle: int) -> None:
        self._settle(cycle)
        self.schedule()

    def reset(self, cycle: int, *, holds: bool = False) -> None:
        """Starts the phase anew; with `holds` it then stands still."""
        self._settle(cycle)
        # UNVERIFIED: that a tick at the very edge of the reset is still counted; a timer at clock/8 that is read after
        # a reset at each of eight phases would settle it.
        self.origin = self._passed(cycle)
        self.is_held = holds
        self.schedule()

    def follow(self, is_stopped: Callable[[], bool], cycle: int) -> None:
        """Stops with its clock, or goes on in the phase in which it stopped."""
        stopped_at = self._stopped_at
        if is_stopped() == (stopped_at is not None):
            return
        self._settle(cycle)
        if stopped_at is None:
            self._stopped_at = cycle
        else:
            self.origin += self._passed(cycle) - self._passed(stopped_at)
            self._stopped_at = None
        self.schedule()

    def _passed(self, cycle: int) -> int:
        return cycle if self._source is None else self._source.ticks(cycle)

    def counted(self, cycle: int) -> int:
        """Gives the clocks counted up to a cycle, none while it is held."""
        if self._stopped_at is not None:
            cycle = min(cycle, self._stopped_at)
        return 0 if self.is_held else self._passed(cycle) - self.origin

    def cycle_of(self, count: int) -> int:
        """Gives the cycle at which it has counted so many clocks; NEVER when that is not known to come."""
        if self.is_held or self._stopped_at is not None:
            return NEVER
        return self.origin + count if self._source is None else self._source.tick_cycle(self.origin + count)

    def at_reset(self, cycle: int) -> None:
        """Begins to count anew with a reset of the chip."""
        if self._source is not None:
            self._source.use(None, cycle)
        self._source, self.origin, self.is_held, self._stopped_at = None, cycle, False, None

    def save(self) -> Any:
        """Gives the phase."""
        return self._source, self.origin, self.is_held, self._stopped_at

    def restore(self, saved: Any) -> None:
        """Sets the phase."""
        self._source, self.origin, self.is_held, self._stopped_at = saved


class Tap(NamedTuple):
    """One tap of a prescaler, as a clock."""

    prescaler: Prescaler
    divisor: int

    def ticks(self, cycle: int) -> int:
        """Gives how many ticks lie at or before a cycle, counted from the origin."""
        # UNVERIFIED: that a timer at clock/1 stands still too while TSM is set (sec. 17 says that timers are halted,
        # but clock/1 is no tap of this); a board that reads TCNT1 twice meanwhile would settle it.
        return self.prescaler.counted(cycle) // self.divisor

    def tick_cycle(self, number: int) -> int:
        """Gives the cycle of a tick by its number; NEVER while the prescaler stands still."""
        return self.prescaler.cycle_of(number * self.divisor)

    @property
    def period(self) -> int | None:
        """The cycles from tick to tick; None when they differ."""
        source = self.prescaler.source
        if source is None:
            return self.divisor
        return None if source.period is None else source.period * self.divisor

    def use(self, listener: Callable[[int], None] | None, cycle: int) -> None:
        """Does nothing: a prescaler runs whether a timer uses it or not."""


class PrescalerControl:
    """The register with the reset bits and TSM: GTCCR, or SFIOR on older parts, which has bits of other devices too.

    Each prescaler comes with the names that its reset bit may have; `strobes` are bits of others that read as zero.
    """

    def __init__(self, chip: Chip, resets: Iterable[tuple[Prescaler, tuple[str, ...]]], strobes: int = 0) -> None:
        self._strobes = strobes
        self._bus, self._data = chip.bus, chip.data
        bits = chip.part.bits
        self._register = next((name for name in ("GTCCR", "SFIOR") if name in chip.part.registers), None)
        self._resets = [
            (1 << bits[name], prescaler)
            for prescaler, names in resets
            if (name := next((each for each in names if each in bits), None)) is not None
        ]
        self._hold = 1 << bits["TSM"] if "TSM" in bits else 0
        self._value = 0
        self._address = None if self._register is None else chip.bus.address(self._register)
        if self._address is not None and self._resets:
            chip.bus.attach(self._address, None, self._write)
        chip.add(self)

    def _write(self, value: int, mask: int, cycle: int) -> None:
        self._value = self._value & ~mask & 0xFF | value & mask
        holds = bool(self._value & self._hold)
        for reset, prescaler in self._resets:
            resets = bool(self._value & reset)
            if resets or prescaler.is_held:
                prescaler.reset(cycle, holds=holds and resets)
            # Without TSM the reset bit clears itself at once (DS40002061A sec. 17, GTCCR).
            if not holds:
                self._value &= ~reset
        if self._address is not None:
            # Those who have claimed bits see the strobes with this write, as no other access does.
            self._data[self._address] = self._value
        self._report_others()
        self._value &= ~self._strobes

    def _report_others(self) -> None:
        others = self._value & ~(self._hold | sum(reset for reset, _ in self._resets))
        if self._register is not None and others:
            self._bus.report_bits(self._register, others, OTHER_BITS[self._register])

    def save(self) -> Any:
        """Gives the register."""
        return self._value

    def restore(self, saved: Any) -> None:
        """Sets the register."""
        self._value = saved
