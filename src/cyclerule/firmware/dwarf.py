"""Functions, variables, inlined calls and lines from debug information (DWARF versions 2 to 5)."""

from dataclasses import dataclass

from cyclerule.firmware.damage import DebugDamage
from cyclerule.firmware.dwarf_constants import constant_of
from cyclerule.firmware.dwarf_entries import Entries, Entry
from cyclerule.firmware.dwarf_lines import SourceFiles
from cyclerule.firmware.dwarf_types import TypeReader
from cyclerule.firmware.functions import CodeSymbols, Copy, Told, list_functions
from cyclerule.firmware.image import (
    DebugInformation,
    InlinedCall,
    LineTable,
    Range,
    Space,
    Symbol,
    Variable,
    VirtualFunction,
)
from cyclerule.firmware.memories import space_at
from cyclerule.firmware.types import FunctionType, Type, VoidType, size_of, type_text

_ORIGIN = "DW_AT_abstract_origin"
_ORIGINS = (_ORIGIN, "DW_AT_specification")


@dataclass(frozen=True)
class DwarfSource:
    """The debug information in an ELF file's bytes."""

    data: bytes

    def read(self, symbols: tuple[Symbol, ...], code: tuple[Range, ...]) -> DebugInformation:
        """Reads all of it and joins it with the symbols; damaged parts are left out and named in `problem`."""
        code_symbols = CodeSymbols(symbols, code)
        try:
            entries = Entries(self.data)
        except DebugDamage as damage:
            functions = list_functions([], code_symbols, LineTable())
            return DebugInformation(functions=functions, problem=f"debug information cannot be used: {damage}")
        return _Reader(entries, symbols, code_symbols).read()


