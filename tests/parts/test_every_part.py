"""All parts of the installed toolchain against what its other files and programs say of them."""

import re
import struct
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from cyclerule.parts import Part, PartSummary
from cyclerule.toolchain import Toolchain

# One instruction of each group, as avr-as takes it (DS40002198, section 6).
INSTRUCTION_OF = {
    "MUL": "mul r16, r17",
    "MOVW": "movw r16, r18",
    "LPM": "lpm",
    "LPMX": "lpm r16, Z+",
    "ELPM": "elpm",
    "ELPMX": "elpm r16, Z+",
    "SPM": "spm",
    "ADIW": "adiw r24, 1",
    "IJMP_ICALL": "ijmp",
    "EIJMP_EICALL": "eijmp",
    "JMP_CALL": "jmp 0",
    "BREAK": "break",
    "RMW": "xch Z, r16",
    "RAM": "lds r16, 0x60",
}
# Where avr-as and the headers say different things of a part, and why the headers are kept.
ASSEMBLER_DIFFERS = {
    "m3000": {"SPM", "BREAK"},  # its header has neither an SPM register nor fuses; the assembler takes it for an avr5
}


def startup_sections(path: Path) -> Mapping[str, bytes]:
    """The content of every section of a start-up file."""
    with path.open("rb") as file:
        return {section.name: section.data() for section in ELFFile(file).iter_sections()}


@pytest.fixture(scope="module")
def startups(toolchain: Toolchain, all_parts: Mapping[str, Part]) -> dict[str, Mapping[str, bytes]]:
    """The sections of every part's start-up file."""
    library = Path(toolchain.run("gcc", ["-print-file-name=libc.a"]).stdout.strip()).parent
    files = {file.stem.removeprefix("crt"): file for file in library.rglob("crt*.o")}
    return {name: startup_sections(files[name]) for name in all_parts}


def test_every_part_that_can_be_linked_for_loads(all_parts: Mapping[str, Part]) -> None:
    """The first word of the families the model starts with: over 200 parts of avr-libc 2.0.0."""
    classic = [part for part in all_parts.values() if part.family in {"AVR", "AVRe", "AVRe+"}]
    assert len(classic) > 150
    assert {part.architecture for part in classic} >= {"avr2", "avr25", "avr35", "avr4", "avr5", "avr51", "avr6"}


def test_memories_are_those_of_the_start_up_files_device_note(
    all_parts: Mapping[str, Part], startups: Mapping[str, Mapping[str, bytes]]
) -> None:
    """The note .note.gnu.avr.deviceinfo holds start and size of flash, RAM and EEPROM (avr-libc, gcrt1.S)."""
    compared, different = 0, []
    for name, part in all_parts.items():
        note = startups[name].get(".note.gnu.avr.deviceinfo")
        if note is None or part.architecture == "avr1":  # without RAM the note's RAM size is below zero
            continue
        (name_bytes,) = struct.unpack_from("<I", note)
        _, flash, ram_start, ram, _, eeprom = struct.unpack_from("<6I", note, 12 + (name_bytes + 3) // 4 * 4)
        compared += 1
        if (flash, ram_start, ram, eeprom) != (part.flash_bytes, part.ram_start, part.ram_bytes, part.eeprom_bytes):
            different.append(name)
    assert not different
    assert compared > 150


def test_vector_table_is_as_long_as_the_start_up_file_lays_it_out(
    all_parts: Mapping[str, Part], startups: Mapping[str, Mapping[str, bytes]]
) -> None:
    """The section .vectors of the start-up file is the table itself."""
    different = {
        name
        for name, part in all_parts.items()
        if len(startups[name][".vectors"]) != part.vector_bytes * part.vector_count
    }
    assert different <= {"ata5795"}  # 46 bytes by its header, laid out in slots of four


def test_features_are_the_instructions_that_the_assembler_takes(all_parts: Mapping[str, Part]) -> None:
    """GNU as has an instruction table a part of its own (avr-as -mmcu=PART); it refuses what the part lacks."""
    source = "\n".join(INSTRUCTION_OF.values()) + "\n"
    different: dict[str, set[str]] = {}
    compared = 0
    for name, part in all_parts.items():
        if part.family not in {"AVR", "AVRe", "AVRe+"}:
            continue
        done = subprocess.run(
            ["avr-as", f"-mmcu={name}", "-", "-o", "/dev/null"],
            input=source,
            capture_output=True,
            text=True,
            check=False,
        )
        if "unknown MCU" in done.stderr:  # newer parts, which the compiler passes on as their family
            continue
        refused = {int(line) - 1 for line in re.findall(r":(\d+): Error", done.stderr)}
        taken = {feature for index, feature in enumerate(INSTRUCTION_OF) if index not in refused}
        compared += 1
        if taken != part.features:
            different[name] = taken ^ part.features
    assert different == {name: what for name, what in ASSEMBLER_DIFFERS.items() if name in all_parts}
    assert compared > 150


def test_names_lead_to_values_of_their_kind(all_parts: Mapping[str, Part]) -> None:
    """Bit positions are 0 to 7; a register lies below RAM; a vector has a place in the table; names lead back."""
    wrong = []
    for part in all_parts.values():
        registers = part.registers.values()
        in_place = all(part.io_offset <= r.address and r.address + r.size_bytes <= part.ram_start for r in registers)
        bits = all(0 <= position <= 7 for position in part.bits.values())
        vectors = all(0 < number < part.vector_count for number in part.vectors.values())
        known = all(part.registers[part.register_name(r.address) or ""].address == r.address for r in registers)
        if not (in_place and bits and vectors and known and registers):
            wrong.append((part.name, in_place, bits, vectors, known))
    assert not wrong


def test_cpu_registers_stand_where_every_part_has_them(all_parts: Mapping[str, Part]) -> None:
    """SREG is I/O address 0x3F and SPL 0x3D on every part with a stack (DS40002198, section 3)."""
    for part in all_parts.values():
        assert part.registers["SREG"].address == part.io_offset + 0x3F, part.name
        if "RAM" in part.features:
            lowest = part.registers.get("SPL", part.registers.get("SP"))
            assert lowest is not None, part.name
            assert lowest.address == part.io_offset + 0x3D, part.name


def test_summaries_tell_the_sizes_of_the_parts_themselves(
    all_parts: Mapping[str, Part], summaries: list[PartSummary]
) -> None:
    """The list of parts is read by another way than a part; both come to the same."""
    by_name = {summary.name: summary for summary in summaries}
    for name, part in all_parts.items():
        summary = by_name[name]
        assert (summary.family, summary.architecture) == (part.family, part.architecture)
        assert (summary.flash_bytes, summary.ram_bytes, summary.eeprom_bytes) == (
            part.flash_bytes,
            part.ram_bytes,
            part.eeprom_bytes,
        )
        assert summary.assembler_only == (part.architecture == "avr1")  # GCC manual, "AVR Options", avr1
