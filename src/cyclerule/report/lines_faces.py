"""Timed lines on a terminal, as a C comment and as CSV."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from cyclerule.report.comment import comment_of
from cyclerule.report.lines import LinesView, PassView, lines_answer, lines_sentence, microseconds, rest_of_lines
from cyclerule.report.rows_csv import csv_line
from cyclerule.report.small_print import small_print
from cyclerule.report.terminal import aligned, show_places
from cyclerule.report.wording import counted

if TYPE_CHECKING:
    from cyclerule.report.terminal import Screen

LISTED_PASSES = 16
"""Up to so many passes are shown one by one unless more are asked for."""

COLUMNS = ("start_cycle", "cycles", "microseconds", "own_cycles", "called_cycles", "other_cycles", "handler_cycles")


def show_lines(screen: "Screen", view: LinesView, *, rows: int = LISTED_PASSES, is_brief: bool = False) -> None:
    """Shows timed lines; `rows` is how many passes are at most shown one by one."""
    from rich.text import Text

    if is_brief:
        screen.whole_line(lines_sentence(view) + (f"; {view.change}" if view.change else ""))
        return
    head, _, figure = lines_answer(view).rpartition(": ")
    rest = screen.text(rest_of_lines(view))
    screen.show(Text.assemble((screen.text(head), "bold"), ": ", (screen.text(figure), "bold yellow"), rest), indent=0)
    if view.change:
        screen.line(view.change, style="bold", indent=2)
    screen.line(_small_print(view), style="dim", indent=2)
    if view.count:
        screen.line()
        show_places(screen, view)
    if 0 < len(view.passes) <= rows or (view.passes and rows != LISTED_PASSES):
        screen.line()
        _show_passes(screen, view, view.passes[:rows])
        if len(view.passes) > rows:
            screen.line(f"and {counted(len(view.passes) - rows, 'more row')}", style="dim", indent=2)
    if view.notes or view.warnings:
        screen.line()
    for note in view.notes:
        screen.line(note, indent=2)
    for warning in view.warnings:
        screen.line(warning, style="yellow", indent=2)


def _small_print(view: LinesView) -> str:
    ran = f"ran {view.run_cycles:,} cycles from reset, {_why(view)}"
    return small_print(view.part, view.clock_hz, view.build, ran, view.engine)


def _why(view: LinesView) -> str:
    match view.stopped:
        case "until":
            return f"until {view.stopped_at}"
        case "passes":
            return "for as many passes as are timed"
        case "halted":
            return "until it halted"
        case "fault":
            return "until a fault"
        case "interrupted":
            return "until it was interrupted"
        case _:
            return "as long as asked"


def _show_passes(screen: "Screen", view: LinesView, passes: Sequence[PassView]) -> None:
    figures: list[tuple[str, list[str]]] = [
        ("from cycle", [f"{each.start_cycle:,}" for each in passes]),
        ("cycles", [f"{each.cycles:,}" for each in passes]),
    ]
    if view.clock_hz is not None:
        figures.append(("µs", [microseconds(each.cycles, view.clock_hz) for each in passes]))
    apart = (
        ("own", [each.own_cycles for each in passes]),
        ("called", [each.called_cycles for each in passes]),
        ("other lines", [each.other_cycles for each in passes]),
        ("handlers", [each.handler_cycles for each in passes]),
    )
    if any(any(cycles) for name, cycles in apart if name != "own"):
        figures += [(name, [f"{each:,}" for each in cycles]) for name, cycles in apart if name == "own" or any(cycles)]
    if len({each.place for each in passes}) > 1:
        figures.append(("", [each.place for each in passes]))
    rows = [
        [screen.text(head) for head, _ in figures],
        *map(list, zip(*(column for _, column in figures), strict=True)),
    ]
    left = (len(figures) - 1,) if not figures[-1][0] else ()
    for number, line in enumerate(aligned(rows, left=left)):
        if number:
            screen.whole_line(f"  {line}")
        else:
            screen.line(line, style="dim", indent=2)


def lines_comment(view: LinesView) -> str:
    """Writes timed lines as a C comment."""
    return comment_of([f"{lines_sentence(view)}.", *view.notes, *view.warnings], view.part, view.build)


def lines_csv(view: LinesView) -> Iterator[str]:
    """Gives the lines of a CSV file, the header first, a line for each pass."""
    columns = [name for name in COLUMNS if name != "microseconds" or view.clock_hz is not None]
    yield csv_line([*columns, "place"])
    for each in view.passes:
        time = "" if view.clock_hz is None else str(float(microseconds(each.cycles, view.clock_hz)))
        fields = [time if name == "microseconds" else str(getattr(each, name)) for name in columns]
        yield csv_line([*fields, each.place])
