"""`cyclerule FILE…`: the functions of a program, how long each takes, and what to type next."""

from typing import TYPE_CHECKING

import click

from cyclerule.cli.options import build_options, show_options
from cyclerule.cli.output import Output

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings


@click.command("functions")
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
