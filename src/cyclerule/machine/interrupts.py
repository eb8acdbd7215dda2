"""Interrupt requests: which vectors ask, and what entering a handler does.

Response, wake-up and return times: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet DS40002061A
sec. 7.7.1 (16-bit program counter) and ATmega640/1280/1281/2560/2561 datasheet sec. 7.8.1 (22-bit).
"""

from collections import Counter
from collections.abc import Callable, MutableSequence, Sequence
from typing import NamedTuple


class HandlerRun(NamedTuple):
    """One run of a handler: cycles from the request's acceptance, response and vector jump included, to after RETI.

    `nested_in` is the vector of the handler it interrupted, or None.
    """

    vector: int
    start_cycle: int
    end_cycle: int
    nested_in: int | None


class HandlerTimes(NamedTuple):
    """All runs of one vector's handler so far: how many, the fewest, most and all of their cycles."""

    runs: int
    least: int
    most: int
    total: int


class OpenHandler(NamedTuple):
    """A handler that has begun: its vector, when it was accepted, and the stack pointer to come back to."""

    vector: int
    start_cycle: int
    stack_pointer: int


class InterruptController:
    """The requests of all devices, the lowest vector first.

    `requests` has a bit for each vector whose flag and enable bit are both set; devices keep it
    right through `set_request`. `delivers` is False while a call runs with interrupts off: requests
    are kept, no handler is entered.
    """

    def __init__(self, pc_bytes: int, vector_words: int) -> None:
        self.requests = 0
        # The vectors that can wake the chip from the sleep mode it is in, a bit for each.
        self.wakers = -1
        self.delivers = True
        self.response_cycles = 4 if pc_bytes == 2 else 5
        # The wake-up from sleep halts the CPU as long again, on top of the mode's start-up time.
        self.wake_cycles = self.response_cycles
        self.vector_words = vector_words
        self.open: list[OpenHandler] = []
        self.finished: list[HandlerRun] = []
        self.keeps_log = True
        self.stats: dict[int, HandlerTimes] = {}
        # Cycles of finished handlers by how many others each had interrupted: [0] is what they took from the program.
        self.nested_cycles: Counter[int] = Counter()
        self._acknowledge: dict[int, Callable[[int], None]] = {}

    def on_entry(self, vector: int, action: Callable[[int], None]) -> None:
        """Has `action` called with the cycle when a vector is entered; flag-type sources clear their flag there."""
        self._acknowledge[vector] = action

    def set_request(self, vector: int, asks: bool | int) -> None:
        """Raises or withdraws the request of a vector."""
        if asks:
            self.requests |= 1 << vector
        else:
            self.requests &= ~(1 << vector)

    def accept(self, cycle: int, stack_pointer: int) -> int:
        """Takes the request with the lowest vector, clears its flag where it has one, and gives the vector."""
        vector = (self.requests & -self.requests).bit_length() - 1
        self.open.append(OpenHandler(vector, cycle, stack_pointer))
        acknowledge = self._acknowledge.get(vector)
        if acknowledge is not None:
            acknowledge(cycle)
        return vector

    def note_return(self, cycle: int, stack_pointer: int) -> None:
        """Closes the handler that a RETI left, when the stack pointer is back where the handler began."""
        if self.open and self.open[-1].stack_pointer == stack_pointer:
            vector, start, _ = self.open.pop()
            self.nested_cycles[len(self.open)] += cycle - start
            self._add_times(vector, HandlerTimes(1, cycle - start, cycle - start, cycle - start))
            if self.keeps_log:
                self.finished.append(HandlerRun(vector, start, cycle, self.open[-1].vector if self.open else None))

    def _add_times(self, vector: int, times: HandlerTimes) -> None:
        before = self.stats.get(vector)
        if before is not None:
            times = HandlerTimes(
                before.runs + times.runs,
                min(before.least, times.least),
                max(before.most, times.most),
                before.total + times.total,
            )
        self.stats[vector] = times

    def take_stats(
        self,
        counts: MutableSequence[int],
        least: Sequence[int],
        most: Sequence[int],
        total: MutableSequence[int],
        nested: MutableSequence[int],
    ) -> None:
        """Adds what compiled code has counted by vector and by nesting, and sets its counts back to zero."""
        for vector, count in enumerate(counts):
            if count:
                self._add_times(vector, HandlerTimes(count, least[vector], most[vector], total[vector]))
                counts[vector] = total[vector] = 0
        for depth, cycles in enumerate(nested):
            if cycles:
                self.nested_cycles[depth] += cycles
                nested[depth] = 0

    def save(self) -> tuple[int, bool, tuple[OpenHandler, ...], int]:
        """Gives the state, for `restore`; the log of finished handlers is not part of it."""
        return self.requests, self.delivers, tuple(self.open), self.wakers

    def restore(self, saved: tuple[int, bool, tuple[OpenHandler, ...], int]) -> None:
        """Sets the saved state and empties the log."""
        self.requests, self.delivers, _, self.wakers = saved
        self.open = list(saved[2])
        self.finished = []
        self.stats = {}
        self.nested_cycles.clear()
