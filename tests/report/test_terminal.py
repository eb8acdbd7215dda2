"""What a terminal shows: it fits, it can be read without colour and without drawing, and no figure is cut."""

import io
import re
from dataclasses import replace

import pytest

from cyclerule.measure.results import Call, Held, Sweep, Warned
from cyclerule.report.functions import functions_sentence
from cyclerule.report.parts import view_parts
from cyclerule.report.settings import SettingView
from cyclerule.report.terminal import LISTED_ROWS, Screen, show_functions, show_parts, show_settings, show_time
from cyclerule.report.timing import view_time
from tests.report.handmade import FORAGE, at_clock, forage_cycles, forage_result, made_call, made_sweep
from tests.report.screens import seen
from tests.report.test_schemas import FUNCTION, FUNCTIONS, PARTS, TOOLCHAIN

FIGURE = re.compile(r"\d[\d,]*(?:\.\d+)?")
ESCAPES = re.compile(r"\x1b\[[0-9;]*m")
LONG_NAME = "average_of_all_the_temperatures_of_the_brood"
RESULTS: dict[str, Call | Sweep] = {
    "few rows": made_sweep(FORAGE, forage_cycles, forage_result),
    "many counts": made_sweep({"raw": range(400)}, lambda raw: 40 + raw * raw % 311, lambda raw: raw),
    "few counts": made_sweep({"raw": range(400)}, lambda raw: 40 + raw % 7, lambda raw: raw),
    "one count": made_sweep({"raw": range(400)}, lambda raw: 40),
    "large counts": made_sweep({"raw": range(400)}, lambda raw: 10**9 + raw * 10**7),
    "many parameters": made_sweep(
        {"left": [1000], "right": [2000], "middle": range(3), "upper_limit": [30_000], "lower": [-30_000], "gain": [5]},
        lambda **given: 1_000_000 + given["middle"],
        lambda **given: 4_000_000_000 + given["middle"],
    ),
    "long values": made_sweep({"frame": [bytes(range(40)), b"\x01"], "n": [1]}, lambda frame, n: 9 + n, lambda **_: 1),
    "a call": made_call({"frame": bytes(30), "n": 3}, 1_234_567, returned=-2, buffers={"frame": bytes(30)}),
    "no clock": made_sweep(FORAGE, forage_cycles, measured=at_clock(None)),
    "much beside": made_sweep(
        FORAGE,
        forage_cycles,
        held=[Held(f"{LONG_NAME}_{n}", bytes(40)) for n in range(9)],
        warnings=[Warned("hive.c:9 in forage", "TCNT0 is not modelled: it reads as what was last written to it")],
        measured=replace(at_clock(8_000_000), image="kept copy", flags=("-Os", "-DLIMIT=40", "-ffunction-sections")),
    ),
}
UNCALLED = replace(
    FUNCTION,
    name=LONG_NAME,
    minimum=None,
    maximum=None,
    tried=0,
    problem="frame is a pointer",
    example=["frame=hex:01"],
)
LISTING = replace(
    FUNCTIONS,
    functions=[
        FUNCTION,
        replace(FUNCTION, name=LONG_NAME, minimum=9, maximum=1_170_000, tried=64, inputs=65_536, covers="some inputs"),
        replace(FUNCTION, name="sip", stands="inlined into forage", warnings=["hive.c:9: warning: no ADC"]),
        UNCALLED,
    ],
)


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("name", RESULTS)
def test_no_line_is_wider_than_the_screen(name: str, width: int) -> None:
    """80 columns are enough, and 60 too; no blanks hang over at the end of a line."""
    view = view_time(RESULTS[name])
    for rows in (LISTED_ROWS, 5, 1 << 62):
        lines = seen(lambda screen, rows=rows: show_time(screen, view, rows=rows), width=width).splitlines()  # type: ignore[misc]
        assert max(map(len, lines)) <= width
        assert [line for line in lines if line != line.rstrip()] == []


@pytest.mark.parametrize("name", RESULTS)
def test_plain_is_ascii_and_says_the_same(name: str) -> None:
    """For screen readers, logs and old terminals: every word and figure is there, nothing is drawn with blocks."""
    view = view_time(RESULTS[name])
    plain = seen(lambda screen: show_time(screen, view), is_plain=True)
    drawn = seen(lambda screen: show_time(screen, view))
    assert plain.isascii()
    assert "\x1b" not in plain
    assert FIGURE.findall(plain.replace("...", "…")) == FIGURE.findall(drawn)


@pytest.mark.parametrize("name", RESULTS)
def test_colour_adds_nothing_but_colour(name: str) -> None:
    """Without colour there is no escape sequence; with it the text is the same."""
    view = view_time(RESULTS[name])
    without = seen(lambda screen: show_time(screen, view))
    coloured = seen(lambda screen: show_time(screen, view), has_colour=True)
    assert "\x1b" not in without
    assert "\x1b[" in coloured
    assert ESCAPES.sub("", coloured) == without


def test_up_to_sixteen_rows_are_shown_one_by_one() -> None:
    """One line an input, with what it returned; the least, the median and the most are marked at their first row."""
    view = view_time(RESULTS["few rows"])
    lines = seen(lambda screen: show_time(screen, view)).splitlines()
    rows = [line for line in lines if re.match(r"\s+\d+\s+\d+\s+\d,\d{3} ", line)]
    assert len(rows) == 6
    assert [row.split()[-1] for row in rows if row.split()[-1].isalpha()] == ["least", "median", "most"]
    assert rows[0].split()[:5] == ["0", "0", "1,041", "65.0625", "0"]


