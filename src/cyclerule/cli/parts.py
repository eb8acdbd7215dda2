"""`cyclerule parts`: the microcontrollers that the toolchain can build for."""

from pathlib import Path

import click

from cyclerule.cli.options import show_options
from cyclerule.cli.output import Output


@click.command("parts")
@click.argument("asked", required=False, default="", metavar="[WORD]")
@click.option("--toolchain", metavar="FOLDER", type=click.Path(path_type=Path), help="The avr-gcc to use.")
@show_options
def command(output: Output, asked: str, toolchain: Path | None, *, as_json: bool) -> None:
    """List the parts that can be built for; with WORD, those that have it in their name."""
    from cyclerule.cli.faces import print_parts
    from cyclerule.parts.catalogue import list_parts
    from cyclerule.report.parts import view_parts
    from cyclerule.toolchain import find

    found = find(toolchain)
    print_parts(view_parts(found, list_parts(found), asked), output, as_json=as_json)
