"""Timing statements: compiled in functions of their own, in the context of a file or alone for a part."""

import re
from collections.abc import Callable, Collection, Container, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from cyclerule.errors import ArgumentError, BuildError, FaultError, RunawayError
from cyclerule.firmware.build import build_image, compiling_with
from cyclerule.firmware.sources import Source, read_sources
from cyclerule.firmware.statement_marks import read_marks
from cyclerule.firmware.statement_probe import Probe
from cyclerule.firmware.statement_text import FILE, Statements
from cyclerule.firmware.statements import Row, StatementsUnit, first_source, statements_unit, symbol_of
from cyclerule.firmware.types import FunctionType, VoidType
from cyclerule.measure.call import Callee
from cyclerule.measure.domains import count_rows, input_at
from cyclerule.measure.pace import Progress
from cyclerule.measure.statements import SUBJECT, Passage, StatementRow, StatementTimes, run_statements
from cyclerule.parts import load_part
from cyclerule.session.firmware import Before, Firmware, clock_of
from cyclerule.session.statement_values import (
    Given,
    Literal,
    Literals,
    literals_text,
    python_literals,
    read_variables,
    resolve_values,
    variable_type,
)
from cyclerule.session.statements_left import is_folded, why_nothing_is_left
from cyclerule.toolchain import find
from cyclerule.units import parse_clock

LINKED = (".elf", ".hex", ".ihex", ".ihx", ".out")

_Result = TypeVar("_Result")


@dataclass(frozen=True)
class Variant:
    """A row's function and what is passed to it."""

    function: int
    values: tuple[object, ...]


@dataclass(frozen=True)
class Plan:
    """Statements with all the values they are to be built and run with.

    `literals` are in the order in which they vary, `variables` the types of those that are passed as values, by name,
    and `casts` the types among these that constants are set against. `constant` and `variable` say which of the two
    columns there are.
    """

    statements: Statements
    literals: Mapping[str, Literals]
    variables: Mapping[str, str]
    casts: Mapping[str, str]
    constant: bool
    variable: bool

    @property
    def count(self) -> int:
        """How many rows there are."""
        return count_rows(self.literals.values())

    def row(self, index: int) -> dict[str, Literal]:
        """Gives the values of a row by its number, the last name varying fastest."""
        found = input_at(self.literals, index)
        return {name: each for name, each in found.items() if isinstance(each, Literal)}

    def functions(self) -> tuple[list[Row], list[tuple[Variant | None, Variant | None]]]:
        """Gives the functions to build, and for each row what it is in the constant and in the variable column."""
        functions: dict[Row, int] = {}
        variants = []
        for index in range(self.count):
            given = self.row(index)
            constant = self._variant(functions, given, {}) if self.constant else None
            variants.append((constant, self._variant(functions, given, self.variables) if self.variable else None))
        return list(functions), variants

    def _variant(self, functions: dict[Row, int], given: Mapping[str, Literal], passed: Mapping[str, str]) -> Variant:
        texts = {name: name if name in passed else self._constant(name, each) for name, each in given.items()}
        shown = ", ".join(f"{name} = {each.shown}" for name, each in given.items() if name not in passed)
        parameters = tuple((type_name, name) for name, type_name in passed.items())
        row = Row(self.statements.filled(texts), shown, parameters)
        return Variant(functions.setdefault(row, len(functions)), tuple(given[name].number for name in passed))

    def _constant(self, name: str, literal: Literal) -> str:
        # Of the same type as the variable that it is set against, where that was given one.
        return f"(({self.casts[name]}) {literal.text})" if name in self.casts else literal.text


