"""`cyclerule run`, end to end, on the beehive monitor and on programs that stop in a way of their own."""

import _thread
import csv
import json
import re
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cyclerule.cli.commands import commands
from cyclerule.cli.output import LiveText, Output
from cyclerule.session.firmware import build

ROOT = Path(__file__).parents[2]
HIVE = ROOT / "examples" / "hive"
FILES = [str(HIVE / name) for name in ("hive.c", "serial.c", "frame.c", "crc.c", "climate.c", "median.c")]
PROGRAMS = ROOT / "tests" / "measure" / "programs"
PASSES = str(PROGRAMS / "passes.c")
STOPS = str(PROGRAMS / "stops.c")

Run = Callable[..., Result]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Gives the command, run with words; part and clock come from the environment."""
    for name, value in {"CYCLERULE_PART": "atmega328p", "CYCLERULE_CLOCK": "16MHz", "COLUMNS": "200"}.items():
        monkeypatch.setenv(name, value)
    return lambda *words: CliRunner().invoke(commands, ["run", *words], standalone_mode=False)


def test_the_report_has_the_figures_of_the_run_in_python(run: Run) -> None:
    """The document and the terminal, against `Firmware.run`."""
    wanted = build([PASSES], part="atmega328p", clock="16 MHz").run(max_cycles=320_000, calls=["loop"])
    assert wanted.loop is not None
    assert wanted.setup is not None
    document = json.loads(run(PASSES, "--for", "20ms", "--calls", "loop", "--json").stdout)
    assert document["schema"] == "cyclerule/run/1"
    assert (document["cycles"], document["limit"]) == (wanted.cycles, 320_000)
    assert document["reached"] == dict(wanted.reached)
    loop = {"count": wanted.loop.count, "minimum": 12, "maximum": wanted.loop.maximum, "total": wanted.loop.total}
    assert {name: document["loop"][name] for name in loop} == loop
    assert document["loop"]["per_second"] == pytest.approx(16_000_000 / (wanted.loop.period or 0))
    (handler,) = document["handlers"]
    assert handler["vector"] == "TIMER1_COMPA"
    ticks = wanted.handlers["TIMER1_COMPA"]
    assert (handler["count"], handler["total"]) == (ticks.count, ticks.total)
    (calls,) = document["calls"]
    assert [row["cycles"] for row in calls["rows"]] == [row.cycles for row in wanted.calls["loop"].rows]

    text = run(PASSES, "--for", "20ms").stdout
    for figure in (wanted.cycles, wanted.loop.count, wanted.loop.maximum, wanted.reached["loop"], wanted.setup.total):
        assert f"{figure:,}" in text


def test_the_same_run_gives_the_same_document(run: Run) -> None:
    """Nothing in it is of this machine or of this moment."""
    first, second = (run(PASSES, "--for", "50000", "--json").stdout for _ in range(2))
    assert first == second


def test_calls_and_writes_go_into_a_file_in_order(run: Run, tmp_path: Path) -> None:
    """RFC 4180: each call and write has a row, by its cycle."""
    table = tmp_path / "rows.csv"
    program = str(PROGRAMS / "monitor.c")
    run(program, "--until", "exit", "--calls", "square", "--watch", "GPIOR0", "--csv", str(table))
    rows = list(csv.DictReader(table.read_text("utf-8").splitlines()))
    wanted = build([program], part="atmega328p").run(until="exit", calls=["square"], watch=["GPIOR0"])
    assert [int(row["cycle"]) for row in rows] == sorted(int(row["cycle"]) for row in rows)
    calls = [(int(row["cycle"]), int(row["cycles"]), row["caller"]) for row in rows if row["kind"] == "call"]
    assert calls == [tuple(row) for row in wanted.calls["square"].rows]
    writes = [(int(row["cycle"]), row["name"], int(row["value"])) for row in rows if row["kind"] == "write"]
    assert writes == [tuple(write) for write in wanted.watched["GPIOR0"]]
    printed = run(program, "--until", "exit", "--calls", "square", "--watch", "GPIOR0", "--csv", "-").stdout_bytes
    assert printed == table.read_bytes()


def test_serial_text_goes_to_a_file_as_it_is(run: Run, tmp_path: Path) -> None:
    """Byte by byte what the monitor prints, which is also what the example's own file expects."""
    file = tmp_path / "serial.txt"
    words = [*FILES, "--until", "serial:OK: 5 of 6 frames\n"]
    assert run(*words, "--serial", str(file)).return_value == 0
    expected = (HIVE / "expected_serial.txt").read_bytes()
    assert file.read_bytes() == expected[: len(file.read_bytes())]
    assert file.read_bytes().endswith(b"OK: 5 of 6 frames\n")
    assert run(*words, "--serial", "-").stdout_bytes == file.read_bytes()


