"""Floating-point arithmetic of avr-gcc's libraries, run on the model, against IEEE 754 as numpy's float32 has it.

Whether a bit of a sum is right depends on every instruction on the way, so equal results for thousands of operands
say that the instructions compute what the library's authors meant. Where the library itself departs from the
standard, the departure is written out here and counted.
"""

from fractions import Fraction
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pytest
from numpy.typing import NDArray

import cyclerule as cr
from cyclerule.toolchain import find

Words: TypeAlias = NDArray[Any]

PROGRAM = """\
#include <stdint.h>

#define EACH(name, from, to, result) \\
    void name(const from *a, const from *b, to *r, uint8_t n) { for (; n; n--, a++, b++) *r++ = (result); }

EACH(add, float, float, *a + *b)
EACH(subtract, float, float, *a - *b)
EACH(multiply, float, float, *a * *b)
EACH(divide, float, float, *a / *b)
EACH(compare, float, uint8_t,
     (*a < *b) | (*a <= *b) << 1 | (*a == *b) << 2 | (*a != *b) << 3 | (*a >= *b) << 4 | (*a > *b) << 5)
EACH(to_signed, float, int32_t, (int32_t)*a)
EACH(to_unsigned, float, uint32_t, (uint32_t)*a)
EACH(from_signed, int32_t, float, (float)*a)
EACH(from_unsigned, uint32_t, float, (float)*a)
"""

# How many operands a part's RAM takes at a time; the AT90S8515 has no multiplier, so other library code runs there.
BATCH = {"atmega2560": 200, "at90s8515": 30}

# Zeros, the smallest and largest subnormal and normal numbers, one and its neighbours, powers of two about the 24 bits
# of the significand and about the limits of 32-bit integers, infinities, NaNs of both kinds and signs.
SPECIAL = np.array(
    [
        *(0x00000000, 0x80000000, 0x00000001, 0x80000001, 0x00400000, 0x007FFFFF, 0x00800000, 0x00800001),
        *(0x3F800000, 0xBF800000, 0x3F7FFFFF, 0x3F800001, 0x40490FDB, 0x33800000, 0x34000000, 0x20000000),
        *(0x4B000000, 0x4B800000, 0x4EFFFFFF, 0x4F000000, 0xCF000000, 0x4F7FFFFF, 0x5F000000, 0x7F7FFFFF),
        *(0xFF7FFFFF, 0x7F800000, 0xFF800000, 0x7FC00000, 0x7F800001, 0xFFC12345),
    ],
    dtype=np.uint32,
)


def random_numbers(choose: np.random.Generator, exponents: Words) -> Words:
    """Numbers of both signs with those exponents and any significand."""
    significands = choose.integers(0, 1 << 23, len(exponents))
    signs = choose.integers(0, 2, len(exponents))
    return (signs << 31 | exponents << 23 | significands).astype(np.uint32)


def operands() -> tuple[Words, Words]:
    """All pairs of special numbers; random words; numbers whose exponents are at most 27 apart, so that bits meet."""
    choose = np.random.default_rng(754)
    left, right = (each.ravel() for each in np.meshgrid(SPECIAL, SPECIAL))
    words = choose.integers(0, 1 << 32, (2, 1000), dtype=np.uint32)
    exponents = choose.integers(1, 255, 1200)
    nearby = np.clip(exponents + choose.integers(-27, 28, 1200), 0, 254)
    return (
        np.concatenate([left, words[0], random_numbers(choose, exponents)]),
        np.concatenate([right, words[1], random_numbers(choose, nearby)]),
    )


LEFT, RIGHT = operands()


def is_nan(words: Words) -> Words:
    """Exponent all ones and a significand that is not zero."""
    return (words & 0x7FFFFFFF) > 0x7F800000


class Machine:
    """The program on a part."""

    def __init__(self, part: str, folder: Path) -> None:
        source = folder / f"arithmetic_{part}.c"
        source.write_text(PROGRAM, encoding="utf-8")
        self._firmware = cr.build([source], part=part, flags=["-lm"])
        self._batch = BATCH[part]

    def run(self, function: str, left: Words, right: Words, result: Any) -> Words:
        """What the part computes, operand by operand; `result` is numpy's type of it."""
        kind, results = np.dtype(result), []
        for first in range(0, len(left), self._batch):
            a, b = (each[first : first + self._batch] for each in (left, right))
            room = cr.out(len(a) * kind.itemsize)
            call = self._firmware.call(function, a.tobytes(), b.tobytes(), room, len(a), engine="reference")
            results.append(np.frombuffer(call.arguments["r"], dtype=kind))
        return np.concatenate(results)


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Machine]:
    """The program on a part with and on one without a multiplier."""
    folder = tmp_path_factory.mktemp("ieee754")
    return {part: Machine(part, folder) for part in BATCH}


def as_float(words: Words) -> Words:
    """The same bits, read as numbers."""
    return words.view(np.float32)


def subnormal(words: Words) -> Words:
    """Numbers below the smallest normal one, zero included."""
    return (words & 0x7FFFFFFF) < 0x00800000


