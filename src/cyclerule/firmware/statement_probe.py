"""What only the compiler knows of statements: the kind of what is to be kept, values and types of names, ways out.

Units are compiled for this alone, and nothing of them is linked. What the compiler works out is read from a section.
"""

import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from cyclerule.firmware.compiling import Compiling
from cyclerule.firmware.sources import Source
from cyclerule.firmware.statement_text import FILE
from cyclerule.firmware.statements import Row, StatementsUnit, context_lines, function_lines, language_of

_SECTION = "cyclerule_told"
_IN_SECTION = f'__attribute__((used, section("{_SECTION}")))'
_VALUES = "<values>"
_LEFT = "cyclerule_left_early"

# GCC's typeclass.h, the values of __builtin_classify_type.
_ENUMERAL, _REAL = 3, 8
_IN_MEMORY = frozenset({9, 12, 13, 14})
"""Complex numbers, structures, unions and arrays."""

_IS_ARRAY = {
    "C": "!__builtin_types_compatible_p(__typeof__({0}), __typeof__((0, {0})))",
    "C++": "cyclerule_is_array<__typeof__({0})>::value",
}
_ARRAY_TEMPLATE = """template<class T> struct cyclerule_is_array { enum { value = 0 }; };
template<class T, unsigned N> struct cyclerule_is_array<T[N]> { enum { value = 1 }; };"""


class Resolved(NamedTuple):
    """A whole number that the compiler knows, and its type where that is one of C's integers; else it is empty."""

    value: int
    type_name: str


# What GCC says of a return without a value, or with one of another type, where a structure is to be returned.
_RETURNS = re.compile(rf"#\d+:.*(?:\breturn\b|return-statement|incompatible types|could not convert|{_LEFT})")


_ASSEMBLER = re.compile(r"^.*\.s:(?P<line>\d+): (?P<words>(?:Error|Fatal error): .*)$", re.MULTILINE)
_ASM_PLACE = re.compile(r"\s*[;#] +(?P<line>\d+) \"(?P<file>[^\"]*)\" 1")


@dataclass(frozen=True)
class Probe:
    """A look at the statements' context through the compiler; `source` as for the unit that is built."""

    compiling: Compiling
    source: Source | None
    has_delays: bool

    @property
    def _place(self) -> Source:
        return self.source or Source(Path(FILE), "C", is_generated=True)

    def _lines(self) -> list[str]:
        return context_lines(self.source, has_delays=self.has_delays)

    def kept_in_memory(self, row: Row, keep: Sequence[str]) -> dict[str, bool]:
        """Tells for each expression whether it is an array, a structure or the like, which no register can hold.

        Where the compiler does not take them the answer is no: the build tells what is wrong.
        """
        language = language_of(self.source)
        looks = ", ".join(f"__builtin_classify_type({each}), {_IS_ARRAY[language].format(each)}" for each in keep)
        table = f"static const unsigned char cyclerule_kinds[] {_IN_SECTION} = {{{looks}}};"
        template = [_ARRAY_TEMPLATE] if language == "C++" else []
        told, _ = self._told([*self._lines(), *template, *function_lines(0, row, language, inside=[table])])
        if len(told) != 2 * len(keep):
            return dict.fromkeys(keep, False)
        kinds = zip(keep, told[::2], told[1::2], strict=True)
        return {each: kind in _IN_MEMORY or bool(is_array) for each, kind, is_array in kinds}

    def resolve(self, expressions: Sequence[str]) -> tuple[list[Resolved], str]:
        """Gives the values of constant expressions, or none and the compiler's words about them."""
        table = []
        for each in expressions:
            own = f"(__typeof__({each}))"
            table.append(f"sizeof({each}), __builtin_classify_type({each}), {own} -1 < {own} 0, (long long) ({each})")
        rows = ", ".join(f"{{{row}}}" for row in table)
        shape = "static const struct { long long size, kind, is_signed, whole; } cyclerule_values[]"
        lines = [*self._lines(), f'#line 1 "{_VALUES}"', f"{shape} {_IN_SECTION} = {{{rows}}};"]
        told, refusal = self._told(lines)
        if refusal:
            words = [line.partition(": error: ")[2] for line in refusal.splitlines() if _VALUES in line]
            return [], "; ".join(dict.fromkeys(filter(None, words))) or refusal
        numbers = [int.from_bytes(told[at : at + 8], "little", signed=True) for at in range(0, len(told), 8)]
        if any(kind == _REAL for kind in numbers[1::4]):
            return [], "floating-point constants are written as numbers"
        return [_resolved(*numbers[at : at + 4]) for at in range(0, len(numbers), 4)], ""

    def ways_out(self, row: Row) -> list[str]:
        """Gives the compiler's words about each `return` that would leave the statements."""
        language = language_of(self.source)
        # A structure that nothing else gives: only a return of the function itself could be of another type.
        head = f"struct {_LEFT} {{ char nothing; }};"
        last = f"return {_LEFT}();" if language == "C++" else f"return (struct {_LEFT}) {{0}};"
        lines = function_lines(0, row, language, returns=f"struct {_LEFT}", after=[last])
        said = self.compiling.remarks(self._place, "\n".join([*self._lines(), head, *lines, ""]), ())
        return [line for line in said.splitlines() if _RETURNS.search(line)]

    def remarks(self, row: Row, options: Sequence[str]) -> str:
        """Gives what the compiler remarks on when it is asked to by these options."""
        lines = [*self._lines(), *function_lines(0, row, language_of(self.source))]
        return self.compiling.remarks(self._place, "\n".join(lines) + "\n", options)

    def assembler_words(self, unit: StatementsUnit) -> str:
        """Gives what the assembler says of a unit, each at the line of the statement that it is in."""
        text, said = self.compiling.assembly(self._place, unit.text)
        written = text.splitlines()
        words = []
        for match in _ASSEMBLER.finditer(said):
            # The compiler names the place of each `__asm__` in a comment before it.
            before = (_ASM_PLACE.fullmatch(line) for line in reversed(written[: int(match["line"])]))
            place = next((found for found in before if found), None)
            if place is not None:
                words.append(f"{place['file']}:{place['line']}: {match['words']}")
        return unit.told("\n".join(words))

    def _told(self, lines: Sequence[str]) -> tuple[bytes, str]:
        data, refusal = self.compiling.probe(self._place, "\n".join(lines) + "\n")
        if refusal or not data:
            return b"", refusal
        with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
            made, told = Path(folder) / "probe.o", Path(folder) / "told"
            made.write_bytes(data)
            self.compiling.toolchain.run("objcopy", ["-O", "binary", "-j", _SECTION, made, told])
            return told.read_bytes() if told.is_file() else b"", ""


def _resolved(size: int, kind: int, is_signed: int, whole: int) -> Resolved:
    plain = {(2, 1): "int", (2, 0): "unsigned int", (4, 1): "long", (4, 0): "unsigned long", (8, 1): "long long"}
    name = "" if kind == _ENUMERAL else plain.get((size, is_signed), "")
    is_beyond = whole < 0 and not is_signed
    return Resolved(whole + (1 << 64) if is_beyond else whole, name)
