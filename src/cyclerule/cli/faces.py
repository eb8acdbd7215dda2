"""Printing views: each in the face that was asked for."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cyclerule.cli.output import Output

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings
    from cyclerule.report.functions import FunctionsView
    from cyclerule.report.parts import PartsView
    from cyclerule.report.timing import TimeView


def print_time(
    view: "TimeView", output: Output, *, rows: int | None, csv_file: Path | None, as_json: bool, as_comment: bool
) -> None:
    """Prints a timed function; its rows go into the CSV file first."""
    if csv_file is not None:
        from cyclerule.report.rows_csv import write_csv

        write_csv(view, csv_file)
    if as_json:
        from cyclerule.report.document import time_document

        print_document(time_document(view))
    elif as_comment:
        from cyclerule.report.comment import comment

        click.echo(comment(view))
    else:
        from cyclerule.report.terminal import LISTED_ROWS, show_time

        show_time(output.screen(), view, rows=LISTED_ROWS if rows is None else rows, is_brief=output.is_quiet)
    if not as_json:
        print_build_warnings(view.build_warnings, output)
    if csv_file is not None:
        output.remark(f"{view.count:,} {'row' if view.count == 1 else 'rows'} written to {csv_file}")


def print_functions(view: "FunctionsView", output: Output, *, as_json: bool) -> None:
    """Prints the functions of a program."""
    if as_json:
        from cyclerule.report.document import functions_document

        print_document(functions_document(view))
        return
    from cyclerule.report.terminal import show_functions

    show_functions(output.screen(), view, is_brief=output.is_quiet)
    print_build_warnings(view.build_warnings, output)


def print_parts(view: "PartsView", output: Output, *, as_json: bool) -> None:
    """Prints the parts of a toolchain."""
    if as_json:
        from cyclerule.report.document import parts_document

        print_document(parts_document(view))
        return
    from cyclerule.report.terminal import show_parts

    show_parts(output.screen(), view, is_brief=output.is_quiet)


def print_settings(settings: "Settings", output: Output, *, as_json: bool) -> None:
    """Prints the settings and where each came from."""
    from cyclerule.report.settings import view_settings

    view = view_settings(settings.listed())
    if as_json:
        from cyclerule.report.document import settings_document

        print_document(settings_document(view))
        return
    from cyclerule.report.terminal import show_settings

    show_settings(output.screen(), view)


def print_document(document: dict[str, Any]) -> None:
    """Prints a JSON document."""
    from cyclerule.report.document import write_document

    click.echo(write_document(document))


def print_build_warnings(warnings: list[str], output: Output) -> None:
    """Prints what the compiler and the build had to say, as they said it."""
    say: Callable[[str], None] = (lambda _text: None) if output.is_quiet else (lambda text: click.echo(text, err=True))
    for warning in warnings:
        say(warning)
