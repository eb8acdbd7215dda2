"""Where a program waits: delays of avr-libc inlined into its code, and functions whose argument is a time."""

import struct
from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

from cyclerule.firmware.image import Function, Image, InlinedCall
from cyclerule.firmware.types import FloatType, IntegerType
from cyclerule.machine.chip import Chip
from cyclerule.measure.delay_code import delay_code

INLINED = {"_delay_us": 1, "_delay_ms": 1_000}
"""The functions of avr-libc's util/delay.h, and the microseconds that each counts."""

OF_BOARDS = {"delayMicroseconds": 1, "delay": 1_000}
"""Those of setup()/loop() board packages."""

SINGLE_DIGITS = 9
"""Decimal digits that tell every number of 32 bits from every other: IEEE 754-2019, 5.12.2."""


class InlinedDelay(NamedTuple):
    """A delay in one place of the code; `end` and `cycles` are None where its code does not stand together."""

    name: str
    place: str
    asked: Fraction | None
    word: int
    end: int | None
    cycles: int | None


class DelayFunction(NamedTuple):
    """A function that waits for as many units of so many microseconds as its first argument says."""

    name: str
    word: int
    microseconds: int
    size_bytes: int
    is_float: bool


class DelaySites(NamedTuple):
    """All delays of a program that can be told from its debug information."""

    inlined: tuple[InlinedDelay, ...]
    functions: tuple[DelayFunction, ...]


def find_delays(image: Image, chip: Chip) -> DelaySites:
    """Finds the delays of a program; none without debug information."""
    return DelaySites(tuple(_inlined(image, chip)), tuple(_functions(image)))


def _inlined(image: Image, chip: Chip) -> Iterator[InlinedDelay]:
    for call in image.inlined:
        name = _source_name(image, call.name)
        # One inside another is part of that one.
        if name not in INLINED or _source_name(image, call.within) in INLINED:
            continue
        found = (delay_code(chip, start // 2, end // 2) for start, end in call.ranges)
        code = next((each for each in found if each is not None), None)
        value = call.arguments[0] if call.arguments else None
        yield InlinedDelay(
            name,
            _place(image, call),
            None if value is None else exact(value) * INLINED[name],
            call.ranges[0][0] // 2 if code is None else code.first,
            None if code is None else code.end,
            None if code is None else code.cycles,
        )


def _source_name(image: Image, name: str) -> str:
    function = image.functions.get(name)
    return name if function is None else function.source_name


def _place(image: Image, call: InlinedCall) -> str:
    inside = _source_name(image, call.inside)
    return inside if call.call_file is None else f"{call.call_file}:{call.call_line} in {inside}"


def _functions(image: Image) -> Iterator[DelayFunction]:
    named: dict[str, Function] = {}
    for each in image.functions.values():
        if each.address is not None and each.alias_of is None and each.clone_of is None:
            named.setdefault(each.source_name, each)
    is_of_board = all(any(f.source_name == name for f in image.functions.values()) for name in ("setup", "loop"))
    for name, microseconds in {**INLINED, **(OF_BOARDS if is_of_board else {})}.items():
        function = named.get(name)
        if function is None or function.address is None or function.signature is None:
            continue
        if len(function.signature.parameters) != 1:
            continue
        kind = function.signature.parameters[0].type
        if isinstance(kind, FloatType | IntegerType):
            yield DelayFunction(name, function.address // 2, microseconds, kind.size_bytes, isinstance(kind, FloatType))


def argument_of(chip: Chip, function: DelayFunction) -> Fraction | None:
    """Gives what a delay function is asked for, in microseconds, at its first instruction; None for no number.

    The first argument ends at r25 and begins at an even register: avr-gcc's calling convention.
    """
    size = function.size_bytes + (function.size_bytes & 1)
    data = bytes(chip.data[26 - size : 26 - size + function.size_bytes])
    if not function.is_float:
        return Fraction(int.from_bytes(data, "little") * function.microseconds)
    (value,) = struct.unpack("<f", data[:4])
    try:
        return exact(value) * function.microseconds
    except ValueError:
        return None


def exact(value: float) -> Fraction:
    """Gives the number that a float stands for as one writes it: 0.1 and not 0.10000000149011612.

    Raises ValueError for what is no number.
    """
    if isinstance(value, int):
        return Fraction(value)
    for digits in range(1, SINGLE_DIGITS + 1):
        text = f"{value:.{digits}g}"
        if struct.pack("<f", float(text)) == struct.pack("<f", value):
            return Fraction(text)
    return Fraction(str(value))
