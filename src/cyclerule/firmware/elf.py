"""Reads a linked AVR program from an ELF file: memory contents, symbols, the part it was built for."""

import re
from pathlib import Path
from struct import Struct
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from cyclerule.errors import FirmwareError
from cyclerule.firmware.damage import Meter, MeteredStream, damage_named
from cyclerule.firmware.dwarf import DwarfSource
from cyclerule.firmware.dwarf_entries import compiler_and_flags
from cyclerule.firmware.image import Image, Range, Space, Symbol
from cyclerule.firmware.memories import DATA_OFFSET, EEPROM_OFFSET, Memory, join_ranges, read_file, space_at

if TYPE_CHECKING:
    from elftools.elf.elffile import ELFFile

# e_flags & 0x7F (binutils, include/elf/avr.h: EF_AVR_MACH).
_ARCHITECTURES = {
    **{n: f"avr{n}" for n in (1, 2, 25, 3, 31, 35, 4, 5, 51, 6)},
    100: "avrtiny",
    **{100 + n: f"avrxmega{n}" for n in range(1, 8)},
}

_NAME_LIMIT = 16 * 1024
_SYMBOL = Struct("<IIIBBH")  # System V ABI, figure 4-15: name, value, size, info, other, section index
_SHN_UNDEF, _SHN_ABS = 0, 0xFFF1
_SHF_ALLOC, _SHF_EXECINSTR = 0x2, 0x4


def read_elf(path: Path | str, data: bytes | None = None) -> Image:
    """Reads a linked AVR program from an ELF file, or from `data` as if that were the file's contents.

    Debug information is read on first use; when it is damaged the image is whole without it and `debug_problem` says
    why. Raises FirmwareError for a file that cannot be read, is no linked AVR program, or contradicts itself.
    """
    path = Path(path)
    contents = read_file(path) if data is None else data
    _require_linked_avr(path, contents)
    with damage_named(f"{path} is damaged", "build it or copy it again"):
        from elftools.elf.elffile import ELFFile

        elf = ELFFile(MeteredStream(contents, Meter(len(contents))))
        pieces = _pieces(elf, contents)
        flash, eeprom, used = _memories(path, pieces)
        sections = _sections(elf)
        symbols = _symbols(sections, contents)
        compiler, flags = compiler_and_flags(contents)
        return Image(
            path=path,
            flash=flash,
            flash_used=used,
            code=_code(sections, pieces),
            eeprom=eeprom,
            symbols=symbols,
            part=_part(sections, contents),
            architecture=_ARCHITECTURES.get(elf["e_flags"] & 0x7F),
            data_end=_data_end(symbols, pieces),
            compiler=compiler or _compiler_from_comment(sections, contents),
            flags=flags,
            debug=DwarfSource(contents),
        )


class _Piece(NamedTuple):
    """A stretch of the file that belongs into a memory."""

    address: int
    load_address: int
    contents: bytes
    memory_bytes: int
    is_code: bool


class _Section(NamedTuple):
    name: str
    kind: str
    flags: int
    address: int
    offset: int
    size: int
    link: int

    def contents(self, data: bytes) -> bytes:
        if self.kind == "SHT_NOBITS":
            return b""
        if self.offset + self.size > len(data):
            raise ValueError(f"section {self.name} reaches past the end of the file")
        return data[self.offset : self.offset + self.size]


def _require_linked_avr(path: Path, data: bytes) -> None:
    """Raises FirmwareError that says what the file is instead."""
    if data[:4] != b"\x7fELF":
        what = "is empty" if not data else "is no ELF file"
        advice = "give the .elf that the linker wrote"
        if data[:1] == b":":
            advice = "it looks like Intel HEX: name it .hex"
        elif data[:8] == b"!<arch>\n":
            advice = "it is a library archive: link it into a program first"
        raise FirmwareError(f"{path} {what}; {advice}")
    if len(data) < 52:
        raise FirmwareError(f"{path} is cut off inside its ELF header, after {len(data)} bytes; copy it again")
    machine, kind = int.from_bytes(data[18:20], "little"), int.from_bytes(data[16:18], "little")
    if data[5] == 2:
        machine = int.from_bytes(data[18:20], "big")
    if machine != 83 or data[4] != 1 or data[5] != 1:  # EM_AVR, 32 bits, least significant byte first
        raise FirmwareError(f"{path} is an ELF file for {_machine_name(machine)}, not for AVR; build it with avr-gcc")
    if kind == 1:
        raise FirmwareError(f"{path} is an object file that was not linked; link it, or give its source")
    if kind != 2:
        raise FirmwareError(f"{path} is no program (ELF type {kind}); give the .elf that the linker wrote")


def _machine_name(machine: int) -> str:
    from elftools.elf.descriptions import describe_e_machine
    from elftools.elf.enums import ENUM_E_MACHINE

    names = {number: name for name, number in ENUM_E_MACHINE.items()}
    return str(describe_e_machine(names[machine])) if machine in names else f"machine {machine}"


def _pieces(elf: "ELFFile", data: bytes) -> list[_Piece]:
    """Gives the loadable segments, which is what a programmer would write into the chip."""
    pieces = []
    for segment in elf.iter_segments("PT_LOAD"):
        offset, length = segment["p_offset"], segment["p_filesz"]
        if offset + length > len(data):
            raise ValueError(f"a segment of {length} bytes at {offset} reaches past the end of the file")
        if length == 0 and segment["p_memsz"] == 0:
            continue
        contents, is_code = data[offset : offset + length], bool(segment["p_flags"] & 1)
        pieces.append(_Piece(segment["p_vaddr"], segment["p_paddr"], contents, segment["p_memsz"], is_code))
    if not any(piece.contents for piece in pieces):
        raise ValueError("it has no loadable segment with contents")
    return pieces


