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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cyclerule.errors import ArgumentError
from cyclerule.firmware.image import Kind
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

# The linker puts the working folder before the name.
_PLACE = re.compile(rf"(?:\S*[/\\])?{re.escape(FILE)}#(?P<row>\d+)(?::(?P<line>\d+)(?::(?P<column>\d+))?)?")
_HEADING = re.compile(r"^.* does not compile:$", re.MULTILINE)
_SCAFFOLD_PLACE = re.compile(rf"(?:{BEGIN}|{END}|{GENERATED}):\d+|(?: in )?cyclerule_statements_\d+")
_OWN_PLACE = re.compile(rf"(?:{re.escape(FILE)}|{re.escape(KEEP)})#\d+|cyclerule_statements_\d+")
_KEPT_PLACE = re.compile(rf"{re.escape(KEEP)}#\d+")
_OF_SCAFFOLD = re.compile(rf"(?:\S*[/\\])?(?:{GENERATED}|{BEGIN}|{END}):")
_SCAFFOLD = re.compile(
    r".*: In function [`'].*cyclerule_statements_\d+.*':"
    rf"|(?:.*[/\\])?(?:{re.escape(FILE)}(?:#\d+)?|{GENERATED}|{BEGIN}|{END}): At (?:top level|global scope):"
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
        if self.source is None or _OWN_PLACE.search(messages):
            messages = _HEADING.sub("the statements do not compile:", messages, count=1)
        lines = [line for line in messages.splitlines() if not _SCAFFOLD.fullmatch(line)]
        if any(": error: " in line for line in lines if not _OF_SCAFFOLD.match(line)):
            # What text that is broken makes of the lines behind it says nothing more.
            lines = [line for line in lines if not _OF_SCAFFOLD.match(line)]
        for message in lines:
            named = [int(match["row"]) for match in _PLACE.finditer(message)]
            text = _SCAFFOLD_PLACE.sub(_without_scaffold, _PLACE.sub(self._place, message))
            text = _KEPT_PLACE.sub(KEEP, text)
            said.setdefault(text, []).extend(named[:1])
        return "\n".join(
            text if ": note: " in text else f"{text}{self._of_rows(numbers)}" for text, numbers in said.items()
        )

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


def _without_scaffold(match: re.Match[str]) -> str:
    return FILE if match[0].startswith("<") else ""


def statements_unit(
    source: Source | None, rows: Sequence[Row], *, keep: Mapping[str, bool] | None = None, has_delays: bool = False
) -> StatementsUnit:
    """Writes the unit: each row's statements in a function, in the context of a source or by themselves.

    `keep` are expressions whose values are to be there at the end of the statements, though nothing else uses them;
    true for one that is kept in memory, as an array has to be. Raises ArgumentError for more rows than an image is
    built with.
    """
    if len(rows) > MOST_FUNCTIONS:
        raise ArgumentError(
            f"these are {len(rows):,} rows, and up to {MOST_FUNCTIONS:,} are built, a function for each; "
            "--variable NAME passes values at run time instead and takes any number of them"
        )
    language = language_of(source)
    lines = context_lines(source, has_delays=has_delays)
    kept = [
        line for place, (each, in_memory) in enumerate((keep or {}).items()) for line in _kept(place, each, in_memory)
    ]
    for number, row in enumerate(rows):
        lines += function_lines(
            number,
            row,
            language,
            attributes="__attribute__((noinline, noclone, used, externally_visible))",
            before=_begin(number, row),
            inside=kept,
            after=[
                f'#line 1 "{END}"',
                '__asm__ __volatile__("" ::: "memory");',
                f'#line 4 "{GENERATED}"',
                f'__asm__ __volatile__("{_BLANK_LINES}");',
            ],
        )
    table = _table(len(rows), language)
    return StatementsUnit("\n".join(lines) + "\n", "\n".join(table) + "\n", source, language, tuple(rows))


def language_of(source: Source | None) -> Language:
    """Gives the language of statements: that of their context, C where they stand alone."""
    return "C" if source is None else source.language


def context_lines(source: Source | None, *, has_delays: bool) -> list[str]:
    """Gives the lines that come before: the source that is the context, else what a file usually includes."""
    if source is not None:
        return [f'#include "{source.path.as_posix()}"']
    headers = [*_USUAL_HEADERS, *(["util/delay.h"] if has_delays else [])]
    return [f"#include <{header}>" for header in headers]


def function_lines(
    number: int,
    row: Row,
    language: Language,
    *,
    returns: str = "void",
    attributes: str = "",
    before: Sequence[str] = (),
    inside: Sequence[str] = (),
    after: Sequence[str] = (),
) -> list[str]:
    """Writes a row's function: the statements in a block, with lines before, at the end of it, and after."""
    parameters = ", ".join(f"{type_name} {each}" for type_name, each in row.parameters)
    head = f"{returns} {symbol_of(number)}({parameters or 'void'})"
    linkage = 'extern "C" ' if language == "C++" else ""
    return [
        f'#line 1 "{GENERATED}"',
        f"{linkage}{head} {attributes};",
        head,
        "{",
        *before,
        "{",
        f'#line 1 "{FILE}#{number}"',
        row.statements.text,
        # Not every statement is typed with the semicolon at its end.
        ";",
        *inside,
        f'#line 3 "{GENERATED}"',
        "}",
        *after,
        "}",
    ]


def _begin(number: int, row: Row) -> list[str]:
    """Writes the first mark; it hands on what is passed, so that nothing can be computed of that before it."""
    line = f'#line 1 "{BEGIN}"'
    plain = [line, f'__asm__ __volatile__("" :: "i"({number}) : "memory");']
    if not row.parameters:
        return plain
    values = ", ".join(f'"+r"({each})' for _, each in row.parameters)
    marked = [line, f'__asm__ __volatile__("" : {values} : "i"({number}) : "memory");']
    # Without optimization nothing is moved, but what is handed on would be stored again behind the mark.
    return ["#ifdef __OPTIMIZE__", *marked, "#else", *plain, "#endif"]


def symbol_of(number: int) -> str:
    """Gives the link symbol of a row's function."""
    return f"cyclerule_statements_{number}"


def _kept(place: int, expression: str, in_memory: bool) -> list[str]:
    line = f'#line 1 "{KEEP}#{place}"'

    def use(constraint: str, clobbers: str = "") -> list[str]:
        return [line, f'__asm__ __volatile__("" :: "{constraint}"(', line, expression, f"){clobbers});"]

    if in_memory:
        return use("m", ' : "memory"')
    # Without optimization a variable is in memory, and to load it would be counted. With it, a value that is in memory
    # as well would not be loaded at all.
    return ["#ifdef __OPTIMIZE__", *use("r"), "#else", *use("rm"), "#endif"]


def _table(count: int, language: Language) -> list[str]:
    """Writes a constant in flash with the functions' addresses: one name by which a linker keeps them all."""
    head = f"void (*const {TABLE}[{count}])(void)"
    names = ", ".join(f"(void (*)(void)) {symbol_of(number)}" for number in range(count))
    declared = f'extern {head} __attribute__((section(".progmem.data.kept")));'
    defined = f"{head} __attribute__((used)) = {{{names}}};"
    text = [declared, defined]
    return [f'#line 5 "{GENERATED}"', *(['extern "C" {', *text, "}"] if language == "C++" else text)]


def first_source(sources: Sequence[Source]) -> Source | None:
    """Gives the source in whose context statements are compiled: the first of C or C++; None without one."""
    return next((source for source in sources if source.language in ("C", "C++")), None)