def test_more_rows_become_extremes_and_a_picture() -> None:
    """400 rows are not listed: least, median, most with their first input, the mean, and each count with its share."""
    view = view_time(RESULTS["few counts"])
    text = seen(lambda screen: show_time(screen, view))
    assert re.search(r"least +40 +2\.5000 +raw = 0$", text, re.MULTILINE)
    assert re.search(r"median +43 +2\.6875 +raw = 3$", text, re.MULTILINE)
    assert re.search(r"most +46 +2\.8750 +raw = 6$", text, re.MULTILINE)
    shares = [(int(inputs), float(share)) for inputs, share in re.findall(r" (\d+) +(\d+\.\d)%", text)]
    assert sum(inputs for inputs, _ in shares) == 400
    assert sum(share for _, share in shares) == pytest.approx(100, abs=0.5)


def test_rows_asked_for_come_and_the_rest_is_counted() -> None:
    """--rows N lists the first N."""
    view = view_time(RESULTS["few counts"])
    text = seen(lambda screen: show_time(screen, view, rows=20))
    assert len(re.findall(r"^ +\d+ +4\d +", text, re.MULTILINE)) >= 20
    assert "and 380 more rows" in text


def test_many_counts_are_drawn_with_a_ruler_below() -> None:
    """The tallest column is told in figures, so that the picture need not be measured."""
    view = view_time(RESULTS["many counts"])
    text = seen(lambda screen: show_time(screen, view))
    tallest = re.search(r"the tallest column is (\d+) inputs? \((\d+\.\d)%\)", text)
    assert tallest
    assert float(tallest[2]) == pytest.approx(int(tallest[1]) / 4, abs=0.05)
    assert "┷" in text
    assert text.splitlines()[-3].strip().endswith("cycles")


def test_a_buffer_that_did_not_change_is_not_shown_again() -> None:
    """Only what the function wrote is news."""
    same = made_call({"frame": b"\x01\x02", "text": "hi"}, 9, buffers={"frame": b"\x01\x02", "text": b"hi\0"})
    changed = made_call({"frame": b"\x01\x02"}, 9, buffers={"frame": b"\x01\x03"})
    assert "afterwards" not in seen(lambda screen: show_time(screen, view_time(same)))
    assert "frame afterwards   01 03" in seen(lambda screen: show_time(screen, view_time(changed)))


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437"])
def test_a_stream_that_cannot_be_drawn_on_gets_plain_text(encoding: str) -> None:
    """Old consoles and pipes on Windows have encodings of their own: no character is lost in them."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict", newline="")
    screen = Screen(stream, has_colour=False, is_plain=False, is_terminal=False, width=80)
    show_time(screen, view_time(RESULTS["many counts"]))
    stream.flush()
    stream.seek(0)
    assert screen.is_plain
    assert stream.read().isascii()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_listing_fits_but_for_commands_to_copy(width: int) -> None:
    """Commands are not wrapped, so that they can be copied whole."""
    lines = seen(lambda screen: show_functions(screen, LISTING), width=width).splitlines()
    assert [line for line in lines if len(line) > width and "cyclerule time" not in line] == []
    assert [line.strip() for line in lines if "cyclerule time" in line] == LISTING.next_commands


def test_the_listing_says_how_many_inputs_were_tried() -> None:
    """A least and a most over a part of the inputs is not passed off as one over all."""
    text = seen(lambda screen: show_functions(screen, LISTING), width=120)
    assert "64 of 65,536" in text
    assert "all 256" in text
    assert "frame is a pointer: frame=hex:01" in text
    assert "* measured in a kept copy" in text
    assert "! hive.c:9: warning: no ADC" in text
    assert functions_sentence(LISTING) == (
        "hive.c: 4 functions, 3 of them called, some with a part of their inputs only; "
        f"the longest is {LONG_NAME} with up to 1,170,000 cycles"
    )


def test_parts_say_what_is_in_the_way() -> None:
    """A part without a header or start-up file, and one whose CPU is not modelled."""
    odd = [
        *PARTS,
        replace(PARTS[0], name="attiny10", family="AVRrc"),
        replace(PARTS[0], name="mega", has_startup=False),
    ]
    view = view_parts(TOOLCHAIN, odd)
    assert [each.problem for each in view.parts] == [
        None,
        "no device header",
        "CPU not modelled yet",
        "no start-up file",
    ]
    text = seen(lambda screen: show_parts(screen, view))
    assert text.startswith("avr-gcc 5.4.0 knows 4 parts; code for 1 of them can be timed\n")
    assert max(map(len, text.splitlines())) <= 80


def test_settings_say_where_they_come_from() -> None:
    """A setting, its value, its origin; one without a value is said to have none."""
    view = [SettingView("part", "atmega328p", "environment CYCLERULE_PART"), SettingView("clock", "", "default")]
    lines = seen(lambda screen: show_settings(screen, view)).splitlines()
    assert [re.split(r" {2,}", line) for line in lines] == [
        ["setting", "value", "from"],
        ["part", "atmega328p", "environment CYCLERULE_PART"],
        ["clock", "none", "default"],
    ]
