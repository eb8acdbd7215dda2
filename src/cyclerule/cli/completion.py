"""`cyclerule completion`: the script that makes a shell complete cyclerule's words."""

import click

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
    """Print the script that makes bash, zsh or fish complete commands, options and files."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    if kind is None:
        raise click.UsageError(f"no completion for {shell}")
    click.echo(kind(context.find_root().command, {}, "cyclerule", "_CYCLERULE_COMPLETE").source())
