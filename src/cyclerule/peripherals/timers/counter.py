"""The count of a timer as a function of its clock's ticks: nothing steps, every question is answered by arithmetic.

Single slope: 0 up to TOP and anew at 0. Dual slope: 0 up to TOP, down to 0, each end for one tick; DS40002061A
(ATmega48A/…/328P) sec. 15.7 and 16.9. A count beyond TOP goes on to MAX and begins at 0.
"""

from collections.abc import Iterator
from typing import NamedTuple


class Course(NamedTuple):
    """How a counter goes on from a setting, which is tick 0.

    For `lead` ticks the count goes from `start` by `step`; then it goes round from position `phase`. A round has a
    position for each of its ticks; with a dual slope the way down has those above `top`.
    """

    start: int
    step: int
    lead: int
    phase: int
    top: int
    is_dual: bool

    @property
    def period(self) -> int:
        """The ticks of a round."""
        return max(2 * self.top, 1) if self.is_dual else self.top + 1

    def value(self, tick: int) -> int:
        """Gives the count after a number of ticks."""
        if tick < self.lead:
            return self.start + self.step * tick
        position = self._position(tick)
        return position if position <= self.top else 2 * self.top - position

    def is_falling(self, tick: int) -> bool:
        """Tells whether the counter is on its way down; at TOP it is still rising, at BOTTOM it is no more falling."""
        if tick < self.lead:
            return self.step < 0
        return self._position(tick) > self.top

    def _position(self, tick: int) -> int:
        return (self.phase + tick - self.lead) % self.period

    def next_at(self, value: int, tick: int) -> int | None:
        """Gives the first tick, this one or later, at which the count is `value`; None when it never is."""
        early = self._lead_tick(value)
        if early is not None and early >= tick:
            return early
        begin = max(tick, self.lead)
        here = self._position(begin)
        return min((begin + (place - here) % self.period for place in self._places(value)), default=None)

    def last_at(self, value: int, tick: int, *, falling: bool | None = None) -> int | None:
        """Gives the last tick, this one or before, at which the count was `value`; None when it was not.

        With `falling`, only on the way down, to which TOP belongs, or only on the way up, to which BOTTOM does.
        """
        if tick >= self.lead:
            here = self._position(tick)
            places = (p for p in self._places(value) if falling is None or falling == (p >= self.top))
            found = max((tick - (here - place) % self.period for place in places), default=-1)
            if found >= self.lead:
                return found
        early = self._lead_tick(value)
        fits = falling is None or falling == (self.step < 0)
        return early if early is not None and early <= tick and fits else None

    def times_at(self, value: int, first: int, last: int) -> int:
        """Gives at how many of the ticks from `first` to `last`, both included, the count is `value`."""
        early = self._lead_tick(value)
        times = int(early is not None and first <= early <= last)
        begin = max(first, self.lead)
        if last >= begin:
            here = self._position(begin)
            for place in self._places(value):
                ahead = (place - here) % self.period
                times += (last - begin - ahead) // self.period + 1 if last - begin >= ahead else 0
        return times

    def _lead_tick(self, value: int) -> int | None:
        tick = (value - self.start) * self.step
        return tick if 0 <= tick < self.lead else None

    def _places(self, value: int) -> Iterator[int]:
        if value <= self.top:
            yield value
            if self.is_dual and 0 < value < self.top:
                yield 2 * self.top - value


def course(count: int, top: int, maximum: int, *, is_dual: bool, is_falling: bool, misses_top: bool) -> Course:
    """Gives how a count goes on; with `misses_top`, it does not turn at a TOP at which it stands."""
    if is_dual and is_falling:
        period = max(2 * top, 1)
        if count >= top:
            # TOP is passed on the way down, and does not turn the counter.
            return Course(count, -1, count - top + 1, (top + 1) % period, top, True)
        return Course(0, 1, 0, (2 * top - count) % period, top, True)
    if count > top or (count == top and misses_top):
        return Course(count, 1, maximum - count + 1, 0, top, is_dual)
    return Course(0, 1, 0, count, top, is_dual)
