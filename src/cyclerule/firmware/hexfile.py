"""Reads a program from an Intel HEX file (Intel, Hexadecimal Object File Format Specification, revision A, 1988)."""

import re
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from cyclerule.errors import FirmwareError
from cyclerule.firmware.image import Image
from cyclerule.firmware.memories import Memory, read_file, space_at

_RECORD = re.compile(rb":(?:[0-9A-Fa-f]{2}){5,260}")

# Record types, with the number of data bytes each must have (None: any) and the specification's name for it.
_DATA, _END, _SEGMENT_BASE, _SEGMENT_START, _LINEAR_BASE, _LINEAR_START = range(6)
_LENGTHS = {
    _DATA: (None, "data"),
    _END: (0, "end of file"),
    _SEGMENT_BASE: (2, "extended segment address"),
    _SEGMENT_START: (4, "start segment address"),
    _LINEAR_BASE: (2, "extended linear address"),
    _LINEAR_START: (4, "start linear address"),
}


class _Stretch(NamedTuple):
    address: int
    contents: bytes
    line: int


def read_hex(path: Path | str, data: bytes | None = None) -> Image:
    """Reads a program from an Intel HEX file, or from `data` as if that were the file's contents.

    The image has no symbols and no debug information; all of flash that the file fills counts as code. EEPROM contents
    at 0x810000, where avr-objcopy puts them, are read too; fuse, lock and signature bytes there are passed over.
    Raises FirmwareError, with the line, for whatever the specification does not allow and for bytes given twice.
    """
    path = Path(path)
    stretches = _read_records(path, read_file(path) if data is None else data)
    ordered = sorted(stretches)
    for before, after in pairwise(ordered):
        if after.address < before.address + len(before.contents):
            first, second = sorted((before.line, after.line))
            raise _error(path, second, f"gives address 0x{after.address:04x} again, after line {first}")
    flash, eeprom = Memory("flash", 0x800000), Memory("EEPROM", 0x10000)
    for stretch in ordered:
        memories = {"flash": flash, "eeprom": eeprom, "fuse": None, "lock": None, "signature": None}
        place = space_at(stretch.address)
        if place is None or place[0] not in memories:
            raise _error(path, stretch.line, f"address 0x{stretch.address:x} is in no memory that can be programmed")
        memory = memories[place[0]]
        if memory is not None:
            memory.write(place[1], stretch.contents, f"{path}:{stretch.line}")
    used = flash.used()
    if not used:
        raise FirmwareError(f"{path} puts nothing into flash; give the HEX file of a program")
    return Image(path=path, flash=flash.contents(), flash_used=used, code=used, eeprom=eeprom.contents())


def _read_records(path: Path, data: bytes) -> list[_Stretch]:
    if data[:4] == b"\x7fELF":
        raise FirmwareError(f"{path} is an ELF file, not Intel HEX; name it .elf")
    stretches: list[_Stretch] = []
    base, is_segmented, end_line = 0, False, 0
    for line, text in enumerate(data.splitlines(), 1):
        record = text.strip()
        if not record:
            continue
        if end_line:
            raise _error(path, line, f"goes on after the end-of-file record in line {end_line}")
        kind, offset, contents = _read_record(path, line, record)
        match kind:
            case 0:
                stretches += _data(base, offset, contents, line, is_segmented=is_segmented)
            case 1:
                end_line = line
            case 2:
                base, is_segmented = int.from_bytes(contents, "big") << 4, True
            case 4:
                base, is_segmented = int.from_bytes(contents, "big") << 16, False
            case _:
                # Where a PC would start the program; an AVR starts at its reset vector.
                pass
    if not end_line:
        raise FirmwareError(f"{path} has no end-of-file record (:00000001FF); it was cut off, or is no Intel HEX file")
    return [stretch for stretch in stretches if stretch.contents]


def _read_record(path: Path, line: int, record: bytes) -> tuple[int, int, bytes]:
    """Gives a record's type, offset and data."""
    if _RECORD.fullmatch(record) is None:
        shown = record[:20].decode("ascii", "backslashreplace")
        raise _error(path, line, f"is no Intel HEX record: {shown!r}")
    values = bytes.fromhex(record[1:].decode("ascii"))
    length, kind = values[0], values[3]
    if len(values) != length + 5:
        raise _error(path, line, f"says it has {length} data bytes and has {len(values) - 5}")
    if sum(values) & 0xFF:
        right = -sum(values[:-1]) & 0xFF
        raise _error(path, line, f"has checksum 0x{values[-1]:02X} where 0x{right:02X} would be right")
    if kind not in _LENGTHS:
        raise _error(path, line, f"has record type {kind:02d}; there are 00 to 05")
    expected, name = _LENGTHS[kind]
    if expected is not None and length != expected:
        raise _error(path, line, f"is an {name} record of {length} data bytes instead of {expected}")
    return kind, int.from_bytes(values[1:3], "big"), values[4:-1]


def _data(base: int, offset: int, contents: bytes, line: int, *, is_segmented: bool) -> list[_Stretch]:
    """Places data; past the end of a 64 KB segment it goes on at that segment's start (specification, type 00)."""
    room = 0x10000 - offset
    if not is_segmented or len(contents) <= room:
        return [_Stretch(base + offset, contents, line)]
    return [_Stretch(base + offset, contents[:room], line), _Stretch(base, contents[room:], line)]


def _error(path: Path, line: int, what: str) -> FirmwareError:
    return FirmwareError(f"{path}:{line}: this line {what}; make the HEX file again")
