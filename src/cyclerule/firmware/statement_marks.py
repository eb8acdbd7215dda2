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


def _marks(entry: int, rows: list[LineRow]) -> Marks:
    named = [(row.file.replace("\\", "/").rpartition("/")[2], row.address) for row in rows]
    begin = {address for name, address in named if name == BEGIN}
    end = {address for name, address in named if name == END}
    own = [address for name, address in named if name.startswith((f"{FILE}#", f"{KEEP}#"))]
    if len(begin) != 1:
        raise MarksLost(
            "the begin of the statements does not stand in the line table once, so what they take is not known"
        )
    if own and min(own) < min(begin):
        raise MarksLost(
            "the compiler has moved a part of the statements before their begin, so what they take is not known"
        )
    return Marks(entry // 2, frozenset(each // 2 for each in begin), frozenset(each // 2 for each in end))
