"""`cyclerule time --code`: its faces say the same, and what does not go with it is refused."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from cyclerule.cli.commands import commands, run
from cyclerule.errors import ArgumentError
from tests.report.json_schema import problems

HIVE = Path(__file__).parents[2] / "examples" / "hive"
SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
BOTH = ("--code", "PORTB = PORTB << {n}", "n=1..3", "--variable", "n", "--both")

Time = Callable[..., Result]


@pytest.fixture
def timed(monkeypatch: pytest.MonkeyPatch) -> Time:
    """Gives `cyclerule time`, run with words; part and clock come from the environment."""
    for name, value in {"CYCLERULE_PART": "atmega328p", "CYCLERULE_CLOCK": "16MHz", "COLUMNS": "80"}.items():
        monkeypatch.setenv(name, value)
    return lambda *words: CliRunner().invoke(commands, ["time", *words])


def document(result: Result) -> dict[str, Any]:
    """Gives what --json printed."""
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def test_every_face_has_the_same_figures(timed: Time, tmp_path: Path) -> None:
    """Terminal, JSON, CSV and comment, of constants and variables."""
    read = document(timed(*BOTH, "--json"))
    assert problems(json.loads((SCHEMAS / "code-1.json").read_text("utf-8")), read) == []
    figures = [(row["arguments"]["n"], row["constant"]["cycles"], row["variable"]["cycles"]) for row in read["rows"]]
    assert read["columns"] == ["constant", "variable"]
    assert read["variables"] == {"n": "int"}
    shown = timed(*BOTH).stdout.splitlines()
    table = [line.split() for line in shown[-3:]]
    assert [(int(line[0]), int(line[1]), int(line[3])) for line in table] == figures
    assert [line[5] for line in table] == [f"{variable - constant:+}" for _, constant, variable in figures]
    timed(*BOTH, "--csv", str(tmp_path / "rows.csv"))
    rows = list(csv.DictReader((tmp_path / "rows.csv").read_text("utf-8").splitlines()))
    named = [(int(row["n"]), int(row["constant_cycles"]), int(row["variable_cycles"])) for row in rows]
    assert named == figures
    assert [float(row["constant_microseconds"]) * 16 for row in rows] == [constant for _, constant, _ in figures]
    comment = timed(*BOTH, "--comment").stdout
    assert comment.startswith("/* PORTB = PORTB << {n}: ")
    for place, column in enumerate(("constant", "variable"), 1):
        cycles = [each[place] for each in figures]
        assert f"least with a {column} {min(cycles)} with" in comment
        assert f"most with a {column} {max(cycles)} with" in comment


def test_one_figure_is_told_with_all_that_it_did(timed: Time) -> None:
    """Writes to registers and calls made; the sentence alone with -q."""
    told = timed(str(HIVE / "scale.c"), "--code", "scale_begin(); PORTB = 3; scale_read()").stdout
    assert "writes" in told
    assert "PORTB = 0x03 by cycle" in told
    assert "stack" in told
    brief = timed("-q", "--code", "PORTB = 3; PORTB |= 4")
    assert brief.stdout == "PORTB = 3; PORTB |= 4: 4 cycles, 0.25 µs at 16 MHz\n"


def test_long_lists_are_cut_and_say_their_extremes(timed: Time) -> None:
    """16 rows unless more are asked for."""
    words = ("--code", "__builtin_avr_delay_cycles({n})", "n=1..40")
    cut = timed(*words).stdout
    assert "least 1 with n = 1" in cut
    assert "most 40 with n = 40" in cut
    assert "and 24 more rows; --rows all lists them" in cut
    whole = timed(*words, "--rows", "all").stdout.splitlines()
    assert [line.split()[:2] for line in whole[-40:]] == [[str(n), str(n)] for n in range(1, 41)]
    assert document(timed(*words, "--json", "--rows", "5"))["rows_listed"] == 5


def test_nothing_left_is_said_in_every_face(timed: Time) -> None:
    """A zero alone would read as a fault of the measurement."""
    words = ("--code", "uint8_t x = 4")
    for face in ((), ("--comment",), ("--json",)):
        told = " ".join(timed(*words, *face).stdout.replace(" * ", " ").split())
        assert "nothing uses x; to time how it is computed, keep it: --keep x" in told
    assert "nothing is left of it after optimization" in timed("-q", *words).stdout


def test_what_was_set_before_is_told(timed: Time) -> None:
    """Registers, pins and variables, and calls before."""
    told = timed("--code", "if (PINB & 1) PORTB = 2; PORTC = GPIOR0", "--set", "GPIOR0=7", "--set", "PB0=1").stdout
    assert "with GPIOR0 = 0x07" in told.replace("\n", " ")
    assert "PORTB = 0x02" in told
    assert "PORTC = 0x07" in told


def test_a_change_since_the_last_time_is_told_once(timed: Time, tmp_path: Path) -> None:
    """Of the same statements with the same values in the same files; of each column where there are two."""
    source = tmp_path / "bees.c"
    source.write_text("unsigned char bees;\nint main(void) { return bees; }\n", "utf-8")
    words = (str(source), "--code", "bees = bees / {n}", "n=3,8", "--variable", "n", "--both")
    assert "was" not in timed(*words).stdout
    source.write_text("unsigned bees;\nint main(void) { return bees; }\n", "utf-8")
    assert "was" not in timed(*words, "--set", "bees=3").stdout
    lines = timed(*words).stdout.splitlines()
    assert any(line.startswith("  constant: was ") for line in lines)
    assert "was" not in timed(*words).stdout
    alone = (str(source), "--code", "bees++")
    timed(*alone)
    source.write_text("volatile unsigned long bees;\nint main(void) { return bees; }\n", "utf-8")
    assert "; was 10, now 20: +10\n" in timed(*alone, "-q").stdout


def test_sources_of_the_project_are_the_context(timed: Time, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As for every command without files."""
    (tmp_path / "bees.c").write_text("unsigned char bees;\nint main(void) { return bees; }\n", "utf-8")
    (tmp_path / "cyclerule.toml").write_text('sources = ["bees.c"]\n', "utf-8")
    monkeypatch.chdir(tmp_path)
    assert document(timed("--code", "bees++", "--json"))["files"] == ["bees.c"]


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("--code", "PORTB = 1", "update"), "update is neither a file nor a value; --code times its statements"),
        (("--code", "PORTB = 1", "--apart"), "--apart is not for --code"),
        (("--code", "PORTB = 1", "--declare", "void f(void)"), "--declare is not for --code"),
        (("--code", "PORTB = 1", str(HIVE / "crc.c") + ":3-4"), "FILE:LINES is not for --code"),
        ((str(HIVE / "crc.c"), "crc8_frame", "--both"), "--both is for statements, --code 'STATEMENTS'"),
        ((str(HIVE / "crc.c"), "crc8_frame", "--keep", "x"), "--keep is for statements, --code 'STATEMENTS'"),
        ((str(HIVE / "crc.c"), "crc8_frame", "--variable", "x"), "--variable is for statements"),
        (("--code", "_delay_us(3)", "--clock", ""), "--code:1:1: _delay_us needs the CPU clock: --clock 16MHz"),
    ],
)
def test_what_does_not_go_with_statements_is_refused(
    timed: Time, words: tuple[str, ...], text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With exit status 2."""
    if "--clock" in words:
        monkeypatch.delenv("CYCLERULE_CLOCK")
        words = words[: words.index("--clock")]
    refused = timed(*words).exception
    assert isinstance(refused, ArgumentError)
    assert text in str(refused)


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (("PORTB = 1",), 0),
        (("PORTB = 1)",), 2),
        (("PORTB = nothing",), 3),
        (("for (;;);",), 4),
    ],
)
def test_the_exit_status_says_what_was_wrong(
    words: tuple[str, ...], status: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """0 done, 2 the command was wrong, 3 the build failed, 4 not decided."""
    assert run(["time", "--part", "atmega328p", "--code", *words]) == status
    assert bool(capsys.readouterr().err) is (status != 0)