def code(
    statements: str,
    values: Mapping[str, object] | None = None,
    /,
    *,
    part: str,
    files: Sequence[str | Path] | str | Path = (),
    clock: str | int | None = None,
    optimize: str = "s",
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    toolchain: str | Path | None = None,
    variable: Sequence[str] | str = (),
    both: bool = False,
    keep: Sequence[str] | str = (),
    after: str | None = None,
    before: Sequence[Before] = (),
    globals: Mapping[str, object] | None = None,  # noqa: A002 - the published name
    registers: Mapping[str, object] | None = None,
    pins: Mapping[str, object] | None = None,
    interrupts: bool = False,
    engine: str = "auto",
    max_cycles: int | None = None,
    fill: int = 0,
    progress: Progress | None = None,
    **named: object,
) -> StatementTimes:
    """Times statements of C or C++, from their first instruction to their last.

    They are compiled into a function of their own, in the context of the first C or C++ file of `files`, so that its
    includes, types, macros, globals and statics are there; without files they stand alone for the part, in C. Each
    `{name}` in them is a placeholder with a keyword that gives its values, `pin=range(14)`: a function is built for
    each value, in one image. A text is taken as it is typed, so that it may be a macro or an enumerator. `variable`
    names placeholders that are passed as values instead, which the compiler then does not know ("pin", or with its type
    "uint8_t pin"); with `both` there is each row with constants too. `keep` are expressions whose values are to be
    there when the statements end. A placeholder whose name is a setting of this function goes into `values`.

    Raises ArgumentError for statements and values that do not fit, BuildError with the compiler's words at the
    statements' lines, MarksLost where their begin or end is not to be found in the image, and what a call raises.
    """
    literals = {name: python_literals(name, each) for name, each in {**(values or {}), **named}.items()}
    built = build_statements(
        statements,
        literals,
        part=part,
        files=[Path(each) for each in ([files] if isinstance(files, str | Path) else files)],
        clock=clock,
        optimize=optimize,
        flags=flags,
        defines=defines,
        toolchain=toolchain,
        variable=[variable] if isinstance(variable, str) else variable,
        both=both,
        keep=[keep] if isinstance(keep, str) else keep,
        fill=fill,
    )
    return built.time(
        before,
        (globals, registers, pins),
        after=after,
        interrupts=interrupts,
        engine=engine,
        max_cycles=max_cycles,
        progress=progress,
    )


def build_statements(
    text: str,
    literals: Mapping[str, Given],
    *,
    part: str,
    files: Sequence[Path],
    clock: str | int | None = None,
    optimize: str = "s",
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    toolchain: str | Path | None = None,
    variable: Sequence[str] = (),
    both: bool = False,
    keep: Sequence[str] = (),
    fill: int = 0,
) -> "BuiltStatements":
    """Builds statements whose placeholders have these literals; see `code`."""
    source = _context(files)
    statements = Statements(text)
    statements.check(list(literals), is_cpp=source is not None and source.language == "C++")
    found, name = find(toolchain), part.lower()
    chip = load_part(name, found)
    asked = parse_clock(clock)
    compiling = compiling_with(found, name, asked, optimize, flags=tuple(flags), defines=defines)
    probe = Probe(compiling, source, has_clock=asked is not None)
    plan = _plan(statements, literals, read_variables(variable), probe, both=both)
    functions, variants = plan.functions()
    kept = probe.kept_in_memory(functions[0], keep) if keep else {}
    unit = statements_unit(source, functions, keep=kept, has_clock=asked is not None)
    try:
        image = _said_of_the_text(
            unit,
            lambda: build_image(
                files,
                toolchain=found,
                part_name=name,
                clock=asked,
                optimize=optimize,
                flags=tuple(flags),
                defines=defines,
                statements=unit,
            ),
        )
    except BuildError as error:
        raise _with_hint(error, statements, literals, len(functions)) from None
    _check_ways_out(statements, probe, unit)
    warnings = [told for each in image.build.warnings if (told := unit.told(each))]
    in_force = clock_of(image.build.clocks) if asked is None else asked
    firmware = Firmware(image, chip, in_force, toolchain=found, warnings=warnings, fill=fill)
    return BuiltStatements(firmware, unit, plan, variants, tuple(files), tuple(keep), probe)


