"""The external clock of a timer: edges of its pin Tn, found by sampling.

ATmega48A/…/328P datasheet DS40002061A sec. 17.3: an edge reaches the counter 2.5 to 3.5 system clocks later.
"""

from bisect import bisect_right
from collections.abc import Callable
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER
from cyclerule.peripherals.port import Pin

DELAY = 3
"""Cycles from an edge on a sampled pin to what it does.

UNVERIFIED: that a level which the pin has from a cycle on counts three cycles after it, the middle of the 2.5 to 3.5 of
sec. 17.3; a program that toggles T1 itself by writing its port and reads TCNT1 some NOPs later would settle it.
"""


class ExternalClock:
    """One edge of a pin as a clock; it listens to the pin only while a timer is clocked by it."""

    period = None

    def __init__(self, chip: Chip, pin: Pin, *, is_rising: bool, delay: int = DELAY) -> None:
        self._pin, self._is_rising, self._delay = pin, is_rising, delay
        self._listener: Callable[[int], None] | None = None
        # Ticks that are to come or have just come, after `_passed` earlier ones.
        self._ticks: list[int] = []
        self._passed = 0
        chip.add(self)

    def use(self, listener: Callable[[int], None] | None, cycle: int) -> None:
        """Begins to sample the pin, with a listener that is called when a tick is known to come, or ends it."""
        if (listener is None) != (self._listener is None):
            (self._pin.ignore if listener is None else self._pin.listen)(self._change)
        # What is on its way when the clock is switched off does not arrive.
        self._ticks = [tick for tick in self._ticks if tick <= cycle]
        self._listener = listener

    def ticks(self, cycle: int) -> int:
        """Gives how many ticks lie at or before a cycle, which is none before the last that was asked for."""
        return self._passed + bisect_right(self._ticks, cycle)

    def tick_cycle(self, number: int) -> int:
        """Gives the cycle of a tick by its number; NEVER while no edge for it has been seen."""
        place = number - self._passed - 1
        return self._ticks[place] if 0 <= place < len(self._ticks) else NEVER

    def _change(self, level: bool, cycle: int) -> None:
        if level != self._is_rising or self._listener is None:
            return
        # A pin is read at one cycle back at the most.
        old = bisect_right(self._ticks, cycle - 2)
        self._passed += old
        self._ticks = [*self._ticks[old:], cycle + self._delay]
        self._listener(cycle)

    def save(self) -> Any:
        """Gives the ticks."""
        return tuple(self._ticks), self._passed, self._listener

    def restore(self, saved: Any) -> None:
        """Sets what was saved."""
        ticks, self._passed, listener = saved
        if (listener is None) != (self._listener is None):
            (self._pin.ignore if listener is None else self._pin.listen)(self._change)
        self._ticks, self._listener = list(ticks), listener
