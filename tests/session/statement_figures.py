"""Figures of statements, and the builds that tests of them go through."""

from pathlib import Path
from typing import Any

import pytest

import cyclerule as cr
from cyclerule.measure.statements import Passage, StatementRow

PROGRAMS = Path(__file__).parent / "programs"
SCALES = PROGRAMS / "scales.c"
SENSOR = PROGRAMS / "sensor.cpp"
PART = "atmega328p"
CLOCK = "16 MHz"

FLAGS = {
    "size": ["-Os"],
    "speed": ["-O2"],
    "more speed": ["-O3"],
    "none": ["-O0"],
    "link time": ["-Os", "-flto"],
    "link time, speed": ["-O2", "-flto"],
    "sections": ["-Os", "-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections"],
}
every_build = pytest.mark.parametrize("flags", FLAGS.values(), ids=FLAGS)
every_part = pytest.mark.parametrize("part", ["atmega328p", "attiny85", "atmega2560"])


def times(statements: str, **how: Any) -> cr.StatementTimes:
    """Times statements, alone unless files are given."""
    return cr.code(statements, **{"part": PART, "clock": CLOCK, **how})


def passages(row: StatementRow) -> tuple[Passage, Passage]:
    """Gives both columns of a row."""
    assert row.constant is not None
    assert row.variable is not None
    return row.constant, row.variable


def only(statements: str, **how: Any) -> Passage:
    """Gives the only figure of statements with constants."""
    (row,) = times(statements, **how).rows
    assert row.constant is not None
    return row.constant


def constants(found: cr.StatementTimes) -> list[int]:
    """Gives the cycles of the constant column."""
    return [row.constant.cycles for row in found.rows if row.constant is not None]


def variables(found: cr.StatementTimes) -> list[int]:
    """Gives the cycles of the variable column."""
    return [row.variable.cycles for row in found.rows if row.variable is not None]
