"""Where statements begin and end by the line table, and that a table without it gives no figure."""

from pathlib import Path

import pytest

from cyclerule.errors import MarksLost
from cyclerule.firmware.image import DebugInformation, Image, LineRow, LineTable, Range, Symbol
from cyclerule.firmware.statement_marks import read_marks
from cyclerule.measure.stage import Stage
from cyclerule.measure.statements import check_end
from cyclerule.parts import load_part
from cyclerule.toolchain import find

NOP, RET = b"\x00\x00", b"\x08\x95"
BEGIN, CODE, END, OWN = "<begin>", "--code#0", "./<end>", "<generated function>"

Row = tuple[int, str]


class Handmade:
    """Debug information of rows alone: flash byte address and file."""

    def __init__(self, rows: list[Row]) -> None:
        self._rows = [LineRow(address, file, 1, 0, True, False) for address, file in rows]

    def read(self, symbols: tuple[Symbol, ...], code: tuple[Range, ...]) -> DebugInformation:
        """Gives the rows."""
        return DebugInformation(lines=LineTable(self._rows))


def image(*rows: Row, count: int = 1) -> Image:
    """Gives an image of functions, each three NOP and RET, with these rows."""
    symbols = tuple(
        Symbol(f"cyclerule_statements_{number}", "flash", 8 * number, 8, "function", "global")
        for number in range(count)
    )
    flash = (3 * NOP + RET) * count
    return Image(Path("hive.elf"), flash, ((0, len(flash)),), symbols=symbols, debug=Handmade(list(rows)))


def test_begin_and_end_are_where_the_marks_left_their_rows() -> None:
    """Rows of another function, before and behind, are its own; several ends are several ways out."""
    rows = [(0, OWN), (2, BEGIN), (2, CODE), (4, END), (6, END), (8, BEGIN), (8, END), (8, OWN)]
    first, second = read_marks(image(*rows, count=2), 2)
    assert (first.entry, first.begin, first.end) == (0, frozenset({1}), frozenset({2, 3}))
    assert (second.entry, second.begin, second.end) == (4, frozenset({4}), frozenset({4}))


def test_statements_without_an_end_have_none() -> None:
    """The compiler leaves out what it sees is never come to."""
    (marks,) = read_marks(image((0, BEGIN), (0, CODE)), 1)
    assert marks.end == frozenset()


@pytest.mark.parametrize("rows", [[(0, CODE), (4, END)], [(0, BEGIN), (2, BEGIN), (4, END)]])
def test_a_begin_that_is_not_there_once_is_an_error(rows: list[Row]) -> None:
    """Nothing would say where the figure starts."""
    with pytest.raises(MarksLost, match="the begin of the statements does not stand in the line table once"):
        read_marks(image(*rows), 1)


@pytest.mark.parametrize("file", [CODE, "--keep#0", "folder/--code#0", "folder\\--code#0"])
def test_a_line_of_the_statements_before_their_begin_is_an_error(file: str) -> None:
    """It would be left out of the figure."""
    with pytest.raises(MarksLost, match="moved a part of the statements before their begin"):
        read_marks(image((0, file), (2, BEGIN), (4, END)), 1)


def test_a_line_of_the_statements_behind_their_end_is_an_error() -> None:
    """On the way from the end to the return; what is the generated function's own there is not theirs."""
    part = load_part("atmega328p", find())
    good = image((0, BEGIN), (0, CODE), (2, END), (2, OWN))
    check_end(Stage.at_reset(good, part), *read_marks(good, 1))
    for row in ((2, CODE), (4, CODE), (4, "--keep#3")):
        bad = image((0, BEGIN), (0, CODE), (2, END), (2, OWN), row)
        with pytest.raises(MarksLost, match="moved a part of the statements behind their end"):
            check_end(Stage.at_reset(bad, part), *read_marks(bad, 1))
