"""Three and more timer interrupts at awkward phases: the compiled engine holds to the reference to the cycle."""

from functools import cache
from pathlib import Path

import pytest

from cyclerule.measure.results import Run
from cyclerule.session.firmware import Firmware, build

PROGRAM = Path(__file__).parent / "programs" / "three_sources.c"
MARKS = ("GPIOR0", "GPIOR1", "GPIOR2")
"""Each handler writes what it reads of its timer's count to one of these."""


@cache
def firmware(*, fourth: bool = False) -> Firmware:
    """Builds the program for 16 MHz."""
    return build([PROGRAM], part="atmega328p", clock="16 MHz", defines={"FOURTH": "1"} if fourth else {})


def run(engine: str, cycles: int, *, fourth: bool = False, marks: bool = True) -> Run:
    """Runs the program from reset."""
    watch = MARKS if marks else ()
    return firmware(fourth=fourth).run(until=f"cycles:{cycles}", engine=engine, watch=watch)


def compare(cycles: int, *, fourth: bool, marks: bool) -> Run:
    """Runs both engines and compares all that a run tells."""
    reference, compiled = (run(engine, cycles, fourth=fourth, marks=marks) for engine in ("reference", "scalar"))
    assert reference.cycles == compiled.cycles
    assert reference.handlers == compiled.handlers
    assert reference.watched == compiled.watched
    assert reference.warnings == compiled.warnings == []
    return reference


@pytest.mark.parametrize("fourth", [False, True])
def test_three_sources_agree_over_ten_million_cycles(fourth: bool) -> None:
    """Periods of 977 cycles, 808 and 510, of which no two have a small common multiple but 808 and 510."""
    cycles = 10_000_000 if fourth else 1_000_000
    found = compare(cycles, fourth=fourth, marks=not fourth)
    counts = {name: each.count for name, each in found.handlers.items()}
    assert counts["TIMER1_COMPA"] == pytest.approx(cycles / 977, abs=2)
    assert counts["TIMER0_COMPA"] == pytest.approx(cycles / 808, abs=2)
    assert counts["TIMER2_OVF"] == pytest.approx(cycles / 510, abs=2)
    if fourth:
        assert counts["TIMER2_COMPB"] == pytest.approx(2 * cycles / 510, abs=4)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("fourth", [False, True])
def test_three_sources_agree_over_a_hundred_million_cycles(fourth: bool) -> None:
    """The same for six seconds of the board's time."""
    compare(100_000_000, fourth=fourth, marks=False)
