"""JSON documents: one for each command, each with its schema's name first and its keys in a fixed order.

The classes here are what `docs/schemas` publishes. A document may gain keys; those that are there keep their meaning.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from itertools import islice
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from cyclerule.report.delays import Delay
from cyclerule.report.document_types import Build, Clock, Count, Files, Remarks, Value, Write
from cyclerule.report.functions import FunctionsView
from cyclerule.report.lines_document import InPlace, TimeLinesDocument, in_place_part
from cyclerule.report.parts import PartsView
from cyclerule.report.phases import PhasesDocument
from cyclerule.report.run_document import RunDocument
from cyclerule.report.settings import SettingView
from cyclerule.report.statements import StatementsView
from cyclerule.report.timing import BuildView, CallView, InputView, Plain, TimeView

LISTED_CALLS = 65_536
"""The most rows that a document lists unless another number is asked for."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class HeldValue(Struct, frozen=True, kw_only=True):
    """Something that was read before it was written and is no argument, with the value that it had."""

    name: str
    value: Value


class Input(Struct, frozen=True, kw_only=True):
    """A count of cycles, and the first input that takes so many."""

    cycles: Count
    arguments: Annotated[dict[str, Value], Meta(description="By parameter; empty where the rows were not kept.")]


class CallRow(Struct, frozen=True, kw_only=True):
    """One input and what it gave."""

    arguments: dict[str, Value]
    cycles: Count
    cycles_with_call: Annotated[int, Meta(ge=0, description="The linked caller's call instruction included.")]
    returned: Value
    instructions: Count
    stack_bytes: Annotated[int, Meta(ge=0, description="The deepest use, the return address included.")]


class TimeDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule time --json` prints: a function timed for one input or for many."""

    schema: Literal["cyclerule/time/1"]
    function: str
    part: str
    clock_hz: Clock
    build: Build
    start: Annotated[str, Meta(description="The state that every input starts from, in words.")]
    engine: str
    standing: Annotated[
        Literal["as built", "inlined", "cloned", "folded", "removed"],
        Meta(description="What became of the function in the program's own build."),
    ]
    in_place: Annotated[InPlace | None, Meta(description="Its passes there, where it is inlined or cloned.")]
    is_handler: Annotated[bool, Meta(description="An interrupt handler; nothing calls it.")]
    set: Annotated[dict[str, Value], Meta(description="Variables, registers and pins that were given one value.")]
    held: list[HeldValue]
    domains: Annotated[dict[str, str], Meta(description="The values of each parameter, as one types them.")]
    covers: Literal["every input", "some inputs", "one input"]
    count: Annotated[int, Meta(ge=1, description="How many inputs were timed.")]
    minimum: Input
    median: Annotated[Input, Meta(description="The lower median: a count that an input really has.")]
    maximum: Input
    mean_cycles: float
    call_cycles: Annotated[int, Meta(ge=0, description="What the linked caller's call instruction takes.")]
    handler_cycles: Annotated[int, Meta(ge=0, description="Cycles of handlers that ran inside a single call.")]
    stack_bytes: Count
    histogram: Annotated[list[tuple[int, int]], Meta(description="[cycles, how many inputs], by cycles upwards.")]
    buffers: Annotated[dict[str, str], Meta(description="Buffers after a single call, in hexadecimal.")]
    read: Annotated[dict[str, str], Meta(description="Buffers and a returned structure by their types, for people.")]
    io: Annotated[list[Write], Meta(description="Writes to I/O registers during a single call, in order.")]
    delays: Annotated[list[Delay], Meta(description="The delays that a single call met, in that order.")]
    notes: Remarks
    warnings: Annotated[list[str], Meta(description="What the figures rest on and the model does not have.")]
    build_warnings: Annotated[list[str], Meta(description="What the build and the compiler said, as they said it.")]
    calls_listed: Annotated[int, Meta(ge=0, description="How many inputs, the first ones, are in `calls`.")]
    calls: list[CallRow]


class CodeBuild(Struct, frozen=True, kw_only=True):
    """What was measured: the image holds the statements in functions made for them."""

    compiler: str | None
    flags: list[str]
    image: Literal["statements in a generated function"]
    image_sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 of the flash contents.")]


class Passage(Struct, frozen=True, kw_only=True):
    """The statements once through."""

    cycles: Annotated[int, Meta(ge=0, description="From the first instruction of the statements to the last.")]
    own_cycles: Annotated[int, Meta(ge=0, description="Without interrupt handlers that ran inside.")]
    instructions: Count
    stack_bytes: Annotated[int, Meta(ge=0, description="The deepest that the statements pushed.")]
    io: Annotated[list[Write], Meta(description="Writes to I/O registers, in order.")]


class StatementRow(Struct, frozen=True, kw_only=True):
    """One set of values and what it gave; a column that was not asked for is null."""

    arguments: Annotated[dict[str, Value], Meta(description="By placeholder; what is no number as it was typed.")]
    constant: Annotated[Passage | None, Meta(description="With the values as constants in the statements.")]
    variable: Annotated[Passage | None, Meta(description="With values that the compiler did not know.")]


class CodeDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule time --code … --json` prints: statements timed for one set of values or for many."""

    schema: Literal["cyclerule/code/1"]
    code: Annotated[str, Meta(description="The statements as they were given.")]
    files: Annotated[list[str], Meta(description="The files given; the first of C or C++ is the statements' context.")]
    part: str
    clock_hz: Clock
    build: CodeBuild
    start: Annotated[str, Meta(description="The state that every row starts from, in words.")]
    engine: str
    set: Annotated[dict[str, Value], Meta(description="Variables, registers and pins that were given one value.")]
    held: list[HeldValue]
    domains: Annotated[dict[str, str], Meta(description="The values of each placeholder, as one types them.")]
    variables: Annotated[dict[str, str], Meta(description="The type of each placeholder that was passed as a value.")]
    kept: Annotated[list[str], Meta(description="Expressions whose values were kept.")]
    columns: list[Literal["constant", "variable"]]
    notes: Remarks
    warnings: Annotated[list[str], Meta(description="What the figures rest on and the model does not have.")]
    build_warnings: Annotated[list[str], Meta(description="What the build and the compiler said, as they said it.")]
    count: Annotated[int, Meta(ge=1, description="How many sets of values were timed.")]
    rows_listed: Annotated[int, Meta(ge=0, description="How many of them, the first ones, are in `rows`.")]
    rows: list[StatementRow]


class FunctionRow(Struct, frozen=True, kw_only=True):
    """One function of a program; without cycles there is a `problem`."""

    name: str
    signature: Annotated[str, Meta(description="As C spells it; empty where nothing tells it.")]
    file: str | None
    line: int | None
    size_bytes: Count
    minimum: Annotated[int | None, Meta(description="The least cycles of the inputs tried.")]
    maximum: Annotated[int | None, Meta(description="The most cycles of the inputs tried.")]
    stack_bytes: int | None
    covers: Literal["every input", "some inputs", "no input"]
    inputs: Annotated[int | None, Meta(description="How many inputs there are; null where that is not counted.")]
    tried: Annotated[int, Meta(ge=0, description="How many of them were timed.")]
    problem: Annotated[str | None, Meta(description="Why it was not called.")]
    stands: Annotated[str | None, Meta(description="What became of it where the build has no copy of it by itself.")]
    held: Annotated[list[str], Meta(description="What it read besides its arguments.")]
    warnings: Remarks
    example: Annotated[list[str], Meta(description="Words that give its parameters values.")]


class FunctionsDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule FILE… --json` prints: the functions of a program."""

    schema: Literal["cyclerule/functions/1"]
    files: Files
    part: str
    clock_hz: Clock
    build: Build
    functions: list[FunctionRow]
    next_commands: Annotated[list[str], Meta(description="Commands that go on from here, for this system's shell.")]
    build_warnings: Remarks
    notes: Remarks
    start: Annotated[str, Meta(description="The state that every call starts from; empty where there is none.")]


