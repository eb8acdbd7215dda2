"""The EEPROM against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 8.4 and 8.6, unless another is named."""

from fractions import Fraction
from itertools import pairwise

import pytest

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.catalogue import fit_devices
from tests.peripherals.fitted import Fitted, part
from tests.peripherals.test_programs import BOTH, program

CLOCK = 16_000_000
EERE, EEPE, EEMPE, EERIE = 1, 2, 4, 8


def fitted(name: str = "atmega328p", content: bytes = b"", clock: int | None = CLOCK) -> Fitted:
    """Gives a part whose EEPROM holds `content`."""
    chip = Chip(part(name), b"", content, clock)
    return Fitted(chip, fit_devices(chip))


def write_byte(chip: Fitted, place: int, value: int, at: int, *, mode: int = 0, old: bool = False) -> None:
    """Writes a byte as the datasheet's code example does, EEPE set by an instruction that ends at `at`."""
    chip.write("EEARL", place & 0xFF, at - 8)
    if "EEARH" in chip.chip.part.registers:
        chip.write("EEARH", place >> 8, at - 7)
    chip.write("EEDR", value, at - 6)
    chip.write("EECR", mode, at - 4)
    chip.write("EECR", EEMPE, at - 2, mask=EEMPE if not old else 0xFF)
    chip.write("EECR", EEPE, at, mask=EEPE if not old else 0xFF)


def read_byte(chip: Fitted, place: int, at: int) -> int:
    """Reads a byte as the datasheet's code example does."""
    chip.write("EEARL", place & 0xFF, at - 2)
    if "EEARH" in chip.chip.part.registers:
        chip.write("EEARH", place >> 8, at - 1)
    chip.write("EECR", EERE, at, mask=EERE)
    return chip.read("EEDR", at + 4)


def test_a_read_gives_the_byte_at_once_and_halts_the_cpu_four_cycles() -> None:
    """Sec. 8.4.1; what the program does not define is erased, 0xFF."""
    chip = fitted(content=b"\x12\x34")
    assert [read_byte(chip, place, 100 * place + 10) for place in (0, 1, 2, 0x3FF)] == [0x12, 0x34, 0xFF, 0xFF]
    assert chip.chip.bus.take_halt() == 4 * 4
    assert chip.read("EECR", 200_000) == 0
    assert chip.unmodelled() == []


@pytest.mark.parametrize(
    ("name", "mode", "nanoseconds"),
    [
        ("atmega328p", 0x00, 26_368 * 125),
        ("atmega2560", 0x00, 26_368 * 125),
        ("attiny85", 0x00, 26_368 * 125),
        ("atmega328p", 0x10, 1_800_000),
        ("atmega328p", 0x20, 1_800_000),
        ("atmega169p", 0x00, 27_072 * 125),
        ("atmega8", 0x00, 8_448_000),
        ("atmega16", 0x00, 8_448_000),
        ("atmega128", 0x00, 8_448_000),
    ],
)
def test_a_write_halts_two_cycles_and_lasts_its_time(name: str, mode: int, nanoseconds: int) -> None:
    """Tables 8-1 and 8-2: 26,368 cycles at 8 MHz, 1.8 ms apart; 8018 table 6-1; from memory 8,448 at 1 MHz."""
    chip = fitted(name, bytes([0x0F]))
    at = 1000
    write_byte(chip, 0, 0x3A, at, mode=mode, old="EEPE" not in chip.chip.part.bits)
    assert chip.chip.bus.take_halt() == 2
    done = at - -Fraction(nanoseconds * CLOCK, 10**9) // 1
    assert chip.read("EECR", done - 1) & EEPE
    assert not chip.read("EECR", done) & EEPE
    expected = {0x00: 0x3A, 0x10: 0xFF, 0x20: 0x3A & 0x0F}[mode]
    assert read_byte(chip, 0, done + 10) == expected
    assert len(chip.unmodelled()) == 1


@pytest.mark.parametrize("distance", range(1, 8))
def test_eepe_must_follow_eempe_within_four_cycles(distance: int) -> None:
    """Sec. 8.6.3: hardware clears EEMPE after four clock cycles, and then EEPE has no effect and halts nothing."""
    chip = fitted()
    chip.write("EEDR", 0x55, 2)
    chip.write("EECR", EEMPE, 10, mask=EEMPE)
    assert bool(chip.read("EECR", 10 + distance) & EEMPE) == (distance < 4)
    chip = fitted()
    chip.write("EECR", EEMPE, 10, mask=EEMPE)
    chip.write("EECR", EEPE, 10 + distance, mask=EEPE)
    assert chip.chip.bus.take_halt() == (2 if distance <= 4 else 0)
    assert bool(chip.read("EECR", 10 + distance + 5) & EEPE) == (distance <= 4)


def test_nothing_is_written_without_the_master_enable_bit() -> None:
    """Sec. 8.6.3: if EEMPE is zero, setting EEPE has no effect."""
    chip = fitted(content=b"\x42")
    chip.write("EECR", EEPE, 10)
    assert chip.chip.bus.take_halt() == 0
    assert not chip.chip.events.is_pending
    assert read_byte(chip, 0, 20) == 0x42


