"""`cyclerule FILE…`: the functions of a program, how long each takes, and what to type next."""

from typing import TYPE_CHECKING

import click

from cyclerule.cli.options import build_options, show_options
from cyclerule.cli.output import Output

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings


EXAMPLES = """
\b
Examples:
  cyclerule hive.c --part atmega328p --clock 16MHz
  cyclerule hive.c crc.c --part atmega328p --optimize 2
  cyclerule hive.elf

Functions that take 16 bits or less in all are called with every input, as long as that takes seconds; how many of
the inputs were tried is said for each. What stands at the end can be typed as it stands.
"""


class Listing(click.Command):
    """The command without a name of its own."""

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the usage as it is typed."""
        formatter.write_usage("cyclerule", " ".join(self.collect_usage_pieces(ctx)))


@click.command("functions", cls=Listing, epilog=EXAMPLES)
@click.argument("words", nargs=-1, metavar="FILE…", type=click.Path())
@build_options
@click.option("--settings", "shows_settings", is_flag=True, help="Show each setting and where it came from, and stop.")
@show_options
def command(
    settings: "Settings",
    output: Output,
    words: tuple[str, ...],
    prototypes: tuple[str, ...],
    *,
    as_json: bool,
    shows_settings: bool,
) -> None:
    """List the functions of a program with the least and most cycles of each over all its inputs."""
    from cyclerule.cli.faces import print_functions, print_settings
    from cyclerule.cli.words import only_files, sort_words
    from cyclerule.report.functions import view_functions
    from cyclerule.session.opening import open_program
    from cyclerule.session.survey import survey

    if shows_settings:
        print_settings(settings, output, as_json=as_json)
        return
    files = only_files(sort_words(words))
    program = open_program(files, settings, prototypes)
    with output.progress() as told:
        surveyed = survey(program, progress=told)
    print_functions(view_functions(program, surveyed), output, as_json=as_json)
