"""What comes to the chip from outside, and when: levels on pins, voltages, bytes into a serial port.

A file has a line for each: when, what, value, and for a serial port the speed; docs/signals.md describes it.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

from cyclerule.errors import ArgumentError
from cyclerule.units import Hertz

Value = bool | int | Fraction | bytes | None
"""A pin's level (None: nobody drives it), a channel's counts (int) or volts (Fraction), or a serial port's bytes."""

Given = str | Path | Iterable[object] | None
"""Signals as a user gives them: a file, or `Signal` objects and tuples (when, what, value) or (…, baud)."""

COLUMNS = ("when", "what", "value", "baud")
FORM = "when, what, value, as in '1.5ms, PB0, 1'"

HIGHEST_COUNT = 1023
"""What a converter of ten bits gives at the most."""

_TIME = re.compile(r"(?P<number>\d+(?:_\d+)*(?:\.\d+)?)\s*(?P<unit>s|ms|us|µs|μs|ns)")
_CYCLES = re.compile(r"\d+(?:_\d+)*")
_UNITS = {"s": 1, "ms": 1_000, "us": 1_000_000, "µs": 1_000_000, "μs": 1_000_000, "ns": 1_000_000_000}
_VOLTS = re.compile(r"(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>m?)V")
_TARGET = re.compile(r"(?P<pin>P[A-L][0-7])|(?P<channel>ADC\d+|AIN\d|AREF|AVCC|TEMPERATURE)|(?P<port>SERIAL\d?)")
_ESCAPE = re.compile(r"\\(x[0-9a-fA-F]{2}|.?)", re.DOTALL)
_ESCAPED = {"n": "\n", "r": "\r", "t": "\t", "0": "\0", "\\": "\\", '"': '"'}
ESCAPES = r"\n, \r, \t, \0, \\, \" and \x41 for a byte"
_LEVELS: dict[str, bool | None] = {"0": False, "1": True, "z": None}


class Moment(NamedTuple):
    """A time from the start: cycles and seconds, both of which count."""

    cycles: int = 0
    seconds: Fraction = Fraction(0)

    def after(self, other: "Moment") -> "Moment":
        """Gives this time counted from another one."""
        return Moment(self.cycles + other.cycles, self.seconds + other.seconds)

    def in_cycles(self, clock: Hertz) -> int:
        """Gives the nearest cycle at a clock."""
        return self.cycles + int(self.seconds * clock + Fraction(1, 2))


@dataclass(frozen=True)
class Signal:
    """One thing that comes from outside: `what` is a pin (PB0), a channel (ADC3, AIN0, AREF) or a port (serial0).

    `baud` is the speed of bytes, None for that which the receiver is set to. `origin` says where it stands, with a
    column for each of `COLUMNS` where it is from a file.
    """

    when: Moment
    what: str
    value: Value
    baud: int | None = None
    origin: str = ""
    columns: tuple[int, ...] = ()

    def place(self, column: str = "when") -> str:
        """Says where a part of it was given: "bees.csv:3:8"."""
        number = COLUMNS.index(column)
        return f"{self.origin}:{self.columns[number]}" if number < len(self.columns) else self.origin


def as_signals(given: Given) -> tuple[Signal, ...]:
    """Gives signals as they are given from Python: a path is read, tuples are taken as the cells of a line.

    Raises ArgumentError with the place and the number of the mistaken one.
    """
    if given is None:
        return ()
    if isinstance(given, str | Path):
        return read_signals(Path(given))
    signals: list[Signal] = []
    for number, each in enumerate(given):
        if isinstance(each, Signal):
            signals.append(each)
            continue
        origin = f"signals[{number}]"
        if not isinstance(each, Sequence) or isinstance(each, str | bytes) or not 3 <= len(each) <= len(COLUMNS):
            raise ArgumentError(f"{origin}: {each!r} is no signal; give (when, what, value), as in (120, 'PB0', 1)")
        cells = [_Cell(value, origin) for value in each]
        signals.append(_read_signal(cells, origin, (), signals[-1].when if signals else Moment()))
    return tuple(signals)


