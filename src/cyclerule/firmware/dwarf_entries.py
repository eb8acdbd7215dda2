"""Debug information entries as a tree that is safe to walk, whatever the file says (DWARF versions 2 to 5)."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from cyclerule.firmware.damage import DebugDamage, Meter, MeteredStream, debug_damage_named
from cyclerule.firmware.image import Range

if TYPE_CHECKING:
    from elftools.dwarf.compileunit import CompileUnit
    from elftools.dwarf.die import DIE
    from elftools.dwarf.dwarfinfo import DWARFInfo

_DEPTH_LIMIT = 200
_FLASH_END = 0x800000
_CPLUSPLUS = {0x04, 0x1A, 0x21, 0x2B}  # DW_LANG_C_plus_plus, _11, _14, _17

# Call sites and where each variable lies at each moment: half of all entries, and nothing here needs them.
_SKIPPED = {"DW_TAG_GNU_call_site", "DW_TAG_GNU_call_site_parameter", "DW_TAG_call_site", "DW_TAG_call_site_parameter"}

_SCOPES = {"DW_TAG_namespace", "DW_TAG_structure_type", "DW_TAG_class_type", "DW_TAG_union_type"}


@dataclass(eq=False, slots=True)
class Entry:
    """A debug information entry: a unit, function, parameter, type and so on."""

    tag: str
    attributes: dict[str, Any]
    offset: int
    unit: "Unit"
    parent: "Entry | None"
    children: list["Entry"] = field(default_factory=list)

    def has(self, name: str) -> bool:
        """Says whether the attribute is there."""
        return name in self.attributes

    def text(self, name: str) -> str | None:
        """Gives a string attribute."""
        value = self.attributes[name].value if name in self.attributes else None
        return value.decode("utf-8", "replace") if isinstance(value, bytes) else None

    def number(self, name: str) -> int | None:
        """Gives a number attribute; None for one that is given as an expression."""
        value = self.attributes[name].value if name in self.attributes else None
        return int(value) if isinstance(value, int) else None

    def flag(self, name: str) -> bool:
        """Gives a flag attribute, False where it is absent."""
        return name in self.attributes and bool(self.attributes[name].value)

    def block(self, name: str) -> list[int] | None:
        """Gives the bytes of an expression attribute."""
        value = self.attributes[name].value if name in self.attributes else None
        return list(value) if isinstance(value, list) else None

    def reference(self, name: str) -> int | None:
        """Gives the offset of the entry that an attribute refers to; None for one in another file."""
        if name not in self.attributes:
            return None
        attribute = self.attributes[name]
        match attribute.form:
            case "DW_FORM_ref1" | "DW_FORM_ref2" | "DW_FORM_ref4" | "DW_FORM_ref8" | "DW_FORM_ref_udata":
                return int(self.unit.cu.cu_offset + attribute.raw_value)
            case "DW_FORM_ref_addr":
                return int(attribute.raw_value)
            case _:
                return None

    @property
    def qualified_name(self) -> str:
        """The name with the namespaces and classes around it; empty without one."""
        names = [self.text("DW_AT_name") or ""]
        around = self.parent
        while names[0] and around is not None:
            if around.tag in _SCOPES and (name := around.text("DW_AT_name")):
                names.append(name)
            around = around.parent
        return "::".join(reversed(names))

    def fixed_address(self) -> int | None:
        """Gives the address of a variable that always lies there, with the offset that ELF files add for its memory."""
        location = self.block("DW_AT_location")
        if location is None or len(location) != 5 or location[0] != 0x03:  # DW_OP_addr and four bytes
            return None
        return int.from_bytes(bytes(location[1:]), "little")


@dataclass(eq=False, slots=True)
class Unit:
    """A compile unit: what the compiler made of one source file, or with link-time optimisation of several."""

    cu: "CompileUnit"
    entry: Entry = field(init=False)

    @property
    def producer(self) -> str:
        """The compiler's name, version and options."""
        return self.entry.text("DW_AT_producer") or ""

    @property
    def directory(self) -> str:
        """The directory the compiler ran in."""
        return self.entry.text("DW_AT_comp_dir") or ""

    @property
    def is_cplusplus(self) -> bool:
        """Whether its source is C++."""
        return self.entry.number("DW_AT_language") in _CPLUSPLUS

    @property
    def is_link_time(self) -> bool:
        """Whether link-time optimisation made it, which may leave a function's parameters out."""
        return "GIMPLE" in self.producer or self.entry.text("DW_AT_name") == "<artificial>"

    @property
    def is_device_library(self) -> bool:
        """Whether it is the start-up file's unit, which lists the part's I/O registers as if they were variables."""
        return self.producer.startswith("avr-libc")


