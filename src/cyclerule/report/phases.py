"""The view of a call at many phases of the program's interrupts, and its document, rows and sentence."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from itertools import islice
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from cyclerule.measure.domain_text import value_text
from cyclerule.measure.phases import PhaseRow, Phases
from cyclerule.report.document_types import Build, Clock, Count, Remarks, Value
from cyclerule.report.rows_csv import csv_line
from cyclerule.report.timing import BuildView, Plain, plain
from cyclerule.report.wording import counted, input_text, span_text, time_span
from cyclerule.units import Hertz, clock_text, microseconds_text

LISTED_ROWS = 65_536


@dataclass(frozen=True)
class PhaseHandlerView:
    """A handler that ran inside the calls: its runs, their cycles, and how many of the calls it ran in."""

    vector: str
    hit: int
    count: int
    minimum: int
    maximum: int
    total: int


@dataclass(frozen=True)
class SourceView:
    """An interrupt source that was running, and each how many cycles it comes; None where that is not known."""

    vector: str
    period: int | None


@dataclass(frozen=True)
class PhasesView:
    """One call at many phases; the fields are those of `Phases`. `rows` has [phase, cycles, own cycles]."""

    function: str
    part: str
    clock_hz: int | None
    build: BuildView
    engine: str
    arguments: dict[str, Plain]
    shown: dict[str, str]
    at: str
    place: str
    sources: list[SourceView]
    of: int
    count: int
    busy: int
    covers_every_phase: bool
    minimum: int
    minimum_phase: int
    maximum: int
    maximum_phase: int
    mean_cycles: float
    own_cycles: int | None
    own_minimum: int
    own_maximum: int
    own_differs: bool
    own_problem: str
    handlers: list[PhaseHandlerView]
    histogram: list[list[int]]
    rows: Sequence[PhaseRow]
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    build_warnings: list[str] = field(default_factory=list)


def view_phases(phases: Phases, *, notes: Sequence[str] = (), build_warnings: Sequence[str] = ()) -> PhasesView:
    """Makes the view of a call at phases."""
    measured = phases.measured
    least = next(row for row in phases.rows if row.cycles == phases.minimum)
    most = next(row for row in phases.rows if row.cycles == phases.maximum)
    return PhasesView(
        function=measured.function,
        part=measured.part,
        clock_hz=measured.clock,
        build=BuildView(measured.compiler, list(measured.flags), measured.image, measured.image_sha256),
        engine=measured.engine,
        arguments={name: plain(value) for name, value in phases.given.items()},
        shown={name: value_text(value) for name, value in phases.given.items()},
        at=phases.at,
        place=phases.place,
        sources=[SourceView(each.vector, each.period) for each in phases.sources],
        of=phases.of,
        count=phases.count,
        busy=phases.busy,
        covers_every_phase=phases.covers_every_phase,
        minimum=least.cycles,
        minimum_phase=least.phase,
        maximum=most.cycles,
        maximum_phase=most.phase,
        mean_cycles=phases.mean,
        own_cycles=phases.own_cycles,
        own_minimum=phases.own_minimum,
        own_maximum=phases.own_maximum,
        own_differs=phases.own_differs,
        own_problem=phases.own_problem,
        handlers=_handlers(phases),
        histogram=[[cycles, count] for cycles, count in phases.histogram.items()],
        rows=phases.rows,
        notes=list(notes),
        warnings=list(dict.fromkeys(str(each) for each in phases.warnings)),
        build_warnings=list(build_warnings),
    )


def _handlers(phases: Phases) -> list[PhaseHandlerView]:
    return [
        PhaseHandlerView(vector, phases.hit[vector], each.count, each.minimum, each.maximum, each.total)
        for vector, each in phases.handlers.items()
    ]


# In words.


def phases_answer(view: PhasesView) -> str:
    """Gives the first words: the function and its cycles."""
    given = f"({input_text(view.shown)})" if view.shown else ""
    return f"{view.function}{given}: {span_text(view.minimum, view.maximum)} cycles"


def phases_sentence(view: PhasesView) -> str:
    """Says in one line what a call takes with interrupts."""
    return phases_answer(view) + rest_of_phases_sentence(view)


def rest_of_phases_sentence(view: PhasesView) -> str:
    """Gives what follows the first words: the time, the phases, the call's own cycles."""
    time = ""
    if view.clock_hz is not None:
        clock = Hertz(view.clock_hz)
        time = f", {time_span(view.minimum, view.maximum, clock)} at {clock_text(clock)}"
    clauses = [
        f"with interrupts, at {phases_text(view)}",
        own_text(view),
        f"{counted(len(view.warnings), 'warning')} below" if view.warnings else "",
    ]
    return "; ".join([time, *filter(None, clauses)])


