"""`cyclerule completion`: the script that makes a shell complete cyclerule's words, and the words it offers."""

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

EXAMPLES = """
\b
To have it in every new shell:
  bash    cyclerule completion bash > ~/.local/share/bash-completion/completions/cyclerule
  zsh     cyclerule completion zsh > a file _cyclerule in a folder of $fpath
  fish    cyclerule completion fish > ~/.config/fish/completions/cyclerule.fish
"""


@click.command("completion", epilog=EXAMPLES)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def command(context: click.Context, shell: str) -> None:
    """Print the script that makes bash, zsh or fish complete commands, options, files, parts and functions."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    if kind is None:
        raise click.UsageError(f"no completion for {shell}")
    click.echo(kind(context.find_root().command, {}, "cyclerule", "_CYCLERULE_COMPLETE").source())


def complete_part(context: click.Context, _parameter: click.Parameter, begun: str) -> list[str]:
    """Gives the parts that the compiler knows whose name begins so."""
    from cyclerule.errors import CycleruleError
    from cyclerule.toolchain import find

    try:
        return [name for name in find(context.params.get("toolchain")).part_names() if name.startswith(begun)]
    except CycleruleError:
        return []


def complete_engine(_context: click.Context, _parameter: click.Parameter, begun: str) -> list[str]:
    """Gives the engines whose name begins so."""
    from cyclerule.measure.stage import ENGINES

    return [name for name in ENGINES if name.startswith(begun)]


def complete_word(context: click.Context, _parameter: click.Parameter, begun: str) -> "list[CompletionItem]":
    """Gives the functions of the files given so far, or behind a function its parameters; else files."""
    from click.shell_completion import CompletionItem

    from cyclerule.errors import CycleruleError

    try:
        offered = _functions_or_parameters(context.params)
    except CycleruleError:
        # What is typed does not build yet: there is nothing to offer, and no place for a message.
        offered = []
    fitting = [CompletionItem(word) for word in offered if word.startswith(begun)]
    return fitting or [CompletionItem(begun, type="file")]


def _functions_or_parameters(given: dict[str, Any]) -> list[str]:
    from cyclerule.cli.words import sort_words
    from cyclerule.project.settings import read_settings
    from cyclerule.session.inputs import parameter_word, signature_of
    from cyclerule.session.opening import open_program

    words = sort_words(given.get("words") or ())
    settings = read_settings(
        part=given.get("part"), clock=given.get("clock"), optimize=given.get("optimize"), flags=given.get("flags") or ()
    )
    if not (words.files or settings.sources):
        return []
    program = open_program(words.files, settings)
    if not words.functions:
        return program.names
    target = program.target(*words.functions[0])
    parameters = signature_of(target.firmware, target.name).parameters
    names = [parameter_word(each, number) for number, each in enumerate(parameters)]
    return [f"{name}=" for name in names if name not in words.assignments]
