"""Intel HEX files: what avr-objcopy writes, what the specification allows, and what it does not."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cyclerule.errors import FirmwareError
from cyclerule.firmware.hexfile import read_hex
from cyclerule.firmware.image import Image
from tests.firmware.hive_builds import BUILDS, run

END = ":00000001FF"


def record(kind: int, offset: int, contents: bytes = b"") -> str:
    """Writes a record, its checksum as the specification's "Record Mark" section defines it."""
    body = bytes([len(contents), offset >> 8, offset & 0xFF, kind]) + contents
    return ":" + (body + bytes([-sum(body) & 0xFF])).hex().upper()


def read(*lines: str, end: str = END) -> Image:
    """Reads a HEX file of these lines and an end-of-file record."""
    return read_hex("hive.hex", "\n".join([*lines, end, ""]).encode("latin-1"))


@pytest.mark.parametrize("name", BUILDS)
def test_a_hex_file_of_a_program_gives_the_same_memories_as_its_elf_file(
    name: str, elf_of: Callable[[str], Path], image_of: Callable[[str], Image], tmp_path: Path
) -> None:
    """avr-objcopy -O ihex, with EEPROM contents at 0x810000 when they are not removed."""
    whole, flash_only = tmp_path / "whole.hex", tmp_path / "flash.hex"
    run("avr-objcopy", "-O", "ihex", str(elf_of(name)), str(whole))
    run("avr-objcopy", "-O", "ihex", "-R", ".eeprom", str(elf_of(name)), str(flash_only))
    image = image_of(name)
    for path, eeprom in ((whole, image.eeprom), (flash_only, b"")):
        from_hex = read_hex(path)
        assert from_hex.flash == image.flash
        assert from_hex.sha256 == image.sha256
        assert from_hex.flash_used == image.flash_used
        assert from_hex.eeprom == eeprom
        assert from_hex.symbols == ()
        assert from_hex.functions == {}
        assert from_hex.part is None


def test_a_published_record_is_read() -> None:
    """The specification's example of checksum arithmetic sums a whole record to 0; this one was summed by hand.

    03 + 00 + 30 + 00 + 02 + 33 + 7A = E2, so the checksum is 1E.
    """
    image = read(":0300300002337A1E")
    assert image.flash == b"\xff" * 0x30 + b"\x02\x33\x7a"
    assert image.flash_used == ((0x30, 0x33),)
    assert image.code == image.flash_used


def test_programs_larger_than_64_kb_use_either_kind_of_base_address() -> None:
    """Specification: type 02 holds bits 4 to 19 of the base, type 04 bits 16 to 31."""
    by_segment = read(record(0, 0, b"\x01"), record(2, 0, b"\x10\x00"), record(0, 4, b"\x02"))
    by_linear = read(record(0, 0, b"\x01"), record(4, 0, b"\x00\x01"), record(0, 4, b"\x02"))
    assert by_segment.flash == by_linear.flash
    assert by_segment.flash_used == ((0, 1), (0x10004, 0x10005))


def test_data_past_the_end_of_a_segment_goes_on_at_its_start() -> None:
    """Specification, data record: within a segment the offset wraps; after a linear base it does not."""
    segmented = read(record(2, 0, b"\x10\x00"), record(0, 0xFFFF, b"\x01\x02"))
    assert segmented.flash_used == ((0x10000, 0x10001), (0x1FFFF, 0x20000))
    linear = read(record(4, 0, b"\x00\x01"), record(0, 0xFFFF, b"\x01\x02"))
    assert linear.flash_used == ((0x1FFFF, 0x20001),)


def test_order_case_blank_lines_and_line_ends_do_not_matter() -> None:
    """Records may come in any order; editors change line ends."""
    lines = [record(0, 16, b"\x03\x04").lower(), "", record(0, 0, b"\xab\xcd") + "  "]
    expected = b"\xab\xcd" + b"\xff" * 14 + b"\x03\x04"
    for line_end in ("\n", "\r\n", "\r"):
        assert read_hex("hive.hex", line_end.join([*lines, END]).encode()).flash == expected


def test_start_addresses_are_passed_over() -> None:
    """Types 03 and 05 say where a PC begins; an AVR begins at its reset vector."""
    assert read(record(0, 0, b"\x0c"), record(3, 0, bytes(4)), record(5, 0, bytes(4))).flash == b"\x0c"


def test_fuse_bytes_are_passed_over() -> None:
    """avr-objcopy puts `.fuse` at 0x820000 and `.lock` at 0x830000 (binutils, ld/scripttempl/avr.sc)."""
    fuses = [record(4, 0, b"\x00\x82"), record(0, 0, b"\x62\xd9\xff"), record(4, 0, b"\x00\x83"), record(0, 0, b"\xff")]
    assert read(record(0, 0, b"\x0c"), *fuses).flash == b"\x0c"


