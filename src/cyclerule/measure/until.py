"""Where a run of the whole program is to stop: on entry of a function or line, at a cycle, at a text, at its end."""

from collections.abc import Callable
from dataclasses import dataclass

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.firmware.image import Image

KINDS_OF_END = "exit, break, cycles:N, serial:TEXT, function:NAME, line:FILE:N"


@dataclass
class Until:
    """Where a run is to stop: flash words on entry, BREAK, a cycle, or text on the serial port."""

    entries: frozenset[int] = frozenset()
    at_break: bool = False
    cycle: int | None = None
    serial: bytes | None = None


def read_until(until: str | None, image: Image, entry_word: Callable[[str], int]) -> Until:
    """Reads an end condition; `entry_word` gives the flash word of a function by its name.

    Raises ArgumentError for one of no kind, UnknownName for an unknown function or line.
    """
    if until is None:
        return Until()
    kind, colon, rest = until.partition(":")
    if kind == "exit" and not colon:
        words = [s.address // 2 for s in image.symbols if s.name in ("exit", "_exit") and s.space == "flash"]
        if not words:
            raise UnknownName("symbol", "exit", (), hint="the program has no exit routine to stop at")
        return Until(entries=frozenset(words))
    if kind == "break" and not colon:
        return Until(at_break=True)
    if kind == "cycles" and rest.replace("_", "").isdigit():
        return Until(cycle=int(rest.replace("_", "")))
    if kind == "serial" and rest:
        return Until(serial=rest.encode("utf-8"))
    if kind == "function" and rest:
        return Until(entries=frozenset({entry_word(rest)}))
    if kind == "line" and rest:
        return Until(entries=_line_entries(rest, image))
    raise ArgumentError(f"until={until!r} is not understood; the ends of a run are {KINDS_OF_END}")


def _line_entries(text: str, image: Image) -> frozenset[int]:
    file, _, number = text.rpartition(":")
    if not file or not number.isdigit():
        raise ArgumentError(f"until='line:{text}': write it as line:FILE:N, for example line:hive.c:41")
    rows = [row for row in image.lines.rows if not row.end_sequence and _same_file(row.file, file)]
    found = frozenset(row.address // 2 for row in rows if row.line == int(number) and row.is_statement)
    if not found:
        lines = sorted({row.line for row in rows})
        near = sorted(lines, key=lambda line: abs(line - int(number)))[:3]
        hint = f"lines with code near it: {', '.join(map(str, sorted(near)))}" if near else f"no code is from {file}"
        raise UnknownName("line with code", text, (), hint=hint)
    return found


def _same_file(recorded: str, asked: str) -> bool:
    recorded, asked = recorded.replace("\\", "/"), asked.replace("\\", "/")
    return recorded == asked or recorded.endswith("/" + asked) or asked.endswith("/" + recorded)
