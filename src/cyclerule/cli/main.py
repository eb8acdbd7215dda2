"""The command `cyclerule`."""

import sys

import click

from cyclerule.cli.time import command as time_command
from cyclerule.errors import CycleruleError


@click.group()
def group() -> None:
    """Exact clock cycles of code for 8-bit AVR microcontrollers."""


group.add_command(time_command)


def main() -> int:
    """Runs the command line and gives its exit status."""
    try:
        group.main(standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except CycleruleError as error:
        click.echo(f"cyclerule: {error}", err=True)
        return error.exit_status
    return 0


if __name__ == "__main__":
    sys.exit(main())
