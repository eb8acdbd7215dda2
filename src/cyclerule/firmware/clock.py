"""The clock that sources state themselves: their F_CPU, as the compiler's preprocessor sees it."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from cyclerule.toolchain import integer
from cyclerule.units import Hertz, clock_text

_MARKER = re.compile(r'# (?P<line>\d+) "(?P<file>(?:[^"\\]|\\.)*)"(?P<marks>[ \d]*)')
_DEFINE = re.compile(r"#define (?P<name>\w+) ?(?P<text>.*)")
_SYSTEM_HEADER = "3"


@dataclass(frozen=True)
class ClockFound:
    """An F_CPU that a source defines: its value, how it is written there, and the place of the definition.

    `hertz` is None when the text is no integer constant; `line` is 0 for one in the flags.
    """

    hertz: Hertz | None
    text: str
    file: str
    line: int

    def __str__(self) -> str:
        value = self.text if self.hertz is None else clock_text(self.hertz)
        return f"{value} ({self.place})"

    @property
    def place(self) -> str:
        """Where it is defined, for a message."""
        return f"{self.file}:{self.line}" if self.line else "the flags"


def clock_in_listing(listing: str, own: str | None = None) -> ClockFound | None:
    """Finds the F_CPU that holds at the end of a preprocessor's listing (-E -dD).

    The value `own`, which the build itself defined on the command line, does not count, nor does one that a system
    header falls back to (util/delay.h takes 1 MHz).
    """
    macros: dict[str, str] = {}
    found: tuple[str, str, int] | None = None
    file, line, is_system = "", 0, False
    for row in listing.splitlines():
        marker = _MARKER.match(row)
        if marker:
            file, line = re.sub(r"\\(.)", r"\1", marker["file"]), int(marker["line"])
            is_system = _SYSTEM_HEADER in marker["marks"].split()
            continue
        define = _DEFINE.match(row) if row.startswith("#define ") else None
        if define and not is_system:
            macros[define["name"]] = define["text"]
            on_command_line = file in ("<command-line>", "<built-in>")
            if define["name"] == "F_CPU" and not (on_command_line and define["text"] == own):
                found = (define["text"], file, 0 if on_command_line else line)
        elif row.startswith("#undef F_CPU"):
            found = None
        line += 1
    if found is None:
        return None
    text, file, line = found
    value = integer(text, macros)
    return ClockFound(Hertz(value) if value else None, text, file, line)


def conflicts(found: Iterable[ClockFound], clock: Hertz | None) -> tuple[str, ...]:
    """Gives a warning for each F_CPU that contradicts the given clock, or without one the first F_CPU found."""
    warnings: list[str] = []
    first: ClockFound | None = None
    for other in found:
        if clock is not None:
            if other.hertz != clock:
                warnings.append(
                    f"clock: {clock_text(clock)} was asked for, but F_CPU is {other}; that source was compiled for "
                    "what it says itself"
                )
        elif first is None:
            first = other
        elif other.hertz != first.hertz:
            warnings.append(f"clock: F_CPU is {first} and also {other}")
    return tuple(dict.fromkeys(warnings))
