"""A long run in short slices, so that it can tell how far it is and be ended from the keyboard between them."""

import signal
import threading
import time
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

from cyclerule.engines.engine import Stop
from cyclerule.measure.stage import Stage

FIRST_SLICE, SHORTEST_SLICE = 200_000, 20_000
"""Cycles; how many one takes changes nothing but when the run can be ended."""

SLICE_SECONDS = 0.2
"""A slice is to take about so long."""

TOLD_EVERY_SECONDS = 0.1

FASTEST_GROWTH = 4

CycleProgress = Callable[[int, int], None]
"""Called now and then with (the cycle reached, the cycle at which the run ends at the latest)."""


@dataclass
class Interruption:
    """Whether Ctrl-C was pressed since somebody began to look out for it."""

    is_asked: bool = False


@contextmanager
def interruptible() -> Iterator[Interruption]:
    """Notes Ctrl-C instead of raising KeyboardInterrupt, which may come while compiled code has called into Python.

    A second Ctrl-C raises it all the same. Outside the main thread, which alone is told, nothing is noted.
    """
    asked = Interruption()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def note(_number: int, _frame: FrameType | None) -> None:
        if asked.is_asked:
            raise KeyboardInterrupt
        asked.is_asked = True

    before = signal.signal(signal.SIGINT, note)
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, before)


class Slices:
    """Runs a stage up to a cycle in slices."""

    def __init__(self, stage: Stage, interruption: Interruption, progress: CycleProgress | None, last: int) -> None:
        self._stage, self._interruption, self._progress, self._last = stage, interruption, progress, last
        self._length = FIRST_SLICE
        self._told = 0.0

    def run(
        self, limit: int, *, exits: Container[int], entries: Container[int], stops_at_break: bool = False
    ) -> Stop | None:
        """Executes until there is a reason to stop, as `Engine.run` does; None when Ctrl-C ended it."""
        stage, chip = self._stage, self._stage.chip
        while not self._interruption.is_asked:
            end = min(limit, chip.cycle + self._length)
            began = time.perf_counter()
            stop = stage.run(end, exits=exits, entries=entries, stops_at_break=stops_at_break)
            now = time.perf_counter()
            if self._progress is not None and now - self._told > TOLD_EVERY_SECONDS:
                self._told = now
                self._progress(min(chip.cycle, self._last), self._last)
            if stop is not Stop.LIMIT or end == limit:
                return stop
            self._length = _next_length(self._length, now - began)
            # The engine ends a slice before it looks at entries, and begins the next one without a look.
            if stage.goes_on_at(entries):
                return Stop.AT_ENTRY
        return None


def _next_length(length: int, seconds: float) -> int:
    return max(SHORTEST_SLICE, int(length * min(FASTEST_GROWTH, SLICE_SECONDS / max(seconds, 1e-6))))
