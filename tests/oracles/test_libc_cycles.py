"""Cycles of library functions against the benchmark tables of avr-libc's manual; tests/golden/README.md says more."""

import pytest

from cyclerule.toolchain import find
from tests.golden.tables import rows
from tests.oracles.libc_calls import CALLS, Library

RCALL = 3
"""The published figures contain the call instruction: DS40002198 sec. 5, RCALL with a 16-bit program counter."""

PARTS = {"avr2": "at90s8515", "avr25": "attiny84", "avr4": "atmega8", "avr5": "atmega328p", "avr6": "atmega2560"}

# Written in assembly in avr-libc; the other rows of that table were compiled from C by another compiler.
CONVERSIONS = ("atoi", "itoa")

PUBLISHED = rows("libc_cycles.csv")
MATH = [row["call"] for row in PUBLISHED if row["table"] == "math"]
EXACT = [row["call"] for row in PUBLISHED if row["table"] == "libc" and row["function"] in CONVERSIONS]
CLOCKS = {(row["call"], family): row[f"{family}_clocks"] for row in PUBLISHED for family in ("avr2", "avr25", "avr4")}
NEWER = {row["call"]: int(row["avr6_clocks"]) for row in rows("libc_cycles_avr6.csv")}
INSTALLED = {row["call"]: row for row in rows("libc_cycles_installed.csv")}


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """The library that the tables are about; another one takes another time."""
    version = find().macros("atmega8", headers=("avr/version.h",)).get("__AVR_LIBC_VERSION_STRING__")
    if version != '"2.0.0"':
        pytest.skip(f"the published figures are those of avr-libc 2.0.0; {version} is installed")
    return Library(tmp_path_factory.mktemp("libc"))


def test_the_table_has_the_rows_that_are_checked() -> None:
    """avr-libc 2.0.0 user manual, Benchmarks: the half of its rows that stands here."""
    assert (len(MATH), len(EXACT)) == (16, 2)
    assert {row["call"] for row in PUBLISHED} == set(CALLS) == set(INSTALLED)


@pytest.mark.parametrize("family", ["avr2", "avr4"])
@pytest.mark.parametrize("call", MATH)
def test_a_mathematical_function_takes_the_published_clocks(library: Library, call: str, family: str) -> None:
    """avr-libc 2.0.0 user manual, Benchmarks, floating-point table: AVR2 without and AVR4 with a multiplier."""
    measured = library.call(call, PARTS[family])
    assert measured.cycles + RCALL == int(CLOCKS[call, family])
    assert measured.cycles_with_call == int(CLOCKS[call, family])
    assert measured.returned == pytest.approx(CALLS[call].returned, rel=1e-6)


@pytest.mark.parametrize("family", ["avr2", "avr25", "avr4"])
@pytest.mark.parametrize("call", EXACT)
def test_a_conversion_written_in_assembly_takes_the_published_clocks(library: Library, call: str, family: str) -> None:
    """avr-libc 2.0.0 user manual, Benchmarks, table of the C library."""
    measured = library.call(call, PARTS[family])
    assert measured.cycles + RCALL == int(CLOCKS[call, family])
    assert measured.cycles_with_call == int(CLOCKS[call, family])


@pytest.mark.parametrize("call", EXACT)
def test_a_22_bit_program_counter_takes_the_newer_manuals_clocks(library: Library, call: str) -> None:
    """avr-libc 2.3.0 user manual, Benchmarks, AVR6, whose call instruction is a CALL of 5; same assembly source."""
    measured = library.call(call, PARTS["avr6"])
    assert measured.cycles + 5 == NEWER[call]
    assert measured.cycles_with_call == NEWER[call]


@pytest.mark.parametrize("call", sorted(CALLS))
def test_every_row_takes_on_an_atmega328p_what_it_took_before(library: Library, call: str) -> None:
    """No source: our own figures, so that a change shows. There is no published column for AVR5, whose CALL is 4."""
    measured = library.call(call, PARTS["avr5"])
    compiler = measured.measured.compiler
    if compiler is None or not compiler.startswith("avr-gcc 5.4.0"):
        pytest.skip(f"the figures are those of a library built by avr-gcc 5.4.0; this is {compiler}")
    assert measured.cycles_with_call == int(INSTALLED[call]["avr5_clocks"])
    assert measured.stack_bytes == int(INSTALLED[call]["avr5_stack"])
    if CALLS[call].returned is not None:
        assert measured.returned == pytest.approx(CALLS[call].returned, rel=1e-6)
