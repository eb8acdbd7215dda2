"""The view of a program's functions: what is there, how long each takes, and what to type next."""

import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass, field

from cyclerule.errors import CycleruleError
from cyclerule.firmware.types import type_text
from cyclerule.report.timing import BuildView
from cyclerule.report.wording import counted, time_span
from cyclerule.session.opening import Program
from cyclerule.session.survey import UNTOLD, Surveyed
from cyclerule.units import Hertz, clock_text


@dataclass(frozen=True)
class FunctionView:
    """One function: its least and most cycles over the inputs that were tried, or the `problem` that prevented it.

    `covers` is "every input", "some inputs" or "no input"; `inputs` is how many there are in all, None where they are
    not counted. `stands` says what became of it in the program's own build, None where it stands there by itself.
    `example` are the words that give it values. `signature` is empty where nothing tells it.
    """

    name: str
    signature: str
    file: str | None
    line: int | None
    size_bytes: int
    minimum: int | None
    maximum: int | None
    stack_bytes: int | None
    covers: str
    inputs: int | None
    tried: int
    problem: str | None
    stands: str | None
    held: list[str]
    warnings: list[str]
    example: list[str]


@dataclass(frozen=True)
class FunctionsView:
    """The functions of a program; `next_commands` can be typed as they are, `start` is the state that calls start from.

    It is empty where the chip cannot be brought there.
    """

    files: list[str]
    part: str
    clock_hz: int | None
    build: BuildView
    functions: list[FunctionView]
    next_commands: list[str]
    build_warnings: list[str]
    notes: list[str] = field(default_factory=list)
    start: str = ""


def view_functions(program: Program, surveyed: Sequence[Surveyed]) -> FunctionsView:
    """Makes the view of a program's survey."""
    firmware, image = program.firmware, program.firmware.image
    files = [str(file) for file in program.files]
    functions = [_view(each) for each in surveyed]
    return FunctionsView(
        files=files,
        part=firmware.part.name,
        clock_hz=firmware.clock,
        build=BuildView(image.compiler, list(image.flags), image.kind, image.sha256),
        functions=functions,
        next_commands=_next_commands(functions, files, program.settings.as_options()),
        build_warnings=list(firmware.warnings),
        notes=[] if functions else [_nameless(files, program.settings.as_options())],
        start=_start(program),
    )


def _start(program: Program) -> str:
    try:
        return program.firmware.measured("", (), "auto").start
    except CycleruleError:
        # Then each function says why it is not called.
        return ""


def _nameless(files: Sequence[str], options: Sequence[str]) -> str:
    words = ["cyclerule", "time", *files, "f", "--declare", "uint8_t f(uint8_t) @ 0x80", *options]
    return f"a function without a name can be timed by its flash byte address: {command_text(words)}"


def functions_sentence(view: FunctionsView) -> str:
    """Says what is there, in words: "5 functions; the longest takes 94 cycles, 5.88 µs at 16 MHz: crc8_step_bits"."""
    measured = [each for each in view.functions if each.maximum is not None]
    text = f"{', '.join(view.files)}: {counted(len(view.functions), 'function')}"
    if not measured:
        return f"{text}, none of them called" if view.functions else f"{text}; it names none of your own"
    longest = max(measured, key=lambda each: each.maximum or 0)
    most = longest.maximum or 0
    time = ""
    if view.clock_hz is not None:
        time = f", {time_span(most, most, Hertz(view.clock_hz))} at {clock_text(Hertz(view.clock_hz))}"
    called = "all called" if len(measured) == len(view.functions) else f"{len(measured)} of them called"
    if any(each.covers == "some inputs" for each in measured):
        called += ", some with a part of their inputs only"
    elif any(each.tried > 1 for each in measured):
        called += " with every input"
    return f"{text}, {called}; the longest is {longest.name} with up to {most:,} cycles{time}"


def _view(each: Surveyed) -> FunctionView:
    sweep, function = each.sweep, each.function
    return FunctionView(
        name=each.name,
        signature="" if function.signature is None else type_text(function.signature, each.name),
        file=function.file,
        line=function.line,
        size_bytes=function.size_bytes,
        minimum=None if sweep is None else sweep.minimum.cycles,
        maximum=None if sweep is None else sweep.maximum.cycles,
        stack_bytes=None if sweep is None else sweep.stack_bytes,
        covers=each.covers,
        inputs=each.inputs,
        tried=0 if sweep is None else sweep.count,
        problem=each.problem,
        stands=each.stands,
        held=[] if sweep is None else [held.name for held in sweep.held],
        warnings=[] if sweep is None else list(dict.fromkeys(map(str, sweep.warnings))),
        example=list(each.example),
    )


def _next_commands(functions: Sequence[FunctionView], files: Sequence[str], options: Sequence[str]) -> list[str]:
    """Gives two commands that go on from here: the function whose time varies most, and one that needs its input."""
    measured = [each for each in functions if each.maximum is not None and each.minimum is not None]
    by_spread = sorted(measured, key=lambda each: (each.maximum or 0) - (each.minimum or 0), reverse=True)
    wanting = [each for each in functions if each.example]
    words = [[each.name] for each in by_spread[:1]] + [[each.name, *each.example] for each in wanting[:1]]
    if len(words) < 2:
        words += [[each.name] for each in by_spread[1:2]] or [[each.name, *each.example] for each in wanting[1:2]]
    untold = [each for each in functions if each.problem == UNTOLD]
    words += [[each.name, "--declare", f"uint8_t {each.name}(uint8_t)"] for each in untold[: 2 - len(words)]]
    if len(words) == 1:
        words.append([*words[0], "--comment"])
    return [command_text(["cyclerule", "time", *files, *each, *options]) for each in words]


def command_text(words: Sequence[str]) -> str:
    """Writes a command as this system's shell takes it."""
    if os.name != "nt":
        return shlex.join(words)
    return " ".join(f'"{word}"' if any(each in word for each in ' &|<>()^"') else word for word in words)
