"""`--signals` and `--vcd`, end to end, with the file that docs/signals.md shows."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cyclerule.cli.commands import commands
from cyclerule.errors import ArgumentError
from cyclerule.project.signals import as_signals, read_signals

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "signals.md").read_text("utf-8")
ENTRANCE = str(ROOT / "tests" / "measure" / "programs" / "entrance.c")

Invoke = Callable[..., Result]


@pytest.fixture
def invoke(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Invoke:
    """Gives the commands, in a folder with the file of the documentation; part and clock come from the environment."""
    for name, value in {"CYCLERULE_PART": "atmega328p", "CYCLERULE_CLOCK": "16MHz", "COLUMNS": "200"}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(tmp_path)
    shown = re.search(r"^```\n(# when.*?)^```", TEXT, re.MULTILINE | re.DOTALL)
    assert shown is not None
    Path("bees.csv").write_text(shown[1], encoding="utf-8")
    return lambda *words: CliRunner().invoke(commands, words, standalone_mode=False)


def test_a_function_is_timed_with_the_documented_file(invoke: Invoke) -> None:
    """The bee comes after 1.5 ms, 24,000 cycles at 16 MHz."""
    done = invoke("time", ENTRANCE, "wait_for_bee", "from=0", "--signals", "bees.csv")
    assert done.exception is None
    found = re.search(r"wait_for_bee\(from = 0\): ([\d,]+) cycles", done.stdout)
    assert found is not None
    assert 24_000 < int(found[1].replace(",", "")) < 24_020
    assert "with 4 signals of bees.csv" in done.stdout


def test_the_program_runs_with_it_and_its_pins_are_written(invoke: Invoke) -> None:
    """PB0 changes twice: at 24,000 and 30,400 cycles, 1.5 ms and 1.9 ms."""
    done = invoke("run", ENTRANCE, "--for", "4ms", "--signals", "bees.csv", "--vcd", "pins.vcd", "--plain")
    assert done.exception is None
    text = Path("pins.vcd").read_text("ascii")
    code = re.search(r"\$var wire 1 (\S+) PB0 \$end", text)
    assert code is not None
    times = re.findall(rf"^#(\d+)\n(?:[01]\S+\n)*?([01]){re.escape(code[1])}\n", text.split("$end\n")[-1], re.MULTILINE)
    assert [(int(time), level) for time, level in times] == [(1_500_000_000, "1"), (1_900_000_000, "0")]
    assert "changes of pins written to pins.vcd" in done.stderr


def test_lines_are_timed_with_it(invoke: Invoke) -> None:
    """They are timed in the program's own run, to which the signals come from reset on."""
    Path("bees.csv").write_text("1ms, PD2, 1\n+1ms, PD2, 0\n+1ms, PD2, 1\n", encoding="utf-8")
    line = next(n for n, text in enumerate(Path(ENTRANCE).read_text("utf-8").splitlines(), 1) if "bees++" in text)
    done = invoke("time", f"{ENTRANCE}:{line}", "--for", "5ms", "--signals", "bees.csv")
    assert done.exception is None
    assert re.search(r"2 passes", done.stdout)


@pytest.mark.parametrize("words", [["time", ENTRANCE, "wait_for_bee", "from=0"], ["run", ENTRANCE, "--for", "1ms"]])
def test_a_mistake_in_the_file_ends_the_command_with_its_place(invoke: Invoke, words: list[str]) -> None:
    """File, line and column, exit status 2, and nothing is written."""
    Path("bees.csv").write_text("# bees\n0, PB0, 1\n5, PB0, 2\n", encoding="utf-8")
    vcd = ["--vcd", "pins.vcd"] if words[0] == "run" else []
    done = invoke(*words, "--signals", "bees.csv", *vcd)
    assert isinstance(done.exception, ArgumentError)
    assert done.exception.exit_status == 2
    assert str(done.exception) == "bees.csv:3:9: '2' is no level for PB0; it is 0, 1 or z (nobody drives it)"
    assert not Path("pins.vcd").exists()


def test_statements_take_none(invoke: Invoke) -> None:
    """They have a way of their own to be timed."""
    done = invoke("time", "--code", "PORTB = 1;", "--signals", "bees.csv")
    assert isinstance(done.exception, ArgumentError)
    assert "--signals is not for --code" in str(done.exception)


def test_the_documented_lists_are_signals(tmp_path: Path) -> None:
    """Those after `signals=` in docs/signals.md, and the message that it shows."""
    lists = re.findall(r"signals=(\[.*\])\)", TEXT)
    assert len(lists) == 3
    for text in lists:
        assert as_signals(eval(text))  # noqa: S307 - our own documentation
    shown = re.search(r"^cyclerule: bees.csv:3:8: (.*)$", TEXT, re.MULTILINE)
    assert shown is not None
    file = tmp_path / "bees.csv"
    file.write_text("\n\n0,PB0, 2\n", encoding="utf-8")
    with pytest.raises(ArgumentError) as caught:
        read_signals(file)
    assert str(caught.value) == f"{file}:3:8: {shown[1]}"
