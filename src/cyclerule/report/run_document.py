"""The JSON document of a run of the whole program."""

from dataclasses import asdict
from itertools import islice
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from cyclerule.report.delays import Delay
from cyclerule.report.document_types import Build, Clock, Count, Remarks
from cyclerule.report.running import CallsView, RunView

LISTED_ROWS = 65_536
"""The most calls of a function that a document lists."""


class Stats(Struct, frozen=True, kw_only=True):
    """What something took each time."""

    count: Annotated[int, Meta(ge=0, description="How often it ended before the run stopped.")]
    minimum: Count
    mean: float
    maximum: Count
    total: Count


class Passes(Stats, frozen=True, kw_only=True):
    """The passes of `loop()`."""

    period: Annotated[float | None, Meta(description="Mean cycles from one beginning to the next; null with one pass.")]
    per_second: Annotated[float | None, Meta(description="Null without a clock, too.")]
    is_complete: Annotated[bool, Meta(description="False where there were more passes than the first ones measured.")]


class Handler(Stats, frozen=True, kw_only=True):
    """An interrupt handler: cycles taken from the program, the response and handlers inside it included."""

    vector: str
    share: Annotated[float, Meta(ge=0, description="The part of all cycles, from 0 to 1.")]


class CallSeen(Struct, frozen=True, kw_only=True):
    """One call that was followed."""

    start_cycle: Count
    cycles: Count
    caller: str


class Calls(Stats, frozen=True, kw_only=True):
    """The calls of one function that was followed."""

    function: str
    symbol: str
    rows_listed: Annotated[int, Meta(ge=0, description="How many calls, the first ones, are in `rows`.")]
    rows: list[CallSeen]


class RunWrite(Struct, frozen=True, kw_only=True):
    """A write to a register that was watched."""

    cycle: Annotated[int, Meta(ge=0, description="From reset to the end of the writing instruction.")]
    register: str
    value: Annotated[int, Meta(ge=0, le=255)]


class RunReset(Struct, frozen=True, kw_only=True):
    """A reset inside the run."""

    cycle: Annotated[int, Meta(ge=0, description="When it came; the program begins anew after the start-up time.")]
    cause: Annotated[str, Meta(description="The flag of its cause in MCUSR: WDRF or EXTRF.")]


class SerialPort(Struct, frozen=True, kw_only=True):
    """What a serial port sent."""

    number: int
    text: Annotated[str, Meta(description="What is no text is escaped.")]
    hex: str


class RunDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule run --json` prints: the whole program from reset. The same program gives the same document."""

    schema: Literal["cyclerule/run/1"]
    program: Annotated[str, Meta(description="The files, in a few words.")]
    part: str
    clock_hz: Clock
    build: Build
    engine: str
    cycles: Annotated[int, Meta(ge=0, description="From reset to the stop.")]
    instructions: Count
    stopped: Literal["until", "max_cycles", "halted", "fault", "interrupted"]
    place: Annotated[str, Meta(description="Where the program was: file:line in function, as far as is known.")]
    reason: Annotated[str, Meta(description="Why it could not go on; empty where nothing says that.")]
    until: Annotated[str | None, Meta(description="The end that was asked for.")]
    is_met: Annotated[bool, Meta(description="Whether the run came to that end.")]
    limit: Annotated[int | None, Meta(description="The cycle at which it was to end in any case.")]
    reached: Annotated[dict[str, int], Meta(description="Cycles from reset to main, setup and loop.")]
    setup: Stats | None
    loop: Passes | None
    asleep_cycles: Annotated[int, Meta(ge=0, description="In sleep, the wake-up included.")]
    delays: Annotated[list[Delay], Meta(description="The delays that were met, in that order.")]
    handlers: list[Handler]
    calls: list[Calls]
    writes: Annotated[dict[str, list[RunWrite]], Meta(description="By the register that was watched.")]
    serial_text: Annotated[str, Meta(description="What the first serial port sent; what is no text is escaped.")]
    serial_hex: str
    other_serial: Annotated[list[SerialPort], Meta(description="The other serial ports, where they sent anything.")]
    resets: Annotated[list[RunReset], Meta(description="Resets after the first one, in order.")]
    notes: Remarks
    warnings: Annotated[list[str], Meta(description="What the figures rest on and the model does not have.")]
    build_warnings: Annotated[list[str], Meta(description="What the build and the compiler said, as they said it.")]


def run_document(view: RunView) -> RunDocument:
    """Gives the document of a run."""
    content = {
        **asdict(view),
        "schema": "cyclerule/run/1",
        "handlers": [{**asdict(each), "vector": each.name} for each in view.handlers],
        "calls": [_calls(each) for each in view.calls],
    }
    return msgspec.convert(content, RunDocument)


def _calls(view: CallsView) -> dict[str, object]:
    rows = [asdict(each) for each in islice(view.rows, LISTED_ROWS)]
    figures = ("count", "minimum", "mean", "maximum", "total", "symbol")
    return {
        **{name: getattr(view, name) for name in figures},
        "function": view.name,
        "rows_listed": len(rows),
        "rows": rows,
    }
