"""Units: clock cycles, hertz, flash words and data addresses, and their conversion to and from text."""

import re
from fractions import Fraction
from math import ceil
from typing import NewType

from cyclerule.errors import ArgumentError

Cycles = NewType("Cycles", int)
"""A count of CPU clock cycles."""

Hertz = NewType("Hertz", int)
"""A clock frequency in whole hertz."""

FlashWord = NewType("FlashWord", int)
"""An address in program memory, counted in 16-bit words as the program counter does."""

FlashByte = NewType("FlashByte", int)
"""An address in program memory, counted in bytes as LPM, ELF files and listings do."""

DataAddress = NewType("DataAddress", int)
"""An address in data space, where registers, I/O and RAM lie one after the other."""

_DURATION = re.compile(r"\s*(?P<number>\d+(?:_\d+)*(?:\.\d+)?)\s*(?P<unit>s|ms|us|µs|μs|min)\s*")
_SECONDS = {"min": Fraction(60), "s": Fraction(1), "ms": Fraction(1, 1_000)}
_CLOCK = re.compile(r"\s*(?P<number>\d+(?:_\d+)*(?:\.\d+)?)\s*(?P<unit>[a-zA-Z]*)\s*")
_MULTIPLES = {"": 1, "hz": 1, "khz": 1_000, "mhz": 1_000_000}


def byte_address(word: FlashWord) -> FlashByte:
    """Gives the byte address of a flash word."""
    return FlashByte(word * 2)


def word_address(byte: FlashByte) -> FlashWord:
    """Gives the flash word that holds a byte address."""
    return FlashWord(byte // 2)


def parse_clock(clock: str | int | None) -> Hertz | None:
    """Reads a clock: "16 MHz", "16MHz", "8000 kHz", or hertz as an integer; None stays None.

    Raises ArgumentError for anything else, for zero and for a fraction of a hertz.
    """
    if clock is None:
        return None
    if isinstance(clock, int) and not isinstance(clock, bool):
        hertz = float(clock)
    else:
        match = _CLOCK.fullmatch(str(clock))
        multiple = _MULTIPLES.get(match["unit"].lower()) if match else None
        if match is None or multiple is None:
            raise ArgumentError(
                f"clock {clock!r} is not understood; write it as '16 MHz', '8000 kHz' or hertz as a number"
            )
        # Rounded to a millihertz so that "0.032768 MHz" is the integer it says.
        hertz = round(float(match["number"].replace("_", "")) * multiple, 3)
    if hertz <= 0 or hertz != int(hertz):
        raise ArgumentError(f"clock {clock!r} is {hertz:g} Hz; a clock is a whole number of hertz above 0")
    return Hertz(int(hertz))


def parse_duration(text: str, clock: Hertz | None) -> Cycles:
    """Reads a length of time: "20ms", "1.5s", "500us", or a count of cycles, "16000000" or "16_000_000".

    Part of a cycle counts as a whole one. Raises ArgumentError for anything else, for zero, and for a time where no
    clock is known.
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        digits = text.strip().replace("_", "").replace(",", "")
        if not (digits.isascii() and digits.isdigit() and int(digits)):
            raise ArgumentError(
                f"{text!r} is no length of time; write it as 20ms, 1.5s, 500us, or in cycles as 16000000"
            )
        return Cycles(int(digits))
    if clock is None:
        raise ArgumentError(
            f"{text} cannot be told in cycles, as no clock is known; give it, for example --clock 16MHz, "
            "or the length in cycles"
        )
    exact = Fraction(match["number"].replace("_", "")) * _SECONDS.get(match["unit"], Fraction(1, 1_000_000)) * clock
    if not exact:
        raise ArgumentError(f"{text!r} is no time at all; give a length above 0")
    return Cycles(ceil(exact))


def clock_text(clock: Hertz) -> str:
    """Writes a clock in the largest unit that keeps it exact: "16 MHz", "32.768 kHz"."""
    for name, multiple in (("MHz", 1_000_000), ("kHz", 1_000)):
        if clock >= multiple:
            text = f"{clock / multiple:.6f}".rstrip("0").rstrip(".")
            if round(float(text) * multiple) == clock:
                return f"{text} {name}"
    return f"{clock} Hz"


def seconds(cycles: int | float, clock: Hertz | None) -> float | None:
    """Gives the time that cycles take, in seconds; None without a clock."""
    return None if clock is None else cycles / clock


def microseconds_text(cycles: int | float, clock: Hertz, decimals: int | None = None) -> str:
    """Writes cycles as microseconds, by default with as many decimals as one cycle of the clock needs (at most 4)."""
    if decimals is None:
        decimals = next((n for n in range(4) if (10**n * 1_000_000) % clock == 0), 4)
    return f"{cycles * 1_000_000 / clock:.{decimals}f}"
