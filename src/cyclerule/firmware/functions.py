"""Which functions a program has: what the symbol table and the debug information say, joined."""

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePath

from cyclerule.firmware.image import Function, LineTable, Range, Symbol
from cyclerule.firmware.types import FunctionType

# Clones that may take other parameters than their source says, or only do a part (gcc, cgraphclones.c and ipa-split.c).
_CLONE = re.compile(r"\.(?:isra|constprop|part|cold)\b")
_FIRST_NAME = re.compile(r"(?P<name>.+?)\.(?:isra|constprop|part|cold)\b.*")

# Labels in flash of avr-libc's start-up code and of the linker scripts: places, not functions.
_PLACES = {
    *("__vectors", "__vector_default", "__bad_interrupt", "__init", "_exit", "exit", "__stop_program"),
    *("__do_copy_data", "__do_clear_bss", "__do_global_ctors", "__do_global_dtors", "__heap_end", "_etext"),
    *("__trampolines_start", "__trampolines_end", "__ctors_start", "__ctors_end", "__dtors_start", "__dtors_end"),
    *("__data_load_start", "__data_load_end", "__rodata_load_start", "__rodata_load_end", "__text_end"),
    *("__eeprom_end", "_edata", "_end", "__data_start", "__data_end", "__bss_start", "__bss_end"),
}


@dataclass(eq=False)
class Told:
    """A function as the debug information tells it, with all copies of it and everywhere it is inlined."""

    link_name: str
    source_name: str
    signature: FunctionType | None
    file: str | None
    absolute_file: str | None
    line: int | None
    is_static: bool
    copies: list["Copy"] = field(default_factory=list)
    inlined_into: list["Copy"] = field(default_factory=list)
    name: str = ""

    @property
    def original(self) -> str | None:
        """The function that this is a clone of; link-time optimization tells of some clones as of functions."""
        match = _FIRST_NAME.fullmatch(self.link_name)
        return match["name"] if match is not None and self.file is None else None


@dataclass(eq=False)
class Copy:
    """Code of a function, standing by itself."""

    told: Told
    link_name: str
    ranges: tuple[Range, ...]
    symbol: Symbol | None
    name: str = ""

    @property
    def address(self) -> int:
        """The flash byte address of its first instruction."""
        return self.ranges[0][0]

    @property
    def is_clone(self) -> bool:
        """Whether the compiler made it for some of the calls only."""
        return self.symbol is not None and _CLONE.search(self.symbol.name) is not None


class CodeSymbols:
    """The symbols in flash that may be functions, by address."""

    def __init__(self, symbols: Iterable[Symbol], code: Sequence[Range]) -> None:
        self._code = code
        self.by_address: dict[int, list[Symbol]] = {}
        starts, marks = {end for _, end in code}, {end for _, end in code}
        for symbol in symbols:
            if symbol.space != "flash":
                continue
            is_inner_label = symbol.kind == "label" and symbol.binding == "local"
            if not is_inner_label:
                marks.add(symbol.address)
            if symbol.kind == "function":
                starts.add(symbol.address)
            is_label = symbol.kind == "label" and not is_inner_label and not _is_place(symbol)
            if (symbol.kind == "function" or is_label) and self._code_end(symbol.address) is not None:
                self.by_address.setdefault(symbol.address, []).append(symbol)
        self._starts, self._marks = sorted(starts), sorted(marks)

    def range(self, symbol: Symbol) -> Range:
        """Gives the flash bytes of a function that only the symbol table knows.

        Assembly in avr-libc gives some functions the size of their whole file, so a size ends where the next function
        begins (test: sizes in the floating-point library do not overlap). Without a size the next symbol ends it, but
        for local labels, which are places inside.
        """
        ends = self._starts if symbol.size_bytes and symbol.kind == "function" else self._marks
        index = bisect_right(ends, symbol.address)
        end = ends[index] if index < len(ends) else symbol.address
        if symbol.size_bytes:
            end = min(end, symbol.address + symbol.size_bytes)
        return (symbol.address, min(end, self._code_end(symbol.address) or end))

    def best(self, address: int, name: str) -> Symbol | None:
        """Gives the symbol of a function with that name in the debug information."""
        named = [s for s in self.by_address.get(address, []) if s.kind == "function" or s.name == name]
        return min(named, key=lambda s: (s.name != name, not s.name.startswith(f"{name}."), s.name), default=None)

    def _code_end(self, address: int) -> int | None:
        return next((end for start, end in self._code if start <= address < end), None)


def _is_place(symbol: Symbol) -> bool:
    # Interrupts without a handler have weak labels at `__bad_interrupt`; handlers themselves are typed functions.
    return symbol.name in _PLACES or (symbol.binding == "weak" and symbol.name.startswith("__vector_"))


