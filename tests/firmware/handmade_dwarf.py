"""Debug information written by hand, for what no compiler writes: loops, bombs and contradictions."""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.firmware.hive_builds import PART, run

# DWARF Debugging Information Format, version 4, section 7.5: tags, attributes and forms.
COMPILE_UNIT, SUBPROGRAM, INLINED, PARAMETER, VARIABLE = 0x11, 0x2E, 0x1D, 0x05, 0x34
BASE, POINTER, TYPEDEF, STRUCT, MEMBER, CONST, ARRAY, SUBROUTINE = 0x24, 0x0F, 0x16, 0x13, 0x0D, 0x26, 0x01, 0x15
NAME, TYPE, SIZE, ENCODING, ORIGIN, LOW, HIGH, LOCATION = 0x03, 0x49, 0x0B, 0x3E, 0x31, 0x11, 0x12, 0x02
EXTERNAL, PROTOTYPED = 0x3F, 0x27
ADDRESS, DATA1, DATA4, STRING, REFERENCE, FLAG, EXPRESSION = 0x01, 0x0B, 0x06, 0x08, 0x13, 0x19, 0x18


@dataclass(frozen=True)
class Die:
    """An entry: its label for references, tag, attributes as (name, form, value), and whether children follow."""

    label: str
    tag: int
    attributes: Sequence[tuple[int, int, object]] = ()
    has_children: bool = False


def name(text: str) -> tuple[int, int, object]:
    """Gives a name attribute."""
    return (NAME, STRING, text)


def kind(label: str) -> tuple[int, int, object]:
    """Gives a type attribute."""
    return (TYPE, REFERENCE, label)


def uleb(value: int) -> bytes:
    """Writes an unsigned number, 7 bits a byte, lowest first (section 7.6)."""
    out = bytearray()
    while True:
        value, low = value >> 7, value & 0x7F
        out.append(low | (0x80 if value else 0))
        if not value:
            return bytes(out)


def encode(dies: Sequence[Die | None]) -> tuple[bytes, bytes]:
    """Writes .debug_abbrev and .debug_info of one unit; None ends a list of children."""
    header_bytes = 11
    offsets: dict[str, int] = {}
    encode_entries(dies, offsets, header_bytes)
    abbreviations, body = encode_entries(dies, offsets, header_bytes)
    table = b"".join(uleb(code) + shape for shape, code in abbreviations.items()) + b"\0"
    return table, struct.pack("<IHIB", len(body) + 7, 4, 0, 4) + body


def encode_entries(dies: Sequence[Die | None], offsets: dict[str, int], start: int) -> tuple[dict[bytes, int], bytes]:
    """Writes entries with references to the offsets known so far, and notes where each is: right the second time."""
    abbreviations: dict[bytes, int] = {}
    body = bytearray()
    for die in dies:
        if die is None:
            body += b"\0"
            continue
        offsets[die.label] = start + len(body)
        shape = uleb(die.tag) + bytes([die.has_children])
        shape += b"".join(uleb(attribute) + uleb(form) for attribute, form, _ in die.attributes) + b"\0\0"
        body += uleb(abbreviations.setdefault(shape, len(abbreviations) + 1))
        for _, form, value in die.attributes:
            body += encode_value(form, value, offsets)
    return abbreviations, bytes(body)


def encode_value(form: int, value: object, offsets: dict[str, int]) -> bytes:
    """Writes one attribute's value; references to labels count from the unit's start."""
    match form, value:
        case (0x13, str(label)):
            return struct.pack("<I", offsets.get(label, 0))
        case (0x08, str(text)):
            return text.encode() + b"\0"
        case (0x0B, int(number)):
            return bytes([number])
        case (0x01 | 0x06 | 0x13, int(number)):
            return struct.pack("<I", number)
        case (0x18, bytes(code)):
            return uleb(len(code)) + code
        case _:
            return b""


def linked(folder: Path, dies: Sequence[Die | None]) -> Path:
    """Gives an ELF file with a two-instruction program and that debug information."""
    return linked_sections(folder, *encode(dies))


def linked_sections(folder: Path, abbreviations: bytes, information: bytes) -> Path:
    """Gives an ELF file with a two-instruction program and those two sections."""
    lines = ["        .global main", "        .type main, @function", "main:   rjmp main", "        ret"]
    lines += ["        .size main, . - main"]
    for section, contents in ((".debug_abbrev", abbreviations), (".debug_info", information)):
        lines.append(f'        .section {section},"",@progbits')
        lines += [f"        .byte {','.join(map(str, contents[n : n + 64]))}" for n in range(0, len(contents), 64)]
    source, elf = folder / "handmade.s", folder / "handmade.elf"
    source.write_text("\n".join(lines) + "\n", encoding="ascii")
    run("avr-gcc", f"-mmcu={PART}", "-nostartfiles", "-nodefaultlibs", str(source), "-o", str(elf))
    return elf
