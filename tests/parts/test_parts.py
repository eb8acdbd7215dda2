"""Single parts against their datasheets, and what is said of parts that cannot be had."""

import pickle
import re
import struct
from collections.abc import Sequence
from typing import NamedTuple

import pytest

from cyclerule.errors import BuildError, UnknownName
from cyclerule.parts import Part, PartSummary, load_part
from cyclerule.parts.header import read_part
from cyclerule.toolchain import Definition, Toolchain

# ATmega328P: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet DS40002061A, section 12.4, table 12-6 (which counts from 1).
ATMEGA328P_VECTORS = {
    "INT0": 1,
    "INT1": 2,
    "PCINT0": 3,
    "PCINT1": 4,
    "PCINT2": 5,
    "WDT": 6,
    "TIMER2_COMPA": 7,
    "TIMER2_COMPB": 8,
    "TIMER2_OVF": 9,
    "TIMER1_CAPT": 10,
    "TIMER1_COMPA": 11,
    "TIMER1_COMPB": 12,
    "TIMER1_OVF": 13,
    "TIMER0_COMPA": 14,
    "TIMER0_COMPB": 15,
    "TIMER0_OVF": 16,
    "SPI_STC": 17,
    "USART_RX": 18,
    "USART_UDRE": 19,
    "USART_TX": 20,
    "ADC": 21,
    "EE_READY": 22,
    "ANALOG_COMP": 23,
    "TWI": 24,
    "SPM_READY": 25,
}


class Expected(NamedTuple):
    """What a datasheet says: memories in its memory chapter, vectors in its interrupt chapter."""

    family: str
    flash_kib: int
    ram: tuple[int, int]
    eeprom: int
    vectors: tuple[int, int]  # how many, and bytes of each
    pc_bytes: int


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("atmega328p", Expected("AVRe+", 32, (0x100, 0x8FF), 1024, (26, 4), 2)),  # DS40002061A
        ("atmega2560", Expected("AVRe+", 256, (0x200, 0x21FF), 4096, (57, 4), 3)),  # 2549Q
        ("atmega8", Expected("AVRe+", 8, (0x60, 0x45F), 512, (19, 2), 2)),  # 2486AA
        ("attiny85", Expected("AVRe", 8, (0x60, 0x25F), 512, (15, 2), 2)),  # 2586Q
        ("attiny2313", Expected("AVRe", 2, (0x60, 0xDF), 128, (19, 2), 2)),  # 2543L
        ("attiny13", Expected("AVRe", 1, (0x60, 0x9F), 64, (10, 2), 2)),  # 2535J
        ("at90s8515", Expected("AVR", 8, (0x60, 0x25F), 512, (13, 2), 2)),  # 0841G
        ("atmega323", Expected("AVRe+", 32, (0x60, 0x85F), 1024, (20, 4), 2)),  # 1457E, table 3 for the vectors
    ],
)
def test_part_is_as_its_datasheet_says(toolchain: Toolchain, name: str, expected: Expected) -> None:
    """Each row's datasheet stands beside it."""
    part = load_part(name, toolchain)
    assert part.name == name
    assert part.family == expected.family
    assert part.flash_bytes == expected.flash_kib * 1024
    assert (part.ram_start, part.ram_end) == expected.ram
    assert part.eeprom_bytes == expected.eeprom
    assert (part.vector_count, part.vector_bytes) == expected.vectors
    assert part.pc_bytes == expected.pc_bytes
    assert part.io_offset == 0x20


def test_atmega328p_vectors_are_in_the_datasheets_order(toolchain: Toolchain) -> None:
    """DS40002061A, table 12-6; lower numbers have priority."""
    part = load_part("atmega328p", toolchain)
    assert part.vectors == ATMEGA328P_VECTORS
    assert part.vector_name(13) == "TIMER1_OVF"
    assert part.vector_name(0) is None


def test_atmega328p_registers_have_their_data_space_addresses(toolchain: Toolchain) -> None:
    """DS40002061A, Register Summary: addresses in parentheses."""
    part = load_part("atmega328p", toolchain)
    expected = {
        "PORTB": (0x25, 1),
        "TIFR1": (0x36, 1),
        "SREG": (0x5F, 1),
        "TCNT1L": (0x84, 1),
        "TCNT1H": (0x85, 1),
        "TCNT1": (0x84, 2),
        "UDR0": (0xC6, 1),
        "UBRR0": (0xC4, 2),
    }
    assert {n: (part.registers[n].address, part.registers[n].size_bytes) for n in expected} == expected
    assert part.bits["TOIE1"] == 0
    assert part.bits["CS10"] == 0
    assert part.bits["ICNC1"] == 7
    assert part.bits["UDRE0"] == 5
    assert part.bits["PB5"] == part.bits["PORTB5"] == 5


