"""The published schemas are those of the documents, and tell good documents from bad ones."""

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from cyclerule.machine.bus import IoWrite
from cyclerule.measure.results import Call, Held, Sweep, Warned
from cyclerule.measure.statements import Passage, StatementRow, StatementTimes
from cyclerule.parts.part import PartSummary
from cyclerule.report.document import (
    Document,
    code_document,
    error_document,
    functions_document,
    parts_document,
    published_schemas,
    settings_document,
    time_document,
    write_document,
)
from cyclerule.report.functions import FunctionsView, FunctionView
from cyclerule.report.parts import view_parts
from cyclerule.report.phases import phases_document, view_phases
from cyclerule.report.run_document import run_document
from cyclerule.report.settings import SettingView
from cyclerule.report.statements import view_statements
from cyclerule.report.timing import BuildView, view_time
from cyclerule.toolchain import Toolchain
from tests.report.handmade import FORAGE, at_clock, forage_cycles, forage_result, made_call, made_sweep
from tests.report.handmade_phases import EVERY_PHASE, SOME_PHASES
from tests.report.handmade_run import A_RUN, A_SHORT_RUN
from tests.report.json_schema import problems

FOLDER = Path(__file__).parents[2] / "docs" / "schemas"

TIMES: dict[str, Call | Sweep] = {
    "a sweep": made_sweep(FORAGE, forage_cycles, forage_result, held=[Held("mode", 1), Held("comb", b"\x01")]),
    "a summary": made_sweep(FORAGE, forage_cycles, keeps_rows=False, measured=at_clock(None)),
    "a call": made_call({"x": 0.5, "out": b"\x00"}, 9, returned=float("inf"), warnings=[Warned("h.c:1", "no ADC")]),
    "a structure": made_call({"p": {"x": 1, "y": [1, 2]}}, 9, returned=b"\x01\x02"),
}
FUNCTION = FunctionView(
    name="forage",
    signature="uint16_t forage(uint8_t bees)",
    file="hive.c",
    line=12,
    size_bytes=30,
    minimum=41,
    maximum=49,
    stack_bytes=2,
    covers="every input",
    inputs=256,
    tried=256,
    problem=None,
    stands=None,
    held=["mode"],
    warnings=[],
    example=[],
)
FUNCTIONS = FunctionsView(
    files=["hive.c"],
    part="atmega328p",
    clock_hz=None,
    build=BuildView(None, [], "as built", "0" * 64),
    functions=[FUNCTION],
    next_commands=["cyclerule time hive.c forage", "cyclerule time hive.c forage --comment"],
    build_warnings=[],
)
PASSAGE = Passage(5, 5, 3, 0, (IoWrite(4, "PORTB", 1),), (Held("PINB", 0),), (), "reference")
STATEMENTS = StatementTimes(
    measured=replace(at_clock(None), image="statements in a generated function"),
    code="PORTB = {bit};",
    files=("hive.c",),
    domains={"bit": "0,LAST"},
    variables={"bit": "int"},
    kept=("bees",),
    rows=(
        StatementRow({"bit": 0}, {"bit": "0"}, PASSAGE, None),
        StatementRow({"bit": "LAST"}, {"bit": "LAST"}, None, PASSAGE),
    ),
)
TOOLCHAIN = Toolchain(Path("/opt/avr/bin"), "avr-gcc 5.4.0")
PARTS = [
    PartSummary("atmega328p", "AVRe+", "avr5", 32_768, 2_048, 1_024, has_startup=True, assembler_only=False),
    PartSummary("atmega328pb", "AVRe+", "avr5", None, None, None, has_startup=False, assembler_only=False),
]


def timed(result: Call | Sweep) -> Document:
    """Gives the document of a result."""
    return time_document(view_time(result))


DOCUMENTS: dict[str, tuple[str, Callable[[], Document]]] = {
    **{name: ("time", partial(timed, result)) for name, result in TIMES.items()},
    "no rows": ("time", lambda: time_document(view_time(TIMES["a sweep"]), 0)),
    "statements": ("code", lambda: code_document(view_statements(STATEMENTS))),
    "functions": ("functions", lambda: functions_document(FUNCTIONS)),
    "every phase": ("phases", lambda: phases_document(view_phases(EVERY_PHASE))),
    "some phases": ("phases", lambda: phases_document(view_phases(SOME_PHASES))),
    "a run": ("run", lambda: run_document(A_RUN)),
    "a short run": ("run", lambda: run_document(A_SHORT_RUN)),
    "parts": ("parts", lambda: parts_document(view_parts(TOOLCHAIN, PARTS))),
    "settings": ("settings", lambda: settings_document([SettingView("part", "atmega328p", "option")])),
    "an error": ("error", lambda: error_document("UnknownName", "no part 'x'", 2)),
}


