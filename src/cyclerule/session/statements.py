"""Timing statements: compiled in functions of their own, in the context of a file or alone for a part."""

from collections.abc import Callable, Collection, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from cyclerule.errors import BuildError, CycleruleError, FaultError, RunawayError
from cyclerule.firmware.build import build_image, compiling_with
from cyclerule.firmware.statement_marks import read_marks
from cyclerule.firmware.statement_probe import Probe
from cyclerule.firmware.statement_text import Statements
from cyclerule.firmware.statements import StatementsUnit, statements_unit, symbol_of
from cyclerule.firmware.types import FunctionType, VoidType
from cyclerule.measure.call import Callee
from cyclerule.measure.domain_text import domain_text, value_text
from cyclerule.measure.domains import count_rows, input_at
from cyclerule.measure.pace import LONGEST_SECONDS, Clock, Pace, Progress
from cyclerule.measure.settings import Setting
from cyclerule.measure.stage import check_engine
from cyclerule.measure.statements import SUBJECT, Passage, StatementRow, StatementTimes, check_end, run_statements
from cyclerule.parts import load_part
from cyclerule.session.firmware import Before, Firmware, clock_of
from cyclerule.session.statement_plan import (
    Plan,
    Variant,
    check_delays,
    check_kept,
    check_ways_out,
    context_of,
    plan_statements,
    with_hint,
)
from cyclerule.session.statement_values import (
    Given,
    Literal,
    literals_text,
    python_literals,
    read_variables,
)
from cyclerule.session.statements_left import has_delay, is_folded, why_nothing_is_left
from cyclerule.toolchain import find
from cyclerule.units import parse_clock

ASSEMBLER = "Assembler messages"
"""What stands in a refusal that is not the compiler's but the assembler's."""

