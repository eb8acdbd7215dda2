"""Small programs whose course is written down with them: every boundary's cycle follows from the manual's table.

A line is an instruction, the path it takes and where control goes; the table's figure for that path
is its time. Nothing here executes anything: what an engine has to do follows from the lines alone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import NamedTuple

from cyclerule.isa.families import Core
from cyclerule.isa.record import Instruction
from cyclerule.isa.table import table_for
from tests.golden.tables import rows

PATHS = {"plain": "AVRe", "taken": "AVRe_taken", "skip1": "AVRe_skip1", "skip2": "AVRe_skip2"}
"""The paths through an instruction, and the column of the table for each."""

Operand = int | str


class Touch(NamedTuple):
    """An access to an I/O register: its data address, whether it is a write, the value, and which bits of it."""

    address: int
    is_write: bool
    value: int
    mask: int = 0xFF


class Line(NamedTuple):
    """One instruction; `to` is the label where control goes if not to the next line, `touch` what it does to I/O.

    An operand may be a label, or "<label", ">label", "^label" for bits 7 to 0, 15 to 8, 23 to 16 of its flash word.
    """

    syntax: str
    operands: tuple[Operand, ...] = ()
    path: str = "plain"
    to: str = ""
    at: str = ""
    touch: Touch | None = None


def line(
    syntax: str, *operands: Operand, path: str = "plain", to: str = "", at: str = "", touch: Touch | None = None
) -> Line:
    """Writes a line."""
    return Line(syntax, operands, path, to, at, touch)


def read(address: int) -> Touch:
    """Says that a line reads a data address of the probe, which gives 0x3C."""
    return Touch(address, False, 0x3C)


def write(address: int, value: int, mask: int = 0xFF) -> Touch:
    """Says that a line writes a value, or the bits of it under a mask, to a data address."""
    return Touch(address, True, value, mask)


class Boundary(NamedTuple):
    """A place between two instructions: the cycle since the start, and what is next; no line at the end."""

    cycle: int
    word: int
    line: Line | None


@cache
def _published() -> dict[tuple[str, str, int], Mapping[str, str]]:
    table = rows("instruction_timing.csv")
    return {(row["mnemonic"], row["operands"].replace(" ", ""), int(row["words"])): row for row in table}


def published_cycles(instruction: Instruction, path: str, pc_bytes: int) -> int:
    """Gives the manual's figure (DS40002198 sec. 5) for a path through an instruction on AVR, AVRe and AVRe+."""
    mnemonic, _, operands = instruction.syntax.partition(" ")
    row = _published()[mnemonic, operands.replace(" ", ""), instruction.words]
    if pc_bytes == 3 and path == "plain" and row["AVRe_pc22"]:
        return int(row["AVRe_pc22"])
    return int(row[PATHS[path]])


@dataclass
class Listing:
    """Lines placed in flash from a word on; `words` are the addresses of labels."""

    lines: Sequence[Line]
    core: Core
    start: int
    words: dict[str, int] = field(default_factory=dict)
    code: list[int] = field(default_factory=list)
    _places: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        word = self.start
        for each in self.lines:
            self._places.append(word)
            if each.at:
                assert each.at not in self.words, f"two labels {each.at}"
                self.words[each.at] = word
            word += self.instruction(each).words
        for each, place in zip(self.lines, self._places, strict=True):
            self.code += self._encode(each, place)

    @property
    def end(self) -> int:
        """The word after the last line."""
        return self.start + len(self.code)

    def instruction(self, each: Line) -> Instruction:
        """Gives the record of a line's instruction on this core."""
        return instructions(self.core)[each.syntax]

    def cycles(self, each: Line) -> int:
        """Gives the published time of a line."""
        return published_cycles(self.instruction(each), each.path, self.core.pc_bytes)

    def _encode(self, each: Line, place: int) -> tuple[int, ...]:
        instruction = self.instruction(each)
        values = []
        for (_, kind), operand in zip(instruction.operands.items(), each.operands, strict=True):
            if isinstance(operand, int):
                values.append(operand)
            elif operand[0] in "<>^":
                values.append(self.words[operand[1:]] >> 8 * "<>^".index(operand[0]) & 0xFF)
            else:
                target = self.words[operand]
                values.append(target - place - instruction.words if kind.signed else target)
        return instruction.encode(*values)

    def put(self, flash: bytearray) -> None:
        """Writes the code into flash."""
        for number, word in enumerate(self.code):
            place = 2 * (self.start + number)
            flash[place : place + 2] = word.to_bytes(2, "little")

    def steps(self, begin: str, end: str) -> list[tuple[int, Line]]:
        """Gives the lines executed from one label to another, each with its flash word."""
        by_word = dict(zip(self._places, self.lines, strict=True))
        found: list[tuple[int, Line]] = []
        word = self.words[begin]
        while word != self.words[end]:
            each = by_word[word]
            found.append((word, each))
            word = self.words[each.to] if each.to else word + self.instruction(each).words
            assert len(found) < 10_000, "a listing that goes round for ever"
        return found

    def course(self, steps: Sequence[tuple[int, Line]], end: str) -> tuple[Boundary, ...]:
        """Gives the boundaries of lines executed one after the other; the last one, at a label, has no line."""
        cycle, found = 0, []
        for word, each in steps:
            found.append(Boundary(cycle, word, each))
            cycle += self.cycles(each)
        return (*found, Boundary(cycle, self.words[end], None))

    def between(self, begin: str, end: str) -> tuple[Boundary, ...]:
        """Gives the boundaries from one label to another, without loops."""
        return self.course(self.steps(begin, end), end)


@cache
def instructions(core: Core) -> Mapping[str, Instruction]:
    """Gives the instructions of a core by their syntax."""
    return {each.syntax: each for each in table_for(core).instructions}
