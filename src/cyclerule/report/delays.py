"""The delay table: what was asked of each delay, what it took, and the error."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated

from msgspec import Meta, Struct

from cyclerule.measure.delay_stats import DelayStats
from cyclerule.report.document_types import Count

if TYPE_CHECKING:
    from cyclerule.report.terminal import Screen

UNKNOWN = "not known"


@dataclass(frozen=True)
class DelayView:
    """One delay: its function and place, what was asked of it in microseconds and cycles, what it took in cycles.

    What is not known is None; `shown` has the texts of a row of the table.
    """

    name: str
    place: str
    asked_us_minimum: float | None
    asked_us_maximum: float | None
    asked_cycles_minimum: float | None
    asked_cycles_maximum: float | None
    is_constant: bool
    is_measured: bool
    is_complete: bool
    count: int
    minimum: int
    maximum: int
    mean: float
    own_cycles: int | None
    error_minimum: float | None
    error_maximum: float | None
    shown: list[str]


class Delay(Struct, frozen=True, kw_only=True):
    """A delay that was met: a call of `_delay_us` or `_delay_ms` in one place, or of a function that waits."""

    name: str
    place: str
    asked_us_minimum: Annotated[float | None, Meta(description="Microseconds; null where they are not known.")]
    asked_us_maximum: float | None
    asked_cycles_minimum: Annotated[float | None, Meta(description="Those in cycles; null without a clock, too.")]
    asked_cycles_maximum: float | None
    is_constant: Annotated[bool, Meta(description="Whether the same was asked each time, as far as is known.")]
    is_measured: Annotated[bool, Meta(description="False where its code does not stand together; then no cycles.")]
    is_complete: Annotated[bool, Meta(description="False where there were more turns than the first ones measured.")]
    count: Annotated[int, Meta(ge=1, description="How many turns were measured.")]
    minimum: Annotated[int, Meta(ge=0, description="Cycles, handlers that ran inside included.")]
    maximum: Count
    mean: float
    own_cycles: Annotated[int | None, Meta(description="Cycles of its code by itself.")]
    error_minimum: Annotated[float | None, Meta(description="What it took less what was asked, in cycles.")]
    error_maximum: float | None


def view_delays(delays: Iterable[DelayStats], clock: int | None) -> list[DelayView]:
    """Makes the rows of the table."""
    return [_view(each, clock) for each in delays if each.count]


def _view(stats: DelayStats, clock: int | None) -> DelayView:
    asked = (stats.asked_least, stats.asked_most)
    cycles = [None if each is None or clock is None else float(each * clock / 1_000_000) for each in asked]
    least, most = (None if each is None else float(each) for each in asked)
    errors = [None if each is None else float(each) for each in (stats.error_least, stats.error_most)]
    return DelayView(
        name=stats.name,
        place=stats.place,
        asked_us_minimum=least,
        asked_us_maximum=most,
        asked_cycles_minimum=cycles[0],
        asked_cycles_maximum=cycles[1],
        is_constant=stats.is_constant,
        is_measured=stats.is_measured,
        is_complete=stats.is_complete,
        count=stats.count,
        minimum=stats.minimum,
        maximum=stats.maximum,
        mean=stats.mean,
        own_cycles=stats.own_cycles,
        error_minimum=errors[0],
        error_maximum=errors[1],
        shown=_row(stats, clock),
    )


def _row(stats: DelayStats, clock: int | None) -> list[str]:
    times = f"{stats.count:,}" if stats.is_complete else f"first {stats.count:,}"
    took = _span(f"{stats.minimum:,}", f"{stats.maximum:,}") if stats.is_measured else UNKNOWN
    row = [stats.name, _asked(stats), times, took]
    if clock is not None:
        row += [_error(stats, Fraction(1)), _error(stats, Fraction(1_000_000, clock))]
    return [*row, stats.place]


def _asked(stats: DelayStats) -> str:
    least, most = stats.asked_least, stats.asked_most
    if least is None or most is None:
        return UNKNOWN
    unit, size = ("ms", 1_000) if most >= 1_000 else ("µs", 1)
    text = _span(decimal_text(least / size), decimal_text(most / size))
    return f"{text} {unit}" if least == most else f"{text} {unit}, not constant"


def _error(stats: DelayStats, scale: Fraction) -> str:
    if stats.error_least is None or stats.error_most is None:
        return UNKNOWN
    return _span(*(_signed(each * scale) for each in (stats.error_least, stats.error_most)))


def _signed(number: Fraction) -> str:
    text = decimal_text(number)
    return f"+{text}" if number > 0 and text != "0" else text


def decimal_text(number: Fraction) -> str:
    """Writes a number with at most four decimals, and no zeros at their end."""
    scaled = round(number * 10_000)
    text = f"{Decimal(scaled).scaleb(-4):,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _span(least: str, most: str) -> str:
    return least if least == most else f"{least} to {most}"


def show_delays(screen: "Screen", delays: Sequence[DelayView], *, has_clock: bool) -> None:
    """Shows the table."""
    from cyclerule.report.terminal import make_table

    errors = ["error", "in µs"] if has_clock else []
    heads = ["delay", "asked", "times", "cycles", *errors, "place"]
    table = make_table([screen.text(head) for head in heads], right=range(1, len(heads) - 1), gap=2)
    for each in delays:
        table.add_row(*(screen.text(text) for text in each.shown))
    screen.line()
    screen.show(table)