def signals_text(signals: Sequence[Signal]) -> str:
    """Says in the words of a starting state that signals come: ", with 3 signals of bees.csv"; nothing without any."""
    if not signals:
        return ""
    files = dict.fromkeys(each.origin.rpartition(":")[0] for each in signals if each.columns)
    of = f" of {', '.join(Path(file).name for file in files)}" if files else ""
    return f", with {len(signals):,} signal{'s' if len(signals) > 1 else ''}{of}"


def read_signals(path: Path) -> tuple[Signal, ...]:
    """Reads a file of signals; raises ArgumentError with file, line and column of a mistake."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise ArgumentError(f"{path}: byte {error.start} is no UTF-8 text; save the file as UTF-8") from None
    except OSError as error:
        raise ArgumentError(f"{path}: cannot be read: {error.strerror or error}") from None
    signals: list[Signal] = []
    for number, line in enumerate(text.splitlines(), start=1):
        origin = f"{path}:{number}"
        cells = _cells(line, origin)
        if not cells or (not signals and _is_heading(cells)):
            continue
        if len(cells) < 3:
            raise ArgumentError(f"{origin}:{len(line.rstrip()) + 1}: a signal has {FORM}; the line has {len(cells)}")
        if len(cells) > len(COLUMNS):
            raise ArgumentError(f"{cells[4].place}: a fifth cell; a signal has {FORM}, and a speed for a serial port")
        columns = tuple(cell.column for cell in cells)
        signals.append(_read_signal(cells, origin, columns, signals[-1].when if signals else Moment()))
    return tuple(signals)


class _Cell(NamedTuple):
    """One cell of a line or tuple: what it holds and where; `is_quoted` for text in quotes."""

    content: object
    origin: str
    column: int = 0
    is_quoted: bool = False

    @property
    def place(self) -> str:
        return f"{self.origin}:{self.column}" if self.column else self.origin

    @property
    def text(self) -> str:
        return str(self.content)


def _is_heading(cells: list[_Cell]) -> bool:
    return tuple(cell.text.lower() for cell in cells) in (COLUMNS[:3], COLUMNS)


def _cells(line: str, origin: str) -> list[_Cell]:
    """Splits a line at its commas; a cell in double quotes may hold some, and # begins a remark elsewhere."""
    cells: list[_Cell] = []
    at = 0
    while True:
        while at < len(line) and line[at] in " \t":
            at += 1
        begin = at
        if line[at : at + 1] == '"':
            at = _end_of_quotes(line, at, origin)
            cell = _Cell(line[begin + 1 : at - 1], origin, begin + 1, is_quoted=True)
            while at < len(line) and line[at] in " \t":
                at += 1
            if at < len(line) and line[at] not in ",#":
                raise ArgumentError(f"{origin}:{at + 1}: {line[at]!r} after the closing quote; a comma ends a cell")
        else:
            while at < len(line) and line[at] not in ",#":
                at += 1
            cell = _Cell(line[begin:at].rstrip(), origin, begin + 1)
        ends = at >= len(line) or line[at] == "#"
        # A line without anything is none, and a comma at the end begins no cell.
        if cell.is_quoted or cell.content or not ends:
            cells.append(cell)
        if ends:
            return cells
        at += 1


def _end_of_quotes(line: str, begin: int, origin: str) -> int:
    at = begin + 1
    while at < len(line):
        if line[at] == "\\":
            at += 1
        elif line[at] == '"':
            return at + 1
        at += 1
    raise ArgumentError(f'{origin}:{begin + 1}: the text has no closing quote; write \\" for a quote inside it')


def _read_signal(cells: Sequence[_Cell], origin: str, columns: tuple[int, ...], before: Moment) -> Signal:
    when, what, value = cells[0], cells[1], cells[2]
    target = _TARGET.fullmatch(what.text.strip().upper())
    if target is None:
        raise ArgumentError(
            f"{what.place}: {what.text!r} is no pin (PB0), channel (ADC3, AIN0, AREF) or port (serial0)"
        )
    baud = cells[3] if len(cells) > 3 and cells[3].content not in (None, "") else None
    if baud is not None and not target["port"]:
        raise ArgumentError(f"{baud.place}: {what.text} has no speed; a fourth cell is for serial ports alone")
    if target["pin"]:
        content: Value = _read_level(value, target[0])
    elif target["channel"]:
        content = _read_voltage(value, target[0])
    else:
        content = _read_bytes(value, target[0].lower())
    name = target[0].lower() if target["port"] else target[0]
    speed = None if baud is None else _read_baud(baud)
    return Signal(_read_moment(when, before), name, content, speed, origin, columns)