def test_a_byte_keeps_its_own_name_where_a_wider_register_shares_the_address(toolchain: Toolchain) -> None:
    """DS40002061A, Register Summary: 0x78 is ADCL, also reached as ADC and ADCW in C; 0x84 is TCNT1L."""
    part = load_part("atmega328p", toolchain)
    assert {"ADC", "ADCW", "ADCL"} <= part.registers.keys()
    assert [part.register_name(address) for address in (0x78, 0x79, 0x84, 0x85)] == ["ADCL", "ADCH", "TCNT1L", "TCNT1H"]
    assert part.register_name(0x25) == "PORTB"
    assert part.register_name(0x5F) == "SREG"
    assert part.register_name(0x61 + 0x1000) is None


def test_a_port_keeps_its_name_where_its_pins_functions_have_names_too(toolchain: Toolchain) -> None:
    """ATmega88PA's header calls PORTB also OC1A_PORT, MOSI_PORT and so on; its datasheet's summary has PORTB."""
    part = load_part("atmega88pa", toolchain)
    assert part.registers["OC1A_PORT"].address == part.registers["PORTB"].address
    assert part.register_name(part.registers["OC1A_PORT"].address) == "PORTB"


def test_old_cores_lack_what_came_later(toolchain: Toolchain) -> None:
    """AT90S8515 datasheet 0841G, Instruction Set Summary: no MUL, MOVW, LPM Rd, SPM, JMP."""
    features = load_part("at90s8515", toolchain).features
    assert features == {"RAM", "ADIW", "IJMP_ICALL", "LPM"}


def test_atmega2560_has_the_instructions_for_a_22_bit_program_counter(toolchain: Toolchain) -> None:
    """ATmega2560 datasheet 2549Q, Instruction Set Summary."""
    assert load_part("atmega2560", toolchain).features >= {"MUL", "ELPM", "ELPMX", "EIJMP_EICALL", "JMP_CALL", "SPM"}


def test_at90s1200_has_neither_ram_nor_lpm(toolchain: Toolchain) -> None:
    """AT90S1200 datasheet 0838H: 32 registers, a hardware stack, no SRAM; no LPM in the summary."""
    part = load_part("at90s1200", toolchain)
    assert part.ram_bytes == 0
    assert not part.features & {"RAM", "LPM", "ADIW", "IJMP_ICALL"}


def test_timer_vectors_have_their_datasheet_name_first(toolchain: Toolchain) -> None:
    """ATtiny85 datasheet 2586Q, table 9-1, writes TIMER1_OVF; its header has TIM1_OVF too."""
    part = load_part("attiny85", toolchain)
    assert part.vectors["TIM1_OVF"] == part.vectors["TIMER1_OVF"] == 4
    assert part.vector_name(4) == "TIMER1_OVF"


def test_vectors_are_read_from_headers_that_only_have_signal_names(toolchain: Toolchain) -> None:
    """avr-libc 2.0.0's header of the AT43USB355 has SIG_ names and no others."""
    part = load_part("at43usb355", toolchain)
    assert all(name.startswith("SIG_") for name in part.vectors)
    assert part.vector_name(part.vectors["SIG_OVERFLOW1"]) == "SIG_OVERFLOW1"


def compiled_values(toolchain: Toolchain, part: str, expressions: Sequence[str]) -> list[int]:
    """The values that the compiler itself puts in the place of each expression."""
    table = ",\n".join(f"(unsigned long){expression}" for expression in expressions)
    source = f"#include <avr/io.h>\nconst unsigned long table[] = {{\n{table}\n}};\n"
    done = toolchain.run("gcc", [f"-mmcu={part}", "-w", "-S", "-x", "c", "-", "-o", "-"], stdin=source)
    assert done.returncode == 0, done.stderr
    table_bytes = bytes(int(value) & 0xFF for value in re.findall(r"^\s*\.byte\s+(-?\d+)$", done.stdout, re.MULTILINE))
    return [value for (value,) in struct.iter_unpack("<I", table_bytes)]


@pytest.mark.parametrize(
    "name",
    ["atmega328p", "atmega2560", "attiny85", "at90s8515", "atmega128rfa1", "at90can128", "attiny10", "atxmega32e5"],
)
def test_names_have_the_values_that_the_compiler_gives_them(toolchain: Toolchain, name: str) -> None:
    """Compiled into a table by avr-gcc: every register's address, every bit's position, the ends of memories."""
    part = load_part(name, toolchain)
    registers, bits = list(part.registers.values()), list(part.bits)
    addresses = compiled_values(toolchain, name, [f"&{register.name}" for register in registers])
    assert addresses == [register.address for register in registers]
    sizes = compiled_values(toolchain, name, [f"sizeof({register.name})" for register in registers])
    assert sizes == [register.size_bytes for register in registers]
    assert compiled_values(toolchain, name, bits) == list(part.bits.values())
    ends = compiled_values(toolchain, name, ["FLASHEND", "RAMEND", "_VECTORS_SIZE"])
    assert ends == [part.flash_bytes - 1, part.ram_end, part.vector_bytes * part.vector_count]


