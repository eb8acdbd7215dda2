"""What is going to happen, and when: nothing ticks, every change to come has its cycle.

A device owns an Alarm for each thing it waits for and sets it to the cycle at which that happens.
A change at cycle t is seen by every access in cycle t or later.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

NEVER = (1 << 63) - 1
"""A cycle later than any run reaches."""


class FlagSource(Protocol):
    """An interrupt flag that an alarm sets: its vector (None without one), its state and whether it is enabled."""

    @property
    def vector(self) -> int | None:
        """The interrupt vector."""

    @property
    def is_set(self) -> bool:
        """Whether the flag is set."""

    @property
    def is_enabled(self) -> bool:
        """Whether the interrupt is enabled by its own bit."""

    @property
    def is_watched(self) -> bool:
        """Whether another device is to be told whenever the flag is set, so that nothing may be promised of it."""

    def put(self, is_set: bool) -> None:
        """Sets or clears the flag."""


class Recurrence(NamedTuple):
    """The promise of an alarm that all it does is to set a flag, and that it is due again each `period` cycles.

    With a `gap` it is due in between too: so long after it was due, and in turn after what is left of the period. It
    holds until the alarm is set anew. Compiled code carries such alarms out itself.
    """

    period: int
    source: FlagSource
    gap: int = 0


class Stream(NamedTuple):
    """What a device is at that takes bytes at a register and passes each on after a fixed time.

    `busy` and `waiting` are the bytes on their way and in the buffer, of up to nine bits. A byte begins at a multiple
    of `grid` cycles after `origin` and takes `length`; one that waits follows without a gap. `status` and `control` are
    data addresses: bit 5 of `status` is set while there is room, bit 6 once all is passed on (entering its handler
    clears it), the bits of `control` there enable the interrupts, and its bit 0 is the ninth bit of a byte.
    """

    data: int
    status: int
    control: int
    origin: int
    grid: int
    length: int
    busy: int | None
    waiting: int | None
    empty_vector: int | None
    complete_vector: int | None


class StreamSource(Protocol):
    """A device that compiled code may carry on itself; `alarm` is the end of the byte on its way."""

    @property
    def alarm(self) -> "Alarm":
        """The alarm at the end of a byte."""

    def promise(self) -> Stream | None:
        """Gives what the device is at, when all it does until it is touched otherwise is what `Stream` says."""

    def take_over(
        self, busy: int | None, waiting: int | None, due: int, passed_on: tuple[Sequence[int], Sequence[int]]
    ) -> None:
        """Takes over what it has become; `due` is the end of the byte on its way.

        `passed_on` are the cycles at which bytes have ended, and the bytes.
        """


class Alarm:
    """One thing to come; `due` is its cycle, or NEVER."""

    __slots__ = ("_queue", "action", "due", "outlives_reset", "priority", "recurrence", "serial")

    def __init__(self, queue: "EventQueue", action: Callable[[int], None], priority: int, serial: int) -> None:
        self._queue, self.action, self.priority, self.serial = queue, action, priority, serial
        self.due = NEVER
        self.recurrence: Recurrence | None = None
        self.outlives_reset = False

    def set(self, cycle: int, recurrence: Recurrence | None = None) -> None:
        """Moves the alarm to a cycle."""
        before, self.due = self.due, cycle
        self.recurrence = None if recurrence is not None and recurrence.source.is_watched else recurrence
        self._queue.moved(before, cycle)

    def clear(self) -> None:
        """Takes the alarm back."""
        if self.due != NEVER:
            before, self.due = self.due, NEVER
            self._queue.moved(before, NEVER)


class EventQueue:
    """All alarms of a chip, run in the order of cycle, priority (lower first) and making."""

    def __init__(self) -> None:
        self.alarms: list[Alarm] = []
        self.streams: list[StreamSource] = []
        # The data addresses at which streams take bytes.
        self.stream_registers: set[int] = set()
        self.next_cycle = NEVER
        # The last cycle at which a device was made to do something: by an alarm, or by a write to a register.
        self.now = 0
        # Counts changes to what is to come, so that others need not compare.
        self.version = 0

    def alarm(self, action: Callable[[int], None], priority: int = 0, *, outlives_reset: bool = False) -> Alarm:
        """Makes an alarm that calls `action` with its due cycle when that is reached.

        A reset of the chip takes it back, unless it is to outlive that, as what happens outside the chip does.
        """
        made = Alarm(self, action, priority, len(self.alarms))
        made.outlives_reset = outlives_reset
        self.alarms.append(made)
        return made

    @property
    def is_pending(self) -> bool:
        """Whether anything is to come."""
        return self.next_cycle != NEVER

    def moved(self, before: int, after: int) -> None:
        """Keeps the next cycle right; alarms call this when they move."""
        if before == self.next_cycle < after:
            self.refresh()
            return
        self.version += 1
        self.next_cycle = min(self.next_cycle, after)

    def clear_at_reset(self) -> None:
        """Takes back all alarms that a reset of the chip ends."""
        for each in self.alarms:
            if not each.outlives_reset:
                each.due, each.recurrence = NEVER, None
        self.refresh()

    def refresh(self) -> None:
        """Finds the next cycle anew, after alarms were changed without `set` or `clear`."""
        self.version += 1
        self.next_cycle = min((each.due for each in self.alarms), default=NEVER)

    def run_until(self, cycle: int) -> None:
        """Runs every alarm that is due at `cycle` or before; an action may set alarms again."""
        while self.next_cycle <= cycle:
            due, first = self.next_cycle, None
            for each in self.alarms:
                # In the order of their making, so that the first of a priority is the one.
                if each.due == due and (first is None or each.priority < first.priority):
                    first = each
            if first is None:
                raise AssertionError("the next cycle is that of no alarm")
            first.due = NEVER
            self.refresh()
            self.now = due
            first.action(due)

    def save(self) -> tuple[int, ...]:
        """Gives the due cycles, for `restore`."""
        return tuple(each.due for each in self.alarms)

    def save_recurrences(self) -> tuple[Recurrence | None, ...]:
        """Gives the promises that hold for the due cycles, for `restore`."""
        return tuple(each.recurrence for each in self.alarms)

    def restore(self, saved: Sequence[int], recurrences: Sequence[Recurrence | None] | None = None) -> None:
        """Sets every alarm to its saved cycle; without saved promises nothing is promised."""
        recurrences = recurrences or (None,) * len(self.alarms)
        for each, due, recurrence in zip(self.alarms, saved, recurrences, strict=True):
            each.due, each.recurrence = due, recurrence
        self.refresh()
