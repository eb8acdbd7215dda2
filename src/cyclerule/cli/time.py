"""`cyclerule time`: the cycles of a function, for one input or many."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cyclerule.cli.options import build_options, show_options, signals_option
from cyclerule.cli.output import Output

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from cyclerule.project.settings import Settings

EXAMPLES = """
\b
Examples:
  cyclerule time hive.c crc8_step --part atmega328p --clock 16MHz
      every input, since both parameters are small
  cyclerule time hive.c crc8_step crc=0 byte=0x31
      one input
  cyclerule time hive.c to_celsius raw=0..16383:100 --csv celsius.csv
      a range with a step, the rows into a file
  cyclerule time hive.c checksum frame=hex:021cb8 length=3
      a buffer of three bytes
  cyclerule time hive.elf update --set mode=3 --before start
      a finished program, a variable set, a function called before

  cyclerule time --code 'PORTB |= 1' --part atmega328p
      statements, alone for a part
  cyclerule time hive.c --code 'gate_write({pin}, 1)' pin=0..7 --variable pin --both
      statements in a file's context, with constants and with a value that the compiler does not know
  cyclerule time hive.c:41-48 --for 20ms
      every pass through those lines, in the program's own run from reset

A DOMAIN is a value (49, 0x31, 0b1, 2.5, an enumerator, a macro), a range with both ends (0..255, 0..1000:10), a list
(1,5,9) or every. For a pointer it is text:hello, hex:021cb8, [1, 2], a structure as JSON ('{"id": 3}'), out:16 (a
buffer to be written to), &NAME (a variable or register) or a function's name. A parameter without a name is given by
its number: 1=2.5.

Parameters of 16 bits or less that are left out take every value, all together at most 65,536 inputs.
"""


class Rows(click.ParamType[int]):
    """How many rows to show: a number, or `all`."""

    name = "rows"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Reads the option's text."""
        if isinstance(value, int):
            return value
        text = str(value)
        if text == "all":
            return 1 << 62
        if not text.isascii() or not text.isdigit():
            self.fail(f"{text!r} is no number of rows; give one, or 'all'", param, ctx)
        return int(text)


def _words(context: click.Context, parameter: click.Parameter, begun: str) -> "list[CompletionItem]":
    from cyclerule.cli.completion import complete_word

    return complete_word(context, parameter, begun)


def _engines(context: click.Context, parameter: click.Parameter, begun: str) -> list[str]:
    from cyclerule.cli.completion import complete_engine

    return complete_engine(context, parameter, begun)


