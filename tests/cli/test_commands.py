"""The commands, end to end, on the beehive monitor's files and on files with mistakes."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from cyclerule.cli.main import main
from cyclerule.session.firmware import build

HIVE = Path(__file__).parents[2] / "examples" / "hive"
CRC = str(HIVE / "crc.c")
PART = ["--part", "atmega328p"]
BOARD = [*PART, "--clock", "16MHz"]


class Outcome:
    """What a command printed and its exit status."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err


Command = Callable[..., Outcome]


@pytest.fixture
def cyclerule(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Gives the command, to be called with its arguments."""
    monkeypatch.setenv("COLUMNS", "80")

    def run(*arguments: str) -> Outcome:
        monkeypatch.setattr("sys.argv", ["cyclerule", *arguments])
        status = 0
        try:
            status = main() or 0
        except SystemExit as stop:
            status = int(stop.code or 0)
        written = capfd.readouterr()
        return Outcome(status, written.out, written.err)

    return run


def test_time_says_in_words_what_the_session_measures(cyclerule: Command) -> None:
    """The sentence has the figures of the same sweep made in Python."""
    done = cyclerule("time", CRC, "crc8_step_bits", *BOARD)
    sweep = build([CRC], part="atmega328p", clock="16 MHz").sweep(
        "crc8_step_bits", crc=range(256), byte=range(256), engine="scalar"
    )
    assert done.status == 0
    least, most = sweep.minimum.cycles, sweep.maximum.cycles
    assert done.out.startswith(f"crc8_step_bits: {least} to {most} cycles, 4.88 to 5.88 µs at 16 MHz")


def test_json_and_csv_agree_row_by_row(cyclerule: Command, tmp_path: Path) -> None:
    """Both faces are made from one view."""
    table = tmp_path / "rows.csv"
    words = ["time", CRC, "crc8_step_bits", "crc=0,255", "byte=0..9", *BOARD]
    document = json.loads(cyclerule(*words, "--json").out)
    cyclerule(*words, "--csv", str(table))
    rows = list(csv.DictReader(table.read_text("utf-8").splitlines()))
    assert document["schema"] == "cyclerule/time/1"
    assert document["count"] == len(rows) == len(document["calls"]) == 20
    for call, row in zip(document["calls"], rows, strict=True):
        assert (call["cycles"], call["returned"]) == (int(row["cycles"]), int(row["returned"]))
        assert call["arguments"] == {"crc": int(row["crc"]), "byte": int(row["byte"])}


def test_without_a_clock_there_is_no_time(cyclerule: Command) -> None:
    """No clock is assumed: JSON's clock_hz is null and the sentence has cycles only."""
    words = ["time", CRC, "crc8_step_table", "crc=1", "byte=2", *PART]
    assert json.loads(cyclerule(*words, "--json").out)["clock_hz"] is None
    assert "µs" not in cyclerule(*words).out.splitlines()[0]


def test_a_file_lists_its_functions_and_what_to_type_next(cyclerule: Command) -> None:
    """The list has each function's least and most cycles, and commands that work as they stand."""
    done = cyclerule(CRC, *BOARD)
    assert done.status == 0
    assert "78 to 94" in done.out
    commands = [line.split() for line in done.out.splitlines() if line.strip().startswith("cyclerule time")]
    assert commands
    assert cyclerule(*commands[0][1:]).status == 0


@pytest.mark.parametrize(
    ("words", "status", "text"),
    [
        (["time", CRC, "crc8_step_tabel", *PART], 2, "crc8_step_table"),
        (["time", CRC, "crc8_step_table", "crc=300", "byte=1", *PART], 2, "0 to 255"),
        (["time", CRC, "crc8_step_table", "crk=3", *PART], 2, "crc"),
        (["time", "missing.c", "f", *PART], 2, "no file"),
        (["time", CRC, "crc8_step_table"], 2, "--part"),
        (["time", CRC, "crc8_step_table", "--part", "atmega382p"], 2, "atmega328p"),
        (["time", CRC, "crc8_step_table", "--part", "atmega328pb"], 3, "atmega328pb"),
    ],
)
def test_a_mistake_gets_one_message_and_its_exit_status(
    cyclerule: Command, words: list[str], status: int, text: str
) -> None:
    """2 the command was wrong, 3 the build failed; never a traceback."""
    done = cyclerule(*words)
    assert done.status == status
    assert text in done.err
    assert "Traceback" not in done.err


def test_the_compilers_words_come_at_the_users_line(cyclerule: Command, tmp_path: Path) -> None:
    """Source that does not compile: exit status 3 and the compiler's own message with file and line."""
    source = tmp_path / "comb.c"
    source.write_text("int cells(void)\n{\n    return honey;\n}\n", "utf-8")
    done = cyclerule("time", str(source), "cells", *PART)
    assert done.status == 3
    assert f"{source}:3" in done.err
    assert "honey" in done.err


def test_a_static_function_is_measured_in_a_kept_copy(cyclerule: Command, tmp_path: Path) -> None:
    """What the build inlined is kept apart, and labelled so."""
    source = tmp_path / "bees.c"
    source.write_text(
        "static int twice(int n) { return 2 * n; }\nint four(int n) { return twice(twice(n)); }\n", "utf-8"
    )
    done = cyclerule("time", str(source), "twice", "n=3", *PART, "--json")
    document = json.loads(done.out)
    assert document["build"]["image"] == "kept copy"
    assert document["calls"][0]["returned"] == 6


def test_parts_lists_what_can_be_built_for(cyclerule: Command) -> None:
    """The parts are the toolchain's own."""
    done = cyclerule("parts")
    assert done.status == 0
    assert "atmega328p" in done.out
    assert "attiny85" in done.out


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_prints_a_script(cyclerule: Command, shell: str) -> None:
    """One script a shell."""
    assert "cyclerule" in cyclerule("completion", shell).out


def test_a_setup_and_loop_program_is_listed_from_the_state_after_setup(cyclerule: Command) -> None:
    """The small print says so, and the document; a plain program need not say that it starts at main."""
    file = str(Path(__file__).parents[1] / "measure" / "programs" / "colony_passes.c")
    shown = " ".join(cyclerule(file, *PART).out.split())
    assert "calls start after setup() has returned" in shown
    assert json.loads(cyclerule(file, *PART, "--json").out)["start"] == "after setup() has returned"
    assert "calls start" not in cyclerule(CRC, *PART).out
    timed = " ".join(cyclerule("time", file, "is_crowded", "--after", "start-up", *PART).out.split())
    assert "starts at the entry of main" in timed
