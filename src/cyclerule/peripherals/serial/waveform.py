"""What a device shows on an output pin over a time that it knows in advance: a frame, a clock, a row of bits.

Its edges are events only while somebody listens to the pin; else the pin is brought up to date when it is looked at.
"""

from collections.abc import Sequence
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin

Edges = Sequence[tuple[int, bool]]
"""Levels with the cycles from which they hold, in the order of time."""


class Waveform:
    """One pin as one device drives it, while `is_taken`; without a pin nothing is shown."""

    def __init__(self, chip: Chip, pin: Pin | None, owner: str, *, forces_output: bool) -> None:
        self._pin, self._owner, self._forces_output = pin, owner, forces_output
        self._edges: Edges = ()
        self._shown = 0
        self.is_taken = False
        self._stopped_at: int | None = None
        if pin is not None:
            self._alarm = chip.events.alarm(self.show)
            pin.port.follow(self.show)
            chip.add(self)

    @property
    def has_pin(self) -> bool:
        """Whether anything is shown at all."""
        return self._pin is not None

    @property
    def is_heard(self) -> bool:
        """Whether anybody listens to the pin."""
        return self._pin is not None and self._pin.is_heard

    def hold(self, level: bool, cycle: int) -> None:
        """Takes the pin, or goes on having it, at a level."""
        if self._pin is None:
            return
        self.show(cycle)
        self._edges, self._shown, self.is_taken = (), 0, True
        self._alarm.clear()
        self._pin.take(self._owner, level, cycle, forces_output=self._forces_output)

    def release(self, cycle: int) -> None:
        """Gives the pin back."""
        if self._pin is None or not self.is_taken:
            return
        self.show(cycle)
        self._edges, self._shown, self.is_taken = (), 0, False
        self._alarm.clear()
        self._pin.release(self._owner, cycle)

    def play(self, edges: Edges) -> None:
        """Shows these levels from now on, after those of before that were still to come up to the first of them."""
        if self._pin is None or not edges:
            return
        first = edges[0][0]
        if self._pin.is_heard:
            self.show(first)
            kept: Edges = ()
        else:
            # Nobody looks yet: the last two say all that can still be seen.
            kept = [edge for edge in self._edges[self._shown :][-2:] if edge[0] <= first]
        self._edges, self._shown, self.is_taken = [*kept, *edges], 0, True
        self._await()

    def show(self, cycle: int) -> None:
        """Brings the pin to what it shows at a cycle, edge by edge."""
        pin, edges = self._pin, self._edges
        if pin is None or self._stopped_at is not None:
            return
        first = self._shown
        while self._shown < len(edges) and edges[self._shown][0] <= cycle:
            self._shown += 1
        if first == self._shown:
            self._await()
            return
        # Who only looks now and then sees the last level, and through the synchroniser the one before.
        if not pin.is_heard:
            first = max(first, self._shown - 2)
        for at, level in edges[first : self._shown]:
            pin.take(self._owner, level, at, forces_output=self._forces_output)
        self._await()

    def _await(self) -> None:
        if self._pin is not None and self._pin.is_heard and self._shown < len(self._edges):
            due = self._edges[self._shown][0]
            if self._alarm.due != due:
                self._alarm.set(due)

    def stop_clock(self, cycle: int) -> None:
        """Stands still, because the clock does."""
        if self._pin is not None:
            self.show(cycle)
            self._stopped_at = cycle
            self._alarm.clear()

    def go_on(self, cycle: int) -> None:
        """Shows what was still to come, later by the time that the clock stood still."""
        since = self._stopped_at
        if since is None:
            return
        self._stopped_at = None
        self._edges = [(at + cycle - since, level) for at, level in self._edges[self._shown :]]
        self._shown = 0
        self._await()

    def save(self) -> Any:
        """Gives what is still to be shown."""
        return tuple(self._edges[self._shown :]), self.is_taken, self._stopped_at

    def restore(self, saved: Any) -> None:
        """Sets it; the alarm is restored with the queue."""
        self._edges, self.is_taken, self._stopped_at = saved
        self._shown = 0