_Result = TypeVar("_Result")


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
    source = context_of(files)
    statements = Statements(text)
    check_kept(keep)
    statements.check(list(literals), is_cpp=source is not None and source.language == "C++")
    found, name = find(toolchain), part.lower()
    chip = load_part(name, found)
    asked = parse_clock(clock)
    compiling = compiling_with(found, name, asked, optimize, flags=tuple(flags), defines=defines)
    has_clock = any("F_CPU" in each for each in (*compiling.head, *compiling.flags.listed))
    has_delays = source is None and check_delays(statements, has_clock=has_clock)
    probe = Probe(compiling, source, has_delays=has_delays)
    plan = plan_statements(statements, literals, read_variables(variable), probe, both=both)
    functions, variants = plan.functions()
    kept = probe.kept_in_memory(functions[0], keep) if keep else {}
    unit = statements_unit(source, functions, keep=kept, has_delays=has_delays)
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
        words = probe.assembler_words(unit) if ASSEMBLER in str(error) else ""
        if words:
            raise BuildError(f"the statements do not compile:\n{words}", command=error.command) from None
        raise with_hint(error, statements, literals, len(functions)) from None
    check_ways_out(statements, probe, unit)
    warnings = [told for each in image.build.warnings if (told := unit.told(each))]
    in_force = clock_of(image.build.clocks) if asked is None else asked
    firmware = Firmware(image, chip, in_force, toolchain=found, warnings=warnings, fill=fill)
    again = partial(
        build_statements, text, part=part, files=files, clock=clock, defines=defines, toolchain=toolchain, keep=keep
    )
    plain_flags = [flag for flag in flags if not flag.startswith(("-O", "-flto"))]

    def unoptimized(row: Mapping[str, Literal]) -> BuiltStatements:
        return again({each: [literal] for each, literal in row.items()}, optimize="0", flags=plain_flags, fill=fill)

    return BuiltStatements(firmware, unit, plan, variants, tuple(files), tuple(keep), probe, unoptimized)


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
    unoptimized: "Callable[[Mapping[str, Literal]], BuiltStatements]"
    """Builds a row's statements without optimization."""

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
        varied = _named(course.start.varied, self.plan.literals)
        count = count_rows(varied.values()) * self.plan.count
        rows = []
        clock = Clock(SUBJECT, count, progress, LONGEST_SECONDS)
        for index in range(count):
            set_before, own = input_at(varied, index // self.plan.count), self.plan.row(index % self.plan.count)
            course.set_row(set_before.values(), own)
            rows.append(
                StatementRow(
                    {**set_before, **{name: each.value for name, each in own.items()}},
                    {
                        **{name: value_text(value) for name, value in set_before.items()},
                        **{name: each.shown for name, each in own.items()},
                    },
                    *(None if each is None else course.run(each) for each in self.variants[index % self.plan.count]),
                )
            )
            clock.look(index + 1)
        clock.finish()
        return StatementTimes(
            measured=replace(measured, engine=course.engine),
            code=self.plan.statements.text,
            files=tuple(map(str, self.files)),
            domains={
                **{name: domain_text(values) for name, values in varied.items()},
                **{name: literals_text(each) for name, each in self.plan.literals.items()},
            },
            variables=self.plan.variables,
            kept=self.kept,
            rows=tuple(rows),
            notes=tuple(course.notes()),
            build_warnings=tuple(self.firmware.warnings),
            settings=course.start.settings,
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
        for marks in self.marks:
            check_end(self.start.stage, marks)
        plan, varied = self.built.plan, count_rows(values for _, values in self.start.varied)
        runs = varied * plan.count * (plan.constant + plan.variable)
        self.pace = Pace(check_engine(self.wanted), runs, can_batch=False)
        self.runs = 0
        self.set_before: Sequence[tuple[Setting, object]] = ()
        self.given: Mapping[str, Literal] = {}
        self.empty: dict[int, Mapping[str, Literal]] = {}
        self.folded: set[int] = set()
        self.judged: set[int] = set()

    def set_row(self, set_before: Iterable[object], given: Mapping[str, Literal]) -> None:
        """Takes the next row: the values of what is set before it, and those of its placeholders."""
        self.given = given
        settings = (setting for setting, _ in self.start.varied)
        self.set_before = list(zip(settings, set_before, strict=True))

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
                engine=self.pace.engine(self.runs),
                limit=self.start.limit,
                interrupts=self.interrupts,
                settings=self.set_before,
            ),
        )
        self.engine = passage.engine
        self.runs += 1
        if passage.cycles == 0 and marks.begin == marks.end:
            self.empty[number] = self.given
        elif self.built.kept and number not in self.judged and is_folded(self.start.stage, marks):
            self.folded.add(number)
        self.judged.add(number)
        return replace(passage, warnings=tuple(each._replace(place=unit.told(each.place)) for each in passage.warnings))

    def notes(self) -> list[str]:
        """Says of which statements nothing is left, or only constants, and why."""
        built, found = self.built, []
        if built.probe.compiling.flags.has_lto and len(built.unit.rows) > 1:
            found.append(
                "all rows are in one image, and link-time optimization looks at them together: what one of them writes "
                "is no constant for another; time a row alone to have it without the others"
            )
        if self.empty:
            number, given = next(iter(self.empty.items()))
            level = built.probe.compiling.flags.level
            why = why_nothing_is_left(built.probe, built.plan.statements, built.unit.rows[number], built.kept, level)
            without = None if level == "0" or has_delay(built.plan.statements) else self._without_optimization(given)
            found.append(self._of_rows(self.empty, f"{why}; at -O0 they take {without}" if without else why))
        if self.folded:
            kept = " and ".join(built.kept)
            why = f"the compiler has worked {kept} out itself: all that is left is to load a constant"
            found.append(self._of_rows(self.folded, why))
        return found

    def _without_optimization(self, given: Mapping[str, Literal]) -> str | None:
        """Says what statements take of which optimization has left nothing; None where that cannot be had."""
        try:
            built = self.built.unoptimized(given)
            cycles = built.time(self.before, self.settings, after=self.after, max_cycles=self.max_cycles).cycles
        except CycleruleError:
            # It was asked for nothing but a remark: what does not build or end so says nothing.
            return None
        return f"{cycles:,} {'cycle' if cycles == 1 else 'cycles'}" if cycles else None

    def _of_rows(self, numbers: Collection[int], text: str) -> str:
        rows = self.built.unit.rows
        if len(numbers) == len(rows):
            return text
        shown = rows[min(numbers)].shown or "a variable"
        others = f" and {len(numbers) - 1:,} more" if len(numbers) > 1 else ""
        return f"with {shown}{others}: {text}"


def _named(
    varied: Sequence[tuple[Setting, Sequence[object]]], placeholders: Container[str]
) -> dict[str, Sequence[object]]:
    """Gives what is set by the name that stands in the rows; a placeholder of the same name keeps it."""
    return {
        f"{setting.kind} {setting.name}" if setting.name in placeholders else setting.name: values
        for setting, values in varied
    }


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
