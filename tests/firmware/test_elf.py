"""ELF files of the real compiler, checked against avr-nm, avr-objcopy, avr-size and avr-readelf, and damaged ones."""

import hashlib
import pickle
import re
import struct
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cyclerule.errors import FirmwareError, UnknownName
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.image import Image
from cyclerule.firmware.types import type_text
from tests.firmware.hive_builds import BUILDS, PART, SOURCES, run

ElfOf = Callable[[str], Path]
ImageOf = Callable[[str], Image]
every_build = pytest.mark.parametrize("name", BUILDS)

# binutils, ld/scripttempl/avr.sc: what the linker adds to addresses in each memory.
OFFSETS = {"flash": 0, "absolute": 0, "data": 0x800000, "eeprom": 0x810000, "fuse": 0x820000}


# ------------------------------------------------------------------------------------------------------------- contents
@every_build
def test_flash_holds_what_a_programmer_would_write(name: str, elf_of: ElfOf, image_of: ImageOf, tmp_path: Path) -> None:
    """avr-objcopy's binary output without the EEPROM is program memory, start values of variables included."""
    binary = tmp_path / "flash.bin"
    run("avr-objcopy", "-O", "binary", "-R", ".eeprom", str(elf_of(name)), str(binary))
    image = image_of(name)
    assert image.flash == binary.read_bytes()
    assert image.flash_used == ((0, len(image.flash)),)
    assert image.sha256 == hashlib.sha256(binary.read_bytes()).hexdigest()


@every_build
def test_sizes_are_those_of_avr_size(name: str, elf_of: ElfOf, image_of: ImageOf) -> None:
    """avr-size: flash is .text and .data, and the last variable ends after .data and .bss."""
    printed = run("avr-size", "-A", str(elf_of(name)))
    sizes = {section: int(size) for section, size in re.findall(r"^(\.\w+)\s+(\d+)", printed, re.MULTILINE)}
    image = image_of(name)
    assert len(image.flash) == sizes[".text"] + sizes.get(".data", 0)
    assert image.code == ((0, sizes[".text"]),)
    # ATmega328P datasheet DS40002061, section 8.3: internal SRAM begins at 0x0100.
    assert image.data_end == 0x100 + sizes.get(".data", 0) + sizes.get(".bss", 0)


def test_eeprom_contents_are_kept_apart(image_of: ImageOf) -> None:
    """`uint16_t serial_number EEMEM = 0x1234` is two bytes, least significant first, at EEPROM address 0."""
    assert image_of("small").eeprom == b"\x34\x12"
    assert image_of("c++").eeprom == b""


def test_a_const_table_without_progmem_has_a_load_copy_in_flash_and_lives_in_ram(image_of: ImageOf) -> None:
    """avr-gcc puts `const` data into .data: the address is RAM, the bytes come from flash behind the code."""
    image = image_of("small")
    in_ram, in_flash = image.symbol("in_ram"), image.symbol("in_flash")
    assert (in_ram.space, in_flash.space) == ("data", "flash")
    assert image.flash[in_flash.address : in_flash.address + 3] == bytes([1, 2, 3])
    load_address = image.symbol("__data_load_start").address + in_ram.address - image.symbol("__data_start").address
    assert image.flash[load_address : load_address + 3] == bytes([9, 8, 7])


@every_build
def test_part_and_architecture_are_those_it_was_built_for(name: str, image_of: ImageOf) -> None:
    """The start-up file's note names the part, e_flags the architecture (avr-gcc manual: ATmega328P is avr5)."""
    assert (image_of(name).part, image_of(name).architecture) == (PART, "avr5")


@pytest.mark.parametrize(
    ("part", "architecture"),
    [("at90s8515", "avr2"), ("attiny85", "avr25"), ("atmega8", "avr4"), ("atmega2560", "avr6")],
)
def test_other_parts_are_told_apart(part: str, architecture: str, tmp_path: Path) -> None:
    """avr-gcc manual, AVR options: the architecture of each part."""
    elf = tmp_path / "other.elf"
    run("avr-gcc", f"-mmcu={part}", "-xc", "-", "-o", str(elf), given="int main(void) { for (;;) ; }")
    image = read_elf(elf)
    assert (image.part, image.architecture) == (part, architecture)


def test_compiler_and_options_are_told(image_of: ImageOf) -> None:
    """From the debug information where there is some, else from the compiler's comment, which has no options."""
    version = run("avr-gcc", "-dumpversion").strip()
    assert {image_of(name).compiler for name in BUILDS} == {f"avr-gcc {version}"}
    assert image_of("small").flags == ("-Os", "-std=gnu99")
    assert image_of("link time").flags[:2] == ("-flto", "-Os")
    assert image_of("without debug").flags == ()