REFUSED = [
    (["100000000C9434000C943E000C943E000C943E0082"], "hive.hex:1: .* no Intel HEX record"),
    ([record(0, 0, b"\x01"), "hello"], "hive.hex:2: .* no Intel HEX record: 'hello'"),
    ([record(0, 0, b"\x01"), ":01 00 00 00 01 FE"], "hive.hex:2: .* no Intel HEX record"),
    ([":0100000\xb5"], "hive.hex:1: .* no Intel HEX record"),
    ([record(0, 0, b"\x01\x02")[:-1]], "hive.hex:1: .* no Intel HEX record"),
    ([record(0, 0, b"\x01\x02")[:-2]], "hive.hex:1: .* says it has 2 data bytes and has 1"),
    ([":020000000102FC"], "hive.hex:1: .* checksum 0xFC where 0xFB would be right"),
    ([record(6, 0)], "hive.hex:1: .* record type 06"),
    ([record(4, 0, b"\x01")], "hive.hex:1: .* extended linear address record of 1 data bytes instead of 2"),
    ([record(1, 0, b"\x01")], "hive.hex:1: .* end of file record of 1 data bytes"),
    ([record(0, 0, b"\x01\x02"), record(0, 1, b"\x02")], "hive.hex:2: .* address 0x0001 again, after line 1"),
    ([record(0, 8, bytes(4)), record(0, 0, bytes(16))], "hive.hex:2: .* again, after line 1"),
    ([END, record(0, 0, b"\x01")], "hive.hex:2: .* goes on after the end-of-file record in line 1"),
    ([record(4, 0, b"\x00\x80"), record(0, 0, b"\x01")], "hive.hex:2: .* 0x800000 is in no memory"),
    ([record(4, 0, b"\xff\xff"), record(0, 0, b"\x01")], "hive.hex:2: .* 0xffff0000 is in no memory"),
    ([record(4, 0, b"\x00\x7f"), record(0, 0xFFFF, b"\x01\x02")], "hive.hex:2: .* flash ends before 0x800000"),
    ([], "puts nothing into flash"),
    ([record(4, 0, b"\x00\x81"), record(0, 0, b"\x01")], "puts nothing into flash"),
]


@pytest.mark.parametrize(("lines", "said"), REFUSED, ids=[said for _, said in REFUSED])
def test_what_the_specification_does_not_allow_is_refused_with_its_line(lines: list[str], said: str) -> None:
    """Intel, Hexadecimal Object File Format Specification, revision A."""
    with pytest.raises(FirmwareError, match=said):
        read(*lines)


def test_a_file_without_an_end_is_refused() -> None:
    """The end-of-file record is what tells a whole file from one that was cut off."""
    with pytest.raises(FirmwareError, match="no end-of-file record"):
        read(record(0, 0, b"\x01"), end="")
    with pytest.raises(FirmwareError, match="no end-of-file record"):
        read_hex("hive.hex", b"")


def test_an_elf_file_under_the_wrong_name_is_told(elf_of: Callable[[str], Path]) -> None:
    """Which of the two formats it is shows in the first four bytes."""
    with pytest.raises(FirmwareError, match="is an ELF file"):
        read_hex("hive.hex", elf_of("small").read_bytes())


@given(st.dictionaries(st.integers(0, 0x3FFFF), st.integers(0, 255), min_size=1, max_size=40))
def test_whatever_is_written_is_read_back(memory: dict[int, int]) -> None:
    """Single bytes anywhere in 256 KB of flash, in any order, by linear base addresses."""
    lines = []
    for address, value in memory.items():
        lines += [record(4, 0, (address >> 16).to_bytes(2, "big")), record(0, address & 0xFFFF, bytes([value]))]
    image = read(*lines)
    assert {a: image.flash[a] for start, end in image.flash_used for a in range(start, end)} == memory
    assert set(image.flash) - set(memory.values()) <= {0xFF}


@settings(max_examples=150)
@given(data=st.data())
def test_a_damaged_hex_file_is_refused_or_usable(data: st.DataObject) -> None:
    """Cut off, or with bytes changed: one message with the file's name; one changed byte never changes the program."""
    whole = "\n".join([*(record(0, 16 * n, bytes(range(16))) for n in range(8)), END]).encode()
    contents = bytearray(whole[: data.draw(st.integers(1, len(whole)))])
    changes = data.draw(st.integers(0, 3))
    for _ in range(changes):
        contents[data.draw(st.integers(0, len(contents) - 1))] = data.draw(st.integers(0, 255))
    refused, flash = "", b""
    try:
        flash = read_hex("hive.hex", bytes(contents)).flash
    except FirmwareError as error:
        refused = str(error)
    assert flash or ("hive.hex" in refused and "\n" not in refused)
    assert refused or changes > 1 or flash == bytes(range(16)) * 8
