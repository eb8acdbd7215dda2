"""What timing lines gives: passes, by the places where the code of the lines stands."""

from collections.abc import Mapping
from dataclasses import dataclass

from cyclerule.firmware.image import SourcePlace
from cyclerule.measure.results import Measured, Warned
from cyclerule.units import Hertz


@dataclass(frozen=True)
class Pass:
    """One pass: `cycles` are those of the lines' own instructions and of what they called.

    `other_cycles` are those of other lines that ran before control came back to the lines, `handler_cycles` those of
    interrupt handlers; from the first instruction to the end of the last one it took all three.
    """

    start_cycle: int
    own_cycles: int
    called_cycles: int
    other_cycles: int
    handler_cycles: int

    @property
    def cycles(self) -> int:
        """What the lines took, calls included."""
        return self.own_cycles + self.called_cycles

    @property
    def elapsed_cycles(self) -> int:
        """From the first instruction's begin to the last one's end."""
        return self.cycles + self.other_cycles + self.handler_cycles


@dataclass(frozen=True)
class PassStats:
    """The passes at one place of the program, in the order of their beginning.

    `others` has the cycles of each other line that ran inside, over all passes. `unfinished` are passes that had begun
    when the run stopped, `left` those that a jump out of a called function left for ever. `is_certain` is False where
    the source is not to be had, and a loop around the lines may have been taken for one of theirs.
    """

    place: str
    function: str
    passes: tuple[Pass, ...]
    others: Mapping[SourcePlace | None, int]
    unfinished: int
    left: int
    is_certain: bool

    @property
    def count(self) -> int:
        """How many passes there were."""
        return len(self.passes)

    @property
    def minimum(self) -> int:
        """The fewest cycles of a pass; 0 when there was none."""
        return min((each.cycles for each in self.passes), default=0)

    @property
    def maximum(self) -> int:
        """The most cycles of a pass; 0 when there was none."""
        return max((each.cycles for each in self.passes), default=0)

    @property
    def total(self) -> int:
        """The cycles of all passes together."""
        return sum(each.cycles for each in self.passes)

    @property
    def mean(self) -> float:
        """The mean cycles of a pass; 0 when there was none."""
        return self.total / self.count if self.passes else 0.0


@dataclass(frozen=True)
class LinesRun:
    """Some lines, or a function in place, timed in the program's own run from reset.

    `what` is "hive.c:41-48" or the function's name; `stopped` as in `Run`, or "passes" when there were as many as asked
    for. `places` has one entry for each place where the code stands, also one that control never came to.
    """

    measured: Measured
    what: str
    places: tuple[PassStats, ...]
    cycles: int
    stopped: str
    stopped_at: str
    fault: str | None
    warnings: list[Warned]

    @property
    def passes(self) -> tuple[Pass, ...]:
        """The passes at all places, in the order of their beginning."""
        return tuple(sorted((each for place in self.places for each in place.passes), key=lambda p: p.start_cycle))

    @property
    def count(self) -> int:
        """How many passes there were."""
        return sum(place.count for place in self.places)

    @property
    def minimum(self) -> int:
        """The fewest cycles of a pass; 0 when there was none."""
        return min((place.minimum for place in self.places if place.count), default=0)

    @property
    def maximum(self) -> int:
        """The most cycles of a pass; 0 when there was none."""
        return max((place.maximum for place in self.places), default=0)

    @property
    def total(self) -> int:
        """The cycles of all passes together."""
        return sum(place.total for place in self.places)

    @property
    def mean(self) -> float:
        """The mean cycles of a pass; 0 when there was none."""
        return self.total / self.count if self.count else 0.0

    @property
    def clock(self) -> Hertz | None:
        """The clock that times are by."""
        return self.measured.clock

    def __repr__(self) -> str:
        return f"<LinesRun {self.what}: {self.count} passes, {self.minimum} to {self.maximum} cycles>"