def read(name: str) -> dict[str, Any]:
    """Gives a document as others read it."""
    document: dict[str, Any] = json.loads(write_document(DOCUMENTS[name][1]()))
    return document


def schema(word: str) -> dict[str, Any]:
    """Gives a published schema."""
    found: dict[str, Any] = json.loads((FOLDER / f"{word}-1.json").read_text("utf-8"))
    return found


def test_the_published_files_are_those_that_the_documents_give() -> None:
    """`scripts/write-schemas.py` writes them; nothing else stands in the folder."""
    assert {path.name: path.read_text("utf-8") for path in FOLDER.iterdir()} == published_schemas()


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_document_fits_its_schema(name: str) -> None:
    """Checked by a checker that knows nothing of the code which made either."""
    word = DOCUMENTS[name][0]
    document = read(name)
    assert problems(schema(word), document) == []
    assert document["schema"] == f"cyclerule/{word}/1"
    assert next(iter(document)) == "schema"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_document_without_one_of_its_keys_does_not_fit(name: str) -> None:
    """Every key is promised."""
    document = read(name)
    for key in document:
        lacking = copy.deepcopy(document)
        del lacking[key]
        assert problems(schema(DOCUMENTS[name][0]), lacking), key


def test_a_document_with_a_wrong_value_does_not_fit() -> None:
    """One defect at a time."""
    document = read("a sweep")
    for path, value in (
        (("schema",), "cyclerule/time/2"),
        (("clock_hz",), "16 MHz"),
        (("count",), 0),
        (("minimum", "cycles"), -1),
        (("build", "image"), "guessed"),
        (("build", "image_sha256"), "12"),
        (("histogram", 0), [1, 2, 3]),
        (("calls", 2, "cycles"), 1.5),
        (("calls", 2, "arguments"), []),
        (("held", 0, "name"), None),
    ):
        wrong = copy.deepcopy(document)
        place: Any = wrong
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value
        assert problems(schema("time"), wrong), path


def test_the_keys_of_time_are_the_promised_ones() -> None:
    """The keys that programs outside rely on, with the values that the results have."""
    document = read("a sweep")
    sweep = TIMES["a sweep"]
    assert document["function"] == sweep.measured.function
    assert document["part"] == "atmega328p"
    assert document["clock_hz"] == 16_000_000
    assert document["build"] == {
        "compiler": "avr-gcc 5.4.0",
        "flags": ["-Os", "-funsigned-char"],
        "image": "as built",
        "image_sha256": sweep.measured.image_sha256,
    }
    assert document["held"] == [{"name": "mode", "value": 1}, {"name": "comb", "value": "01"}]
    assert document["minimum"] == {"cycles": 1041, "arguments": {"bees": 0, "wind": 0}}
    assert document["maximum"] == {"cycles": 3048, "arguments": {"bees": 2, "wind": 7}}
    assert document["mean_cycles"] == 2044.5
    assert document["calls"][1] == {
        "arguments": {"bees": 0, "wind": 7},
        "cycles": 1048,
        "cycles_with_call": 1052,
        "returned": 7,
        "instructions": 524,
        "stack_bytes": 0,
    }


def test_rows_are_listed_up_to_a_number_and_counted() -> None:
    """65,536 unless another number is asked for; none where none were kept."""
    view = view_time(made_sweep({"n": range(70_000)}, lambda n: 5))
    for asked, listed in ((None, 65_536), (3, 3), (1 << 62, 70_000), (0, 0)):
        document = json.loads(write_document(time_document(view, asked)))
        assert (document["count"], document["calls_listed"], len(document["calls"])) == (70_000, listed, listed)
    assert read("a summary")["calls"] == []
    assert read("a summary")["median"] == {"cycles": 2041, "arguments": {}}


def test_what_json_has_no_word_for_goes_as_text() -> None:
    """RFC 8259 section 6: infinities and NaN are no numbers of JSON."""
    assert read("a call")["calls"][0]["returned"] == "inf"


def test_half_a_character_in_a_file_name_does_not_stop_a_document() -> None:
    """A file's name need not be text; JSON must be (RFC 8259 section 8.1)."""
    document = error_document("ArgumentError", "bee\udcff.c is no source", 2)
    assert json.loads(write_document(document))["message"] == "bee?.c is no source"
