"""avr-libc's mathematics and the compiler's integer support: both engines, value by value, over random inputs."""

from pathlib import Path
from random import Random

import pytest

from cyclerule.session.firmware import Firmware, build

ONE = [
    *("acos", "asin", "atan", "cbrt", "ceil", "cos", "cosh", "exp", "floor", "log", "log10", "round", "sin", "sinh"),
    *("sqrt", "square", "tan", "tanh", "trunc"),
]
TWO = ["atan2", "fdim", "fmax", "fmin", "fmod", "hypot", "pow"]
INTEGER = {
    "product": "uint32_t product(uint32_t a, uint32_t b) { return a * b; }",
    "quotient": "uint32_t quotient(uint32_t a, uint32_t b) { return b ? a / b : 7; }",
    "rest": "int32_t rest(int32_t a, int32_t b) { return b ? a % b : 7; }",
    "wide": "uint64_t wide(uint32_t a, uint32_t b) { return (uint64_t)a * b + (a >> (b & 31)); }",
    "wide_quotient": "uint64_t wide_quotient(uint64_t a, uint32_t b) { return b ? a / b : 7; }",
    "halves": "int16_t halves(int16_t a, int16_t b) { return b ? div(a, b).quot + div(a, b).rem : 7; }",
    "converted": "int32_t converted(float a, float b) { return (int32_t)(a * 10) + (int32_t)(b + 0.5f); }",
}


@pytest.fixture(scope="module", params=["atmega328p", "atmega2560", "attiny85"])
def firmware(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Firmware:
    """One program that calls everything, so that all of it is linked."""
    source: Path = tmp_path_factory.mktemp("library") / "library.c"
    lines = ["#include <math.h>", "#include <stdint.h>", "#include <stdlib.h>", *INTEGER.values()]
    lines += [f"float call_{name}(float a) {{ return {name}(a); }}" for name in ONE]
    lines += [f"float call_{name}(float a, float b) {{ return {name}(a, b); }}" for name in TWO]
    source.write_text("\n".join(lines) + "\n", "utf-8")
    return build([source], part=request.param, flags=["-fno-builtin"], optimize="1")


def same_on_both(firmware: Firmware, function: str, **domains: object) -> None:
    """Fails unless every row has the same cycles, bits, instructions and stack depth."""
    one, other = (firmware.sweep(function, domains, engine=engine) for engine in ("reference", "scalar"))
    for field in ("row_cycles", "row_instructions", "row_stack_bytes"):
        assert list(getattr(one, field)) == list(getattr(other, field)), f"{function}: {field}"
    assert [repr(value) for value in one.row_returned or ()] == [repr(value) for value in other.row_returned or ()]
    assert one.held == other.held


def numbers(name: str, count: int) -> list[float]:
    """Gives numbers of many sizes, with zero and both signs."""
    random = Random(name)
    return [0.0, -1.0, *(random.uniform(-1, 1) * 10 ** random.randrange(-6, 9) for _ in range(count))]


@pytest.mark.parametrize("name", ONE)
def test_functions_of_one_number(firmware: Firmware, name: str) -> None:
    """From acos to trunc."""
    same_on_both(firmware, f"call_{name}", a=numbers(name, 10))


@pytest.mark.parametrize("name", TWO)
def test_functions_of_two_numbers(firmware: Firmware, name: str) -> None:
    """From atan2 to pow."""
    same_on_both(firmware, f"call_{name}", a=numbers(name, 2), b=numbers(name + "b", 2))


@pytest.mark.parametrize("name", sorted(INTEGER))
def test_integer_support(firmware: Firmware, name: str) -> None:
    """Products, quotients, rests, shifts and conversions of every width."""
    random = Random(name)
    bits = {"halves": (-(1 << 15), (1 << 15) - 1), "rest": (-(1 << 31), (1 << 31) - 1)}
    low, high = bits.get(name, (0, (1 << 32) - 1))
    if name == "converted":
        same_on_both(firmware, name, a=numbers(name, 3), b=numbers(name + "b", 3))
        return
    values = [[1, high, *(random.randint(low, high) >> random.randrange(16) for _ in range(4))] for _ in "ab"]
    same_on_both(firmware, name, a=values[0], b=values[1])
