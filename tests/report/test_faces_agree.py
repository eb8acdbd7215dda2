"""Terminal, JSON, CSV and the C comment are made from one view, and say the same figures."""

import csv
import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from cyclerule.machine.bus import IoWrite
from cyclerule.measure.results import Call, Held, Sweep, Warned
from cyclerule.report.comment import comment
from cyclerule.report.document import time_document, write_document
from cyclerule.report.rows_csv import csv_lines
from cyclerule.report.terminal import show_time
from cyclerule.report.timing import TimeView, view_time
from tests.report.handmade import FORAGE, at_clock, forage_cycles, forage_result, made_call, made_sweep
from tests.report.screens import seen

SWEEP = made_sweep(FORAGE, forage_cycles, forage_result)
MANY = made_sweep({"raw": range(300)}, lambda raw: 40 + raw % 60, lambda raw: raw)
CALL = made_call({"bees": 2, "wind": 7}, 3048, returned=607)
UNHURRIED = made_sweep({"raw": range(5)}, lambda raw: 100 + raw, measured=at_clock(None))
ODD_CLOCK = made_sweep({"raw": range(5)}, lambda raw: 100 + raw, measured=at_clock(18_432_000))
RESULTS: dict[str, Call | Sweep] = {
    "sweep": SWEEP,
    "many rows": MANY,
    "call": CALL,
    "no clock": UNHURRIED,
    "odd clock": ODD_CLOCK,
}


def documented(view: TimeView) -> dict[str, Any]:
    """Gives the JSON document as others read it."""
    read: dict[str, Any] = json.loads(write_document(time_document(view)))
    return read


def tabled(view: TimeView) -> list[dict[str, str]]:
    """Gives the CSV rows as others read them."""
    return list(csv.DictReader("".join(csv_lines(view)).splitlines()))


def numbers(text: str) -> list[str]:
    """Gives the figures in a text, without the commas between thousands."""
    return [each.replace(",", "") for each in re.findall(r"\d[\d,]*(?:\.\d+)?", text)]


@pytest.mark.parametrize("name", RESULTS)
def test_csv_and_json_have_the_same_rows(name: str) -> None:
    """Every figure of every row, read back from both."""
    view = view_time(RESULTS[name])
    document, rows = documented(view), tabled(view)
    assert len(rows) == document["count"] == len(document["calls"])
    for call, row in zip(document["calls"], rows, strict=True):
        assert {key: int(row[key]) for key in ("cycles", "cycles_with_call", "instructions", "stack_bytes")} == {
            key: call[key] for key in ("cycles", "cycles_with_call", "instructions", "stack_bytes")
        }
        assert {name: int(row[name]) for name in call["arguments"]} == call["arguments"]
        assert (int(row["returned"]) if "returned" in row else None) == call["returned"]
        if document["clock_hz"] is None:
            assert "microseconds" not in row
        else:
            exact = Fraction(call["cycles"] * 1_000_000, document["clock_hz"])
            assert abs(Fraction(row["microseconds"]) - exact) <= Fraction(1, 20_000)


@pytest.mark.parametrize("name", RESULTS)
def test_the_document_sums_up_its_own_rows(name: str) -> None:
    """Minimum, median, maximum, mean and histogram follow from the calls, by the first input that gives each."""
    document = documented(view_time(RESULTS[name]))
    cycles = [call["cycles"] for call in document["calls"]]
    ordered = sorted(cycles)
    for key, count in (("minimum", ordered[0]), ("median", ordered[(len(cycles) - 1) // 2]), ("maximum", ordered[-1])):
        first = next(call for call in document["calls"] if call["cycles"] == count)
        assert document[key] == {"cycles": count, "arguments": first["arguments"]}
    assert document["mean_cycles"] == pytest.approx(sum(cycles) / len(cycles))
    assert document["histogram"] == [[count, cycles.count(count)] for count in sorted(set(cycles))]


@pytest.mark.parametrize("name", RESULTS)
def test_the_terminal_shows_the_figures_of_the_document(name: str) -> None:
    """With every row shown, each row of the document stands in a line of its own, in order."""
    view = view_time(RESULTS[name])
    document = documented(view)
    text = seen(lambda screen: show_time(screen, view, rows=1 << 62), width=100)
    if document["count"] == 1:
        shown = numbers(text)
        call = document["calls"][0]
        assert {str(call[key]) for key in ("cycles", "cycles_with_call", "instructions", "returned")} <= set(shown)
        return
    lines = iter(text.splitlines())
    for call in document["calls"]:
        wanted = [*map(str, call["arguments"].values()), str(call["cycles"])]
        assert any(numbers(line)[: len(wanted)] == wanted for line in lines), wanted


@pytest.mark.parametrize("name", RESULTS)
def test_sentence_and_comment_have_the_documents_least_and_most(name: str) -> None:
    """The first line of the terminal and of the comment, and the quiet one, say the same cycles."""
    view = view_time(RESULTS[name])
    document = documented(view)
    least, most = document["minimum"]["cycles"], document["maximum"]["cycles"]
    quiet = seen(lambda screen: show_time(screen, view, is_brief=True))
    for text in (seen(lambda screen: show_time(screen, view)), quiet, comment(view)):
        said = numbers(text.partition(": ")[2])
        assert said[: 1 if least == most else 2] == ([str(least)] if least == most else [str(least), str(most)])
    assert quiet.count("\n") == 1


def test_a_result_has_the_same_rows_in_the_file_that_python_writes(tmp_path: Path) -> None:
    """`Sweep.to_csv` and the command's --csv write the same bytes."""
    path = tmp_path / "rows.csv"
    texts: dict[str, list[object]] = {
        "name": ["wax", 'a "queen"', "drone, worker"],
        "cycles": [1, 2],
        "blob": [b"\x01\x02"],
    }
    sweeps: list[Sweep] = [
        SWEEP,
        MANY,
        UNHURRIED,
        ODD_CLOCK,
        made_sweep(texts, lambda name, cycles, blob: len(name) + cycles + len(blob), lambda **_: 0.1),
        made_sweep({"x": [0.1, float("inf")]}, lambda x: 9, lambda x: float("nan")),
    ]
    for sweep in sweeps:
        sweep.to_csv(path)
        assert "".join(csv_lines(view_time(sweep))).encode("utf-8") == path.read_bytes()


def test_of_a_call_all_faces_have_what_it_did() -> None:
    """Buffers, register writes and what was held are in the document and on the terminal."""
    call = made_call(
        {"out": b"\x00\x00"},
        48,
        buffers={"out": b"\x0a\x0b", 0: b"\x0a\x0b"},
        writes=[IoWrite(7, "PORTB", 0x20)],
        held=[Held("PINB", 3), Held("comb", bytes(range(12)))],
        warnings=[Warned("hive.c:9 in forage", "TCNT0 is not modelled")],
    )
    view = view_time(call, registers=frozenset({"PINB", "PORTB"}))
    document = documented(view)
    assert document["buffers"] == {"out": "0a0b"}
    assert document["io"] == [{"cycle": 7, "register": "PORTB", "value": 0x20}]
    assert document["held"] == [{"name": "PINB", "value": 3}, {"name": "comb", "value": bytes(range(12)).hex()}]
    assert document["warnings"] == ["hive.c:9 in forage: warning: TCNT0 is not modelled"]
    text = seen(lambda screen: show_time(screen, view))
    for each in ("0a 0b", "PORTB = 0x20 by cycle 7", "PINB = 0x03", "00 01 02 03", "TCNT0 is not modelled"):
        assert each in text
