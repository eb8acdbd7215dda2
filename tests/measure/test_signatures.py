"""Calls through the engine, one for each way that arguments and results travel, against Python's own arithmetic.

Sizes and placement are those of gcc.gnu.org/wiki/avr-gcc, "Calling Convention"; the values say whether they hold.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

import cyclerule as cr
from cyclerule.firmware.arguments import sized

SOURCE = Path(__file__).parent / "programs" / "signatures.c"

# Every optimisation on the part with everything; on the others, whose program counter, multiplication, MOVW or whole
# instruction set differ, one or two.
BUILDS = [
    ("atmega328p", "0", ()),
    ("atmega328p", "s", ()),
    ("atmega328p", "2", ()),
    ("atmega328p", "s", ("-flto",)),
    ("atmega328p", "s", ("-mcall-prologues", "-mrelax")),
    ("atmega2560", "s", ()),
    ("atmega2560", "2", ("-flto",)),
    ("attiny85", "s", ()),
    ("attiny85", "2", ()),
    ("at90s8515", "s", ()),
    ("atmega8", "2", ()),
    ("atmega8", "s", ("-flto",)),
]
NUMBERS = {
    **{f"i{bits}": (bits, True) for bits in (8, 16, 24, 32, 64)},
    **{f"u{bits}": (bits, False) for bits in (8, 16, 24, 32, 64)},
}


@dataclass(frozen=True)
class Case:
    """A call, what it returns and what its buffers hold afterwards."""

    name: str
    values: tuple[object, ...]
    returned: int | float | bytes | None
    buffers: dict[str | int, bytes] = field(default_factory=dict)


def wrapped(value: int, bits: int, *, signed: bool) -> int:
    """Gives a number as an integer of so many bits holds it."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if signed and value >> (bits - 1) else value


def numbers(random: Random) -> list[Case]:
    """Gives calls with two integers of each size and sign, at the ends of the range and inside."""
    made = []
    for name, (bits, signed) in NUMBERS.items():
        low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
        pairs = [(low, high), (high, low), (random.randint(low, high), random.randint(low, high))]
        made += [Case(f"mix_{name}", (a, b), wrapped(3 * a - b, bits, signed=signed)) for a, b in pairs]
    return made


def structures(random: Random) -> list[Case]:
    """Gives calls with structures of 1 to 10 bytes between two other arguments, and with results of those sizes."""
    made = []
    for size in range(1, 11):
        data = random.randbytes(size)
        weighed = sum((i + 1) * byte for i, byte in enumerate(data))
        made += [
            Case(f"sum_s{size}", (5, data, 9), (5 + 63 + weighed) & 0xFFFF),
            Case(f"sum_s{size}", (0, {"b": list(data)}, 0), weighed & 0xFFFF),
            Case(f"make_s{size}", (200,), bytes((200 + 3 * i) & 0xFF for i in range(size))),
        ]
    return made


HIVE = {
    "number": 7,
    "place": {"x": 300, "y": -40},
    "frames": [10, 20, 30],
    "name": "queen",
    "full": 5,
}
HIVE_SUM = 7 + 300 + 40 + 10 + 40 + 90 + ord("u") + 5