def _read_moment(cell: _Cell, before: Moment) -> Moment:
    if isinstance(cell.content, int) and not isinstance(cell.content, bool) and cell.content >= 0:
        return Moment(cell.content)
    text = cell.text.strip()
    relative = text.startswith("+")
    plain = text[1:].strip() if relative else text
    match = _TIME.fullmatch(plain)
    if match:
        moment = Moment(0, Fraction(match["number"].replace("_", "")) / _UNITS[match["unit"]])
    elif _CYCLES.fullmatch(plain) and isinstance(cell.content, str):
        moment = Moment(int(plain.replace("_", "")))
    else:
        raise ArgumentError(
            f"{cell.place}: {text!r} is no time; write cycles (120), a time (1.5ms, 20us), or + and either after the "
            "signal before"
        )
    return moment.after(before) if relative else moment


def _read_level(cell: _Cell, pin: str) -> bool | None:
    if cell.content is None or isinstance(cell.content, bool):
        return cell.content
    text = cell.text.strip().lower()
    if text not in _LEVELS or cell.is_quoted:
        raise ArgumentError(f"{cell.place}: {cell.text!r} is no level for {pin}; it is 0, 1 or z (nobody drives it)")
    return _LEVELS[text]


def _read_voltage(cell: _Cell, channel: str) -> int | Fraction:
    if isinstance(cell.content, float) and 0 <= cell.content < float("inf"):
        # As it is written: 0.1 is a tenth.
        return Fraction(repr(cell.content))
    text = cell.text.strip()
    match = _VOLTS.fullmatch(text)
    if match:
        return Fraction(match["number"]) / (1000 if match["unit"] else 1)
    is_converted = channel.startswith(("ADC", "TEMP"))
    if is_converted and _CYCLES.fullmatch(text) and not isinstance(cell.content, bool) and int(text) <= HIGHEST_COUNT:
        return int(text)
    counts = f" or counts (512, at most {HIGHEST_COUNT})" if is_converted else ""
    raise ArgumentError(f"{cell.place}: {cell.text!r} is nothing for {channel}; write volts (2.5V, 300mV){counts}")


def _read_bytes(cell: _Cell, port: str) -> bytes:
    if isinstance(cell.content, bytes | bytearray):
        return bytes(cell.content)
    text = cell.text
    if not cell.is_quoted and cell.column:
        if text.startswith("hex:"):
            return _read_hex(cell, text[4:])
        if not text.startswith("text:"):
            raise ArgumentError(f'{cell.place}: {text!r} is nothing for {port}; write text ("hello\\n") or hex:021cb8')
        text = text[5:]
    if not isinstance(cell.content, str):
        raise ArgumentError(f"{cell.place}: {cell.content!r} is nothing for {port}; give bytes or text")
    # Text from Python has its escapes behind it.
    return _unescape(cell, text) if cell.column else text.encode("utf-8")


def _read_hex(cell: _Cell, digits: str) -> bytes:
    try:
        return bytes.fromhex(digits)
    except ValueError:
        raise ArgumentError(f"{cell.place}: {cell.text!r}: two hex digits a byte, as in hex:021cb8") from None


def _unescape(cell: _Cell, text: str) -> bytes:
    data, at = b"", 0
    for match in _ESCAPE.finditer(text):
        escape = match[1]
        data += text[at : match.start()].encode("utf-8")
        at = match.end()
        if len(escape) == len("x41"):
            data += bytes.fromhex(escape[1:])
        elif escape in _ESCAPED:
            data += _ESCAPED[escape].encode("utf-8")
        else:
            place = f"{cell.origin}:{cell.column + match.start() + (1 if cell.is_quoted else len('text:'))}"
            raise ArgumentError(f"{place}: {match[0]} is no escape; there are {ESCAPES}")
    return data + text[at:].encode("utf-8")


def _read_baud(cell: _Cell) -> int:
    text = cell.text.strip()
    if isinstance(cell.content, bool) or not _CYCLES.fullmatch(text) or int(text.replace("_", "")) == 0:
        raise ArgumentError(f"{cell.place}: {cell.text!r} is no speed; write bits a second, as in 9600")
    return int(text.replace("_", ""))
