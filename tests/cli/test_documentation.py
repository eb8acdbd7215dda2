"""What docs/commands.md and docs/statements.md show is what the commands print."""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from cyclerule.cli.commands import commands
from cyclerule.cli.overview import COMMANDS
from cyclerule.errors import CompilerMissing
from cyclerule.toolchain import find

ROOT = Path(__file__).parents[2]
MADE_WITH = "avr-gcc 5.4.0"
TEXT = (ROOT / "docs" / "commands.md").read_text("utf-8")
SHOWN = [
    (command, printed)
    for text in (TEXT, (ROOT / "docs" / "statements.md").read_text("utf-8"))
    for block in re.findall(r"^```console\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    for command, printed in re.findall(r"^\$ (.*)\n((?:(?!\$ ).*\n)*)", block, re.MULTILINE)
]


@pytest.mark.parametrize(("command", "printed"), SHOWN, ids=[command for command, _ in SHOWN])
def test_the_documentation_shows_what_is_printed(command: str, printed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every example, in the folder of the beehive monitor; other compilers make other code."""
    try:
        compiler = find().version
    except CompilerMissing:
        compiler = "none"
    if compiler != MADE_WITH:
        pytest.skip(f"the examples were made with {MADE_WITH}, here is {compiler}")
    monkeypatch.chdir(ROOT / "examples" / "hive")
    monkeypatch.setenv("COLUMNS", "80")
    done = CliRunner().invoke(commands, shlex.split(command)[1:])
    refusal = f"cyclerule: {done.exception}\n" if done.exception else ""
    assert done.output + refusal == printed


def test_the_python_of_the_documentation_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In the folder of the beehive monitor."""
    monkeypatch.chdir(ROOT / "examples" / "hive")
    text = (ROOT / "docs" / "statements.md").read_text("utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    for block in blocks:
        exec(compile(block, "statements.md", "exec"), {})  # noqa: S102 - our own documentation
    assert len(capsys.readouterr().out.splitlines()) == 8


def test_there_are_examples_of_every_face() -> None:
    """An empty list of examples would hold nothing."""
    together = "\n".join(command for command, _ in SHOWN)
    for word in ("--json", "--csv -", "--comment", "--settings", "cyclerule crc.c", "cyclerule time"):
        assert word in together


def test_every_command_and_option_is_described() -> None:
    """Those of the commands themselves."""
    for name in (*COMMANDS, "functions"):
        command = commands.get_command(None, name)  # type: ignore[arg-type]
        assert command is not None
        options = {long for parameter in command.params for long in parameter.opts if long.startswith("--")}
        assert not [option for option in options if f"`{option}" not in TEXT]
