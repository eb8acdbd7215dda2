"""`cyclerule run`: the whole program from reset."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cyclerule.cli.options import build_options, show_options, signals_option
from cyclerule.cli.output import Output

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings
    from cyclerule.report.running import RunView
    from cyclerule.session.running import Ran

EXAMPLES = """
\b
Examples:
  cyclerule run *.c --part atmega328p --clock 16MHz
      one second of the program's time
  cyclerule run hive.elf --for 20ms
  cyclerule run hive.elf --until serial:OK --for 10s
      up to a text on the serial port, ten seconds at the most
  cyclerule run hive.elf --calls crc8_frame --csv calls.csv
      every call of a function, one by one, into a file

An end for --until is exit, break (the instruction), cycles:N, serial:TEXT, function:NAME or line:FILE:N. A length for
--for is a time, 20ms, 1.5s, 500us, or a count of cycles, 16000000.

Ctrl-C ends the run, and what there is by then is reported.
"""

NOT_REACHED = 1
FAULT = 4
INTERRUPTED = 130


def _engines(context: click.Context, parameter: click.Parameter, begun: str) -> list[str]:
    from cyclerule.cli.completion import complete_engine

    return complete_engine(context, parameter, begun)


@click.command("run", epilog=EXAMPLES)
@click.argument("words", nargs=-1, metavar="FILE…")
@build_options
@click.option("--for", "length", metavar="TIME", help="How long: 20ms, 1.5s, or cycles; one second unless given.")
@click.option("--until", metavar="END", help="End before that: exit, break, serial:TEXT, function:NAME, line:FILE:N …")
@click.option("--calls", metavar="FUNCTION", multiple=True, help="Time each call of a function; repeatable.")
@click.option("--watch", metavar="REGISTER", multiple=True, help="List the writes to a register; repeatable.")
@signals_option
@click.option(
    "--engine",
    metavar="NAME",
    default="auto",
    shell_complete=_engines,
    help="Which engine runs; all give the same cycles.",
)
@click.option(
    "--serial",
    "serial_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write what the serial port sent to a file; - prints that alone.",
)
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the calls and writes that were followed to a CSV file; - prints them.",
)
@click.option(
    "--vcd",
    "vcd_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write what the pins did to a value change dump, for a waveform viewer.",
)
@show_options
def command(
    *,
    settings: "Settings",
    output: Output,
    words: tuple[str, ...],
    prototypes: tuple[str, ...],
    length: str | None,
    until: str | None,
    calls: tuple[str, ...],
    watch: tuple[str, ...],
    engine: str,
    signals: Path | None,
    vcd_file: Path | None,
    serial_file: Path | None,
    csv_file: Path | None,
    as_json: bool,
) -> int:
    """Run the whole program from reset: its start, its passes, its handlers, what it sends."""
    from cyclerule.cli.words import program_files, sort_words
    from cyclerule.report.running import view_run
    from cyclerule.session.opening import open_program
    from cyclerule.session.running import run_whole

    program = open_program(program_files("run", sort_words(words)), settings, prototypes)
    live = None if as_json or output.is_quiet or serial_file or str(csv_file) == "-" else output.live_text()
    with output.progress() as told:
        ran = run_whole(
            program,
            until=until,
            length=length,
            calls=calls,
            watch=watch,
            engine=engine,
            signals=signals,
            pins=vcd_file is not None,
            progress=None if live is not None else lambda done, of: told("cycles", done, of),
            sent=None if live is None else live.add,
        )
    if live is not None:
        live.finish()
    view = view_run(ran)
    _write_files(ran, view, serial_file, csv_file, output)
    if vcd_file is not None:
        ran.run.pins.to_vcd(vcd_file)
        output.remark(f"{len(ran.run.pins.edges):,} changes of pins written to {vcd_file}")
    if "-" not in (str(serial_file), str(csv_file)):
        _print(ran, view, output, as_json=as_json, was_live=live is not None or serial_file is not None)
    if ran.run.stopped == "interrupted":
        return INTERRUPTED
    if ran.run.stopped == "fault":
        return FAULT
    return 0 if ran.is_met else NOT_REACHED


def _write_files(ran: "Ran", view: "RunView", serial_file: Path | None, csv_file: Path | None, output: Output) -> None:
    from cyclerule.cache import write_atomically
    from cyclerule.errors import ArgumentError
    from cyclerule.report.rows_csv import write_lines
    from cyclerule.report.run_csv import run_csv_lines

    if csv_file is not None and str(csv_file) != "-":
        write_lines(run_csv_lines(view), csv_file)
        output.remark(f"calls and writes written to {csv_file}")
    elif csv_file is not None:
        for line in run_csv_lines(view):
            click.echo(line.encode("utf-8"), nl=False)
    if serial_file is not None and str(serial_file) != "-":
        try:
            write_atomically(serial_file, ran.run.serial)
        except OSError as error:
            raise ArgumentError(f"{serial_file} cannot be written: {error.strerror or error}") from None
        output.remark(f"{len(ran.run.serial):,} bytes written to {serial_file}")
    elif serial_file is not None:
        click.echo(ran.run.serial, nl=False)


def _print(ran: "Ran", view: "RunView", output: Output, *, as_json: bool, was_live: bool) -> None:
    from cyclerule.cli.faces import print_document, print_warnings

    if as_json:
        from cyclerule.report.run_document import run_document

        print_document(run_document(view))
        return
    from cyclerule.report.run_terminal import show_run, speed_text

    show_run(output.screen(), view, is_brief=output.is_quiet, shows_serial=not was_live)
    print_warnings([*view.build_warnings, *(view.warnings if output.is_quiet else ())])
    # No two machines are alike, so this is for whoever sits in front of one.
    if sys.stderr.isatty():
        output.remark(speed_text(view, ran.wall_seconds))