@dataclass(frozen=True)
class BuiltStatements:
    """Statements in an image, ready to be timed; `variants` has for each row its constant and its variable column."""

    firmware: Firmware
    unit: StatementsUnit
    plan: Plan
    variants: Sequence[tuple[Variant | None, Variant | None]]
    files: tuple[Path, ...]
    kept: tuple[str, ...]
    probe: Probe

    def time(
        self,
        before: Sequence[Before] = (),
        settings: Sequence[Mapping[str, object] | None] = (None, None, None),
        *,
        after: str | None = None,
        interrupts: bool = False,
        engine: str = "auto",
        max_cycles: int | None = None,
        progress: Progress | None = None,
    ) -> StatementTimes:
        """Times every row, each from the same starting state; `settings` are of variables, registers and pins."""
        measured = self.firmware.measured(self.plan.statements.shown, before, engine, after)
        course = _Course(self, before, settings, engine, max_cycles, interrupts, after=after)
        rows = []
        for index, columns in enumerate(self.variants):
            given = self.plan.row(index)
            rows.append(
                StatementRow(
                    {name: each.value for name, each in given.items()},
                    {name: each.shown for name, each in given.items()},
                    *(None if variant is None else course.run(variant) for variant in columns),
                )
            )
            if progress is not None:
                progress(index + 1, self.plan.count)
        return StatementTimes(
            measured=replace(measured, engine=course.engine),
            code=self.plan.statements.text,
            files=tuple(map(str, self.files)),
            domains={name: literals_text(each) for name, each in self.plan.literals.items()},
            variables=self.plan.variables,
            kept=self.kept,
            rows=tuple(rows),
            notes=tuple(course.notes()),
            build_warnings=tuple(self.firmware.warnings),
            settings=course.start.settings,
        )


def _context(files: Sequence[Path]) -> Source | None:
    if not files:
        return None
    linked = next((path for path in files if path.suffix.lower() in LINKED), None)
    if linked is not None:
        raise ArgumentError(
            f"{linked} is linked already, and statements are compiled together with a source; give the sources instead"
        )
    source = first_source(read_sources(files))
    if source is None:
        raise ArgumentError(
            f"none of {', '.join(map(str, files))} is C or C++, in whose context statements could be compiled"
        )
    return source


def _plan(
    statements: Statements, given: Mapping[str, Given], variables: Mapping[str, str], probe: Probe, *, both: bool
) -> Plan:
    used = {each.name for each in statements.placeholders(tuple(given))}
    for name in given:
        if name not in used:
            raise ArgumentError(f"{name}= is given, but there is no {{{name}}} in the statements for its values")
    for name in variables:
        if name not in given:
            raise ArgumentError(f"--variable {name} needs values: {name}=0..7, and {{{name}}} in the statements")
        inside = next((each for each in statements.placeholders((name,)) if each.in_string), None)
        if inside is not None:
            raise ArgumentError(
                f"{statements.place(inside.start)}: {{{name}}} stands in a string, where no variable can take its place"
            )
    if both and not variables:
        raise ArgumentError("--both sets a constant against a variable: say which one, --variable NAME")
    literals = resolve_values(given, variables, probe.resolve)
    types = {name: typed or variable_type(name, literals[name], probe.resolve) for name, typed in variables.items()}
    casts = {name: typed for name, typed in variables.items() if typed}
    return Plan(statements, literals, types, casts, constant=both or not variables, variable=bool(variables))


def _with_hint(error: BuildError, statements: Statements, given: Container[str], rows: int) -> BuildError:
    """Adds to a refusal that a name in braces may be meant as a placeholder, or that fewer rows may fit."""
    if "too large" in str(error) and rows > 1:
        hint = f"there is a function for each of {rows:,} rows; give fewer values, or pass them: --variable NAME"
        return BuildError(f"{error}\n{hint}", command=error.command)
    names = [token.text[1:-1] for token in statements.tokens if token.kind == "placeholder"]
    unknown = next((name for name in names if name not in given), None)
    if unknown is None or FILE not in str(error):
        return error
    hint = f"if {{{unknown}}} is meant as a placeholder, give its values: {unknown}=0..7"
    return BuildError(f"{error}\n{hint}", command=error.command)