class PartRow(Struct, frozen=True, kw_only=True):
    """One part; sizes are null where the toolchain has no device header for it."""

    name: str
    family: Literal["AVR", "AVRe", "AVRe+", "AVRxm", "AVRxt", "AVRrc"]
    flash_bytes: int | None
    ram_bytes: int | None
    eeprom_bytes: int | None
    problem: Annotated[str | None, Meta(description="Why code for it cannot be timed; null where it can.")]


class PartsDocument(Struct, frozen=True, kw_only=True):
    """What `cyclerule parts --json` prints: the parts of a toolchain."""

    schema: Literal["cyclerule/parts/1"]
    compiler: str
    directory: str
    asked: Annotated[str, Meta(description="What the names were to contain; empty for all.")]
    parts: list[PartRow]


class SettingRow(Struct, frozen=True, kw_only=True):
    """One setting and where it came from."""

    name: str
    value: Annotated[str, Meta(description="As one types it; empty where there is none.")]
    origin: Annotated[str, Meta(description="option, environment VARIABLE, cyclerule.toml or default.")]


class SettingsDocument(Struct, frozen=True, kw_only=True):
    """What `--settings --json` prints."""

    schema: Literal["cyclerule/settings/1"]
    settings: list[SettingRow]


class ErrorDocument(Struct, frozen=True, kw_only=True):
    """What any command prints with `--json` when it cannot do what was asked."""

    schema: Literal["cyclerule/error/1"]
    kind: Annotated[str, Meta(description="The name of the error, as Python programs know it: UnknownName …")]
    message: str
    exit_status: int


Document = (
    TimeDocument
    | TimeLinesDocument
    | CodeDocument
    | PhasesDocument
    | FunctionsDocument
    | RunDocument
    | PartsDocument
    | SettingsDocument
    | ErrorDocument
)

DOCUMENTS: Mapping[str, type[Document]] = {
    "time": TimeDocument,
    "time-lines": TimeLinesDocument,
    "code": CodeDocument,
    "phases": PhasesDocument,
    "functions": FunctionsDocument,
    "run": RunDocument,
    "parts": PartsDocument,
    "settings": SettingsDocument,
    "error": ErrorDocument,
}
"""The documents by the word in the middle of their schema's name."""


def time_document(view: TimeView, rows: int | None = None) -> TimeDocument:
    """Gives the document of a timed function; it lists the first `rows` of those kept, by default 65,536."""
    calls = [_call(each) for each in islice(view.calls, LISTED_CALLS if rows is None else min(rows, view.count))]
    return TimeDocument(
        schema="cyclerule/time/1",
        function=view.function,
        part=view.part,
        clock_hz=view.clock_hz,
        build=_build(view.build),
        start=view.start,
        engine=view.engine,
        standing=view.standing,
        in_place=None if view.in_place is None else in_place_part(view.in_place),
        is_handler=view.is_handler,
        set={each.name: _number(each.value) for each in view.set_first},
        held=[HeldValue(name=each.name, value=_number(each.value)) for each in view.held],
        domains=view.domains,
        covers=view.covers,
        count=view.count,
        minimum=_input(view.minimum),
        median=_input(view.median),
        maximum=_input(view.maximum),
        mean_cycles=view.mean_cycles,
        call_cycles=view.call_cycles,
        handler_cycles=view.handler_cycles,
        stack_bytes=view.stack_bytes,
        histogram=[(cycles, count) for cycles, count in view.histogram],
        buffers=view.buffers,
        read=view.read,
        io=[Write(cycle=each.cycle, register=each.register, value=each.value) for each in view.writes],
        delays=[msgspec.convert(asdict(each), Delay) for each in view.delays],
        notes=view.notes,
        warnings=view.warnings,
        build_warnings=view.build_warnings,
        calls_listed=len(calls),
        calls=calls,
    )


