"""The JSON document of lines that were timed in the program's own run."""

from dataclasses import asdict, replace
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from cyclerule.report.document_types import Build, Clock, Count, Remarks
from cyclerule.report.lines import LinesView

LISTED_PASSES = 65_536
"""The most passes that a document lists unless another number is asked for."""

Stopped = Literal["until", "max_cycles", "passes", "halted", "fault", "interrupted"]


class PassRow(Struct, frozen=True, kw_only=True):
    """One pass through the lines."""

    start_cycle: Annotated[int, Meta(ge=0, description="From reset to the pass's first instruction.")]
    cycles: Annotated[int, Meta(ge=0, description="Of the lines' own instructions and of what they called.")]
    own_cycles: Count
    called_cycles: Annotated[int, Meta(ge=0, description="Of what the lines called.")]
    other_cycles: Annotated[int, Meta(ge=0, description="Of other lines that ran inside; they come on top.")]
    handler_cycles: Annotated[int, Meta(ge=0, description="Of interrupt handlers inside; they come on top.")]
    place: str


class OtherLine(Struct, frozen=True, kw_only=True):
    """Another line of which something ran inside passes."""

    file: str | None
    line: int | None
    cycles: Annotated[int, Meta(ge=0, description="In all passes together.")]


class PassesAtPlace(Struct, frozen=True, kw_only=True):
    """The passes at one place of the program; code that was inlined several times stands at several."""

    place: str
    function: Annotated[str, Meta(description="The link name of the function whose code it is part of.")]
    count: Count
    minimum: int | None
    maximum: int | None
    mean_cycles: float | None
    others: list[OtherLine]
    unfinished: Annotated[int, Meta(ge=0, description="Passes that had begun when the run stopped; not counted.")]
    left: Annotated[int, Meta(ge=0, description="Passes that a called function jumped away from; not counted.")]


class InPlace(Struct, frozen=True, kw_only=True):
    """A function where it stands in the program's own run: inlined into others, or as clones."""

    build: Build
    run_cycles: Annotated[int, Meta(ge=0, description="How long the program ran, from reset.")]
    stopped: Stopped
    stopped_at: str
    count: Annotated[int, Meta(ge=0, description="How many passes there were.")]
    minimum: Annotated[int | None, Meta(description="The fewest cycles of a pass; null where there was none.")]
    maximum: int | None
    mean_cycles: float | None
    total_cycles: Count
    places: list[PassesAtPlace]


class TimeLinesDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule time FILE:41-48 --json` prints: passes through lines, in the program's own run from reset."""

    schema: Literal["cyclerule/time-lines/1"]
    lines: Annotated[str, Meta(description="As one types them: hive.c:41-48.")]
    part: str
    clock_hz: Clock
    build: Build
    engine: str
    run_cycles: Annotated[int, Meta(ge=0, description="How long the program ran, from reset.")]
    stopped: Stopped
    stopped_at: str
    count: Annotated[int, Meta(ge=0, description="How many passes there were.")]
    minimum: Annotated[int | None, Meta(description="The fewest cycles of a pass; null where there was none.")]
    maximum: int | None
    mean_cycles: float | None
    total_cycles: Count
    places: list[PassesAtPlace]
    notes: Remarks
    warnings: Annotated[list[str], Meta(description="What the figures rest on and the model does not have.")]
    build_warnings: Annotated[list[str], Meta(description="What the build and the compiler said, as they said it.")]
    passes_listed: Annotated[int, Meta(ge=0, description="How many passes, the first ones, are in `passes`.")]
    passes: list[PassRow]


def time_lines_document(view: LinesView, rows: int | None = None) -> TimeLinesDocument:
    """Gives the document of timed lines; it lists the first `rows` passes, by default 65,536."""
    listed = [asdict(each) for each in view.passes[: LISTED_PASSES if rows is None else rows]]
    shown = asdict(replace(view, passes=[]))
    given = {"schema": "cyclerule/time-lines/1", **shown, "passes_listed": len(listed), "passes": listed}
    return msgspec.convert(given, TimeLinesDocument)


def in_place_part(view: LinesView) -> InPlace:
    """Gives the part of a document that tells of a function in place."""
    return msgspec.convert(
        {key: value for key, value in asdict(view).items() if key in InPlace.__struct_fields__}, InPlace
    )