def _check_ways_out(statements: Statements, probe: Probe, unit: StatementsUnit) -> None:
    """Raises ArgumentError for a `return` that would leave the statements, and not a function inside them."""
    if all(token.text != "return" for token in statements.tokens):
        return
    words = [unit.told(each) for each in probe.ways_out(unit.rows[0])]
    place = next((match[0] for each in words if (match := re.match(rf"{re.escape(FILE)}:\d+:\d+", each))), None)
    if place is not None:
        raise ArgumentError(
            f"{place}: return leaves the statements before their end, so they have no length; leave it out, or time "
            "the function that they are from"
        )


@dataclass
class _Course:
    """The runs of statements on one firmware, all from the same starting state."""

    built: BuiltStatements
    before: Sequence[Before]
    settings: Sequence[Mapping[str, object] | None]
    wanted: str
    max_cycles: int | None
    interrupts: bool
    engine: str = ""
    after: str | None = None

    def __post_init__(self) -> None:
        firmware, unit = self.built.firmware, self.built.unit
        self.start = firmware.starting(self.before, self.settings, self.max_cycles, self.after)
        self.marks = read_marks(firmware.image, len(unit.rows))
        self.empty: dict[int, Row] = {}
        self.folded: set[int] = set()

    def run(self, variant: Variant) -> Passage:
        """Runs a row's statements once."""
        unit, number = self.built.unit, variant.function
        marks = self.marks[number]
        signature = self.built.firmware.image.functions[symbol_of(number)].signature or FunctionType((), VoidType())
        passage = _said_of_the_text(
            unit,
            lambda: run_statements(
                self.start.stage,
                self.start.state,
                Callee(SUBJECT, marks.entry, signature, 0),
                marks,
                variant.values,
                engine=self.wanted,
                limit=self.start.limit,
                interrupts=self.interrupts,
            ),
        )
        self.engine = passage.engine
        if passage.cycles == 0 and marks.begin == marks.end:
            self.empty[number] = unit.rows[number]
        elif self.built.kept and is_folded(self.start.stage, marks):
            self.folded.add(number)
        return replace(passage, warnings=tuple(each._replace(place=unit.told(each.place)) for each in passage.warnings))

    def notes(self) -> list[str]:
        """Says of which statements nothing is left, or only constants, and why."""
        built, found = self.built, []
        if self.empty:
            row = next(iter(self.empty.values()))
            why = why_nothing_is_left(
                built.probe, built.plan.statements, row, built.kept, built.probe.compiling.flags.level
            )
            found.append(self._of_rows(self.empty, why))
        if self.folded:
            kept = " and ".join(built.kept)
            why = f"the compiler has worked {kept} out itself: all that is left is to load a constant"
            found.append(self._of_rows(self.folded, why))
        return found

    def _of_rows(self, numbers: Collection[int], text: str) -> str:
        rows = self.built.unit.rows
        if len(numbers) == len(rows):
            return text
        shown = rows[min(numbers)].shown or "a variable"
        others = f" and {len(numbers) - 1:,} more" if len(numbers) > 1 else ""
        return f"with {shown}{others}: {text}"


def _said_of_the_text(unit: StatementsUnit, do: Callable[[], _Result]) -> _Result:
    """Does something, and lets an error that it raises speak of the user's text."""
    try:
        return do()
    except BuildError as error:
        raise type(error)(unit.told(str(error)), command=error.command) from None
    except RunawayError as error:
        raise RunawayError(unit.told(str(error)), place=unit.told(error.place), cycle=error.cycle) from None
    except FaultError as error:
        raise type(error)(
            unit.told(str(error)), address=error.address, cycle=error.cycle, place=unit.told(error.place)
        ) from None