class _Reader:
    def __init__(self, entries: Entries, symbols: tuple[Symbol, ...], code_symbols: CodeSymbols) -> None:
        self._entries, self._code_symbols = entries, code_symbols
        self._has_symbols = bool(symbols)
        self._objects = {(s.space, s.address): s for s in symbols if s.kind == "object"}
        self._types = TypeReader(entries)
        self._files = SourceFiles(entries)
        self._told: dict[tuple[str, str | None, int | None, str], Told] = {}
        self._told_at: dict[int, Told] = {}
        self._copies: dict[int, Copy] = {}

    def read(self) -> DebugInformation:
        entries = self._entries
        subprograms = [e for e in entries.walk() if e.tag == "DW_TAG_subprogram" and not e.flag("DW_AT_declaration")]
        for entry in subprograms:
            with entries.noting(f"function {entry.text('DW_AT_name') or 'at'} {entry.offset}"):
                self._read_function(entry)
        calls = [e for e in entries.walk() if e.tag == "DW_TAG_inlined_subroutine"]
        placed: list[tuple[Entry, Told, Copy, Entry | None]] = []
        for entry in calls:
            with entries.noting(f"inlined call at {entry.offset}"):
                self._place_call(entry, placed)
        lines = self._files.lines()
        functions = list_functions(list(self._told.values()), self._code_symbols, lines)
        inlined = []
        for entry, told, copy, outer in placed:
            with entries.noting(f"inlined call at {entry.offset}"):
                inlined.append(self._inlined_call(entry, told, copy, outer))
        variables: dict[tuple[str, Space, int], Variable] = {}
        for entry in entries.walk():
            if entry.tag == "DW_TAG_variable" and not entry.unit.is_device_library:
                with entries.noting(f"variable {entry.text('DW_AT_name') or 'at'} {entry.offset}"):
                    self._read_variable(entry, variables)
        virtual: dict[tuple[str, int], VirtualFunction] = {}
        for entry in entries.walk():
            if entry.tag == "DW_TAG_subprogram" and entry.has("DW_AT_vtable_elem_location"):
                with entries.noting(f"virtual function {entry.text('DW_AT_name') or 'at'} {entry.offset}"):
                    self._read_virtual(entry, virtual)
        return DebugInformation(
            functions=functions,
            virtual=tuple(virtual.values()),
            variables=tuple(sorted(variables.values(), key=lambda v: (v.space, v.address, v.name))),
            inlined=tuple(sorted((c for c in inlined if c.ranges), key=lambda c: (c.ranges[0][0], -c.ranges[-1][1]))),
            lines=lines,
            problem=_problem(entries.problems),
        )

    def _read_function(self, entry: Entry) -> None:
        told = self._told_of(entry)
        if told is None:
            return
        ranges = self._entries.ranges(entry)
        if not ranges:
            return
        # The code at the address that it is entered by stands first, wherever the compiler put the rest.
        entry_address = entry.number("DW_AT_low_pc")
        ranges = tuple(sorted(ranges, key=lambda r: (r[0] != entry_address, r)))
        link_name = self._link_name(self._entries.chain(entry, *_ORIGINS))
        symbol = self._code_symbols.best(ranges[0][0], link_name)
        if symbol is None and self._has_symbols:
            # The linker left it out; its addresses are then those of something else.
            return
        copy = Copy(told, link_name, ranges, symbol)
        told.copies.append(copy)
        self._copies[entry.offset] = copy

    def _told_of(self, entry: Entry) -> Told | None:
        """Gives what is told of the function that an entry is about, the same for all copies of it."""
        root = self._entries.chain(entry, _ORIGIN)[-1]
        if root.offset in self._told_at:
            return self._told_at[root.offset]
        chain = self._entries.chain(root, "DW_AT_specification")
        source_name = _source_name(chain)
        if not source_name:
            return None
        link_name = self._link_name(chain)
        placed = [*chain, *_closure(chain)]
        line = _first_number(placed, "DW_AT_decl_line")
        filed = next((e for e in placed if e.has("DW_AT_decl_file")), root)
        file = self._files.file(filed.unit, filed.number("DW_AT_decl_file"))
        signature: FunctionType | None = None
        with self._entries.noting(f"parameters of {source_name}"):
            signature = self._signature(chain)
        # Link-time optimisation may forget the link name, which is what tells the instances of a template apart.
        apart = type_text(signature) if signature is not None and link_name == source_name and "::" in link_name else ""
        identity = (link_name, file.absolute if file else None, line, apart)
        if identity not in self._told:
            self._told[identity] = Told(
                link_name=link_name,
                source_name=source_name,
                signature=signature,
                file=file.name if file else None,
                absolute_file=file.absolute if file else None,
                line=line,
                is_static=not any(e.flag("DW_AT_external") for e in chain),
            )
        self._told_at[root.offset] = self._told[identity]
        return self._told[identity]

    def _signature(self, chain: list[Entry]) -> FunctionType | None:
        root = chain[0]
        result = next((e for e in chain if e.has("DW_AT_type")), root)
        described = [e for e in chain if any(c.tag == "DW_TAG_formal_parameter" for c in e.children)]
        has_code = bool(self._entries.ranges(root))
        if not described and root.unit.is_link_time and not has_code:
            # Inlined early, its parameters were forgotten before link time (test: parameters lost in a C++ program).
            return None
        is_prototyped = root.unit.is_cplusplus or any(e.flag("DW_AT_prototyped") for e in chain)
        return self._types.signature(result, described[0] if described else root, is_prototyped)

    @staticmethod
    def _link_name(chain: list[Entry]) -> str:
        """Gives the name the linker would know it by."""
        for entry in chain:
            name = entry.text("DW_AT_linkage_name") or entry.text("DW_AT_MIPS_linkage_name")
            if name:
                return name
        return _source_name(chain)

    def _place_call(self, entry: Entry, placed: list[tuple[Entry, Told, Copy, Entry | None]]) -> None:
        """Finds the function whose code holds an inlined call, and the inlined call around it, if any."""
        outer: Entry | None = None
        around = entry.parent
        while around is not None and around.tag != "DW_TAG_subprogram":
            if around.tag == "DW_TAG_inlined_subroutine" and outer is None:
                outer = around
            around = around.parent
        copy = self._copies.get(around.offset) if around is not None else None
        told = self._told_of(entry)
        if copy is not None and told is not None:
            told.inlined_into.append(copy)
            placed.append((entry, told, copy, outer))

    def _inlined_call(self, entry: Entry, told: Told, copy: Copy, outer: Entry | None) -> InlinedCall:
        file = self._files.file(entry.unit, entry.number("DW_AT_call_file"))
        outer_told = self._told_of(outer) if outer is not None else None
        return InlinedCall(
            name=told.name,
            ranges=self._entries.ranges(entry),
            call_file=file.name if file else None,
            call_line=entry.number("DW_AT_call_line"),
            inside=copy.name,
            within=outer_told.name if outer_told is not None else copy.name,
            arguments=tuple(self._constants(entry)),
        )

    def _read_virtual(self, entry: Entry, virtual: dict[tuple[str, int], VirtualFunction]) -> None:
        location = entry.block("DW_AT_vtable_elem_location") or []
        if len(location) != 2 or location[0] != 0x10 or location[1] > 0x7F:  # DW_OP_constu and one byte
            return
        name, signature = entry.qualified_name, self._types.signature(entry, entry, True)
        if name:
            virtual.setdefault((type_text(signature, name), location[1]), VirtualFunction(name, location[1], signature))

    def _constants(self, entry: Entry) -> list[int | float | None]:
        """Gives the values of an inlined call's parameters, as far as the compiler knew them."""
        found: list[int | float | None] = []
        for child in entry.children:
            if child.tag != "DW_TAG_formal_parameter":
                continue
            value: int | float | None = None
            with self._entries.noting(f"value of a parameter at {child.offset}"):
                chain = self._entries.chain(child, _ORIGIN)
                typed = next((each for each in chain if each.has("DW_AT_type")), child)
                value = constant_of(self._entries, child, self._types.type_of(typed))
            found.append(value)
        return found

    def _read_variable(self, entry: Entry, variables: dict[tuple[str, Space, int], Variable]) -> None:
        address = entry.fixed_address()
        if address is None:
            return
        chain = self._entries.chain(entry, *_ORIGINS)
        name = next((n for e in reversed(chain) if (n := e.qualified_name)), "")
        placed = space_at(address)
        if not name or placed is None:
            return
        space, address = placed
        typed = next((e for e in chain if e.has("DW_AT_type")), entry)
        kind: Type | None = self._types.type_of(typed)
        if isinstance(kind, VoidType):
            # avr-gcc 5 says `const void` of arrays in a named address space.
            kind = None
        symbol = self._objects.get((space, address))
        function = self._function_around(entry)
        if function is not None and symbol is not None and not _is_of(symbol, name):
            # A local variable that has the value of a global one all along is told to lie where that does.
            return
        filed = next((e for e in chain if e.has("DW_AT_decl_file")), entry)
        file = self._files.file(filed.unit, filed.number("DW_AT_decl_file"))
        variables.setdefault(
            (name, space, address),
            Variable(
                name=name,
                address=address,
                type=kind,
                file=file.name if file else None,
                line=_first_number(chain, "DW_AT_decl_line"),
                space=space,
                size_bytes=(size_of(kind) if kind is not None else None) or (symbol.size_bytes if symbol else 0),
                symbol=symbol.name if symbol else None,
                function=function,
                is_static=not any(e.flag("DW_AT_external") for e in chain),
            ),
        )

    def _function_around(self, entry: Entry) -> str | None:
        around = entry.parent
        while around is not None:
            if around.tag in {"DW_TAG_subprogram", "DW_TAG_inlined_subroutine"}:
                told = self._told_of(around)
                return told.name or None if told is not None else None
            around = around.parent
        return None