@pytest.mark.parametrize("part", BATCH)
@pytest.mark.parametrize("function", ["add", "subtract", "multiply", "divide"])
def test_arithmetic_is_correctly_rounded_to_nearest_even(
    machines: dict[str, Machine], function: str, part: str
) -> None:
    """IEEE 754-2008 sec. 4.3.1, numpy.float32: subnormal numbers, infinities, signed zeros and ties to even included.

    Not compared: the bits of a NaN, which the standard leaves open, and subnormal quotients; both have tests below.
    """
    host = {"add": np.add, "subtract": np.subtract, "multiply": np.multiply, "divide": np.divide}[function]
    left, right = (LEFT, RIGHT) if part == "atmega2560" else (LEFT[::3], RIGHT[::3])
    with np.errstate(all="ignore"):
        expected = host(as_float(left), as_float(right)).view(np.uint32)
    found = machines[part].run(function, left, right, np.uint32)
    assert np.array_equal(is_nan(found), is_nan(expected))
    compared = ~is_nan(expected)
    if function == "divide":
        compared &= ~(subnormal(expected) & (as_float(expected) != 0))
        compared &= ~(subnormal(found) & (as_float(found) != 0))
    wrong = np.flatnonzero((found != expected) & compared)
    assert [(hex(left[n]), hex(right[n]), hex(found[n]), hex(expected[n])) for n in wrong] == []
    assert np.count_nonzero(compared) > 0.8 * len(left)


def test_a_nan_has_the_librarys_own_bits(machines: dict[str, Machine]) -> None:
    """A departure to know of: quiet as IEEE 754-2008 sec. 6.2 wants it, but always with the sign set."""
    found = machines["atmega2560"].run("add", LEFT, RIGHT, np.uint32)
    nans = found[is_nan(found)]
    assert len(nans) == 178
    assert np.all(nans >> 22 == 0xFFC00000 >> 22)


def test_a_subnormal_quotient_is_at_times_the_number_below_the_nearest(machines: dict[str, Machine]) -> None:
    """A departure to know of, in avr-libc 2.0.0's division: it sees too few bits below a subnormal result.

    Never further off than that: the exact quotient lies between the result and the number after it.
    """
    version = find().macros("atmega8", headers=("avr/version.h",)).get("__AVR_LIBC_VERSION_STRING__")
    if version != '"2.0.0"':
        pytest.skip(f"a fact about avr-libc 2.0.0; {version} is installed")
    choose = np.random.default_rng(149)
    exponents = choose.integers(1, 100, 800)
    left = random_numbers(choose, exponents) & 0x7FFFFFFF
    right = random_numbers(choose, np.clip(exponents + choose.integers(126, 152, 800), 1, 254)) & 0x7FFFFFFF
    with np.errstate(all="ignore"):
        nearest = (as_float(left) / as_float(right)).view(np.uint32)
    found = machines["atmega2560"].run("divide", left, right, np.uint32)
    assert np.count_nonzero(subnormal(nearest)) > 700
    below = np.flatnonzero(found != nearest)
    assert len(below) == 7
    for n in below:
        quotient = Fraction(float(as_float(left)[n])) / Fraction(float(as_float(right)[n]))
        steps = quotient * 2**149
        assert found[n] == nearest[n] - 1 == int(steps)
        assert Fraction(1, 2) <= steps - int(steps) < Fraction(3, 4)


@pytest.mark.parametrize("part", BATCH)
def test_comparisons_are_those_of_the_standard(machines: dict[str, Machine], part: str) -> None:
    """IEEE 754-2008 sec. 5.11: <, <=, ==, !=, >=, > at once; a NaN is unordered, zeros of both signs are equal."""
    left, right = (LEFT, RIGHT) if part == "atmega2560" else (LEFT[::3], RIGHT[::3])
    a, b = as_float(left), as_float(right)
    expected = (a < b) | (a <= b) << 1 | (a == b) << 2 | (a != b) << 3 | (a >= b) << 4 | (a > b) << 5
    assert np.array_equal(machines[part].run("compare", left, right, np.uint8), expected)


@pytest.mark.parametrize("part", BATCH)
@pytest.mark.parametrize(("function", "kind"), [("from_signed", np.int32), ("from_unsigned", np.uint32)])
def test_integers_become_the_nearest_number(
    machines: dict[str, Machine], function: str, kind: type[np.int32 | np.uint32], part: str
) -> None:
    """IEEE 754-2008 sec. 5.4.1: rounded to nearest, ties to even."""
    choose = np.random.default_rng(32)
    sizes = choose.integers(0, 33, 1000)
    near_ties = (1 << choose.integers(24, 32, 200)) + (1 << choose.integers(0, 8, 200)) + choose.integers(-1, 2, 200)
    values = np.concatenate([SPECIAL, choose.integers(0, 1 << sizes), near_ties]).astype(np.uint32)
    expected = values.view(kind).astype(np.float32).view(np.uint32)
    assert np.array_equal(machines[part].run(function, values, values, np.uint32), expected)


@pytest.mark.parametrize("part", BATCH)
@pytest.mark.parametrize(("function", "kind"), [("to_signed", np.int32), ("to_unsigned", np.uint32)])
def test_numbers_become_integers_by_cutting_off_the_fraction(
    machines: dict[str, Machine], function: str, kind: type[np.int32 | np.uint32], part: str
) -> None:
    """C11 sec. 6.3.1.4; what does not fit the integer is undefined there and not compared."""
    choose = np.random.default_rng(33)
    values = np.concatenate([SPECIAL, LEFT[::5], random_numbers(choose, choose.integers(110, 160, 1000))])
    values = values[~is_nan(values)]
    whole = np.trunc(as_float(values).astype(np.float64))
    limits = np.iinfo(kind)
    values = values[(whole >= limits.min) & (whole <= limits.max)]
    assert len(values) > 500
    found = machines[part].run(function, values, values, kind)
    assert np.array_equal(found, np.trunc(as_float(values).astype(np.float64)).astype(kind))
