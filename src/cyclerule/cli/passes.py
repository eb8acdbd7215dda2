"""`cyclerule time FILE:41-48`: lines of the unedited program, in its own run."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cyclerule.cli.output import Output
from cyclerule.cli.words import Words, lines_to_time, nearest_file, one_function

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings
    from cyclerule.report.lines import LinesView
    from cyclerule.session.opening import Program, Target

INTERRUPTED = 130
NOT_DECIDED = 4
"""Exit status where control never came to the lines, so that there is no figure."""


def time_lines(
    given: Words,
    settings: "Settings",
    prototypes: tuple[str, ...],
    output: Output,
    *,
    engine: str,
    length: str | None,
    until: str | None,
    max_passes: int | None,
    max_cycles: int | None,
    signals: Path | None,
    rows: int | None,
    csv_file: Path | None,
    as_json: bool,
    as_comment: bool,
    **others: object,
) -> None:
    """Times the lines that the words name and prints the result; other options, if set, are refused."""
    from cyclerule.cli.last import change_of_lines
    from cyclerule.errors import ArgumentError
    from cyclerule.report.lines import view_lines
    from cyclerule.session.opening import files_for_lines, is_linked, open_program
    from cyclerule.units import parse_duration

    file, lines = lines_to_time(given)
    for name, value in others.items():
        if value:
            option = {"variables": "set"}.get(name, name.replace("_", "-"))
            raise ArgumentError(f"--{option} is for a function; lines are timed in the program's own run from reset")
    if max_cycles is not None:
        raise ArgumentError("--max-cycles is for a function; say with --for how long the program is to run")
    if not Path(file).is_file() and not is_linked(given.files):
        raise ArgumentError(f"there is no file {file}{nearest_file(file)}")
    program = open_program(files_for_lines(given.files, file, settings), settings, prototypes)
    firmware = program.firmware
    with output.progress() as told:
        run = firmware.time_lines(
            f"{file}:{lines}",
            until=until,
            max_cycles=None if length is None else parse_duration(length, firmware.clock),
            max_passes=max_passes,
            engine=engine,
            signals=signals,
            progress=lambda done, of: told("cycles", done, of),
        )
    view = view_lines(run, firmware.warnings)
    how = {"for": length, "until": until, "passes": max_passes, "signals": signals}
    view = replace(view, change=change_of_lines(view, program.files, how))
    _print(view, output, rows=rows, csv_file=csv_file, as_json=as_json, as_comment=as_comment)
    if run.stopped == "interrupted":
        raise click.exceptions.Exit(INTERRUPTED)
    if not view.count:
        raise click.exceptions.Exit(NOT_DECIDED)


def time_in_place(program: "Program", target: "Target", output: Output, ends: dict[str, Any]) -> "LinesView | None":
    """Times a function where it stands in the program's own run; None where it stands by itself or nowhere."""
    from cyclerule.report.lines import view_lines
    from cyclerule.session.in_place import run_in_place

    name = target.function.source_name
    with output.progress() as told:
        run = run_in_place(
            program, name, target.standing, **ends, progress=lambda done, of: told(f"{name} in place", done, of)
        )
    return None if run is None else view_lines(run)


def find_target(
    program: "Program", given: Words, output: Output, ends: dict[str, Any], *, apart: bool, **shown: Any
) -> "Target | None":
    """Finds the function that the words name; None where no copy of it can be kept: its passes in place are printed.

    Raises what `Program.target` raises where it is nowhere in the program either.
    """
    from cyclerule.errors import ArgumentError, BuildError, UnknownName

    name, place = one_function("time", given)
    try:
        return program.target(name, place, apart=apart, this=given.assignments.get("this"))
    except (ArgumentError, BuildError, UnknownName) as error:
        if apart or not _time_alone_in_place(program, name, place, given, output, ends, shown, str(error)):
            raise
        return None


def _time_alone_in_place(  # noqa: PLR0917 - what its only caller has
    program: "Program",
    name: str,
    place: Path | None,
    given: Words,
    output: Output,
    ends: dict[str, Any],
    shown: dict[str, Any],
    why: str,
) -> bool:
    from cyclerule.errors import ArgumentError, UnknownName
    from cyclerule.report.lines import view_lines
    from cyclerule.session.in_place import run_in_place

    try:
        standing = program.standing(name, place)
    except UnknownName:
        return False
    if standing.kind in ("inlined", "cloned") and given.assignments:
        raise ArgumentError(f"{why}; without values of {next(iter(given.assignments))} its passes in place are timed")
    with output.progress() as told:
        run = run_in_place(
            program, name, standing, **ends, progress=lambda done, of: told(f"{name} in place", done, of)
        )
    if run is None:
        return False
    view = view_lines(run, program.firmware.warnings)
    print_alone(view, f"{standing.text}; no copy of it can be kept", output, **shown)
    return True


def print_alone(view: "LinesView", note: str, output: Output, **shown: Any) -> None:
    """Prints a function's passes in place, with a note on why there is no more."""
    _print(replace(view, notes=[note, *view.notes]), output, **shown)


def _print(
    view: "LinesView", output: Output, *, rows: int | None, csv_file: Path | None, as_json: bool, as_comment: bool
) -> None:
    from cyclerule.cli.faces import print_document, print_warnings
    from cyclerule.report.lines_faces import LISTED_PASSES, lines_comment, lines_csv, show_lines

    if csv_file is not None:
        from cyclerule.report.rows_csv import write_lines

        if str(csv_file) == "-":
            for line in lines_csv(view):
                click.echo(line.encode("utf-8"), nl=False)
            print_warnings([*view.build_warnings, *view.warnings])
            return
        write_lines(lines_csv(view), csv_file)
    if as_json:
        from cyclerule.report.lines_document import time_lines_document

        print_document(time_lines_document(view, rows))
    elif as_comment:
        click.echo(lines_comment(view))
    else:
        show_lines(output.screen(), view, rows=LISTED_PASSES if rows is None else rows, is_brief=output.is_quiet)
    if not as_json:
        print_warnings([*view.build_warnings, *(view.warnings if output.is_quiet else ())])
    if csv_file is not None:
        output.remark(f"{len(view.passes):,} {'row' if len(view.passes) == 1 else 'rows'} written to {csv_file}")