CASES = [
    *numbers(Random(2)),
    *structures(Random(10)),
    Case("scaled", (1.25, -3), -3.25),
    Case("scaled", (-0.0, 0), 0.5),
    Case("ratio", (1.0, 3.0), struct.unpack("<f", struct.pack("<f", 1 / 3))[0]),
    Case("both", (True, 1), 1),
    Case("both", (True, False), 0),
    Case("is_above", (-300, 200), 0),
    Case("is_above", (200, -300), 1),
    Case("raise_level", ("LOW",), -1),
    Case("raise_level", (-1,), 700),
    Case("upper", ("q",), ord("Q")),
    Case("high_word", (0xFEDC_BA98_7654_3210,), 0xFEDC),
    Case(
        "many",
        (1, 2_000_000_000, 60_000, 123_456_789_012, 200, 50_000, -100_000, 99, -30_000, -128),
        wrapped(
            1 + 2_000_000_000 + 60_000 + 123_456_789_012 + 400 + 150_000 - 500_000 + 693 - 330_000 - 1664,
            32,
            signed=True,
        ),
    ),
    Case("tenth", (*range(1, 10), 77), 77),
    Case("behind_structures", (bytes(range(10)), bytes(range(50, 59)), 0x80), 9 ^ 58 ^ 0x80),
    Case("total", (0,), 0),
    Case("total", (4, 1000, -2, 30, -5), 1023),
    Case("mixed_total", (2, 100_000, 7, "A", sized(-3, 4), -8, "z"), 100_000 + 7 + 65 - 3 - 8 + 122),
    Case("sum_bytes", (b"\xff\xfe\x01", 3), 510, {"data": b"\xff\xfe\x01", 0: b"\xff\xfe\x01"}),
    Case("sum_words", ([-30_000, -30_000, 7], 3), -59_993),
    Case("length", ("a hive",), 6, {"text": b"a hive\0"}),
    Case("length", (b"cut\0 here",), 3),
    Case("fill", (cr.out(6), 4, 9), None, {"data": b"\x09\x0a\x0b\x0c\0\0", 0: b"\x09\x0a\x0b\x0c\0\0"}),
    Case("swap_words", ([0x1234], [0xABCD]), None, {"a": b"\xcd\xab", "b": b"\x34\x12", 1: b"\x34\x12"}),
    Case("from_flash", (cr.flash(b"comb"), 2), ord("m")),
    Case("from_flash", (cr.address("in_flash"), 4), 5),
    Case("bump", (cr.address("counter"),), 41),
    Case("bump", ([255],), 0, {"what": b"\0"}),
    Case("apply", (cr.function("triple"), 9), 28),
    Case("read_hive", (HIVE,), HIVE_SUM),
    Case("by_value", (HIVE,), HIVE_SUM),
    Case("move", ({"x": 1, "y": 2}, -3, 4), None, {"p": struct.pack("<hh", -2, 6)}),
    Case("mirrored", ({"x": 1, "y": -2},), struct.pack("<hh", -1, 2)),
    Case("nothing", (), None),
]
FUNCTIONS = sorted({case.name for case in CASES} | {"after", "triple"})


@pytest.fixture(scope="session")
def built() -> Callable[[str, str, tuple[str, ...]], cr.Firmware]:
    """Gives the program built in a way."""
    made: dict[tuple[str, str, tuple[str, ...]], cr.Firmware] = {}

    def firmware(part: str, optimize: str, flags: tuple[str, ...]) -> cr.Firmware:
        key = part, optimize, flags
        if key not in made:
            given = ["-fwrapv", "-std=gnu99", *flags]
            made[key] = cr.build(
                [SOURCE], part=part, optimize=optimize, flags=given, defines={"ALL": ",".join(FUNCTIONS)}
            )
        return made[key]

    return firmware


@pytest.mark.parametrize(("part", "optimize", "flags"), BUILDS)
def test_arguments_and_results_travel_as_the_compiler_s_own_do(
    built: Callable[[str, str, tuple[str, ...]], cr.Firmware], part: str, optimize: str, flags: tuple[str, ...]
) -> None:
    """More than forty signatures: the result and every buffer are what Python computes."""
    firmware = built(part, optimize, flags)
    told = [case for case in CASES if firmware.functions[case.name].signature is not None]
    # The compiler leaves the parameters of an inlined function out of the debug information of -O2 -flto.
    assert {case.name for case in CASES} - {case.name for case in told} <= (
        {"read_hive"} if "-flto" in flags else set()
    )
    for case in told:
        call = firmware.call(case.name, *case.values)
        assert (case.name, case.values, call.returned) == (case.name, case.values, case.returned)
        for key, data in case.buffers.items():
            assert (case.name, key, call.arguments[key]) == (case.name, key, data)


@pytest.mark.parametrize(("part", "optimize", "flags"), BUILDS[:1] + BUILDS[5:6])
def test_a_returned_pointer_leads_into_the_buffer(
    built: Callable[[str, str, tuple[str, ...]], cr.Firmware], part: str, optimize: str, flags: tuple[str, ...]
) -> None:
    """Two letters on, and at its end where the letter is not in it."""
    firmware = built(part, optimize, flags)
    start, found, end = (firmware.call("after", "a comb", letter).returned for letter in "acx")
    assert (found, end) == (start + 2, start + 6)  # type: ignore[operator]


@pytest.mark.parametrize("engine", ["reference", "scalar"])
def test_sweeps_place_arguments_as_calls_do(
    built: Callable[[str, str, tuple[str, ...]], cr.Firmware], engine: str
) -> None:
    """Each signature once more as a sweep of one row, cycles included."""
    firmware = built("atmega328p", "s", ())
    for case in CASES:
        signature = firmware.functions[case.name].signature
        assert signature is not None
        if signature.variadic:
            continue
        domains = {p.name: [value] for p, value in zip(signature.parameters, case.values, strict=True)}
        row = firmware.sweep(case.name, domains, engine=engine).row(0)
        assert (case.name, row.returned) == (case.name, case.returned)
        assert row.cycles == firmware.call(case.name, *case.values).cycles


def test_there_are_forty_signatures_and_more() -> None:
    """Counted, so that the table does not shrink unseen."""
    assert len({case.name for case in CASES}) >= 40
