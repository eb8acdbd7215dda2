"""The command `cyclerule`: finds the command that is meant, and turns errors into messages and exit statuses."""

import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click

from cyclerule.errors import CycleruleError

INTERRUPTED = 130

COMMANDS = {
    "time": "How many clock cycles a function takes, for one input or many.",
    "parts": "The microcontrollers that the toolchain can build for.",
    "completion": "The script for completion in bash, zsh or fish.",
}
"""Every command and what it does; each has its file, which loads when it is used."""

LISTING = "functions"
"""What is meant where no command is named."""

HELP = """Say how many clock cycles functions of AVR firmware take: exactly, for every input.

\b
  cyclerule FILE…                                 the functions of a program
  cyclerule time FILE… FUNCTION [NAME=DOMAIN …]   the cycles of one

FILE… are C, C++ or assembly sources, built with avr-gcc, or one ELF or HEX file. They need not have a main. Without
files, those that cyclerule.toml names are taken.
"""

EPILOG = """
\b
Examples:
  cyclerule hive.c --part atmega328p --clock 16MHz
  cyclerule time hive.c crc8_step --part atmega328p --clock 16MHz
  cyclerule time hive.c crc8_step crc=0 byte=0..255 --part atmega328p

`cyclerule time --help` has all options. Settings can also stand in cyclerule.toml (part, clock, optimize, flags,
defines, sources) or in the environment (CYCLERULE_PART, CYCLERULE_CLOCK, CYCLERULE_OPTIMIZE, CYCLERULE_TOOLCHAIN).

Exit status: 0 done, 2 the command was wrong, 3 the build failed, 4 not decided, 130 interrupted.
"""


class Commands(click.Group):
    """The commands; a word that is none of them begins the files of a listing."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Gives the names in the order of the help."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Gives a command, loading its file."""
        if cmd_name not in COMMANDS and cmd_name != LISTING:
            return None
        command: click.Command = import_module(f"cyclerule.cli.{cmd_name}").command
        return command

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Puts the listing in front of words that do not begin with a command."""
        own = {option for parameter in self.params for option in parameter.opts} | set(ctx.help_option_names)
        if args and args[0] not in COMMANDS and args[0] not in own:
            args = [LISTING, *args]
        return super().parse_args(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Lists the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        """Completes commands, and files for a listing."""
        from click.shell_completion import CompletionItem

        return [
            *(CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)),
            CompletionItem(incomplete, type="file"),
        ]


@click.command(cls=Commands, help=HELP, epilog=EPILOG, invoke_without_command=True, subcommand_metavar="")
@click.option("--version", "shows_version", is_flag=True, help="Print the version; with -v those of the tools too.")
@click.option("-v", "--verbose", "is_verbose", is_flag=True, hidden=True)
@click.help_option("-h", "--help")
@click.pass_context
def commands(context: click.Context, *, shows_version: bool, is_verbose: bool) -> None:
    """The command line; its help is HELP."""
    if shows_version:
        from cyclerule.cli.version import version_text

        click.echo(version_text(is_verbose=is_verbose))
    elif context.invoked_subcommand is None:
        click.echo(context.get_help())


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line and gives its exit status; errors are one message on standard error."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        status = commands.main(args=words, prog_name="cyclerule", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except CycleruleError as error:
        return refuse(error, as_json="--json" in words)
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted", err=True)
        return INTERRUPTED
    except BrokenPipeError:
        return close_quietly()


def refuse(error: CycleruleError, *, as_json: bool) -> int:
    """Prints an error, with --json as a document too, and gives its exit status."""
    if as_json:
        from cyclerule.report.document import error_document, write_document

        click.echo(write_document(error_document(error)))
    click.echo(f"cyclerule: {error}", err=True)
    return error.exit_status


def close_quietly() -> int:
    """Ends when whoever read the output has gone: `cyclerule … | head`."""
    import os

    # Python would write what is left when it ends, and complain: let it go nowhere.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
