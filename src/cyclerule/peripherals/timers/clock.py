"""What a timer counts, and a counter's course laid on it."""

from collections.abc import Callable
from typing import NamedTuple, Protocol

from cyclerule.peripherals.timers.counter import Course


class Clock(Protocol):
    """What a timer counts; ticks are numbered, from an origin of the clock's own."""

    def ticks(self, cycle: int) -> int:
        """Gives how many ticks lie at or before a cycle."""

    def tick_cycle(self, number: int) -> int:
        """Gives the cycle of a tick; NEVER when it is not known to come."""

    @property
    def period(self) -> int | None:
        """The cycles from tick to tick; None when they differ."""

    def use(self, listener: Callable[[int], None] | None, cycle: int) -> None:
        """Takes it into use, with a listener that is called when a tick is known to come, or out of it (None)."""


ClockSelect = Clock | str | None
"""What a clock select code means: a clock, stopped (None), or in words what is not modelled."""


class Run(NamedTuple):
    """A course that begins at tick `base` of a clock."""

    course: Course
    clock: Clock
    base: int

    def tick(self, cycle: int) -> int:
        """Gives the ticks of the course that lie at or before a cycle."""
        return self.clock.ticks(cycle) - self.base

    def cycle(self, tick: int) -> int:
        """Gives the cycle of a tick of the course; NEVER when it is not known to come."""
        return self.clock.tick_cycle(self.base + tick)

    def value(self, cycle: int) -> int:
        """Gives the count at a cycle."""
        return self.course.value(self.tick(cycle))