@pytest.mark.parametrize("name", ["at90s8515", "atmega8", "atmega328p", "atmega2560", "m3000", "atxmega32e5"])
def test_ram_start_is_found_where_a_header_has_none(toolchain: Toolchain, name: str) -> None:
    """Headers of avr-libc before 1.7 have no RAMSTART; the linker's first variable stands there."""
    whole = toolchain.definitions(name)
    part = load_part(name, toolchain)
    without = [definition for definition in whole if definition.name != "RAMSTART"]
    assert len(without) == len(whole) - 1
    assert read_part(name, without, lambda: toolchain.data_start(name)) == part


def definitions_of(**macros: str) -> list[Definition]:
    """Definitions as of a device header."""
    return [Definition(name, text, "avr/ioxxx.h") for name, text in macros.items()]


def part_of(**macros: str) -> Part:
    """A part whose header has these macros beside the few that every header has."""
    needed = {"__AVR_ARCH__": "5", "__SFR_OFFSET": "0x20", "FLASHEND": "0x7FFF", "RAMSTART": "0x100", "RAMEND": "0x8FF"}
    return read_part("beehive1", definitions_of(**(needed | macros)), lambda: None)


def test_a_circular_alias_is_no_register() -> None:
    """A header cannot define it; a search for the end of the chain must end all the same."""
    part = part_of(HIVE="SCALE", SCALE="HIVE", PORTH="_SFR_IO8(0x05)", WEIGHT="PORTH")
    assert set(part.registers) == {"PORTH", "WEIGHT"}


def test_a_register_may_be_wide_and_its_address_an_expression() -> None:
    """<avr/sfr_defs.h> has _SFR_MEM32; AT90CAN128's CANIDT is of it."""
    part = part_of(CANID="_SFR_MEM32(0xF0 + 4)", CANL="(_SFR_MEM8((0xF4U)))")
    assert part.registers["CANID"][1:] == (0xF4, 4)
    assert part.register_name(0xF4) == "CANL"


def test_sizes_and_ends_are_no_bits() -> None:
    """Device headers define these with values from 0 to 7 too."""
    part = part_of(E2PAGESIZE="4", E2END="0", SIGNATURE_2="0x05", FUSE_MEMORY_SIZE="3", SLEEP_MODE_IDLE="0", RXEN="4")
    assert part.bits == {"RXEN": 4}
    assert part.eeprom_bytes == 0


@pytest.mark.parametrize(
    ("name", "architecture", "family"),
    [
        ("atxmega128a1", "107", "AVRxm"),
        ("attiny1614", "103", "AVRxt"),
        ("avr128da48", "104", "AVRxt"),
        ("attiny10", "100", "AVRrc"),
    ],
)
def test_newer_families_are_told_apart(name: str, architecture: str, family: str) -> None:
    """DS40002198, section 4: AVRxm is XMEGA; tinyAVR 0/1, megaAVR 0 and AVR DA are AVRxt; reduced core is AVRrc."""
    macros = {"__AVR_ARCH__": architecture, "__SFR_OFFSET": "0", "FLASHEND": "0x3FFF", "RAMEND": "0x3FFF"}
    assert read_part(name, definitions_of(**macros, RAMSTART="0x3800"), lambda: None).family == family


def test_a_part_can_be_sent_to_another_process(toolchain: Toolchain) -> None:
    """Sweeps are spread over processes."""
    part = load_part("attiny85", toolchain)
    assert part.register_name(0x38) == "PORTB"
    copy = pickle.loads(pickle.dumps(part))  # noqa: S301 - made the moment before
    assert copy == part
    assert hash(copy) == hash(part)


def test_capitals_do_not_matter(toolchain: Toolchain) -> None:
    """Datasheets write ATmega328P, the compiler atmega328p."""
    assert load_part("ATmega328P", toolchain).name == "atmega328p"


@pytest.mark.parametrize("name", ["atmega382p", "atmega328p ", "", "../atmega328p", "avr5", "pic16f84"])
def test_unknown_part_is_told_with_the_nearest_names(toolchain: Toolchain, name: str) -> None:
    """A family (avr5) is no part either."""
    with pytest.raises(UnknownName) as raised:
        load_part(name, toolchain)
    assert raised.value.exit_status == 2
    assert str(raised.value).startswith(f"no part {name!r}")
    assert "cyclerule parts" in str(raised.value)
    if name == "atmega382p":
        assert "atmega328p" in raised.value.nearest


def test_part_without_device_pack_is_told_so(toolchain: Toolchain, summaries: list[PartSummary]) -> None:
    """avr-gcc 5.4.0 of Debian knows names, such as atmega328pb, that its avr-libc 2.0.0 has no header for."""
    bare = [summary.name for summary in summaries if summary.flash_bytes is None]
    if not bare:
        pytest.skip("this toolchain has a header for every name")
    with pytest.raises(BuildError) as raised:
        load_part(bare[0], toolchain)
    text = str(raised.value)
    assert raised.value.exit_status == 3
    assert f"the device pack of {bare[0]} is missing" in text
    assert "no device header" in text
    assert toolchain.version in text