def test_address_and_memory_cannot_be_reached_while_a_write_lasts() -> None:
    """Sec. 8.6.3, EERE: it is neither possible to read the EEPROM nor to change EEAR; EEPM is kept too."""
    chip = fitted(content=b"\x01\x02\x03")
    write_byte(chip, 1, 0x77, 100)
    chip.chip.bus.take_halt()
    chip.write("EEARL", 2, 200)
    assert chip.read("EEARL", 201) == 1
    chip.write("EECR", EERE | 0x30, 210)
    assert chip.chip.bus.take_halt() == 0
    assert chip.read("EECR", 211) & 0x30 == 0
    assert chip.chip.eeprom[:3] == b"\x01\x02\x03"
    chip.pass_to(100_000)
    assert chip.chip.eeprom[:3] == b"\x01\x77\x03"


def test_bits_of_the_address_that_the_part_lacks_read_as_zero() -> None:
    """Sec. 8.6.1: 1,024 bytes need ten bits; the ATtiny85's 512 nine (its datasheet 2586, EEARH)."""
    for name, high in (("atmega328p", 0x03), ("attiny85", 0x01), ("atmega2560", 0x0F)):
        chip = fitted(name)
        chip.write("EEARH", 0xFF, 2)
        chip.write("EEARL", 0xFF, 4)
        assert (chip.read("EEARH", 5), chip.read("EEARL", 6)) == (high, 0xFF)


def test_the_ready_interrupt_is_constant_while_nothing_is_written() -> None:
    """Sec. 8.6.3, EERIE: a constant interrupt when EEPE is cleared; entering the handler clears nothing."""
    chip = fitted()
    chip.write("EECR", EERIE, 10)
    assert chip.asks("EE_READY")
    chip.chip.interrupts.accept(12, chip.chip.stack_pointer)
    assert chip.asks("EE_READY")
    write_byte(chip, 0, 1, 100, mode=EERIE)
    assert not chip.asks("EE_READY")
    chip.pass_to(100 + 52_736)
    assert chip.asks("EE_READY")
    chip.write("EECR", 0, 60_000)
    assert not chip.asks("EE_READY")


def test_a_write_needs_the_clock_and_a_read_does_not() -> None:
    """What takes a time cannot be counted in cycles without a clock; the message names the option."""
    chip = fitted(content=b"\x21", clock=None)
    assert read_byte(chip, 0, 10) == 0x21
    with pytest.raises(NotModelled, match="--clock"):
        write_byte(chip, 0, 1, 100)


def test_a_write_whose_time_no_document_tells_is_refused() -> None:
    """AT90S8515: 2.5 to 4 ms, depending on the supply voltage (from memory)."""
    chip = fitted("at90s8515")
    with pytest.raises(NotModelled, match="at90s8515"):
        write_byte(chip, 0, 1, 100, old=True)


def test_a_kept_state_has_the_content_and_the_write_in_progress() -> None:
    """`Chip.save` and `Chip.restore`."""
    chip = fitted(content=b"\x01")
    write_byte(chip, 0, 0x99, 100)
    kept = chip.chip.save()
    chip.pass_to(60_000)
    assert chip.chip.eeprom[0] == 0x99
    chip.chip.restore(kept)
    assert chip.chip.eeprom[0] == 0x01
    chip.pass_to(60_000)
    assert chip.chip.eeprom[0] == 0x99


@BOTH
@pytest.mark.parametrize("name", ["atmega328p", "attiny85", "atmega2560"])
def test_the_librarys_block_routines_keep_and_give_back_a_structure(name: str, engine: str) -> None:
    """avr-libc's eeprom.h: update writes the two bytes that differ; three writes come before the last wait."""
    run = program("memory.c", name).run(until="cycles:400000", watch=["GPIOR0", "GPIOR1", "EECR"], engine=engine)
    assert [each.value for each in run.watched["GPIOR0"]] == [6, 7, 8, 0x35]
    marks = {each.value: each.cycle for each in run.watched["GPIOR1"]}
    written = [each.cycle for each in run.watched["EECR"] if each.value & EEPE][:4]
    busy = 26_368 * 2
    # A wait is a loop of SBIC and RJMP, or of IN, SBRC and RJMP: it sees the end within its turn.
    # Between the first two writes lie three reads of bytes that are as they should be.
    assert all(busy < later - earlier < busy + 250 for earlier, later in pairwise(written))
    assert busy < marks[3] - written[2] < busy + 12
    assert busy < marks[4] - written[3] < busy + 60
    assert run.handlers["EE_RDY" if name == "attiny85" else "EE_READY"].count == 1
    assert [str(each).split(": ", 1)[1] for each in run.warnings] == [
        "warning: EECR: a write to EEPROM is taken to last its typical 3.3 ms; chips differ"
    ]


def test_both_engines_agree_on_the_librarys_block_routines() -> None:
    """To the cycle, and in every write."""
    firmware = program("memory.c")
    runs = [
        firmware.run(until="cycles:300000", watch=["GPIOR0", "GPIOR1", "EECR"], engine=engine)
        for engine in ("reference", "scalar")
    ]
    assert runs[0].watched == runs[1].watched
    assert runs[0].instructions == runs[1].instructions
