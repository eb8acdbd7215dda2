"""A call at phases of the interrupts: terminal, document and CSV are made from one view."""

import csv
import json

import pytest

from cyclerule.measure.phases import Phases
from cyclerule.report.document import write_document
from cyclerule.report.phases import phases_csv_lines, phases_document, phases_sentence, view_phases
from cyclerule.report.phases_terminal import show_phases
from tests.report.handmade_phases import EVERY_PHASE, SOME_PHASES
from tests.report.screens import seen


@pytest.mark.parametrize("phases", [EVERY_PHASE, SOME_PHASES])
def test_every_face_has_the_figures_of_the_result(phases: Phases) -> None:
    """Least, most, mean, own cycles, handlers, rows."""
    view = view_phases(phases)
    document = json.loads(write_document(phases_document(view)))
    assert (document["minimum"], document["maximum"]) == (phases.minimum, phases.maximum)
    assert document["mean_cycles"] == phases.mean
    assert dict(document["histogram"]) == phases.histogram
    rows = [(row["phase"], row["cycles"], row["own_cycles"]) for row in document["rows"]]
    assert rows == [tuple(row) for row in phases.rows]
    table = list(csv.DictReader("".join(phases_csv_lines(view)).splitlines()))
    assert [(int(row["phase"]), int(row["cycles"]), int(row["own_cycles"])) for row in table] == rows
    assert ("microseconds" in table[0]) == (document["clock_hz"] is not None)
    for phase, cycles in ((document["minimum_phase"], phases.minimum), (document["maximum_phase"], phases.maximum)):
        assert next(row for row in phases.rows if row.cycles == cycles).phase == phase


def test_the_terminal_says_how_it_is_at_every_phase() -> None:
    """Sentence, extremes, handlers, histogram, sources."""
    text = seen(lambda screen: show_phases(screen, view_phases(EVERY_PHASE)), width=120)
    for line in (
        "forage(bees = 2, name = text:hive): 41 to 85 cycles, 2.56 to 5.31 µs at 16 MHz; with interrupts",
        "each of the 250 phases, but for 2 at which a handler runs; 41 of its own",
        "begins at function:loop in the program's own run, hive.c:41 in loop",
        "least 41 2.5625 41 0",
        "most 85 5.3125 41 238",
        "TIMER1_COMPA 10 4.03 % 10 44 44",
        "41 238 96.0%",
        "TIMER1_COMPA: each 250 cycles",
        "an event that may lead to an interrupt: at no period that is known",
    ):
        assert line in " ".join(text.split()), line
    assert phases_sentence(view_phases(EVERY_PHASE)) + "\n" == seen(
        lambda screen: show_phases(screen, view_phases(EVERY_PHASE), is_brief=True)
    )


def test_a_call_that_needs_its_interrupts_says_so() -> None:
    """Without a clock no time; a part of the phases; more than ten counts are drawn."""
    text = " ".join(seen(lambda screen: show_phases(screen, view_phases(SOME_PHASES)), width=120).split())
    assert "forage: 50 to 79 cycles; with interrupts, at 30 of 100,000 phases; 45 to 46 of its own; it needs" in text
    assert "note: with interrupts off: it waits" in text
    assert "phases by their cycles; the tallest column is" in text
    assert "µs" not in text


def test_a_document_lists_as_many_rows_as_asked() -> None:
    """The first ones."""
    document = phases_document(view_phases(EVERY_PHASE), 3)
    assert (document.count, document.rows_listed, len(document.rows)) == (248, 3, 3)