def test_without_a_clock_a_length_in_cycles_is_needed(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """No clock is assumed; the message says what to give, and with cycles it runs."""
    monkeypatch.delenv("CYCLERULE_CLOCK")
    for words, text in (
        ([PASSES], "how long? One second cannot be told in cycles, as no clock is known"),
        ([PASSES, "--for", "20ms"], "20ms cannot be told in cycles, as no clock is known"),
        ([PASSES, "--for", "20x"], "'20x' is no length of time; write it as 20ms, 1.5s, 500us, or in cycles"),
        ([PASSES, "--for", "0"], "'0' is no length of time"),
    ):
        assert text in str(run(*words).exception)
    document = json.loads(run(PASSES, "--for", "16_000", "--json").stdout)
    assert (document["clock_hz"], document["limit"], document["loop"]["per_second"]) == (None, 16_000, None)
    assert json.loads(run(PASSES, "--until", "cycles:900", "--json").stdout)["stopped"] == "until"


@pytest.mark.parametrize(
    ("words", "status", "text"),
    [
        ((PASSES, "--for", "1ms"), 0, "stopped when the time was over, at "),
        ((PASSES, "--until", "function:loop"), 0, "reached function:loop, at "),
        ((PASSES, "--until", "exit", "--for", "1ms"), 1, "exit was not reached: stopped when the time was over"),
        ((STOPS, "--define", "STOP_ASLEEP"), 0, "asleep for ever: interrupts are off"),
        ((STOPS, "--define", "STOP_IN_LOOP"), 0, "it jumps to itself for ever, and no interrupt is to come"),
        ((STOPS, "--define", "STOP_AT_END"), 0, "the program has ended: main returned, or it called exit"),
        ((STOPS, "--define", "STOP_BY_FAULT"), 4, "stopped by a fault: store to 0x0900"),
        ((STOPS, "--define", "STOP_AT_BREAK", "--until", "break"), 0, "reached break, at "),
    ],
)
def test_how_it_ended_is_said_and_is_the_exit_status(run: Run, words: tuple[str, ...], status: int, text: str) -> None:
    """1 where an end that was asked for was not reached, 4 for a fault; the report stands in any case."""
    done = run(*words)
    assert done.return_value == status
    assert text in " ".join(done.stdout.split())
    assert "to main" in done.stdout
    quiet = run(*words, "--quiet").stdout
    assert quiet.count("\n") == 1
    assert text in quiet


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ((str(HIVE / "crc.c"),), "there is no main, so there is no program to run"),
        ((PASSES, "lop"), "there is no file lop; run takes the files of a whole program"),
        ((PASSES, "n=3"), "run takes a whole program, and no values such as n=3"),
        ((PASSES, "--calls", "lop"), "no function 'lop'; nearest: loop"),
        ((PASSES, "--until", "noon"), "until='noon' is not understood"),
    ],
)
def test_what_cannot_be_run_is_refused_in_words(run: Run, words: tuple[str, ...], text: str) -> None:
    """One message, and nothing printed."""
    done = run(*words)
    assert text in str(done.exception)
    assert done.stdout == ""


def test_plain_text_has_no_other_characters_than_ascii(run: Run) -> None:
    """For logs and screen readers."""
    assert run(PASSES, "--for", "5ms", "--plain").stdout.isascii()


def test_nothing_that_a_program_sends_acts_on_a_terminal() -> None:
    """Text that comes byte by byte: UTF-8 stays, control characters are written out."""
    shown: list[str] = []

    class Stream:
        encoding = "utf-8"

        def write(self, text: str) -> None:
            shown.append(text)

        def flush(self) -> None:
            """Nothing is kept back."""

        def isatty(self) -> bool:
            return False

    stream = Stream()
    live = LiveText(Output()._screen(stream), stream)  # type: ignore[arg-type]
    for byte in "23 °C\r\n\x1b[2J\a\r7\t\u202e".encode() + b"\xff":
        live.add(byte)
    live.finish()
    assert "".join(shown) == "23 °C\n\\x1b[2J\\x07\\r7\t\\u202e\\xff\n\n"


def test_ctrl_c_ends_the_run_and_still_reports(run: Run) -> None:
    """Exit status 130, and the report of what there is by then."""
    usual = signal.getsignal(signal.SIGINT)

    def press_once_it_runs() -> None:
        while signal.getsignal(signal.SIGINT) is usual:
            time.sleep(0.01)
        time.sleep(0.3)
        _thread.interrupt_main()

    threading.Thread(target=press_once_it_runs, daemon=True).start()
    done = run(PASSES, "--for", "9999s")
    assert done.return_value == 130
    text = " ".join(done.stdout.split())
    assert re.search(r"ran [\d,]+ cycles from reset", text)
    assert "ended from the keyboard, at " in text
    assert re.search(r"loop\(\) begins each 26\d\.\d\d cycles", text)
    assert signal.getsignal(signal.SIGINT) is usual