def test_a_program_at_the_end_of_flash_leaves_erased_bytes_before_it(tmp_path: Path) -> None:
    """A boot loader, linked to 0x7000 of an ATmega328P, with fuse bytes, which are no program memory."""
    source = "#include <avr/io.h>\nFUSES = {.low = 0x62};\nint main(void) { for (;;) PORTB++; }"
    elf, binary = tmp_path / "boot.elf", tmp_path / "boot.bin"
    options = ["-Os", "-gdwarf-4", "-Wl,--section-start=.text=0x7000"]
    run("avr-gcc", f"-mmcu={PART}", *options, "-xc", "-", "-o", str(elf), given=source)
    run("avr-objcopy", "-O", "binary", "-j", ".text", str(elf), str(binary))
    image = read_elf(elf)
    assert image.flash == b"\xff" * 0x7000 + binary.read_bytes()
    assert image.flash_used == image.code == ((0x7000, len(image.flash)),)
    assert image.functions["main"].address == image.symbol("main").address > 0x7000
    assert image.symbol("__fuse").space == "fuse"
    assert image.data_end == 0x100


def test_a_stripped_program_has_its_memories_and_part(elf_of: ElfOf, image_of: ImageOf, tmp_path: Path) -> None:
    """avr-strip removes symbols and debug information; the program headers and the note stay."""
    elf = tmp_path / "stripped.elf"
    run("avr-strip", "-s", str(elf_of("small")), "-o", str(elf))
    image, whole = read_elf(elf), image_of("small")
    assert (image.flash, image.code, image.part) == (whole.flash, whole.code, whole.part)
    assert (image.symbols, image.functions, image.data_end) == ((), {}, whole.data_end)


# -------------------------------------------------------------------------------------------------------------- symbols
@every_build
def test_symbols_are_those_of_avr_nm(name: str, elf_of: ElfOf, image_of: ImageOf) -> None:
    """avr-nm in POSIX format prints name, class, value and size; lower case is local, W and V weak."""
    printed = set()
    for line in run("avr-nm", "--format=posix", str(elf_of(name))).splitlines():
        symbol, letter, value, size = (*line.split(), "0")[:4]
        printed.add((symbol, int(value, 16), int(size, 16), letter.islower(), letter in "WVwv"))
    read = {
        (s.name, s.address + OFFSETS[s.space], s.size_bytes, s.binding == "local", s.binding == "weak")
        for s in image_of(name).symbols
    }
    assert read == printed


def test_local_symbols_know_their_unit(image_of: ImageOf) -> None:
    """Two units each have a `limited` of their own; the symbol table lists local symbols behind their file's name."""
    symbols = image_of("small").symbols
    assert {s.file for s in symbols if s.name == "limited"} == {"hive.c", "scale.c"}
    assert {s.file for s in symbols if s.name == "main"} == {None}


def test_a_symbol_is_found_by_name_and_by_every_address_in_it(image_of: ImageOf) -> None:
    """Inside its bytes, and nowhere else."""
    image = image_of("small")
    latest = image.symbol("latest")
    assert latest.kind == "object"
    assert latest.size_bytes == 21  # seven members of struct frame, packed as AVR has no alignment
    for address in range(latest.address, latest.address + 21):
        assert image.symbol_at("data", address) == latest
    assert image.symbol_at("data", latest.address + 21) != latest
    assert image.symbol_at("data", 0x8F0) is None
    with pytest.raises(UnknownName, match="nearest: latest"):
        image.symbol("lastest")


def test_a_label_is_found_at_its_own_address_only(image_of: ImageOf) -> None:
    """A label without a size covers nothing."""
    image = image_of("small")
    doubled = image.symbol("doubled")
    found = image.symbol_at("flash", doubled.address)
    assert found is not None
    assert found.name == "doubled"
    assert image.symbol_at("flash", doubled.address + 2) != doubled


# ------------------------------------------------------------------------------------------------------------ functions
@every_build
def test_every_typed_function_is_listed_with_its_size(name: str, elf_of: ElfOf, image_of: ImageOf) -> None:
    """avr-readelf -s prints type FUNC, value and size. Sizes of the library's assembly reach into what follows."""
    image = image_of(name)
    functions = {(f.symbol, f.address): f for f in image.functions.values()}
    rows = re.findall(
        r"\d+: ([0-9a-f]{8})\s+(\d+) FUNC\s+\w+\s+\w+\s+\d+ (\S+)", run("avr-readelf", "-sW", str(elf_of(name)))
    )
    assert len(rows) > 4
    for value, size, symbol in rows:
        function = functions[symbol, int(value, 16)]
        assert not function.is_label
        assert function.size_bytes <= int(size)
        assert function.size_bytes == int(size) or function.place is None


