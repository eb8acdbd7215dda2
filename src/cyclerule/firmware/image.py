"""A linked program as one value: what lies in its memories, and what its symbols and debug information say about it."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Literal, Protocol

from cyclerule.errors import UnknownName
from cyclerule.firmware.types import FunctionType, Type

Space = Literal["flash", "data", "eeprom", "fuse", "lock", "signature", "absolute"]
"""Where a symbol lies: a flash byte address, a data-space address, an EEPROM address …, or a plain number."""

Kind = Literal["as built", "kept copy", "with marks", "statements in a generated function", "build with code before"]
"""How an image came to be: the program's own build, a second build that keeps a function, one with marks, one with
statements in functions made for them, or one with a function of what runs before a call."""

Range = tuple[int, int]
"""Flash byte addresses from the first to one past the last."""


@dataclass(frozen=True)
class Symbol:
    """A name in the symbol table.

    `address` counts bytes in its space; in data space it is what the CPU uses, without the 0x800000 that ELF files add.
    `size_bytes` is 0 for most labels; `file` is the unit of a local symbol.
    """

    name: str
    space: Space
    address: int
    size_bytes: int
    kind: Literal["function", "object", "label"]
    binding: Literal["local", "global", "weak"]
    file: str | None = None


@dataclass(frozen=True)
class SourcePlace:
    """A line of source."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True)
class Function:
    """A function of the program, those that exist only inlined into others included.

    `name` is its key in `Image.functions`: the link symbol, with "@" and the file behind it where several static
    functions share one. `source_name` is what the source calls it ("hive::Sensor::read"). `address` is the flash byte
    address of its first instruction, None when no copy of it stands by itself. `ranges` are its flash bytes, more than
    one stretch when the compiler split it. `signature`, `file` and `line` are None without debug information.

    `is_label` says that only a label without a type tells of it, as in some assembly; its size then reaches to the next
    one. `alias_of` is the function with the same code that is listed first. `clone_of` is the function that the
    compiler made this one from ("crc8" for "crc8.constprop.0"): such a clone may take other arguments than its
    source says, so it has no signature.
    """

    name: str
    source_name: str
    signature: FunctionType | None = None
    file: str | None = None
    line: int | None = None
    address: int | None = None
    size_bytes: int = 0
    ranges: tuple[Range, ...] = ()
    inlined_into: tuple[str, ...] = ()
    symbol: str | None = None
    is_static: bool = False
    is_label: bool = False
    alias_of: str | None = None
    clone_of: str | None = None
    absolute_file: str | None = None

    @property
    def place(self) -> SourcePlace | None:
        """Where it is defined."""
        return None if self.file is None or self.line is None else SourcePlace(self.file, self.line)


@dataclass(frozen=True)
class Variable:
    """A variable with a fixed address; `type` is None where the debug information lost it.

    `name` is what the source calls it, `symbol` its link symbol, `function` the function whose static it is.
    `address` counts bytes in its space, in data space without the 0x800000 that ELF files add.
    """

    name: str
    address: int
    type: Type | None
    file: str | None = None
    line: int | None = None
    space: Space = "data"
    size_bytes: int = 0
    symbol: str | None = None
    function: str | None = None
    is_static: bool = False


@dataclass(frozen=True)
class VirtualFunction:
    """A virtual function as its class declares it; `index` is its place in the class's table, from 0 on."""

    name: str
    index: int
    signature: FunctionType


@dataclass(frozen=True)
class InlinedCall:
    """One place where a function's body stands inside another's.

    `name` is the inlined function and `inside` the function whose code holds it, both as keys of `Image.functions`;
    `within` is the function whose source has the call, different from `inside` when that is inlined too. `arguments`
    are the values of its parameters that are the same at each turn, None for others; empty where they are not told.
    """

    name: str
    ranges: tuple[Range, ...]
    call_file: str | None
    call_line: int | None
    inside: str
    within: str
    arguments: tuple[int | float | None, ...] = ()


@dataclass(frozen=True, slots=True)
class LineRow:
    """A row of the line table: from this flash byte address on, code belongs to this line.

    A row with `end_sequence` is the first address after a stretch and belongs to no line itself.
    """

    address: int
    file: str
    line: int
    column: int
    is_statement: bool
    end_sequence: bool


class LineTable:
    """Source lines by address.

    `rows` are as the compiler wrote them, stretch by stretch in order of address; `paths` gives the absolute path of
    each file named in them.
    """

    def __init__(self, rows: Iterable[LineRow] = (), paths: Mapping[str, str] | None = None) -> None:
        self.rows: tuple[LineRow, ...] = tuple(rows)
        self.paths: Mapping[str, str] = paths or {}
        # Of several rows at an address the last one covers the code; the others stay in `rows`, since marks leave such.
        covering = {row.address: row for row in self.rows}
        self._addresses = sorted(covering)
        self._covering = [covering[address] for address in self._addresses]

    def row(self, address: int) -> LineRow | None:
        """Gives the row that covers a flash byte address."""
        index = bisect_right(self._addresses, address) - 1
        if index < 0 or self._covering[index].end_sequence:
            return None
        return self._covering[index]

    def place(self, address: int) -> SourcePlace | None:
        """Gives the source line of a flash byte address; None where the table has none or says line 0."""
        row = self.row(address)
        return SourcePlace(row.file, row.line) if row is not None and row.line else None


@dataclass(frozen=True)
class DebugInformation:
    """What the compiler wrote for debuggers, joined with the symbol table.

    `problem` says why it is incomplete, None if it is not.
    """

    functions: tuple[Function, ...] = ()
    variables: tuple[Variable, ...] = ()
    inlined: tuple[InlinedCall, ...] = ()
    lines: LineTable = field(default_factory=LineTable)
    virtual: tuple[VirtualFunction, ...] = ()
    problem: str | None = None


