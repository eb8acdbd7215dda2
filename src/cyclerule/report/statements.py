"""The view of timed statements: plain data, and the sentence that answers."""

from dataclasses import dataclass, field
from typing import Literal

from cyclerule.measure.statements import Passage, StatementRow, StatementTimes
from cyclerule.report.sentence import given_text
from cyclerule.report.timing import BuildView, HeldView, Plain, WriteView, held_views, plain, set_views
from cyclerule.report.wording import counted, shortened, span_text, time_span
from cyclerule.units import Hertz, clock_text

Column = Literal["constant", "variable"]

LONGEST_CODE = 60
"""Characters of statements that a sentence repeats."""


@dataclass(frozen=True)
class PassageView:
    """The statements once through."""

    cycles: int
    own_cycles: int
    instructions: int
    stack_bytes: int
    io: list[WriteView]


@dataclass(frozen=True)
class StatementRowView:
    """One set of values; `shown` has each as one types it. A column that was not asked for is None."""

    arguments: dict[str, Plain]
    shown: dict[str, str]
    constant: PassageView | None
    variable: PassageView | None

    @property
    def difference(self) -> int | None:
        """Cycles that the variable takes more than the constant."""
        if self.constant is None or self.variable is None:
            return None
        return self.variable.cycles - self.constant.cycles


@dataclass(frozen=True)
class StatementsView:
    """Statements timed with all their values; `domains`, `variables` and `kept` as in `StatementTimes`."""

    code: str
    shown_code: str
    files: list[str]
    part: str
    clock_hz: int | None
    build: BuildView
    start: str
    engine: str
    set_first: list[HeldView]
    held: list[HeldView]
    domains: dict[str, str]
    variables: dict[str, str]
    kept: list[str]
    columns: list[Column]
    rows: list[StatementRowView]
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    build_warnings: list[str] = field(default_factory=list)
    change: str = ""
    """How the cycles differ from the last time; it is in no document."""

    def figures(self, column: Column) -> list[int]:
        """Gives the cycles of a column's rows."""
        passages: list[PassageView | None] = [getattr(row, column) for row in self.rows]
        return [each.cycles for each in passages if each is not None]


def view_statements(times: StatementTimes, registers: frozenset[str] = frozenset()) -> StatementsView:
    """Makes the view; held values with the name of a register are shown as registers are."""
    measured = times.measured
    first = times.rows[0]
    passages = [each for row in times.rows for each in (row.constant, row.variable) if each is not None]
    columns: list[Column] = []
    if first.constant is not None:
        columns.append("constant")
    if first.variable is not None:
        columns.append("variable")
    return StatementsView(
        code=times.code,
        shown_code=measured.function,
        files=list(times.files),
        part=measured.part,
        clock_hz=measured.clock,
        build=BuildView(measured.compiler, list(measured.flags), measured.image, measured.image_sha256),
        start=measured.start,
        engine=measured.engine,
        set_first=set_views(times.settings, registers),
        held=held_views(times.held, times.settings, registers),
        domains=dict(times.domains),
        variables=dict(times.variables),
        kept=list(times.kept),
        columns=columns,
        rows=[_row(row) for row in times.rows],
        notes=list(times.notes),
        warnings=list(dict.fromkeys(str(warned) for each in passages for warned in each.warnings)),
        build_warnings=list(times.build_warnings),
    )


def _row(row: StatementRow) -> StatementRowView:
    arguments = {name: plain(value) for name, value in row.values.items()}
    return StatementRowView(arguments, dict(row.shown), _passage(row.constant), _passage(row.variable))


def _passage(passage: Passage | None) -> PassageView | None:
    if passage is None:
        return None
    writes = [WriteView(each.cycle, each.register, each.value) for each in passage.io]
    return PassageView(passage.cycles, passage.own_cycles, passage.instructions, passage.stack_bytes, writes)


def statements_answer(view: StatementsView) -> str:
    """Gives the first words: the statements and their cycles, "PORTB |= 1: 2 cycles"."""
    spans = [(column, min(view.figures(column)), max(view.figures(column))) for column in view.columns]
    with_word = len(spans) > 1
    texts = [
        f"{span_text(least, most)} {'cycle' if most == 1 else 'cycles'}{f' with a {column}' if with_word else ''}"
        for column, least, most in spans
    ]
    return f"{shortened(view.shown_code, LONGEST_CODE)}: {', '.join(texts)}"


def rest_of_statements(view: StatementsView) -> str:
    """Gives what follows the first words: the time, for which values, with what held."""
    time = ""
    if view.clock_hz is not None and len(view.columns) == 1:
        clock = Hertz(view.clock_hz)
        figures = view.figures(view.columns[0])
        time = f", {time_span(min(figures), max(figures), clock)} at {clock_text(clock)}"
    handlers = sum(
        each.cycles - each.own_cycles for row in view.rows for each in (row.constant, row.variable) if each is not None
    )
    clauses = [
        f"of which {handlers:,} in interrupt handlers" if handlers and len(view.rows) == len(view.columns) == 1 else "",
        _nothing_left(view),
        _values(view),
        f"{', '.join(view.kept)} kept" if view.kept else "",
        f"with {given}" if (given := given_text(view)) else "",
        f"{counted(len(view.warnings), 'warning')} below" if view.warnings else "",
    ]
    return "; ".join([time, *filter(None, clauses)])


def statements_sentence(view: StatementsView) -> str:
    """Says what statements take, in words."""
    return statements_answer(view) + rest_of_statements(view)


def variables_text(view: StatementsView) -> str:
    """Names what was passed as a value: "int pin"."""
    return ", ".join(f"{type_name} {name}" for name, type_name in view.variables.items())


def _nothing_left(view: StatementsView) -> str:
    is_empty = all(cycles == 0 for column in view.columns for cycles in view.figures(column))
    return "nothing is left of it after optimization" if is_empty else ""


def _values(view: StatementsView) -> str:
    if not view.domains:
        return ""
    domains = " ".join(f"{name}={shortened(text)}" for name, text in view.domains.items())
    scope = f"for {domains}" if len(view.rows) == 1 else f"for the {counted(len(view.rows), 'row')} {domains}"
    return f"{scope}, {variables_text(view)} passed as a value" if view.variables else scope