class Entries:
    """All entries of a file, by offset; what could not be read is named in `problems`."""

    def __init__(self, data: bytes) -> None:
        self.problems: list[str] = []
        self.units: list[Unit] = []
        self._by_offset: dict[int, Entry] = {}
        self._ranges: dict[tuple[int, bool], tuple[Range, ...]] = {}
        self.info, self.meter = open_debug_information(data)
        if self.info is None:
            return
        self._range_lists = self.info.range_lists()
        with self.noting("list of compile units"):
            for cu in self.info.iter_CUs():
                with self.noting(f"compile unit at {cu.cu_offset}"):
                    self._read_unit(cu)

    @contextmanager
    def noting(self, what: str) -> Iterator[None]:
        """Runs a block; damage in it is added to `problems` and ends the block, not the program."""
        try:
            with debug_damage_named(what):
                yield
        except DebugDamage as damage:
            self.problems.append(str(damage))

    def at(self, offset: int | None) -> Entry | None:
        """Gives the entry at an offset."""
        return None if offset is None else self._by_offset.get(offset)

    def referred(self, entry: Entry, *names: str) -> Entry | None:
        """Gives the entry that the first of the attributes present refers to."""
        return next((self.at(entry.reference(name)) for name in names if entry.has(name)), None)

    def chain(self, entry: Entry, *names: str) -> list[Entry]:
        """Gives an entry, the one it refers to, and so on; raises DebugDamage when they go round in circles."""
        entries = [entry]
        while (following := self.referred(entries[-1], *names)) is not None:
            if len(entries) > 16:
                raise DebugDamage(f"entry at {entry.offset} refers to itself")
            entries.append(following)
        return entries

    def ranges(self, entry: Entry) -> tuple[Range, ...]:
        """Gives the flash bytes of a function, unit or inlined call, empty ranges left out."""
        low, high = entry.number("DW_AT_low_pc"), entry.number("DW_AT_high_pc")
        if low is not None and high is not None:
            if entry.attributes["DW_AT_high_pc"].form != "DW_FORM_addr":
                high += low
            return ((low, high),) if 0 <= low < high <= _FLASH_END else ()
        offset = entry.number("DW_AT_ranges")
        if offset is None or self._range_lists is None:
            return ()
        key = (offset, entry.unit.cu["version"] >= 5)
        if key not in self._ranges:
            self._ranges[key] = self._range_list(offset, entry.unit)
        return self._ranges[key]

    def _range_list(self, offset: int, unit: Unit) -> tuple[Range, ...]:
        from elftools.dwarf.ranges import BaseAddressEntry

        base = unit.entry.number("DW_AT_low_pc") or 0
        ranges = []
        assert self._range_lists is not None  # noqa: S101 (asked before; this is for the type checker)
        for row in self._range_lists.get_range_list_at_offset(offset, unit.cu):
            if isinstance(row, BaseAddressEntry):
                base = row.base_address
                continue
            start = row.begin_offset + (0 if row.is_absolute else base)
            end = row.end_offset + (0 if row.is_absolute else base)
            if 0 <= start < end <= _FLASH_END:
                ranges.append((start, end))
        return tuple(ranges)

    def _read_unit(self, cu: "CompileUnit") -> None:
        unit = Unit(cu)
        entries: dict[int, Entry] = {}
        # The entries around the next one; None for one that is skipped with all that is in it.
        around: list[Entry | None] = []
        for die in self._dies(cu):
            if die.tag is None:
                around.pop()
            else:
                parent = around[-1] if around else None
                entry = None
                if die.tag not in _SKIPPED and (parent is not None or not entries):
                    entry = entries[die.offset] = Entry(str(die.tag), die.attributes, die.offset, unit, parent)
                    if parent is not None:
                        parent.children.append(entry)
                if die.has_children:
                    around.append(entry)
                    if len(around) > _DEPTH_LIMIT:
                        raise DebugDamage(f"entries are nested more than {_DEPTH_LIMIT} deep")
            if not around:
                # The unit's own entry is complete; padding may follow.
                break
        if entries:
            unit.entry = next(iter(entries.values()))
            self._by_offset.update(entries)
            self.units.append(unit)

    def _dies(self, cu: "CompileUnit") -> Iterator["DIE"]:
        """Gives the parser's entries and ends of lists in file order, checked."""
        costs: dict[int, int] = {}
        for die in cu.iter_DIEs():
            code = die.abbrev_code
            if code:
                if code not in costs:
                    costs[code] = len(cu.get_abbrev_table().get_abbrev(code)["attr_spec"])
                # Attributes may take no bytes of their own, so the count of reads does not see them.
                self.meter.spend(costs[code])
                if any(attribute.value is None for attribute in die.attributes.values()):
                    raise DebugDamage("a text lies outside its section")
            yield die

    def walk(self) -> Iterator[Entry]:
        """Gives every entry, parents before their children."""
        for unit in self.units:
            pending = [unit.entry]
            while pending:
                entry = pending.pop()
                yield entry
                pending.extend(reversed(entry.children))


