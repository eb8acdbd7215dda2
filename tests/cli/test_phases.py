"""`cyclerule time --interrupts`, end to end."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cyclerule.cli.commands import commands
from cyclerule.session.firmware import build

ROOT = Path(__file__).parents[2]
PROGRAM = str(ROOT / "tests" / "measure" / "programs" / "phases.c")
PASSES = str(ROOT / "tests" / "measure" / "programs" / "passes.c")
CRC = str(ROOT / "examples" / "hive" / "crc.c")
SUM = ("sum", "bytes=hex:0102030405060708", "length=8")

Run = Callable[..., Result]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Gives the command, run with words; part and clock come from the environment."""
    for name, value in {"CYCLERULE_PART": "atmega328p", "CYCLERULE_CLOCK": "16MHz", "COLUMNS": "120"}.items():
        monkeypatch.setenv(name, value)
    return lambda *words: CliRunner().invoke(commands, ["time", *words], standalone_mode=False)


def test_a_whole_program_is_measured_at_every_phase(run: Run, tmp_path: Path) -> None:
    """The document and the CSV file have the rows of `Firmware.phases`."""
    wanted = build([PROGRAM], part="atmega328p", clock="16 MHz").phases("sum", bytes(range(1, 9)), 8)
    file = tmp_path / "phases.csv"
    document = json.loads(run(PROGRAM, *SUM, "--interrupts", "--json", "--csv", str(file)).stdout)
    assert document["schema"] == "cyclerule/phases/1"
    assert (document["of"], document["own_cycles"], document["at"]) == (250, wanted.own_cycles, "function:sum")
    rows = [(row["phase"], row["cycles"], row["own_cycles"]) for row in document["rows"]]
    assert rows == [tuple(row) for row in wanted.rows]
    table = list(csv.DictReader(file.read_text("utf-8").splitlines()))
    assert [(int(row["phase"]), int(row["cycles"]), int(row["own_cycles"])) for row in table] == rows
    assert run(PROGRAM, *SUM, "--interrupts", "--csv", "-").stdout_bytes == file.read_bytes()


def test_point_number_and_span_can_be_chosen(run: Run) -> None:
    """Each of them means that interrupts are on."""
    document = json.loads(run(PROGRAM, *SUM, "--at", "function:waits_for_flag", "--json").stdout)
    assert (document["at"], document["of"]) == ("function:waits_for_flag", 250)
    document = json.loads(run(PROGRAM, *SUM, "--phases", "10", "--span", "1000", "--json").stdout)
    assert (document["of"], document["count"] + document["busy"]) == (1000, 10)


def test_without_a_program_around_it_interrupts_are_just_on(run: Run) -> None:
    """`crc.c` has no main; with --before the state is made by hand, not by the program's run."""
    words = (CRC, "crc8_step_table", "crc=1", "byte=2")
    with_interrupts = json.loads(run(*words, "--interrupts", "--json").stdout)
    assert with_interrupts["schema"] == "cyclerule/time/1"
    prepared = json.loads(run(PASSES, "loop", "--before", "setup", "--interrupts", "--json").stdout)
    assert prepared["schema"] == "cyclerule/time/1"


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (
            (PROGRAM, "guarded", "--interrupts"),
            "with interrupts one input is measured at every phase, but there are 256",
        ),
        ((PROGRAM, *SUM, "--at", "function:main"), "the program has interrupts turned off"),
        ((PROGRAM, *SUM, "--at", "function:sum", "--set", "flag=1"), "the program's own run leads to the call"),
        ((PROGRAM, *SUM, "--interrupts", "--comment"), "has no comment"),
        (("--code", "PORTB = 1", "--phases", "4"), "--phases is for the call of a function"),
    ],
)
def test_what_does_not_go_together_is_refused_in_words(run: Run, words: tuple[str, ...], text: str) -> None:
    """One message, and nothing printed."""
    done = run(*words)
    assert text in str(done.exception)
    assert done.stdout == ""
