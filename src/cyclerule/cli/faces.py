"""Printing views: each in the face that was asked for."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cyclerule.cli.output import Output

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings
    from cyclerule.report.document import Document
    from cyclerule.report.functions import FunctionsView
    from cyclerule.report.parts import PartsView
    from cyclerule.report.statements import StatementsView
    from cyclerule.report.timing import TimeView


def print_time(
    view: "TimeView", output: Output, *, rows: int | None, csv_file: Path | None, as_json: bool, as_comment: bool
) -> None:
    """Prints a timed function; its rows go into the CSV file first, which "-" puts in place of what is printed."""
    if csv_file is not None:
        from cyclerule.report.rows_csv import csv_lines, write_csv

        if str(csv_file) == "-":
            for line in csv_lines(view):
                click.echo(line.encode("utf-8"), nl=False)
            print_warnings([*view.build_warnings, *view.warnings])
            return
        write_csv(view, csv_file)
    if as_json:
        from cyclerule.report.document import time_document

        print_document(time_document(view, rows))
    elif as_comment:
        from cyclerule.report.comment import comment

        click.echo(comment(view))
    else:
        from cyclerule.report.terminal import LISTED_ROWS, show_time

        show_time(output.screen(), view, rows=LISTED_ROWS if rows is None else rows, is_brief=output.is_quiet)
    if not as_json:
        print_warnings([*view.build_warnings, *(view.warnings if output.is_quiet else ())])
    if csv_file is not None:
        output.remark(f"{view.count:,} {'row' if view.count == 1 else 'rows'} written to {csv_file}")


def print_statements(
    view: "StatementsView",
    output: Output,
    *,
    rows: int | None,
    csv_file: Path | None,
    as_json: bool,
    as_comment: bool,
) -> None:
    """Prints timed statements; their rows go into the CSV file first, which "-" puts in place of what is printed."""
    from cyclerule.report.statements_faces import show_statements, statements_comment, statements_csv
    from cyclerule.report.terminal import LISTED_ROWS

    if csv_file is not None:
        from cyclerule.report.rows_csv import write_lines

        if str(csv_file) == "-":
            for line in statements_csv(view):
                click.echo(line.encode("utf-8"), nl=False)
            print_warnings([*view.build_warnings, *view.warnings])
            return
        write_lines(statements_csv(view), csv_file)
    if as_json:
        from cyclerule.report.document import code_document

        print_document(code_document(view, rows))
    elif as_comment:
        click.echo(statements_comment(view))
    else:
        show_statements(output.screen(), view, rows=LISTED_ROWS if rows is None else rows, is_brief=output.is_quiet)
    if not as_json:
        print_warnings([*view.build_warnings, *(view.warnings if output.is_quiet else ())])
    if csv_file is not None:
        output.remark(f"{len(view.rows):,} {'row' if len(view.rows) == 1 else 'rows'} written to {csv_file}")


def print_functions(view: "FunctionsView", output: Output, *, as_json: bool) -> None:
    """Prints the functions of a program."""
    if as_json:
        from cyclerule.report.document import functions_document

        print_document(functions_document(view))
        return
    from cyclerule.report.terminal import show_functions

    show_functions(output.screen(), view, is_brief=output.is_quiet)
    print_warnings(view.build_warnings)


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


def print_document(document: "Document") -> None:
    """Prints a JSON document."""
    from cyclerule.report.document import write_document

    # JSON is UTF-8 (RFC 8259 section 8.1), whatever the terminal takes.
    click.echo(write_document(document).encode("utf-8"))


def print_warnings(warnings: list[str]) -> None:
    """Prints what a figure's reader has to know, as the compiler and the model say it, quiet or not."""
    for warning in warnings:
        click.echo(warning if ": warning:" in warning else f"cyclerule: warning: {warning}", err=True)
