"""How figures are written for reading: counts, spans, times and inputs."""

import struct
from collections.abc import Mapping

from cyclerule.units import Hertz, microseconds_text

LONGEST_VALUE = 28
"""Characters after which a value is shortened for reading."""

FAR_APART = 100
"""Two times of which one is more than so many times the other each have a unit of their own."""

_UNITS = ((10_000, 1, "µs"), (10_000_000, 1_000, "ms"), (float("inf"), 1_000_000, "s"))
"""Microseconds below which a unit is used, and how many of them it is."""


def span_text(least: int, most: int) -> str:
    """Writes one count or two: "41", "41 to 49"."""
    return _joined(f"{least:,}", f"{most:,}")


def counted(count: int, word: str) -> str:
    """Writes a count and what it counts, in the plural where it is not one."""
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"


def time_span(least: int, most: int, clock: Hertz) -> str:
    """Writes the time of one count of cycles or of two, in the unit that suits: "2.56 to 3.06 µs", "4.096 ms"."""
    if least * FAR_APART < most:
        # In the unit of the larger one little would be left of the smaller one.
        return _joined(time_span(least, least, clock), time_span(most, most, clock))
    scale, unit = next((scale, unit) for limit, scale, unit in _UNITS if most * 1_000_000 < limit * clock)
    exact = len(microseconds_text(1, clock).partition(".")[2])
    decimals = min(2, exact) if scale == 1 else 3
    return f"{_joined(*(_rounded(each * 1_000_000, clock * scale, decimals) for each in (least, most)))} {unit}"


def input_text(shown: Mapping[str, str], longest: int = LONGEST_VALUE) -> str:
    """Writes an input: "crc = 0, byte = 49"."""
    return ", ".join(f"{name} = {shortened(value, longest)}" for name, value in shown.items())


def shortened(text: str, longest: int = LONGEST_VALUE) -> str:
    """Cuts a text that is too long to be read in a line."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def returned_text(value: object) -> str:
    """Writes what a function returned; nothing for void."""
    if isinstance(value, float):
        return float_text(value)
    return "" if value is None else str(value)


def float_text(value: float) -> str:
    """Writes a float with as few digits as tell it from every other one of its size: 0.1 and not 0.10000000149011612.

    AVR's float and double have 32 bits; a number that those do not hold is written in full.
    """
    try:
        is_single = struct.unpack("<f", struct.pack("<f", value))[0] == value
    except OverflowError:
        is_single = False
    if not is_single:
        return repr(value)
    # Nine digits always do: IEEE 754-2019, 5.12.2.
    texts = (f"{value:.{digits}g}" for digits in range(1, 10))
    shortest = next(text for text in texts if struct.unpack("<f", struct.pack("<f", float(text)))[0] == value)
    return repr(float(shortest))


def _rounded(dividend: int, divisor: int, decimals: int) -> str:
    """Writes a quotient with so many decimals, halves upwards, in whole numbers: no figure depends on a float."""
    scaled = (2 * dividend * 10**decimals + divisor) // (2 * divisor)
    whole, rest = divmod(scaled, 10**decimals)
    return f"{whole:,}.{rest:0{decimals}d}" if decimals else f"{whole:,}"


def _joined(least: str, most: str) -> str:
    return least if least == most else f"{least} to {most}"