def test_sizes_in_the_floating_point_library_do_not_overlap(image_of: ImageOf) -> None:
    """avr-libc 2.0.0 gives `__addsf3x` and `__mulsf3x` the size of more than their own code."""
    image = image_of("small")
    assert image.symbol("__mulsf3x").size_bytes > image.functions["__mulsf3x"].size_bytes
    typed = [f for f in image.functions.values() if f.address is not None and not f.is_label and not f.alias_of]
    bytes_owned = [b for f in typed for start, end in f.ranges for b in range(start, end)]
    assert len(bytes_owned) == len(set(bytes_owned))


def test_assembly_without_types_is_listed_up_to_the_next_label(image_of: ImageOf) -> None:
    """`doubled` in swap.S is 6 instructions of one word with a local label inside; `swapped` has type and size."""
    functions = image_of("small").functions
    assert functions["doubled"].is_label
    assert functions["doubled"].size_bytes == 12
    assert not functions["swapped"].is_label
    assert functions["swapped"].size_bytes == 4
    assert functions["__addsf3"].is_label  # which the compiler calls for every float addition
    for inner in ("again", "__vectors", "__do_copy_data", "__bad_interrupt", "__vector_1", "_exit", "__ctors_end"):
        assert inner not in functions


@every_build
def test_every_instruction_of_a_function_is_in_it(name: str, image_of: ImageOf) -> None:
    """`function_at` for the first and last byte of every function that is no label inside another."""
    image = image_of(name)
    for function in image.functions.values():
        if function.address is None or function.alias_of or function.is_label:
            continue
        for start, end in function.ranges:
            assert image.function_at(start) == function
            assert image.function_at(end - 1) == function
    assert image.function_at(0) is None  # interrupt vectors
    assert image.function_at(len(image.flash) + 100) is None


def test_an_image_without_debug_information_still_has_its_functions(image_of: ImageOf) -> None:
    """The same names and sizes as with it, and nothing else known of them."""
    bare, told = image_of("without debug"), image_of("small")
    assert bare.flash == told.flash
    assert {(f.symbol, f.address, f.size_bytes) for f in bare.functions.values()} == {
        (f.symbol, f.address, f.size_bytes) for f in told.functions.values() if f.address is not None
    }
    assert bare.debug_problem is None
    assert bare.variables == ()
    assert bare.place(0x346) == "0x0346"
    assert all(f.signature is None and f.place is None for f in bare.functions.values())


def test_an_image_can_be_sent_to_another_process(image_of: ImageOf) -> None:
    """Pickled, it comes back the same, its debug information included."""
    image = image_of("c++")
    assert image.functions
    copy = pickle.loads(pickle.dumps(image))  # noqa: S301 (our own bytes)
    assert copy == image
    assert copy.functions == image.functions
    assert copy.lines.rows == image.lines.rows


# ------------------------------------------------------------------------------------------------- what is no such file
def refusal(contents: bytes, tmp_path: Path) -> str:
    """Gives the message that a file with these contents is refused with."""
    path = tmp_path / "hive.elf"
    path.write_bytes(contents)
    with pytest.raises(FirmwareError) as caught:
        read_elf(path)
    text = str(caught.value)
    assert str(path) in text
    assert "\n" not in text
    return text


@pytest.mark.parametrize(
    ("contents", "said"),
    [
        (b"", "is empty"),
        (b"int main(void)", "is no ELF file"),
        (b":10000000", "Intel HEX"),
        (b"!<arch>\nhive.o/", "library archive"),
        (b"\x7fELF\x01\x01\x01", "cut off"),
    ],
)
def test_a_file_that_is_no_elf_is_refused_by_what_it_is(contents: bytes, said: str, tmp_path: Path) -> None:
    """The first bytes tell."""
    assert said in refusal(contents, tmp_path)


def test_a_program_for_another_machine_is_refused_by_name(tmp_path: Path) -> None:
    """This test's own Python, or an invented header where that is no ELF file (EM_X86_64 is 62, System V ABI)."""
    header = b"\x7fELF\x02\x01\x01" + bytes(9) + struct.pack("<HHI", 2, 62, 1) + bytes(60)
    assert "x86-64" in refusal(header, tmp_path).replace("X86-64", "x86-64").replace("X86_64", "x86-64")
    big = b"\x7fELF\x01\x02\x01" + bytes(9) + struct.pack(">HHI", 2, 8, 1) + bytes(60)
    assert "MIPS" in refusal(big, tmp_path)


def test_an_object_file_is_refused_since_it_is_not_linked(tmp_path: Path) -> None:
    """avr-gcc -c writes a relocatable file: its addresses are not final."""
    unlinked = tmp_path / "swap.o"
    run("avr-gcc", f"-mmcu={PART}", "-c", "swap.S", "-o", str(unlinked), folder=SOURCES)
    assert "not linked" in refusal(unlinked.read_bytes(), tmp_path)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    """With what the system says about them."""
    for path in (tmp_path / "none.elf", tmp_path):
        with pytest.raises(FirmwareError, match="cannot be read"):
            read_elf(path)