def phases_text(view: PhasesView) -> str:
    """Says how many phases were measured, of how many."""
    busy = f", but for {view.busy:,} at which a handler runs" if view.busy else ""
    if view.covers_every_phase:
        return f"each of the {view.of:,} phases{busy}"
    busy = f"; at {view.busy:,} others that were tried a handler runs" if view.busy else ""
    return f"{view.count:,} of {view.of:,} phases{busy}"


def own_text(view: PhasesView) -> str:
    """Says what the call takes of its own, and whether that depends on the handlers."""
    if view.own_cycles is None:
        return f"{span_text(view.own_minimum, view.own_maximum)} of its own; it needs its interrupts to return"
    if view.own_differs:
        own = span_text(view.own_minimum, view.own_maximum)
        return f"{own} of its own, which depend on the phase: {view.own_cycles:,} with interrupts off"
    return f"{view.own_cycles:,} of its own"


# As rows.


def phases_csv_lines(view: PhasesView) -> Iterator[str]:
    """Gives the lines, the header first: a row for each phase that was measured."""
    has_clock = view.clock_hz is not None
    yield csv_line(["phase", "cycles", "own_cycles", *(["microseconds"] if has_clock else [])])
    for phase, cycles, own_cycles in view.rows:
        time = [] if view.clock_hz is None else [str(float(microseconds_text(cycles, Hertz(view.clock_hz))))]
        yield csv_line([str(phase), str(cycles), str(own_cycles), *time])


# As a document.


class PhaseHandler(Struct, frozen=True, kw_only=True):
    """An interrupt handler that ran inside the calls."""

    vector: str
    hit: Annotated[int, Meta(ge=1, description="How many of the calls it ran in.")]
    count: Annotated[int, Meta(ge=1, description="How often it ran in all calls together.")]
    minimum: Count
    maximum: Count
    total: Count


class Source(Struct, frozen=True, kw_only=True):
    """An interrupt source that was running."""

    vector: Annotated[str, Meta(description="Empty for an event that may lead to an interrupt or not.")]
    period: Annotated[int | None, Meta(description="Each how many cycles it comes; null where that is not known.")]


class Phase(Struct, frozen=True, kw_only=True):
    """One phase and what the call took there."""

    phase: Annotated[int, Meta(ge=0, description="Cycles waited at the point before the call began.")]
    cycles: Count
    own_cycles: Annotated[int, Meta(ge=0, description="Without the handlers that ran inside.")]


class PhasesDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule time --interrupts --json` prints: one call at many phases of the program's interrupts."""

    schema: Literal["cyclerule/phases/1"]
    function: str
    part: str
    clock_hz: Clock
    build: Build
    engine: str
    arguments: dict[str, Value]
    at: Annotated[str, Meta(description="The point of the program's run at which the call begins.")]
    place: Annotated[str, Meta(description="That point as file:line in function, as far as is known.")]
    sources: list[Source]
    of: Annotated[int, Meta(ge=1, description="How many phases there are.")]
    count: Annotated[int, Meta(ge=1, description="How many were measured.")]
    busy: Annotated[int, Meta(ge=0, description="Phases tried at which a handler runs, so that no call can begin.")]
    covers_every_phase: bool
    minimum: Count
    minimum_phase: Annotated[int, Meta(ge=0, description="The first phase with the least cycles.")]
    maximum: Count
    maximum_phase: Annotated[int, Meta(ge=0, description="The first phase with the most cycles.")]
    mean_cycles: float
    own_cycles: Annotated[int | None, Meta(description="With interrupts off; null where it does not return then.")]
    own_minimum: Annotated[int, Meta(ge=0, description="With interrupts on, without the handlers.")]
    own_maximum: Count
    own_differs: Annotated[bool, Meta(description="Whether its own cycles depend on the handlers.")]
    own_problem: Annotated[str, Meta(description="Why it does not return with interrupts off; empty where it does.")]
    handlers: list[PhaseHandler]
    histogram: Annotated[list[tuple[int, int]], Meta(description="[cycles, how many phases], by cycles upwards.")]
    notes: Remarks
    warnings: Annotated[list[str], Meta(description="What the figures rest on and the model does not have.")]
    build_warnings: Annotated[list[str], Meta(description="What the build and the compiler said, as they said it.")]
    rows_listed: Annotated[int, Meta(ge=0, description="How many phases, the first ones, are in `rows`.")]
    rows: list[Phase]


def phases_document(view: PhasesView, rows: int | None = None) -> PhasesDocument:
    """Gives the document of a call at phases; it lists the first `rows` of them, by default 65,536."""
    listed = [row._asdict() for row in islice(view.rows, LISTED_ROWS if rows is None else rows)]
    content: Mapping[str, object] = {
        **{name: value for name, value in vars(view).items() if name not in ("rows", "shown")},
        "schema": "cyclerule/phases/1",
        "build": asdict(view.build),
        "sources": [asdict(each) for each in view.sources],
        "handlers": [asdict(each) for each in view.handlers],
        "rows_listed": len(listed),
        "rows": listed,
    }
    return msgspec.convert(content, PhasesDocument)
