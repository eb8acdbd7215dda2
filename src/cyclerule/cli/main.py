"""The command `cyclerule`: finds the command that is meant, and turns errors into messages and exit statuses."""

import errno
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from cyclerule.errors import CycleruleError

COMMAND_WRONG = 2
INTERRUPTED = 130
OWN_FAULT = 70
"""Exit status where cyclerule itself is at fault: EX_SOFTWARE of BSD's sysexits.h."""

TRACEBACK = "CYCLERULE_TRACEBACK"

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

PROJECT = "cyclerule.toml"


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
        is_listing = args[0] not in COMMANDS and args[0] not in own if args else Path(PROJECT).is_file()
        if is_listing:
            args = [LISTING, *args]
        return super().parse_args(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Lists the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        """Completes commands and options, and files for a listing."""
        from click.shell_completion import CompletionItem

        if incomplete.startswith("-"):
            return click.Command.shell_complete(self, ctx, incomplete)
        # Files first: bash's script forgets the words before them.
        return [
            CompletionItem(incomplete, type="file"),
            *(CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)),
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
    as_json = "--json" in words
    try:
        status = commands.main(args=words, prog_name="cyclerule", standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as error:
        return refuse("ArgumentError", usage_text(error), COMMAND_WRONG, as_json=as_json)
    except CycleruleError as error:
        return refuse(type(error).__name__, str(error), error.exit_status, as_json=as_json)
    except (KeyboardInterrupt, click.Abort):
        return refuse("Interrupted", "interrupted", INTERRUPTED, as_json=as_json)
    except BrokenPipeError:
        return close_quietly()
    except OSError as error:
        if is_closed_pipe(error):
            return close_quietly()
        place = f"{error.filename}: " if error.filename else ""
        return refuse("ArgumentError", f"{place}{error.strerror or error}", COMMAND_WRONG, as_json=as_json)
    except Exception as error:
        # A user gets a message, whatever has gone wrong here.
        if os.environ.get(TRACEBACK):
            raise
        message = (
            f"this is a fault of cyclerule itself, not of your code: {type(error).__name__}: {error}; "
            f"with {TRACEBACK}=1 in the environment it shows where, for a report"
        )
        return refuse("InternalError", message, OWN_FAULT, as_json=as_json)
    return status if isinstance(status, int) else 0


def usage_text(error: click.ClickException) -> str:
    """Gives what was wrong with a command's options in one sentence, and where to read what it takes."""
    path = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx is not None else "cyclerule"
    # The listing has no name of its own on the command line.
    asked = "cyclerule FILE… --help" if path.endswith(LISTING) else f"{path} --help"
    text = error.format_message().rstrip(".")
    return f"{text}{' ' if text.endswith('?') else '; '}`{asked}` shows what can be given"


def refuse(kind: str, message: str, status: int, *, as_json: bool) -> int:
    """Prints an error, with --json as a document too, and gives its exit status."""
    if as_json:
        from cyclerule.report.document import error_document, write_document

        click.echo(write_document(error_document(kind, message, status)).encode("utf-8"))
    click.echo(f"cyclerule: {message}", err=True)
    return status


def is_closed_pipe(error: OSError) -> bool:
    """Whether an error means that whoever read the output has gone; Windows has no name of its own for that."""
    return os.name == "nt" and error.errno == errno.EINVAL and error.filename is None


def close_quietly() -> int:
    """Ends when whoever read the output has gone: `cyclerule … | head`."""
    # Python would write what is left when it ends, and complain: let it go nowhere.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