# -------------------------------------------------------------------------------------------------- damaged on purpose
HEADER_SECTIONS, HEADER_SEGMENTS = 0x20, 0x1C  # offsets of e_shoff and e_phoff (System V ABI, figure 4-3)


def patched(elf: Path, **at: tuple[int, bytes]) -> bytes:
    """Gives the file's bytes with others in place of some."""
    contents = bytearray(elf.read_bytes())
    for offset, new in at.values():
        contents[offset : offset + len(new)] = new
    return bytes(contents)


def segment(elf: Path, number: int) -> int:
    """Gives the offset of a program header."""
    return int.from_bytes(elf.read_bytes()[HEADER_SEGMENTS : HEADER_SEGMENTS + 4], "little") + 32 * number


def test_segments_that_lie_are_refused(elf_of: ElfOf, tmp_path: Path) -> None:
    """Larger than the file, over another one, or past the end of an 8 MB program memory."""
    elf = elf_of("small")
    first, second = segment(elf, 0), segment(elf, 1)
    word = struct.Struct("<I").pack
    assert "past the end of the file" in refusal(patched(elf, size=(first + 16, word(0xFFFFFFF0))), tmp_path)
    assert "both fill flash at 0x0000" in refusal(patched(elf, load=(second + 12, word(0))), tmp_path)
    assert "flash ends before 0x800000" in refusal(patched(elf, load=(second + 12, word(0x7FFFFF))), tmp_path)


def test_headers_that_lie_end_soon(elf_of: ElfOf, tmp_path: Path) -> None:
    """Tables outside the file, of entries without a size, or of four thousand million sections."""
    elf = elf_of("small")
    word = struct.Struct("<I").pack
    table = int.from_bytes(elf.read_bytes()[HEADER_SECTIONS : HEADER_SECTIONS + 4], "little")
    began = time.process_time()
    assert refusal(patched(elf, table=(HEADER_SECTIONS, word(0xFFFFFF00))), tmp_path)
    endless = {"count": (0x30, bytes(2)), "size": (table + 20, word(0xFFFFFFFF)), "entry": (0x2E, bytes(2))}
    assert refusal(patched(elf, **endless), tmp_path)
    assert time.process_time() - began < 20


def test_a_symbol_table_that_lies_is_refused(elf_of: ElfOf, tmp_path: Path) -> None:
    """Names outside the string table, and a table of strings that is none."""
    elf = elf_of("small")
    listing = run("avr-readelf", "-SW", str(elf))
    offset = int(re.search(r"\.symtab\s+SYMTAB\s+\w+ (\w+)", listing)[1], 16)  # type: ignore[index]
    assert "string table" in refusal(patched(elf, name=(offset + 16 * 40, b"\xff\xff\xff\x7f")), tmp_path)


def used_whole(image: Image) -> None:
    """Does with an image what the rest of the program does."""
    for function in image.functions.values():
        assert function.signature is None or type_text(function.signature, function.source_name)
    for variable in image.variables:
        assert variable.type is None or type_text(variable.type, variable.name)
    for address in range(0, len(image.flash), 64):
        assert image.place(address)
        image.function_at(address)
        image.symbol_at("flash", address)
    assert len(image.inlined) >= 0
    assert image.debug_problem is None or "\n" not in image.debug_problem


def read_or_refused(contents: bytes) -> None:
    """Reads damaged bytes: a usable image or FirmwareError, soon, and nothing else."""
    began = time.process_time()
    refused = ""
    try:
        used_whole(read_elf("damaged.elf", contents))
    except FirmwareError as error:
        refused = str(error)
    assert not refused or ("damaged.elf" in refused and "\n" not in refused)
    assert time.process_time() - began < 20


@settings(max_examples=60)
@given(data=st.data())
def test_a_cut_off_file_is_refused_or_usable(data: st.DataObject, elf_of: ElfOf) -> None:
    """Copying stopped half way."""
    contents = elf_of(data.draw(st.sampled_from(["small", "c++ link time"]))).read_bytes()
    read_or_refused(contents[: data.draw(st.integers(0, len(contents)))])


@settings(max_examples=120)
@given(data=st.data())
def test_a_file_with_changed_bytes_is_refused_or_usable(data: st.DataObject, elf_of: ElfOf) -> None:
    """A few bytes anywhere become others."""
    contents = bytearray(elf_of(data.draw(st.sampled_from(["small", "link time", "c++"]))).read_bytes())
    for _ in range(data.draw(st.integers(1, 8))):
        contents[data.draw(st.integers(0, len(contents) - 1))] = data.draw(
            st.sampled_from([0, 1, 0x7F, 0x80, 0xFF, 0x49])
        )
    read_or_refused(bytes(contents))