def list_functions(told: Sequence[Told], code_symbols: CodeSymbols, lines: LineTable) -> tuple[Function, ...]:
    """Names every function, also in `told` and its copies, and gives them in order of address, those without last."""
    told = [one for one in told if not _is_only_declared(one, code_symbols)]
    _name_all(told)
    functions: list[Function] = []
    taken: dict[int, Copy] = {}
    for one in told:
        for copy in one.copies:
            functions.append(_copy_function(copy))
            taken.setdefault(copy.address, copy)
        if one.original is None and not any(not copy.is_clone for copy in one.copies):
            functions.append(_apart_from_code(one))
    by_name = {function.name: function for function in functions}
    listed = {(copy.address, copy.symbol.name) for one in told for copy in one.copies if copy.symbol is not None}
    for address, symbols in code_symbols.by_address.items():
        first: Function | None = by_name[taken[address].name] if address in taken else None
        for symbol in sorted(symbols, key=lambda s: (s.kind == "label", s.binding == "weak", s.name)):
            if (address, symbol.name) in listed or (first is not None and symbol.name in by_name):
                continue
            function = _alias(symbol, first) if first is not None else _symbol_function(symbol, code_symbols, lines)
            if function.name in by_name:
                function = _renamed(function)
            by_name[function.name] = function
            first = first or function
            functions.append(function)
    functions.sort(key=lambda f: (f.address is None, f.address or 0, f.alias_of is not None, f.name))
    return tuple(functions)


def _is_only_declared(one: Told, code_symbols: CodeSymbols) -> bool:
    """Tells whether a function without a copy is a library's, which has code but no debug information of its own.

    avr-gcc 5.4 tells of a function declared inside an inlined one, as avr-libc's itoa() declares __itoa_ncheck(), as
    if the program had its definition, and leaves its parameters out (test: the library's function is the only one).
    """
    return not (one.copies or one.inlined_into or one.is_static) and any(
        symbol.name == one.link_name and symbol.binding != "local"
        for symbols in code_symbols.by_address.values()
        for symbol in symbols
    )


def _name_all(told: Sequence[Told]) -> None:
    """Gives every function a key of its own: the link symbol, with file or address behind it where that is shared."""
    named: list[tuple[Told | Copy, Told]] = []
    for one in told:
        if one.original is None and not any(not copy.is_clone for copy in one.copies):
            named.append((one, one))
        named += [(copy, one) for copy in one.copies]
    for thing, _ in named:
        thing.name = thing.link_name if isinstance(thing, Told) or thing.symbol is None else thing.symbol.name
    for behind in ("file", "path", "address"):
        shared = {name for name, count in Counter(thing.name for thing, _ in named).items() if count > 1}
        for thing, one in named:
            if thing.name in shared:
                base = thing.name.split("@")[0]
                thing.name = f"{base}@{_distinction(behind, thing, one)}"
    for one in told:
        own = [copy for copy in one.copies if not copy.is_clone]
        if own:
            one.name = own[0].name
    by_link_name = {one.link_name: one.name for one in told if one.original is None}
    for one in told:
        if one.original is not None:
            one.name = by_link_name.get(one.original, one.original)


def _distinction(behind: str, thing: Told | Copy, told: Told) -> str:
    if behind == "address" and isinstance(thing, Copy):
        return f"0x{thing.address:04x}"
    if behind == "path" and isinstance(thing, Copy) and thing.symbol is not None and thing.symbol.file:
        return thing.symbol.file
    file = told.file or "??"
    return PurePath(file.replace("\\", "/")).name if behind == "file" else f"{file}:{told.line}"


def _copy_function(copy: Copy) -> Function:
    told = copy.told
    inlined_into = () if copy.is_clone else _names(told.inlined_into, besides=copy.name)
    return Function(
        name=copy.name,
        source_name=told.source_name,
        signature=None if copy.is_clone else told.signature,
        file=told.file,
        line=told.line,
        address=copy.address,
        size_bytes=sum(end - start for start, end in copy.ranges),
        ranges=copy.ranges,
        inlined_into=inlined_into,
        symbol=copy.link_name if copy.symbol is None else copy.symbol.name,
        is_static=told.is_static if copy.symbol is None else copy.symbol.binding == "local",
        clone_of=told.name if copy.is_clone else None,
        absolute_file=told.absolute_file,
    )


def _apart_from_code(told: Told) -> Function:
    return Function(
        name=told.name,
        source_name=told.source_name,
        signature=told.signature,
        file=told.file,
        line=told.line,
        inlined_into=_names(told.inlined_into, besides=told.name),
        is_static=told.is_static,
        absolute_file=told.absolute_file,
    )


def _names(copies: Iterable[Copy], *, besides: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(copy.name for copy in copies if copy.name != besides))


def _symbol_function(symbol: Symbol, code_symbols: CodeSymbols, lines: LineTable) -> Function:
    start, end = code_symbols.range(symbol)
    place = lines.place(start)
    return Function(
        name=symbol.name,
        source_name=symbol.name,
        file=None if place is None else place.file,
        line=None if place is None else place.line,
        address=start,
        size_bytes=end - start,
        ranges=((start, end),) if start < end else (),
        symbol=symbol.name,
        is_static=symbol.binding == "local",
        is_label=symbol.kind == "label",
        absolute_file=None if place is None else lines.paths.get(place.file),
    )


def _alias(symbol: Symbol, first: Function) -> Function:
    is_c = first.source_name == first.symbol
    return replace(
        first,
        name=symbol.name,
        source_name=symbol.name if is_c else first.source_name,
        symbol=symbol.name,
        alias_of=first.name,
        inlined_into=(),
        is_static=symbol.binding == "local",
        is_label=symbol.kind == "label",
    )


def _renamed(function: Function) -> Function:
    return replace(function, name=f"{function.name}@0x{function.address or 0:04x}")
