"""A generated unit with statements in functions of their own, and where in the image they begin and end.

Each function is, with the lines of its parts told by #line:

    void cyclerule_statements_0(void)
    {
        __asm__ __volatile__("" :: "i"(0) : "memory");        <begin>
        {
            the statements                                     --code
        }
        __asm__ __volatile__("" ::: "memory");                <end>
        __asm__ __volatile__("(blank lines)");
    }

An empty template makes no instruction but leaves a row in the line table: its address is where the statements begin or
end, whatever the function saves before and restores after. Nothing that reads or writes memory, calls or is volatile
passes such a barrier, and what is only computed has to be there before it is written. The number makes every function
another one, so that two with the same statements are not folded into one. The blank lines make the compiler take the
last block for a long one: otherwise it may put a copy of the return in the place of each jump to the end, and those
jumps, which the statements have wherever else they stand, would be missing (gcc counts the lines of a template:
"Size of an asm" in its manual).
"""

import re
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePath

from cyclerule.errors import ArgumentError, MarksLost
from cyclerule.firmware.image import Image, Kind
from cyclerule.firmware.sources import Language, Source
from cyclerule.firmware.statement_text import FILE, Filled

IMAGE_KIND: Kind = "statements in a generated function"

MOST_FUNCTIONS = 4096
"""Rows that are built one by one into a single image."""

BEGIN, END, GENERATED, KEEP = "<begin>", "<end>", "<generated function>", "--keep"
TABLE = "cyclerule_statements"
_BLANK_LINES = "\\n" * 16

# What a file of firmware usually includes; headers without a function that would be compiled.
_USUAL_HEADERS = ("avr/io.h", "avr/interrupt.h", "avr/pgmspace.h", "stdbool.h", "stdint.h", "stdlib.h", "string.h")

_PLACE = re.compile(rf"{re.escape(FILE)}#(?P<row>\d+)(?::(?P<line>\d+)(?::(?P<column>\d+))?)?")
_HEADING = re.compile(r"^.* does not compile:$", re.MULTILINE)
_SCAFFOLD_PLACE = re.compile(rf"(?:{BEGIN}|{END}|{GENERATED}):\d+|(?: in )?cyclerule_statements_\d+")
_SCAFFOLD = re.compile(
    rf"(?:.*[/\\])?(?:{re.escape(FILE)}(?:#\d+)?|{re.escape(KEEP)}|{GENERATED}|{BEGIN}|{END}): "
    r"(?:In function .*|At (?:top level|global scope):|In lambda function:)"
)


@dataclass(frozen=True)
class Row:
    """One function: the statements filled in, and the values that they were filled with, as one types them.

    `parameters` declare what is passed as a value that the compiler does not know: type and name.
    """

    statements: Filled
    shown: str = ""
    parameters: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class StatementsUnit:
    """A unit to build: its text, the source whose place it takes (None for one that stands alone), and its rows.

    A link that drops what nothing calls needs `table` behind the text, and is told of the name TABLE.
    """

    text: str
    table: str
    source: Source | None
    language: Language
    rows: tuple[Row, ...]

    def told(self, messages: str) -> str:
        """Gives messages of the compiler with the places of the user's text, each said once."""
        said: dict[str, list[int]] = {}
        if _PLACE.search(messages):
            messages = _HEADING.sub("the statements do not compile:", messages, count=1)
        for message in messages.splitlines():
            if not _SCAFFOLD.fullmatch(message):
                named = [int(match["row"]) for match in _PLACE.finditer(message)]
                text = _SCAFFOLD_PLACE.sub(_without_scaffold, _PLACE.sub(self._place, message))
                said.setdefault(text, []).extend(named[:1])
        return "\n".join(f"{text}{self._of_rows(numbers)}" for text, numbers in said.items())

    def _of_rows(self, numbers: Sequence[int]) -> str:
        """Says with which values a message came; nothing where it came with all."""
        named = sorted(set(numbers))
        if not named or len(named) == len(self.rows):
            return ""
        others = f" and {len(named) - 1} more" if len(named) > 1 else ""
        return f" [with {self.rows[named[0]].shown}{others}]"

    def _place(self, match: re.Match[str]) -> str:
        if match["line"] is None:
            return FILE
        filled = self.rows[int(match["row"])].statements
        if match["column"] is None:
            return f"{FILE}:{match['line']}"
        return filled.place(int(match["line"]), int(match["column"]))


@dataclass(frozen=True)
class Marks:
    """Where statements begin and end in the image, as flash words; `entry` is their function's first one."""

    entry: int
    begin: frozenset[int]
    end: frozenset[int]


def _without_scaffold(match: re.Match[str]) -> str:
    return FILE if match[0].startswith("<") else ""