def _closure(chain: list[Entry]) -> list[Entry]:
    """Gives the class of a lambda's body, which has the place that the body lacks (test: a lambda by its line)."""
    around = chain[-1].parent
    is_lambda = around is not None and (around.text("DW_AT_name") or "").startswith("<lambda")
    return [around] if around is not None and is_lambda else []


def _source_name(chain: list[Entry]) -> str:
    """Gives the name in the source, with namespaces and class, which only the declaration inside the class has."""
    name = next((n for e in reversed(chain) if (n := e.qualified_name)), "")
    # Link-time optimisation names constructors and destructors so.
    scope, _, last = name.rpartition("::")
    owner = scope.rpartition("::")[2]
    match last.strip():
        case "__base_ctor" | "__comp_ctor":
            return f"{scope}::{owner}"
        case "__base_dtor" | "__comp_dtor" | "__deleting_dtor":
            return f"{scope}::~{owner}"
        case _:
            return name


def _is_of(symbol: Symbol, name: str) -> bool:
    """Whether a symbol is that of a variable inside a function: "count", "count.1603", "_ZZ6updatevE5count"."""
    last = name.rpartition("::")[2]
    return symbol.name.partition(".")[0] == last or f"{len(last)}{last}" in symbol.name


def _first_number(chain: list[Entry], name: str) -> int | None:
    return next((number for e in chain if (number := e.number(name)) is not None), None)


def _problem(problems: list[str]) -> str | None:
    if not problems:
        return None
    shown = list(dict.fromkeys(problems))
    return "; ".join(shown[:3]) + (f"; and {len(shown) - 3} more" if len(shown) > 3 else "")
