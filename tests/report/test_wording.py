"""How figures are written: rounded by whole numbers, in a unit that leaves something of them."""

import math
import re
from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cyclerule.report.wording import counted, float_text, input_text, shortened, span_text, time_span
from cyclerule.units import Hertz

UNITS = {"µs": 1, "ms": 1_000, "s": 1_000_000}
MHZ_16 = Hertz(16_000_000)


def test_times_take_the_unit_that_suits() -> None:
    """Cycles at 16 MHz by hand: 16 a microsecond."""
    assert time_span(41, 41, MHZ_16) == "2.56 µs"
    assert time_span(65_536, 65_536, MHZ_16) == "4,096.00 µs"
    assert time_span(393_218, 393_218, MHZ_16) == "24.576 ms"
    assert time_span(320_000_000, 320_000_000, MHZ_16) == "20.000 s"
    assert time_span(160_000, 320_000, MHZ_16) == "10.000 to 20.000 ms"


def test_times_far_apart_have_a_unit_each() -> None:
    """Half a microsecond is 0.001 ms after rounding, which says nothing."""
    assert time_span(8, 393_218, MHZ_16) == "0.50 µs to 24.576 ms"


def test_halves_are_rounded_up() -> None:
    """1,170 cycles at 16 MHz are 73.125 µs; half to even would say 73.12 there and 73.14 one step on."""
    assert time_span(1170, 1170, MHZ_16) == "73.13 µs"


def test_a_clock_of_whole_microseconds_has_no_decimals() -> None:
    """At 1 MHz a cycle is a microsecond."""
    assert time_span(41, 49, Hertz(1_000_000)) == "41 to 49 µs"


@given(st.integers(1, 1 << 40), st.integers(1, 1 << 40), st.integers(1, 100_000_000))
def test_a_written_time_is_within_half_of_its_last_digit(one: int, other: int, hertz: int) -> None:
    """Checked with exact fractions."""
    least, most = sorted((one, other))
    written = re.findall(r"([\d,]+(?:\.\d+)?)(?: (µs|ms|s)\b)?", time_span(least, most, Hertz(hertz)))
    shared = written[-1][1]
    assert len(written) in (1, 2)
    for (figure, unit), cycles in zip(written, (least, most) if len(written) == 2 else (least,), strict=True):
        decimals = len(figure.partition(".")[2])
        exact = Fraction(cycles * 1_000_000, hertz) / UNITS[unit or shared]
        assert abs(Fraction(figure.replace(",", "")) - exact) <= Fraction(1, 2 * 10**decimals)


@given(st.floats(width=32, allow_nan=False))
def test_a_float_has_the_fewest_digits_that_tell_it_apart(value: float) -> None:
    """The shortest text that numpy has of a float32 (its Dragon4) names the same number with as many digits."""
    text = float_text(value)
    if math.isinf(value):
        assert text == str(value)
        return
    assert np.float32(text) == np.float32(value)
    digits = len(re.sub(r"e.*|[-.]", "", text).strip("0"))
    shortest = np.format_float_scientific(np.float32(value), unique=True)
    assert digits <= max(1, len(re.sub(r"e.*|[-.]", "", shortest).strip("0")))


def test_a_number_that_32_bits_do_not_hold_is_written_in_full() -> None:
    """A 64-bit float keeps its own digits."""
    assert float_text(0.1) == "0.1"
    assert float_text(float(np.float32(0.1))) == "0.1"
    assert float_text(1e300) == "1e+300"
    assert float_text(float("nan")) == "nan"
    assert float_text(0.625) == "0.625"


def test_counts_are_in_the_plural_where_they_are_not_one() -> None:
    """Thousands are set apart."""
    assert [counted(n, "input") for n in (0, 1, 65_536)] == ["0 inputs", "1 input", "65,536 inputs"]
    assert [span_text(41, 41), span_text(999, 1000)] == ["41", "999 to 1,000"]


def test_long_values_are_cut_where_they_are_read_and_nowhere_else() -> None:
    """An input stays in its line."""
    assert input_text({"frame": "hex:" + "00" * 40, "n": "3"}) == f"frame = hex:{'00' * 11}0…, n = 3"
    assert shortened("wax", 3) == "wax"
