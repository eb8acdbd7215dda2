"""`cyclerule time`: the cycles of a function, for one input or many."""

from typing import Any

import click

from cyclerule.cli.options import build_options


@click.command("time")
@click.argument("words", nargs=-1, metavar="FILE… FUNCTION [NAME=DOMAIN …]")
@build_options
@click.option("--json", "as_json", is_flag=True)
def command(words: tuple[str, ...], as_json: bool, **options: Any) -> None:
    """Say how many cycles a function takes."""
    from cyclerule.cli.timing import time_function

    time_function(words, as_json=as_json, **options)
