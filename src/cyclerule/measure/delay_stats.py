"""What delays of a program took, beside what was asked of them."""

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class DelayStats:
    """The turns of one delay: a call of `_delay_us` or `_delay_ms` in one place, or of a function that waits.

    `asked_least` and `asked_most` are what was asked, in microseconds, the same where it is a constant; None where it
    is not known. The cycles include handlers that ran inside; `own_cycles` are those of the code by itself, None where
    they are not known. Of one that is not `measured` there are no cycles, as its code does not stand together. The
    first turns up to a number are measured; `is_complete` says that there were no more. The errors are in cycles, what
    it took less what was asked; None without a clock.
    """

    name: str
    place: str
    asked_least: Fraction | None
    asked_most: Fraction | None
    count: int
    minimum: int
    maximum: int
    total: int
    own_cycles: int | None
    error_least: Fraction | None
    error_most: Fraction | None
    is_measured: bool = True
    is_complete: bool = True

    @property
    def mean(self) -> float:
        """The mean cycles of a turn; 0 when none was over."""
        return self.total / self.count if self.count else 0.0

    @property
    def is_constant(self) -> bool:
        """Whether the same was asked each time, as far as is known."""
        return self.asked_least is not None and self.asked_least == self.asked_most
