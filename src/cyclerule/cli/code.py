"""`cyclerule time --code`: the cycles of statements."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from cyclerule.cli.output import Output
from cyclerule.errors import ArgumentError

if TYPE_CHECKING:
    from cyclerule.cli.words import Words
    from cyclerule.project.settings import Settings


def time_code(
    code: str,
    given: "Words",
    settings: "Settings",
    output: Output,
    *,
    variable: Sequence[str],
    both: bool,
    keep: Sequence[str],
    variables: Mapping[str, str],
    before: Sequence[str],
    after: str | None,
    interrupts: bool,
    engine: str,
    max_cycles: int | None,
    rows: int | None,
    csv_file: Path | None,
    as_json: bool,
    as_comment: bool,
) -> None:
    """Times statements and prints the result in the face that was asked for."""
    from cyclerule.cli.faces import print_statements
    from cyclerule.cli.last import change_of_statements
    from cyclerule.report.statements import view_statements
    from cyclerule.session.before import only_calls
    from cyclerule.session.inputs import read_setup
    from cyclerule.session.opening import HOW_TO_GIVE_A_PART
    from cyclerule.session.statement_values import read_literals
    from cyclerule.session.statements import build_statements

    if given.functions:
        raise ArgumentError(
            f"{given.functions[0][0]} is neither a file nor a value; --code times its statements, so no function is "
            "named besides"
        )
    if settings.part is None:
        raise ArgumentError(f"no part is given, so nothing can be built. {HOW_TO_GIVE_A_PART}")
    built = build_statements(
        code,
        {name: read_literals(name, text) for name, text in given.assignments.items()},
        part=settings.part,
        files=given.files or settings.sources,
        clock=settings.clock,
        optimize=settings.optimize,
        flags=settings.flags,
        defines=settings.defines,
        toolchain=settings.toolchain,
        variable=variable,
        both=both,
        keep=keep,
    )
    setup = read_setup(built.firmware, variables)
    with output.progress() as told:
        times = built.time(
            only_calls(built.firmware, before),
            (setup.globals, setup.registers, setup.pins),
            after=after,
            interrupts=interrupts,
            engine=engine,
            max_cycles=max_cycles,
            progress=lambda done, of: told("statements", done, of),
        )
    change = change_of_statements(times, {"before": before, "after": after, "interrupts": interrupts})
    view = replace(view_statements(times, frozenset(built.firmware.part.registers)), change=change)
    print_statements(view, output, rows=rows, csv_file=csv_file, as_json=as_json, as_comment=as_comment)


def check_with_code(others: Mapping[str, object]) -> None:
    """Raises ArgumentError where an option is given that says nothing about statements."""
    named = next((name for name, value in others.items() if value), None)
    if named is not None:
        raise ArgumentError(f"{named} is not for --code, which times its statements from their begin to their end")


def check_without_code(variable: Sequence[str], keep: Sequence[str], *, both: bool) -> None:
    """Raises ArgumentError where an option for statements is given without any."""
    named = [*(["--variable"] if variable else []), *(["--both"] if both else []), *(["--keep"] if keep else [])]
    if named:
        raise ArgumentError(f"{named[0]} is for statements, --code 'STATEMENTS'")