class DebugSource(Protocol):
    """Something that debug information can be read from, when it is first asked for."""

    def read(self, symbols: tuple[Symbol, ...], code: tuple[Range, ...]) -> DebugInformation:
        """Reads all of it and joins it with the symbols; what is damaged becomes `problem`."""


@dataclass(frozen=True)
class Image:
    """A linked program.

    `flash` is program memory from byte 0 on, unused bytes 0xFF, the start values of `.data` included; `flash_used` and
    `code` are ranges of it, `code` those that the linker marked executable. `eeprom` is from its byte 0 on. `part` is
    from the file's own note, `architecture` the compiler's family name ("avr5"). `data_end` is the data address after
    the last variable. `compiler` and `flags` say how it was built, where known.
    """

    path: Path
    flash: bytes
    flash_used: tuple[Range, ...] = ()
    code: tuple[Range, ...] = ()
    eeprom: bytes = b""
    symbols: tuple[Symbol, ...] = ()
    part: str | None = None
    architecture: str | None = None
    data_end: int | None = None
    kind: Kind = "as built"
    compiler: str | None = None
    flags: tuple[str, ...] = ()
    debug: DebugSource | None = field(default=None, compare=False, repr=False)
    """Where debug information comes from; read once, on first use, since it takes longer than all else."""

    def __getstate__(self) -> dict[str, object]:
        # What was worked out from the fields is worked out again: it may refer to itself deeper than pickle can follow.
        return {f.name: getattr(self, f.name) for f in fields(self)}

    @cached_property
    def sha256(self) -> str:
        """The SHA-256 of the flash contents, in lower-case hexadecimal."""
        return sha256(self.flash).hexdigest()

    @cached_property
    def _debug_information(self) -> DebugInformation:
        return DebugInformation() if self.debug is None else self.debug.read(self.symbols, self.code)

    @property
    def debug_problem(self) -> str | None:
        """Why debug information is incomplete; None when it was read whole or there is none."""
        return self._debug_information.problem

    @cached_property
    def functions(self) -> Mapping[str, Function]:
        """The functions by name, in order of address, those without one last."""
        return {function.name: function for function in self._debug_information.functions}

    @property
    def variables(self) -> tuple[Variable, ...]:
        """The variables with a fixed address, from debug information."""
        return self._debug_information.variables

    @property
    def inlined(self) -> tuple[InlinedCall, ...]:
        """Every place where a function's body stands inside another's, from debug information."""
        return self._debug_information.inlined

    @property
    def virtual(self) -> tuple[VirtualFunction, ...]:
        """Every virtual function that a class declares, from debug information."""
        return self._debug_information.virtual

    @property
    def lines(self) -> LineTable:
        """Source lines by flash byte address; empty without debug information."""
        return self._debug_information.lines

    @cached_property
    def _symbols_by_name(self) -> Mapping[str, Symbol]:
        # Of several local symbols of one name the first counts, but a global one comes before all.
        return {s.name: s for local in (True, False) for s in reversed(self.symbols) if (s.binding == "local") is local}

    @cached_property
    def _sized_symbols(self) -> Mapping[Space, tuple[list[int], list[Symbol]]]:
        spaces: dict[Space, list[Symbol]] = {}
        for symbol in self.symbols:
            if symbol.space != "absolute":
                spaces.setdefault(symbol.space, []).append(symbol)
        index: dict[Space, tuple[list[int], list[Symbol]]] = {}
        for space, symbols in spaces.items():
            symbols.sort(key=lambda s: (s.address, s.size_bytes > 0, s.kind != "label", s.binding == "global"))
            index[space] = ([s.address for s in symbols], symbols)
        return index

    @cached_property
    def _function_ranges(self) -> tuple[tuple[list[int], list[tuple[int, Function]]], ...]:
        """Where functions begin, in order, and where they end; typed functions first, labels apart."""
        tables = []
        for is_label in (False, True):
            placed = sorted(
                (
                    (start, end, function)
                    for function in self.functions.values()
                    if function.alias_of is None and function.is_label is is_label
                    for start, end in function.ranges
                ),
                key=lambda entry: entry[:2],
            )
            tables.append(([start for start, _, _ in placed], [(end, function) for _, end, function in placed]))
        return tuple(tables)

    def symbol(self, name: str) -> Symbol:
        """Gives the symbol of that name, a global one before local ones; raises UnknownName."""
        try:
            return self._symbols_by_name[name]
        except KeyError:
            raise UnknownName("symbol", name, self._symbols_by_name) from None

    def symbol_at(self, space: Space, address: int) -> Symbol | None:
        """Gives the symbol whose bytes include the address, else the label that stands exactly there."""
        addresses, symbols = self._sized_symbols.get(space, ([], []))
        exact: Symbol | None = None
        for index in range(bisect_right(addresses, address) - 1, -1, -1):
            symbol = symbols[index]
            if address < symbol.address + symbol.size_bytes:
                return symbol
            if symbol.address == address:
                exact = exact or symbol
            elif symbol.size_bytes:
                # Sized symbols do not enclose each other, so none further down reaches up to here.
                break
        return exact

    def function_at(self, address: int) -> Function | None:
        """Gives the function whose code holds a flash byte address."""
        for starts, placed in self._function_ranges:
            index = bisect_right(starts, address) - 1
            if index >= 0 and address < placed[index][0]:
                return placed[index][1]
        return None

    def place(self, address: int) -> str:
        """Says where a flash byte address is: "crc.c:41", without line information "0x0346"."""
        place = self.lines.place(address)
        return f"0x{address:04x}" if place is None else str(place)