def open_debug_information(data: bytes) -> tuple["DWARFInfo | None", Meter]:
    """Opens the debug sections of an ELF file; None if there are none. Raises DebugDamage where they cannot be read."""
    from elftools.elf.elffile import ELFFile

    meter = Meter(len(data))
    with debug_damage_named("debug sections"):
        elf = ELFFile(MeteredStream(data, meter))
        size = 0
        for section in elf.iter_sections():
            if not section.name.startswith((".debug", ".zdebug", ".eh_frame")):
                continue
            if section.compressed or section.name.startswith(".zdebug"):
                raise DebugDamage("they are compressed; link without -gz or --compress-debug-sections")
            if section["sh_type"] == "SHT_NOBITS" or section["sh_offset"] + section["sh_size"] > len(data):
                raise DebugDamage(f"{section.name} reaches past the end of the file")
            size += section["sh_size"]
        if not elf.has_dwarf_info(strict=True):
            return None, meter
        info = elf.get_dwarf_info(relocate_dwarf_sections=False, follow_links=False)
        meter = Meter(size)
        for name, section_of in vars(info).items():
            if name.endswith("_sec") and section_of is not None:
                contents = section_of.stream.getvalue()
                setattr(info, name, section_of._replace(stream=MeteredStream(contents, meter)))
        return info, meter


_PRODUCER = re.compile(
    r"GNU (?:C|GIMPLE|Fortran|Ada|D|Modula)\S* (?P<version>\d+(?:\.\d+)*)\S*(?P<options>.*)", re.DOTALL
)
# Added by the compiler's own description of the part, or saying nothing about the code.
_OWN_OPTIONS = ("-mmcu=", "-mn-flash=", "-mskip-bug", "-mno-skip-bug", "-g", "-fltrans", "-dumpbase")
# Added by the compiler when it optimises at link time (gcc, lto-wrapper.c); the defaults of each are the same.
_LINK_TIME_OPTIONS = ("-fmath-errno", "-fsigned-zeros", "-ftrapping-math", "-fno-trapv", "-fno-openmp", "-fno-openacc")


def compiler_and_flags(data: bytes) -> tuple[str | None, tuple[str, ...]]:
    """Gives compiler and options as the debug information has them: "avr-gcc 5.4.0" and ("-Os",)."""
    producers: list[str] = []
    try:
        info, _ = open_debug_information(data)
        with debug_damage_named("compile units"):
            for cu in info.iter_CUs() if info is not None else ():
                attribute = cu.get_top_DIE().attributes.get("DW_AT_producer")
                if attribute is not None and isinstance(attribute.value, bytes):
                    producers.append(attribute.value.decode("utf-8", "replace"))
    except DebugDamage:
        # Told when the debug information itself is asked for.
        pass
    for producer in producers:
        if match := _PRODUCER.match(producer):
            options = [word for word in match["options"].split() if not word.startswith(_OWN_OPTIONS)]
            if "GIMPLE" in producer:
                options = ["-flto", *(word for word in options if word not in _LINK_TIME_OPTIONS)]
            return f"avr-gcc {match['version']}", tuple(dict.fromkeys(options))
    return None, ()
