"""Where statements begin and end in an image: the rows that their marks have left in the line table."""

from bisect import bisect_right
from dataclasses import dataclass

from cyclerule.errors import MarksLost
from cyclerule.firmware.image import Image, LineRow
from cyclerule.firmware.statement_text import FILE
from cyclerule.firmware.statements import BEGIN, END, KEEP, symbol_of


@dataclass(frozen=True)
class Marks:
    """Where statements begin and end, as flash words; `entry` is their function's first one."""

    entry: int
    begin: frozenset[int]
    end: frozenset[int]


def read_marks(image: Image, count: int) -> tuple[Marks, ...]:
    """Finds where the statements of each row begin and end; there is no end where the compiler sees that none is met.

    Raises MarksLost where the line table has not one begin, or a line of the statements before it.
    """
    symbols = [image.symbol(symbol_of(number)) for number in range(count)]
    order = sorted(range(count), key=lambda number: symbols[number].address)
    starts = [symbols[number].address for number in order]
    rows: list[list[LineRow]] = [[] for _ in range(count)]
    for row in image.lines.rows:
        place = bisect_right(starts, row.address) - 1
        if place >= 0 and not row.end_sequence:
            number = order[place]
            if row.address < symbols[number].address + symbols[number].size_bytes:
                rows[number].append(row)
    return tuple(_marks(symbol.address, own) for symbol, own in zip(symbols, rows, strict=True))


def is_of_statements(row: LineRow | None) -> bool:
    """Whether a row of the line table is of the user's own text."""
    return row is not None and _name(row).startswith((f"{FILE}#", f"{KEEP}#"))


def _name(row: LineRow) -> str:
    return row.file.replace("\\", "/").rpartition("/")[2]


def _marks(entry: int, rows: list[LineRow]) -> Marks:
    begin = {row.address for row in rows if _name(row) == BEGIN}
    end = {row.address for row in rows if _name(row) == END}
    own = [row.address for row in rows if is_of_statements(row)]
    if len(begin) != 1:
        raise MarksLost(
            "the begin of the statements does not stand in the line table once, so what they take is not known"
        )
    if own and min(own) < min(begin):
        raise MarksLost(
            "the compiler has moved a part of the statements before their begin, so what they take is not known"
        )
    return Marks(entry // 2, frozenset(each // 2 for each in begin), frozenset(each // 2 for each in end))
