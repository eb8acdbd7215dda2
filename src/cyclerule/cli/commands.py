"""The commands: finds the one that is meant, and turns errors into messages and exit statuses."""

import errno
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cyclerule.cli.overview import COMMANDS, OVERVIEW
from cyclerule.errors import CycleruleError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMMAND_WRONG = 2
INTERRUPTED = 130
OWN_FAULT = 70
"""Exit status where cyclerule itself is at fault: EX_SOFTWARE of BSD's sysexits.h."""

TRACEBACK = "CYCLERULE_TRACEBACK"
PROJECT = "cyclerule.toml"

LISTING = "functions"
"""What is meant where no command is named."""


class OutputUnread(Exception):
    """Whoever read the output has gone."""


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

    def invoke(self, ctx: click.Context) -> object:
        """Runs the command that was named."""
        try:
            return super().invoke(ctx)
        except OSError as error:
            # The framework would end with 1, which is the status of a check that did not hold.
            if is_closed_pipe(error):
                raise OutputUnread from error
            raise

    def get_help(self, ctx: click.Context) -> str:
        """Gives the help of all."""
        return OVERVIEW.rstrip()

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        """Completes commands and options, and files for a listing."""
        from click.shell_completion import CompletionItem

        if incomplete.startswith("-"):
            return click.Command.shell_complete(self, ctx, incomplete)
        # Files first: bash's script forgets the words before them.
        return [
            CompletionItem(incomplete, type="file"),
            *(CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)),
        ]


@click.command(cls=Commands, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", "shows_version", is_flag=True)
@click.option("-v", "--verbose", "is_verbose", is_flag=True, hidden=True)
@click.pass_context
def commands(context: click.Context, *, shows_version: bool, is_verbose: bool) -> None:
    """The command line; its help is OVERVIEW."""
    if shows_version:
        from cyclerule.cli.version import version_text

        click.echo(version_text(is_verbose=is_verbose))
    elif context.invoked_subcommand is None:
        click.echo(context.get_help())


def run(words: list[str]) -> int:
    """Runs a command and gives its exit status; an error is one message on standard error."""
    as_json = "--json" in words
    try:
        status = commands.main(args=words, prog_name="cyclerule", standalone_mode=False)
        sys.stdout.flush()
    except OutputUnread:
        return close_quietly()
    except click.ClickException as error:
        return refuse("ArgumentError", usage_text(error), COMMAND_WRONG, as_json=as_json)
    except CycleruleError as error:
        return refuse(type(error).__name__, str(error), error.exit_status, as_json=as_json)
    except (KeyboardInterrupt, click.Abort):
        return refuse("Interrupted", "interrupted", INTERRUPTED, as_json=as_json)
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
    return isinstance(error, BrokenPipeError) or (
        os.name == "nt" and error.errno == errno.EINVAL and error.filename is None
    )


def close_quietly() -> int:
    """Ends when whoever read the output has gone: `cyclerule … | head`."""
    # Python would write what is left when it ends, and complain: let it go nowhere.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0
