"""A flag of a timer, and the alarm for the tick that sets it."""

from dataclasses import dataclass

from cyclerule.machine.events import NEVER, Alarm, Recurrence
from cyclerule.peripherals.flags import Source
from cyclerule.peripherals.timers.clock import Run


@dataclass(eq=False)
class Mark:
    """A flag that is set one tick after the count is `value`, from tick `first` of the course on; None for never.

    With `is_late` it is set one CPU cycle after the count has come there, as a match on the first generation. An alarm
    stands only while the flag is clear or asks for an interrupt: what is set already cannot be set again.
    """

    alarm: Alarm
    source: Source
    is_late: bool
    value: int | None = None
    first: int = 0
    delay: int = 0
    """Cycles that the flag takes to the CPU, from a timer with a clock of its own."""

    def arm(self, run: Run | None, cycle: int, *, is_steady: bool) -> None:
        """Sets the alarm to the first cycle after this one at which the flag is set.

        Where the course is steady it promises to come again, which needs no action of this model.
        """
        if self.delay and cycle < self.alarm.due <= cycle + self.delay:
            # The flag is on its way, whatever has become of the timer.
            return
        at = None
        if run is not None and self.value is not None and not (self.source.is_set and not self.source.is_enabled):
            at = run.course.next_at(self.value, max(run.tick(cycle - self.delay), self.first))
            while at is not None and self._due(run, at) <= cycle:
                at = run.course.next_at(self.value, at + 1)
        if run is None or at is None:
            self.alarm.clear()
        else:
            self.alarm.set(self._due(run, at), self._recurrence(run, at) if is_steady else None)

    def _due(self, run: Run, at: int) -> int:
        # What is not known to come stays so: NEVER is a cycle later than any.
        return run.cycle(at) + 1 if self.is_late else min(run.cycle(at + 1) + self.delay, NEVER)

    def _recurrence(self, run: Run, at: int) -> Recurrence | None:
        course, period = run.course, run.clock.period
        again = None if self.value is None else course.next_at(self.value, at + 1)
        if period is None or again is None or at < course.lead or self.source.is_watched:
            return None
        # On the way up and on the way down: twice a period, at unequal distances.
        gap = 0 if again - at == course.period else again - at
        return Recurrence(period * course.period, self.source, period * gap)

    @property
    def is_dormant(self) -> bool:
        """Whether no alarm stands."""
        return self.alarm.due == NEVER