def _memories(path: Path, pieces: list[_Piece]) -> tuple[bytes, bytes, tuple[Range, ...]]:
    """Lays the pieces out; gives flash, EEPROM and the used ranges of flash."""
    flash, eeprom = Memory("flash", DATA_OFFSET), Memory("EEPROM", 0x10000)
    for piece in pieces:
        # Start values of variables run at a data address and are loaded from flash; the load address decides.
        if piece.load_address < DATA_OFFSET:
            flash.write(piece.load_address, piece.contents, str(path))
        elif EEPROM_OFFSET <= piece.load_address < EEPROM_OFFSET + 0x10000:
            eeprom.write(piece.load_address - EEPROM_OFFSET, piece.contents, str(path))
    return flash.contents(), eeprom.contents(), flash.used()


def _sections(elf: "ELFFile") -> list[_Section]:
    sections = []
    for section in elf.iter_sections():
        header: Any = section.header
        kind = str(header.sh_type)
        sections.append(
            _Section(
                section.name, kind, header.sh_flags, header.sh_addr, header.sh_offset, header.sh_size, header.sh_link
            )
        )
    return sections


def _code(sections: list[_Section], pieces: list[_Piece]) -> tuple[Range, ...]:
    ranges = [
        (s.address, s.address + s.size)
        for s in sections
        if s.flags & _SHF_ALLOC and s.flags & _SHF_EXECINSTR and s.kind != "SHT_NOBITS"
    ]
    if not sections:
        ranges = [(p.address, p.address + len(p.contents)) for p in pieces if p.is_code]
    return join_ranges([r for r in ranges if r[1] <= DATA_OFFSET])


def _symbols(sections: list[_Section], data: bytes) -> tuple[Symbol, ...]:
    table = next((s for s in sections if s.kind == "SHT_SYMTAB"), None)
    if table is None:
        return ()
    if table.link >= len(sections):
        raise ValueError("its symbol table names no string table")
    names, entries = sections[table.link].contents(data), table.contents(data)
    symbols: list[Symbol] = []
    file: str | None = None
    for name_offset, value, size, info, _, section in _SYMBOL.iter_unpack(entries[: len(entries) // 16 * 16]):
        binding, kind = info >> 4, info & 0xF
        if kind == 4:  # STT_FILE: the unit of the local symbols after it
            file = _name(names, name_offset)
        if kind > 2 or section == _SHN_UNDEF or binding > 2:
            continue
        place: tuple[Space, int] | None = ("absolute", value) if section == _SHN_ABS else space_at(value)
        if place is None:
            continue
        symbols.append(
            Symbol(
                name=_name(names, name_offset),
                space=place[0],
                address=place[1],
                size_bytes=size,
                kind=_KINDS[kind],
                binding=_BINDINGS[binding],
                file=file if binding == 0 else None,
            )
        )
    return tuple(symbols)


_KINDS: tuple[Literal["label", "object", "function"], ...] = ("label", "object", "function")
_BINDINGS: tuple[Literal["local", "global", "weak"], ...] = ("local", "global", "weak")


def _name(names: bytes, offset: int) -> str:
    end = names.find(b"\0", offset, offset + _NAME_LIMIT)
    if end < 0:
        raise ValueError("a symbol's name lies outside the string table")
    return names[offset:end].decode("utf-8", "replace")


def _part(sections: list[_Section], data: bytes) -> str | None:
    """Reads the part's name from the note that the start-up file leaves (layout: binutils, binutils/od-elf32_avr.c).

    The note's description: six 32-bit words of memory starts and sizes, the byte length of the offset table that
    follows with that length as its first word, then the strings it points into; the first offset is the part's name.
    """
    note = next((s.contents(data) for s in sections if s.name == ".note.gnu.avr.deviceinfo"), b"")
    if len(note) < 12:
        return None
    name_bytes, description_bytes, kind = Struct("<III").unpack_from(note)
    start = 12 + (name_bytes + 3) // 4 * 4
    description = note[start : start + description_bytes]
    if kind != 1 or note[12 : 12 + name_bytes] != b"AVR\0" or len(description) < 32:
        return None
    table_bytes, offset = Struct("<II").unpack_from(description, 24)
    name = description[24 + table_bytes + offset :].split(b"\0", 1)[0].decode("ascii", "replace").lower()
    return name if re.fullmatch(r"[a-z0-9_]{1,40}", name) else None


def _data_end(symbols: tuple[Symbol, ...], pieces: list[_Piece]) -> int | None:
    for name in ("_end", "__heap_start"):
        for symbol in symbols:
            if symbol.name == name and symbol.space == "data":
                return symbol.address
    ends = [p.address + p.memory_bytes - DATA_OFFSET for p in pieces if DATA_OFFSET <= p.address < EEPROM_OFFSET]
    return max(ends, default=None)


def _compiler_from_comment(sections: list[_Section], data: bytes) -> str | None:
    comment = next((s.contents(data) for s in sections if s.name == ".comment"), b"")
    match = re.search(rb"GCC: \([^)]*\) (\d+(?:\.\d+)*)", comment)
    return f"avr-gcc {match[1].decode('ascii')}" if match else None
