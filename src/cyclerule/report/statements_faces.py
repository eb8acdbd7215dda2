"""Timed statements on a terminal, as CSV and as a C comment."""

from collections.abc import Iterator, Sequence

from cyclerule.report.comment import comment_of
from cyclerule.report.rows_csv import csv_line
from cyclerule.report.statements import (
    Column,
    PassageView,
    StatementRowView,
    StatementsView,
    rest_of_statements,
    statements_answer,
    statements_sentence,
)
from cyclerule.report.terminal import LISTED_ROWS, LISTED_WRITES, Screen, aligned, small_print
from cyclerule.report.wording import counted, input_text, shortened
from cyclerule.units import Hertz, microseconds_text


def show_statements(screen: Screen, view: StatementsView, *, rows: int = LISTED_ROWS, is_brief: bool = False) -> None:
    """Shows timed statements; `rows` is how many sets of values are at most shown one by one."""
    from rich.text import Text

    if is_brief:
        screen.whole_line(statements_sentence(view) + (f"; {view.change}" if view.change else ""))
        return
    head, _, figure = statements_answer(view).rpartition(": ")
    rest = screen.text(rest_of_statements(view))
    screen.show(Text.assemble((screen.text(head), "bold"), ": ", (screen.text(figure), "bold yellow"), rest), indent=0)
    if view.change:
        screen.line(view.change, style="bold", indent=2)
    screen.line(small_print(view), style="dim", indent=2)
    screen.line()
    if len(view.rows) == 1 and len(view.columns) == 1:
        _show_one(screen, view, view.rows[0])
    else:
        _show_rows(screen, view, view.rows[:rows])
        left = len(view.rows) - rows
        if left > 0:
            _show_extremes(screen, view)
            screen.line(f"and {counted(left, 'more row')}; --rows all lists them", style="dim", indent=2)
    remarks = [("note", each, "") for each in view.notes] + [("", each, "yellow") for each in view.warnings]
    if remarks:
        screen.line()
    for word, text, style in remarks:
        screen.line(f"{word}: {text}" if word else text, style=style, indent=2)


def _show_one(screen: Screen, view: StatementsView, row: StatementRowView) -> None:
    passage = row.constant or row.variable
    if passage is None:
        return
    time = _time(view, passage.cycles)
    facts = [
        ["cycles", f"{passage.cycles:,}" + (f"   {time} µs" if time else "")],
        ["instructions", f"{passage.instructions:,}"],
    ]
    if passage.stack_bytes:
        facts.append(["stack", counted(passage.stack_bytes, "byte")])
    for number, write in enumerate(passage.io[:LISTED_WRITES]):
        facts.append(["" if number else "writes", f"{write.register} = 0x{write.value:02x} by cycle {write.cycle:,}"])
    if len(passage.io) > LISTED_WRITES:
        facts.append(["", f"and {len(passage.io) - LISTED_WRITES} more (all with --json)"])
    for line in aligned(facts, left=(0, 1)):
        screen.whole_line(f"  {line}")


def _show_rows(screen: Screen, view: StatementsView, rows: Sequence[StatementRowView]) -> None:
    names = list(view.domains)
    has_both = len(view.columns) > 1
    heads: list[str] = [*names]
    for column in view.columns:
        heads += [column if has_both else "cycles", *(["µs"] if view.clock_hz is not None else [])]
    heads += ["difference"] if has_both else ["instructions"]
    table = [heads]
    for row in rows:
        cells = [shortened(row.shown[name]) for name in names]
        for column in view.columns:
            passage = passage_of(row, column)
            cells += [f"{passage.cycles:,}", *([_time(view, passage.cycles)] if view.clock_hz is not None else [])]
        cells.append(_signed(row.difference or 0) if has_both else f"{passage_of(row, view.columns[0]).instructions:,}")
        table.append(cells)
    lines = aligned(table, left=())
    screen.line(screen.text(next(lines)), style="dim", indent=2)
    for line in lines:
        screen.whole_line(f"  {line}")


def _show_extremes(screen: Screen, view: StatementsView) -> None:
    screen.line()
    for column in view.columns:
        figures = view.figures(column)
        of = f" with a {column}" if len(view.columns) > 1 else ""
        for word, cycles in (("least", min(figures)), ("most", max(figures))):
            first = view.rows[figures.index(cycles)]
            screen.line(f"{word}{of} {cycles:,} with {input_text(first.shown)}", indent=2)


def passage_of(row: StatementRowView, column: Column) -> PassageView:
    """Gives a row's figures in a column that there is."""
    passage = row.constant if column == "constant" else row.variable
    if passage is None:
        raise ValueError(f"there is no column {column}")
    return passage


def statements_comment(view: StatementsView) -> str:
    """Writes timed statements as a C comment of a few lines."""
    lines = [f"{statements_sentence(view)}."]
    for column in view.columns:
        figures = view.figures(column)
        if min(figures) != max(figures):
            of = f" with a {column}" if len(view.columns) > 1 else ""
            extremes = (("least", min(figures)), ("most", max(figures)))
            texts = [
                f"{word}{of} {cycles:,} with {input_text(view.rows[figures.index(cycles)].shown)}"
                for word, cycles in extremes
            ]
            lines.append("; ".join(texts) + ".")
    return comment_of([*lines, *view.notes, *view.warnings], view.part, view.build)


def statements_csv(view: StatementsView) -> Iterator[str]:
    """Gives the lines of timed statements, the header first, one a row: the values, then the figures."""
    has_both = len(view.columns) > 1
    figures = [f"{column}_{name}" if has_both else name for column in view.columns for name in _figure_names(view)]
    yield csv_line([*view.domains, *figures, *(["difference"] if has_both else [])])
    for row in view.rows:
        cells = [str(row.arguments[name]) for name in view.domains]
        for column in view.columns:
            passage = passage_of(row, column)
            cells.append(str(passage.cycles))
            if view.clock_hz is not None:
                cells.append(str(float(_time(view, passage.cycles))))
            cells += [str(passage.instructions), str(passage.stack_bytes)]
        yield csv_line([*cells, *([str(row.difference)] if has_both else [])])


def _figure_names(view: StatementsView) -> list[str]:
    return ["cycles", *(["microseconds"] if view.clock_hz is not None else []), "instructions", "stack_bytes"]


def _signed(difference: int) -> str:
    return f"{difference:+,}" if difference else "0"


def _time(view: StatementsView, cycles: int) -> str:
    return "" if view.clock_hz is None else microseconds_text(cycles, Hertz(view.clock_hz))