def statements_unit(
    source: Source | None, rows: Sequence[Row], *, keep: Sequence[str] = (), has_clock: bool = False
) -> StatementsUnit:
    """Writes the unit: each row's statements in a function, in the context of a source or by themselves.

    `keep` are expressions whose values are to be there at the end of the statements, though nothing else uses them.
    Raises ArgumentError for more rows than an image is built with.
    """
    if len(rows) > MOST_FUNCTIONS:
        raise ArgumentError(
            f"these are {len(rows):,} rows, and up to {MOST_FUNCTIONS:,} are built, a function for each; "
            "--variable NAME passes values at run time instead and takes any number of them"
        )
    language: Language = "C" if source is None else source.language
    lines = _context(source, has_clock=has_clock)
    for number, row in enumerate(rows):
        lines += _function(number, row, keep, is_cpp=language == "C++")
    table = _table(len(rows), is_cpp=language == "C++")
    return StatementsUnit("\n".join(lines) + "\n", "\n".join(table) + "\n", source, language, tuple(rows))


def find_marks(image: Image, number: int) -> Marks:
    """Finds where the statements of a row begin and end.

    Raises MarksLost where the line table lacks one of the two, or has the statements' own lines before their begin.
    """
    symbol = image.symbol(symbol_of(number))
    first, last = symbol.address, symbol.address + symbol.size_bytes
    rows = image.lines.rows
    start = bisect_left(rows, first, key=lambda row: row.address) if _is_sorted(image) else 0
    begin, end, own = set[int](), set[int](), set[int]()
    for row in rows[start:]:
        if row.end_sequence or not first <= row.address < last:
            if row.address > last:
                break
            continue
        name = PurePath(row.file.replace("\\", "/")).name
        if name == BEGIN:
            begin.add(row.address // 2)
        elif name == END:
            end.add(row.address // 2)
        elif name.startswith((f"{KEEP}#", f"{FILE}#")):
            own.add(row.address // 2)
    if len(begin) != 1:
        raise MarksLost(
            "the mark at the begin of the statements is not in the line table once, so they cannot be timed"
        )
    if min(own, default=min(begin)) < min(begin):
        raise MarksLost("the compiler has moved some of the statements before their begin, so they cannot be timed")
    return Marks(first // 2, frozenset(begin), frozenset(end))


def _is_sorted(image: Image) -> bool:
    return all(left.address <= right.address for left, right in pairwise(image.lines.rows))


def _context(source: Source | None, *, has_clock: bool) -> list[str]:
    if source is not None:
        return [f'#include "{source.path.as_posix()}"']
    headers = [*_USUAL_HEADERS, *(["util/delay.h"] if has_clock else [])]
    return [f"#include <{header}>" for header in headers]


def _function(number: int, row: Row, keep: Sequence[str], *, is_cpp: bool) -> list[str]:
    name = symbol_of(number)
    parameters = ", ".join(f"{type_name} {each}" for type_name, each in row.parameters)
    head = f"void {name}({parameters or 'void'})"
    values = ", ".join(f'"+r"({each})' for _, each in row.parameters)
    attributes = "__attribute__((noinline, noclone, used, externally_visible))"
    return [
        f'#line 1 "{GENERATED}"',
        f"{_c_linkage(is_cpp=is_cpp)}{head} {attributes};",
        head,
        "{",
        f'#line 1 "{BEGIN}"',
        f'__asm__ __volatile__("" : {values} : "i"({number}) : "memory");',
        "{",
        f'#line 1 "{FILE}#{number}"',
        row.statements.text,
        ";",
        *(line for place, each in enumerate(keep) for line in _kept(place, each)),
        f'#line 3 "{GENERATED}"',
        "}",
        f'#line 1 "{END}"',
        '__asm__ __volatile__("" ::: "memory");',
        f'#line 4 "{GENERATED}"',
        f'__asm__ __volatile__("{_BLANK_LINES}");',
        "}",
    ]


def _c_linkage(*, is_cpp: bool) -> str:
    return 'extern "C" ' if is_cpp else ""


def symbol_of(number: int) -> str:
    """Gives the link symbol of a row's function."""
    return f"cyclerule_statements_{number}"


def _kept(place: int, expression: str) -> list[str]:
    return [f'#line 1 "{KEEP}#{place}"', f'__asm__ __volatile__("" :: "r"({expression}));']


def _table(count: int, *, is_cpp: bool) -> list[str]:
    """Writes a constant in flash with the functions' addresses: one name by which a linker keeps them all."""
    head = f"void (*const {TABLE}[{count}])(void)"
    names = ", ".join(f"(void (*)(void)) {symbol_of(number)}" for number in range(count))
    declared = f'extern {head} __attribute__((section(".progmem.data.kept")));'
    defined = f"{head} __attribute__((used)) = {{{names}}};"
    text = [declared, defined]
    return [f'#line 5 "{GENERATED}"', *(['extern "C" {', *text, "}"] if is_cpp else text)]


def first_source(sources: Sequence[Source]) -> Source | None:
    """Gives the source in whose context statements are compiled: the first of C or C++; None without one."""
    return next((source for source in sources if source.language in ("C", "C++")), None)


def values_shown(values: Mapping[str, str]) -> str:
    """Writes the values of a row for messages: "pin = 3, level = 1"."""
    return ", ".join(f"{name} = {value}" for name, value in values.items())