@click.command("time", epilog=EXAMPLES)
@click.argument(
    "words", nargs=-1, metavar="FILE… FUNCTION [NAME=DOMAIN …] | FILE…:LINES | --code … [FILE…]", shell_complete=_words
)
@build_options
@click.option(
    "--set",
    "variables",
    metavar="NAME=DOMAIN",
    multiple=True,
    help="Set a variable, register or pin before each call; several values are inputs; repeatable.",
)
@click.option(
    "--before", metavar="CODE", multiple=True, help="Run something first: 'start(); set_mode(3)', or any statements."
)
@click.option("--after", metavar="FUNCTION", help="Start where it has returned in the program's own run; or start-up.")
@click.option("--interrupts", is_flag=True, help="Interrupts are on; of a whole program, at each of their phases.")
@click.option("--at", metavar="END", help="With interrupts: where in its run the call begins, as function:loop.")
@click.option("--phases", metavar="N", type=int, help="With interrupts: measure so many phases, evenly spread.")
@click.option("--span", metavar="CYCLES", type=int, help="With interrupts: the phases are those of so many cycles.")
@signals_option
@click.option("--apart", is_flag=True, help="Measure a kept copy: the function by itself in a second build.")
@click.option(
    "--engine",
    metavar="NAME",
    default="auto",
    shell_complete=_engines,
    help="Which engine runs; all give the same cycles.",
)
@click.option(
    "--for", "length", metavar="TIME", help="How long the program runs for lines, and for figures in place: 20ms."
)
@click.option("--until", metavar="END", help="End that run before: exit, break, serial:TEXT, function:NAME …")
@click.option("--passes", "max_passes", metavar="N", type=int, help="End it after so many passes.")
@click.option("--max-cycles", metavar="N", type=int, help="Give a call up after so many cycles.")
@click.option("--rows", metavar="N", type=Rows(), help="List the first N inputs one by one, or 'all'.")
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write all rows to a CSV file; - prints them.",
)
@click.option("--code", metavar="STATEMENTS", help="Time statements, in the context of a file or alone for a part.")
@click.option("--variable", metavar="[TYPE] NAME", multiple=True, help="Pass a placeholder of --code as a value.")
@click.option("--both", is_flag=True, help="Time --code with constants and with --variable, side by side.")
@click.option("--keep", metavar="EXPRESSION", multiple=True, help="Keep a result of --code alive; repeatable.")
@click.option(
    "--on-save", "on_save", is_flag=True, help="Time again whenever a source or header is saved; Ctrl-C ends."
)
@click.option("--comment", "as_comment", is_flag=True, help="Print a C comment to paste beside the code.")
@click.option("--settings", "shows_settings", is_flag=True, help="Show each setting and where it came from, and stop.")
@show_options
def command(
    *,
    settings: "Settings",
    output: Output,
    words: tuple[str, ...],
    code: str | None,
    variable: tuple[str, ...],
    both: bool,
    keep: tuple[str, ...],
    prototypes: tuple[str, ...],
    rows: int | None,
    csv_file: Path | None,
    variables: tuple[str, ...],
    before: tuple[str, ...],
    apart: bool,
    as_json: bool,
    as_comment: bool,
    shows_settings: bool,
    length: str | None,
    until: str | None,
    max_passes: int | None,
    signals: Path | None,
    on_save: bool,
    **how: Any,
) -> None:
    """Say how many clock cycles a function takes, for one input or for many."""
    from cyclerule.cli.code import check_without_code
    from cyclerule.cli.faces import print_settings, print_time
    from cyclerule.cli.last import change_since
    from cyclerule.cli.passes import find_target, print_alone, time_in_place
    from cyclerule.cli.phases import time_phases, wants_phases, without_phases
    from cyclerule.cli.words import one_function, read_assignments, sort_words
    from cyclerule.errors import ArgumentError
    from cyclerule.report.timing import view_timed
    from cyclerule.session.before import prepared
    from cyclerule.session.opening import open_program
    from cyclerule.session.timing import time_target

    if shows_settings:
        print_settings(settings, output, as_json=as_json)
        return
    if on_save:
        from cyclerule.cli.on_save import time_at_each_save

        time_at_each_save(click.get_current_context(), words, settings, output)
        return
    given = sort_words(words)
    how = without_phases(how) if code is not None or given.lines else how
    if code is not None:
        from cyclerule.cli.code import check_with_code, time_code

        check_with_code(
            {
                "--apart": apart,
                "--declare": prototypes,
                "--for": length,
                "--until": until,
                "--passes": max_passes,
                "--signals": signals,
                "FILE:LINES": given.lines,
            }
        )
        how |= {"variable": variable, "both": both, "keep": keep, "variables": read_assignments("--set", variables)}
        how |= {"before": before, "rows": rows, "csv_file": csv_file, "as_json": as_json, "as_comment": as_comment}
        time_code(code, given, settings, output, **how)
        return
    check_without_code(variable, keep, both=both)
    if given.lines:
        from cyclerule.cli.passes import time_lines

        how |= {"variables": variables, "before": before, "apart": apart}
        how |= {"length": length, "until": until, "max_passes": max_passes, "signals": signals}
        how |= {"rows": rows, "csv_file": csv_file, "as_json": as_json, "as_comment": as_comment}
        time_lines(given, settings, prototypes, output, **how)
        return
    one_function("time", given)
    program = open_program(given.files, settings, prototypes)
    ends = {"length": length, "until": until, "max_passes": max_passes, "engine": how["engine"]}
    ends["signals"] = signals
    shown: dict[str, Any] = {"rows": rows, "csv_file": csv_file, "as_json": as_json, "as_comment": as_comment}
    first = find_target(program, given, output, ends, apart=apart, **shown)
    if first is None:
        return
    if wants_phases(program, how, has_state=bool(variables or before or how["after"])):
        time_phases(first, given.assignments, output, signals=signals, **how, **shown)
        return
    how = without_phases(how)
    in_place = None if apart else time_in_place(program, first, output, ends)
    target, calls = prepared(program, first, before)
    try:
        with output.progress() as told:
            timed = time_target(
                target,
                given.assignments,
                variables=read_assignments("--set", variables),
                before=calls,
                signals=signals,
                keeps_rows=csv_file is not None or bool(rows),
                progress=lambda done, of: told(target.name, done, of),
                **how,
            )
    except ArgumentError as error:
        if in_place is None or given.assignments:
            raise
        # Without values there are its passes in place all the same.
        print_alone(in_place, f"kept apart: {error}", output, **shown)
        return
    state = {"before": before, "after": how["after"], "interrupts": how["interrupts"], "signals": signals}
    change = change_since(program, timed, state | {"apart": apart})
    print_time(replace(view_timed(timed, in_place), change=change), output, **shown)
