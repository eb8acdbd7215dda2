"""`cyclerule time --interrupts`: a call at every phase of the program's interrupts."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cyclerule.cli.output import Output
from cyclerule.errors import ArgumentError

if TYPE_CHECKING:
    from cyclerule.report.phases import PhasesView
    from cyclerule.session.opening import Program, Target


PHASE_OPTIONS = ("at", "phases", "span")
"""The options that only a call at phases has."""


def wants_phases(program: "Program", how: Mapping[str, Any], *, has_state: bool) -> bool:
    """Tells whether a call is to be measured at phases: where the program's own run leads to where it begins.

    With a state that is made otherwise, or without a program around the function, interrupts are just on.
    """
    is_asked = any(how[name] is not None for name in PHASE_OPTIONS)
    if is_asked and has_state:
        raise ArgumentError(
            "with --at, --phases and --span the program's own run leads to the call: no --set, --before"
        )
    return is_asked or (how["interrupts"] and not has_state and program.has_own_main)


def without_phases(how: Mapping[str, Any]) -> dict[str, Any]:
    """Gives options without those of phases; raises ArgumentError where one of them was given."""
    for name in PHASE_OPTIONS:
        if how[name] is not None:
            raise ArgumentError(f"--{name} is for the call of a function")
    return {name: value for name, value in how.items() if name not in PHASE_OPTIONS}


def time_phases(
    target: "Target",
    assignments: dict[str, str],
    output: Output,
    *,
    at: str | None,
    phases: int | None,
    span: int | None,
    engine: str,
    max_cycles: int | None,
    signals: Path | None,
    rows: int | None,
    csv_file: Path | None,
    as_json: bool,
    as_comment: bool = False,
    **_unused: object,
) -> None:
    """Times one call at phases, and prints it in the face that was asked for."""
    if as_comment:
        raise ArgumentError(
            "a call at the phases of its interrupts has no comment; leave --comment or --interrupts out"
        )
    from cyclerule.report.phases import view_phases
    from cyclerule.session.phasing import time_at_phases

    with output.progress() as told:
        measured = time_at_phases(
            target,
            assignments,
            at=at,
            count=phases,
            span=span,
            engine=engine,
            max_cycles=max_cycles,
            signals=signals,
            progress=lambda done, of: told(f"{target.name}, phases", done, of),
        )
    view = view_phases(measured, notes=target.notes, build_warnings=target.firmware.warnings)
    print_phases(view, output, rows=rows, csv_file=csv_file, as_json=as_json)


def print_phases(view: "PhasesView", output: Output, *, rows: int | None, csv_file: Path | None, as_json: bool) -> None:
    """Prints a call at phases; its rows go into the CSV file first, which "-" puts in place of what is printed."""
    from cyclerule.cli.faces import print_document, print_warnings
    from cyclerule.report.phases import phases_csv_lines, phases_document

    if str(csv_file) == "-":
        for line in phases_csv_lines(view):
            click.echo(line.encode("utf-8"), nl=False)
        print_warnings([*view.build_warnings, *view.warnings])
        return
    if csv_file is not None:
        from cyclerule.report.rows_csv import write_lines

        write_lines(phases_csv_lines(view), csv_file)
    if as_json:
        print_document(phases_document(view, rows))
    else:
        from cyclerule.report.phases_terminal import show_phases

        show_phases(output.screen(), view, is_brief=output.is_quiet)
        print_warnings([*view.build_warnings, *(view.warnings if output.is_quiet else ())])
    if csv_file is not None:
        output.remark(f"{view.count:,} phases written to {csv_file}")