def code_document(view: StatementsView, rows: int | None = None) -> CodeDocument:
    """Gives the document of timed statements; it lists the first `rows`, by default 65,536."""
    listed = view.rows[: LISTED_CALLS if rows is None else rows]
    others = ("shown_code", "rows", "set_first", "held", "change")
    plain = {name: value for name, value in asdict(view).items() if name not in others}
    return msgspec.convert(
        {
            "schema": "cyclerule/code/1",
            **plain,
            "set": {each.name: _number(each.value) for each in view.set_first},
            "held": [{"name": each.name, "value": _number(each.value)} for each in view.held],
            "count": len(view.rows),
            "rows_listed": len(listed),
            "rows": [
                {
                    "arguments": _numbers(row.arguments),
                    "constant": None if row.constant is None else asdict(row.constant),
                    "variable": None if row.variable is None else asdict(row.variable),
                }
                for row in listed
            ],
        },
        CodeDocument,
    )


def functions_document(view: FunctionsView) -> FunctionsDocument:
    """Gives the document of a program's functions."""
    return msgspec.convert({"schema": "cyclerule/functions/1", **asdict(view)}, FunctionsDocument)


def parts_document(view: PartsView) -> PartsDocument:
    """Gives the document of a toolchain's parts."""
    return msgspec.convert({"schema": "cyclerule/parts/1", **asdict(view)}, PartsDocument)


def settings_document(view: Sequence[SettingView]) -> SettingsDocument:
    """Gives the document of the settings."""
    rows = [SettingRow(name=each.name, value=each.value, origin=each.origin) for each in view]
    return SettingsDocument(schema="cyclerule/settings/1", settings=rows)


def error_document(kind: str, message: str, exit_status: int) -> ErrorDocument:
    """Gives the document of a refusal."""
    return ErrorDocument(schema="cyclerule/error/1", kind=kind, message=message, exit_status=exit_status)


def write_document(document: Document) -> str:
    """Writes a document as JSON text: a line for each key, and in a list of objects a line for each of them.

    So the rows of two documents compare line by line. What no Unicode text can hold, such as half of a file's name,
    becomes ?.
    """
    keys = (f'  "{name}": {_laid_out(getattr(document, name))}' for name in document.__struct_fields__)
    return "{\n" + ",\n".join(keys) + "\n}"


def _laid_out(value: object) -> str:
    if isinstance(value, list) and value and isinstance(value[0], Struct):
        return "[\n" + ",\n".join(f"    {_text(each)}" for each in value) + "\n  ]"
    return _text(value)


def _text(value: object) -> str:
    try:
        data = msgspec.json.encode(value)
    except UnicodeEncodeError:
        data = msgspec.json.encode(_encodable(msgspec.to_builtins(value)))
    return msgspec.json.format(data, indent=0).decode("utf-8")


def published_schemas() -> dict[str, str]:
    """Gives the JSON Schema of each document as text, by the name of the file that publishes it."""
    found = {}
    for word, document in DOCUMENTS.items():
        schema = {"$schema": DIALECT, "title": f"cyclerule/{word}/1", **msgspec.json.schema(document)}
        text = msgspec.json.format(msgspec.json.encode(schema), indent=2).decode("utf-8")
        found[f"{word}-1.json"] = f"{text}\n"
    return found


def _build(view: BuildView) -> Build:
    return msgspec.convert(asdict(view), Build)


def _input(view: InputView) -> Input:
    return Input(cycles=view.cycles, arguments=_numbers(view.arguments))


def _call(view: CallView) -> CallRow:
    return CallRow(
        arguments=_numbers(view.arguments),
        cycles=view.cycles,
        cycles_with_call=view.cycles_with_call,
        returned=_number(view.returned),
        instructions=view.instructions,
        stack_bytes=view.stack_bytes,
    )


def _numbers(values: dict[str, Plain]) -> dict[str, Plain]:
    return {name: _number(value) for name, value in values.items()}


def _number(value: Plain) -> Plain:
    """JSON has no word for infinities and for what is no number (RFC 8259 section 6): they go as text."""
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def _encodable(value: Any) -> Any:
    match value:
        case str():
            return value.encode("utf-8", "replace").decode("utf-8")
        case dict():
            return {_encodable(name): _encodable(each) for name, each in value.items()}
        case list() | tuple():
            return [_encodable(each) for each in value]
        case _:
            return value
