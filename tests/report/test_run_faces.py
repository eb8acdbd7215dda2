"""A run of a whole program on the terminal, and what is read of it elsewhere: the same figures."""

import re

import pytest

from cyclerule.report.run_csv import run_csv_lines
from cyclerule.report.run_sentence import percent, run_sentence
from cyclerule.report.run_terminal import show_run, speed_text
from cyclerule.report.serial_text import SerialText, readable
from tests.report.handmade_run import A_RUN, A_SHORT_RUN
from tests.report.screens import seen


def test_the_report_shows_every_figure_of_the_view() -> None:
    """Start, passes, handlers, calls, sleep, writes, serial text, remarks."""
    text = seen(lambda screen: show_run(screen, A_RUN), width=120)
    for line in (
        "hive.c and 2 more: ran 1,600,000 cycles from reset, 100.000 ms at 16 MHz; loop() makes 15,037.6 passes",
        "passes a second of 160 to 24,012 cycles; 0.28 % in interrupt handlers; 20.00 % asleep; reset once by",
        "stopped when the time was over, at hive.c:41 in loop; 1 warning below",
        "to main 117 7.3125",
        "to setup 121 7.5625",
        "setup() 1 1,234 1,234.00 1,234 1,234 0.08 %",
        "loop() 1,500 160 1,050.25 24,012 1,575,375 98.46 %",
        "crc8_frame 2 177 178.00 179 356 0.02 %",
        "TIMER1_COMPA 99 44 44.50 51 4,405 0.28 %",
        "asleep 320,000 20.00 %",
        "loop() begins each 1,064.00 cycles, 66.5000 µs, on average",
        "_delay_us 50 µs 9 800 to 844 0 to +44 0 to +2.75 hive.c:7 in loop",
        "_delay_ms 1.5 ms first 2,000 24,001 +1 +0.0625 hive.c:9 in loop",
        "delay 1 to 5 ms, not constant 2 16,100 to 80,200 +100 to +200 +6.25 to +12.5 hive.c:8 in setup",
        "_delay_ms not known 3 not known not known not known hive.c:11 in loop",
        "PORTB = 0x00 by cycle 2,000",
        "and 1 more (all with --json or --csv)",
        "serial, 28 bytes: hive 1: 34.61 C hive 2: 35.\\x07",
        "serial port 1, 5 bytes: bees",
        "reset at cycle 1,200,000: WDRF",
        "note: a note",
        "hive.c:7 in main: warning: ADCSRA is not modelled",
    ):
        assert line in " ".join(text.split()), line


def test_a_short_run_has_nothing_that_it_has_not() -> None:
    """No clock, no time; no handler, no table; why it did not come to its end."""
    text = seen(lambda screen: show_run(screen, A_SHORT_RUN), width=120)
    assert "hive.elf: ran 812 cycles from reset; exit was not reached: halted at hive.c:12 in main: asleep" in text
    assert "no clock given" in text
    assert "delay 1 to 5 ms, not constant 2 16,100 to 80,200 hive.c:8 in setup" in " ".join(text.split())
    for word in ("µs", "cycles of", "serial", "note", "error"):
        assert word not in text


@pytest.mark.parametrize("view", [A_RUN, A_SHORT_RUN])
def test_quiet_is_the_sentence_alone(view: object) -> None:
    """One line, the same words."""
    text = seen(lambda screen: show_run(screen, view, is_brief=True))  # type: ignore[arg-type]
    assert text == run_sentence(view) + "\n"  # type: ignore[arg-type]


def test_serial_text_that_was_seen_is_not_repeated() -> None:
    """On a terminal it is shown as it is sent."""
    assert "34.61" not in seen(lambda screen: show_run(screen, A_RUN, shows_serial=False))


def test_rows_are_in_the_order_of_their_cycles() -> None:
    """Calls and writes together."""
    lines = [line.rstrip("\r\n").split(",") for line in run_csv_lines(A_RUN)]
    assert lines[0] == ["kind", "name", "cycle", "cycles", "caller", "value"]
    cycles = [int(line[2]) for line in lines[1:]]
    assert cycles == sorted(cycles)
    assert len(cycles) == 2 + 13
    assert ["call", "crc8_frame", "2522", "177", "frame_read", ""] in lines


@pytest.mark.parametrize(
    ("share", "text"),
    [(0, "0.00 %"), (1e-9, "less than 0.01 %"), (0.0001, "0.01 %"), (0.5, "50.00 %"), (1, "100.00 %")],
)
def test_only_nothing_reads_as_nothing(share: float, text: str) -> None:
    """A handler that ran once in a long run did run."""
    assert percent(share) == text


def test_speed_is_told_against_the_clock_where_there_is_one() -> None:
    """100 ms in half a second is a fifth of real time."""
    assert speed_text(A_RUN, 0.5) == "simulated at 0.20 times real time"
    assert re.fullmatch(r"simulated 0\.0 million cycles a second", speed_text(A_SHORT_RUN, 1.0))


def test_serial_text_is_the_same_in_pieces_and_whole() -> None:
    """A character of several bytes may come in pieces, a carriage return before its line break."""
    data = "é°\r\nx\ry\r".encode() + b"\xf0\x9f"
    pieces = SerialText()
    text = "".join(pieces.feed(bytes([byte])) for byte in data) + pieces.feed(b"", is_last=True)
    assert text == readable(data) == "é°\nx\\ry\\xf0\\x9f\\r".replace("y\\xf0\\x9f\\r", "y\\r\\xf0\\x9f")
