"""What is built and run of statements: a function for each set of constants, the values that are passed at run time."""

import re
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import ArgumentError, BuildError
from cyclerule.firmware.sources import Source, read_sources
from cyclerule.firmware.statement_probe import Probe
from cyclerule.firmware.statement_text import FILE, Statements
from cyclerule.firmware.statements import Row, StatementsUnit, first_source
from cyclerule.measure.domains import count_rows, input_at
from cyclerule.session.statement_values import Given, Literal, Literals, resolve_values, variable_type

LINKED = (".elf", ".hex", ".ihex", ".ihx", ".out")


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


def context_of(files: Sequence[Path]) -> Source | None:
    """Gives the file in whose context statements are compiled; None without files. ArgumentError where none is one."""
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


def plan_statements(
    statements: Statements, given: Mapping[str, Given], variables: Mapping[str, str], probe: Probe, *, both: bool
) -> Plan:
    """Makes the plan of what is built and run.

    Raises ArgumentError for values without a placeholder, a variable without values, and values that do not fit.
    """
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


def with_hint(error: BuildError, statements: Statements, given: Container[str], rows: int) -> BuildError:
    """Adds to a refusal what may be meant or missing: a placeholder's values, a file, fewer rows."""
    if "too large" in str(error) and rows > 1:
        hint = f"there is a function for each of {rows:,} rows; give fewer values, or pass them: --variable NAME"
        return BuildError(f"{error}\n{hint}", command=error.command)
    if "undefined reference to" in str(error) and FILE in str(error):
        hint = "give the files that define what the statements use; alone they have the C library only"
        return BuildError(f"{error}\n{hint}", command=error.command)
    names = [token.text[1:-1] for token in statements.tokens if token.kind == "placeholder"]
    unknown = next((name for name in names if name not in given), None)
    if unknown is None or FILE not in str(error):
        return error
    hint = f"if {{{unknown}}} is meant as a placeholder, give its values: {unknown}=0..7"
    return BuildError(f"{error}\n{hint}", command=error.command)


def check_ways_out(statements: Statements, probe: Probe, unit: StatementsUnit) -> None:
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


def check_kept(keep: Sequence[str]) -> None:
    """Raises ArgumentError for what is no expression by its form, or is given twice."""
    for each in keep:
        if not each.strip() or any(token.text in ";{}" for token in Statements(each).tokens):
            raise ArgumentError(f"--keep {each!r}: give a variable or an expression of the statements, as in --keep x")
        if keep.count(each) > 1:
            raise ArgumentError(f"--keep {each} is given twice")


def check_delays(statements: Statements, *, has_clock: bool) -> bool:
    """Tells whether statements that stand alone have a delay in real time; ArgumentError where there is no clock."""
    named = next((token for token in statements.tokens if token.text in ("_delay_us", "_delay_ms")), None)
    if named is not None and not has_clock:
        raise ArgumentError(f"{statements.place(named.start)}: {named.text} needs the CPU clock: --clock 16MHz")
    return named is not None
