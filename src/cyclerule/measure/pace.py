"""How fast a sweep goes: which engine its rows get, when it is told how far it is, and when it would never end."""

import time
from collections.abc import Callable

from cyclerule.errors import DomainTooLarge
from cyclerule.measure.stage import AUTO, REFERENCE, SCALAR

LONGEST_SECONDS = 900.0
"""A sweep that would take longer than this on the engine at hand is refused, with the time it would take."""

COMPILED_SECONDS = 0.4
"""Work that would take the reference engine longer than this goes to compiled code, which takes that long to make."""

LONG_ROW_SECONDS = 0.0005
"""A row that takes longer than this is quicker in compiled code even when Python places its arguments."""

ROWS_TO_TELL = 16
"""Rows after which their pace says something about those to come."""

FIRST_BATCH, LARGEST_BATCH, BATCH_GROWTH = 8, 1 << 16, 16
BATCH_SECONDS = 0.1
"""A batch is to take about so long, that progress is told and a sweep without end can be broken off."""

PROBE_SECONDS = 0.5
"""How long a sweep runs before its time is foretold."""

TOLD_EVERY_SECONDS = 0.1
"""How often progress is told."""

Progress = Callable[[int, int], None]
"""Called now and then with (rows done, rows in all)."""


class Pace:
    """Decides which engine a row goes to: "auto" begins on the reference engine and leaves it when much is left."""

    def __init__(self, engine: str, count: int, can_batch: bool) -> None:
        self._engine, self._count, self._can_batch = engine, count, can_batch
        self._began = time.perf_counter()
        self._row_engine = engine

    @property
    def will_turn(self) -> bool:
        """Whether the rows may yet go on in batches, so that their present speed foretells nothing."""
        return self._can_batch and self._engine != REFERENCE

    def turns_to_batches(self, row: int) -> bool:
        """Tells whether the rows from this one on are to run in batches."""
        if not self._can_batch or self._engine == REFERENCE:
            return False
        return self._engine == SCALAR or self._seconds_left(row) > COMPILED_SECONDS

    def engine(self, row: int) -> str:
        """Gives the engine for a row that does not run in a batch."""
        is_long = row > 0 and (time.perf_counter() - self._began) / row > LONG_ROW_SECONDS
        if self._row_engine == AUTO and is_long and self._seconds_left(row) > COMPILED_SECONDS:
            self._row_engine = SCALAR
        return self._row_engine

    def _seconds_left(self, row: int) -> float:
        """Foretells what the rows left would take at the pace so far; 0 while too few are done to tell."""
        passed = time.perf_counter() - self._began
        if row < ROWS_TO_TELL and passed < COMPILED_SECONDS:
            return 0.0
        return passed / max(row, 1) * (self._count - row)


class Clock:
    """Tells a sweep's progress, and refuses one that would take too long as soon as that can be foretold."""

    def __init__(self, name: str, count: int, progress: Progress | None, longest_seconds: float) -> None:
        self._name, self._count, self._progress, self._longest = name, count, progress, longest_seconds
        self._told = time.perf_counter()
        self.set_off(0)

    def set_off(self, done: int) -> None:
        """Takes the pace from here on, after so many rows."""
        self._began, self._first, self._is_foretold = time.perf_counter(), done, False

    def look(self, done: int) -> None:
        """Looks at the time after so many rows."""
        now = time.perf_counter()
        if not self._is_foretold and done > self._first and now - self._began > PROBE_SECONDS:
            self._is_foretold = True
            foretold = (now - self._began) / (done - self._first) * (self._count - self._first)
            if foretold > self._longest:
                raise DomainTooLarge(
                    f"{self._name} over {self._count:,} inputs would take about {duration_text(foretold)}; "
                    "give a smaller domain, such as a range with a step (0..65535:64)"
                )
        if self._progress is not None and now - self._told > TOLD_EVERY_SECONDS:
            self._told = now
            self._progress(done, self._count)

    def finish(self) -> None:
        """Tells that all rows are done."""
        if self._progress is not None:
            self._progress(self._count, self._count)


def next_batch(size: int, seconds: float) -> int:
    """Gives how many rows the next batch is to have, after one of a size that took so long."""
    wanted = size * min(BATCH_GROWTH, BATCH_SECONDS / max(seconds, 1e-6))
    return max(1, min(LARGEST_BATCH, int(wanted)))


def duration_text(seconds: float) -> str:
    """Writes a length of time in the unit that suits it."""
    for unit, length in (("years", 31_557_600), ("days", 86_400), ("hours", 3_600), ("minutes", 60)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds:.0f} seconds"
