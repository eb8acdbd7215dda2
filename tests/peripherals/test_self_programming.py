"""Self-programming against DS40002061A (ATmega48A/…/328/P), sec. 26 and 27, unless another datasheet is named."""

import pytest

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.measure.results import Run
from cyclerule.peripherals.catalogue import fit_devices
from cyclerule.peripherals.self_programming import first_unreadable
from cyclerule.session.firmware import build
from tests.peripherals.fitted import Fitted, part
from tests.peripherals.test_programs import BOTH, PROGRAMS

CLOCK = 16_000_000
OPERATION = 72_000
"""4.5 ms at 16 MHz: table 27-6."""

SPMEN, PGERS, PGWRT, RWWSRE, RWWSB, SPMIE = 0x01, 0x02, 0x04, 0x10, 0x40, 0x80


def fitted(name: str = "atmega328p", clock: int | None = CLOCK) -> Fitted:
    """Gives a part that executes in its boot loader section."""
    chip = Chip(part(name), bytes(range(256)) * 4, clock_hz=clock)
    made = Fitted(chip, fit_devices(chip))
    chip.bus.current_flash_word = chip.flash_words - 1
    return made


def spm(chip: Fitted, operation: int, at: int, *, place: int = 0, word: int = 0, late: int = 0) -> int:
    """Sets SPMCSR up by a write that ends at a cycle, then executes SPM; gives the cycles that it halts the CPU."""
    data, store = chip.chip.data, chip.chip.stores_flash
    assert store is not None
    data[30], data[31] = place & 0xFF, place >> 8 & 0xFF
    data[0], data[1] = word & 0xFF, word >> 8
    chip.write("SPMCSR" if "SPMCSR" in chip.chip.part.registers else "SPMCR", operation, at)
    chip.pass_to(at + late)
    return store(at + late, at + late + 4)


@pytest.mark.parametrize(
    ("name", "first"),
    [
        ("atmega328p", 0x7000),
        ("atmega88", 0x1800),
        ("atmega168", 0x3800),
        ("atmega48", 0),
        ("attiny85", 0),
        ("atmega2560", 0x3E000),
        ("atmega8", 0x1800),
    ],
)
def test_the_sections_are_those_of_the_part(name: str, first: int) -> None:
    """Table 27-8 for the ATmega88 to 328; ATmega2560 2549 table 29-13 (word 0x1F000), ATmega8A table 28-7."""
    assert first_unreadable(Chip(part(name), b"")) == first


def test_erasing_a_page_that_can_be_read_meanwhile_takes_its_time_beside_the_program() -> None:
    """Sec. 27.8.1: the other section runs on; RWWSB stays until RWWSRE; table 27-6 for the time."""
    chip = fitted()
    assert spm(chip, SPMEN | PGERS, 100, place=0x85) == 0
    done = 104 + OPERATION
    assert chip.read("SPMCSR", done - 1) == RWWSB | SPMEN
    assert chip.chip.flash[0x80] == 0x80
    assert chip.read("SPMCSR", done) == RWWSB
    assert chip.chip.flash[0x7F:0x102] == b"\x7f" + b"\xff" * 128 + b"\x00\x01"
    assert spm(chip, SPMEN | RWWSRE, done + 10) == 0
    assert chip.read("SPMCSR", done + 20) == 0


@pytest.mark.parametrize("name", ["atmega328p", "attiny85", "atmega48"])
def test_elsewhere_the_cpu_is_halted(name: str) -> None:
    """Sec. 26.1 and 27.8.1: the CPU is halted during the operation."""
    chip = fitted(name)
    page = chip.chip.part.page_bytes
    place = len(chip.chip.flash) - page
    assert spm(chip, SPMEN, 100, place=place, word=0x1234) == 0
    assert spm(chip, SPMEN | PGWRT, 200, place=place) == OPERATION
    assert chip.chip.flash[place : place + 3] == b"\x34\x12\xff"
    assert spm(chip, SPMEN | PGERS, 300, place=place) == OPERATION
    assert chip.chip.flash[place] == 0xFF
    assert chip.read("SPMCSR", 400) == 0


def test_a_page_is_filled_word_by_word_and_writing_only_clears_bits() -> None:
    """Sec. 27.8.2 and 27.8.3; the buffer is erased by the write."""
    chip = fitted()
    for n in range(0, 128, 2):
        spm(chip, SPMEN, 100 + 10 * n, place=0x100 + n, word=0xF0F0)
    spm(chip, SPMEN | PGWRT, 2000, place=0x100)
    chip.pass_to(2004 + OPERATION)
    assert chip.chip.flash[0x100:0x180] == bytes(n & 0xF0 for n in range(128))
    spm(chip, SPMEN | PGERS, 100_000, place=0x100)
    chip.pass_to(100_004 + OPERATION)
    spm(chip, SPMEN | PGWRT, 200_000, place=0x100)
    chip.pass_to(200_004 + OPERATION)
    assert chip.chip.flash[0x100:0x180] == b"\xff" * 128


@pytest.mark.parametrize("late", range(8))
def test_spm_must_come_within_four_cycles(late: int) -> None:
    """Sec. 27.9.1, SPMEN: SPM within four clock cycles; it is cleared by itself then."""
    chip = fitted("attiny85")
    assert spm(chip, SPMEN | PGERS, 100, late=late) == (OPERATION if late <= 4 else 0)
    assert (chip.chip.flash[0] == 0xFF) == (late <= 4)
    assert chip.read("SPMCSR", 120) == 0


def test_outside_the_boot_loader_section_it_does_nothing() -> None:
    """Sec. 27.2: SPM is only executed from the boot loader section."""
    chip = fitted()
    chip.chip.bus.current_flash_word = 0x37FF
    assert spm(chip, SPMEN | PGERS, 100) == 0
    chip.pass_to(100_000)
    assert chip.chip.flash[0:2] == b"\x00\x01"
    assert len(chip.unmodelled()) == 1


def test_a_write_to_eeprom_keeps_flash_from_being_programmed() -> None:
    """Sec. 27.8.4: SPMCSR cannot be written meanwhile."""
    chip = fitted()
    chip.write("EECR", 4, 90, mask=4)
    chip.write("EECR", 2, 92, mask=2)
    assert spm(chip, SPMEN | PGERS, 100) == 0
    chip.pass_to(50_000)
    assert chip.chip.flash[0:2] == b"\x00\x01"


def test_the_ready_interrupt_asks_while_nothing_is_programmed() -> None:
    """Sec. 27.9.1, SPMIE."""
    chip = fitted()
    chip.write("SPMCSR", SPMIE, 90)
    assert chip.asks("SPM_Ready") if "SPM_Ready" in chip.chip.part.vectors else chip.asks("SPM_READY")
    spm(chip, SPMEN | PGERS | SPMIE, 100)
    vector = next(v for n, v in chip.chip.part.vectors.items() if n.upper() == "SPM_READY")
    assert not chip.chip.interrupts.requests >> vector & 1
    chip.pass_to(104 + OPERATION)
    assert chip.chip.interrupts.requests >> vector & 1


def test_a_kept_state_has_the_flash_too() -> None:
    """Calls start from the same flash, whatever the one before has written."""
    chip = fitted("attiny85")
    kept = chip.chip.save()
    spm(chip, SPMEN | PGERS, 100)
    later = chip.chip.save()
    chip.chip.restore(kept)
    assert chip.chip.flash[0:3] == b"\x00\x01\x02"
    chip.chip.restore(later)
    assert chip.chip.flash[0:3] == b"\xff\xff\xff"


def test_it_needs_the_clock() -> None:
    """An operation takes a time."""
    with pytest.raises(NotModelled, match="--clock"):
        spm(fitted(clock=None), SPMEN | PGERS, 100)


LAYOUTS = {
    # The program in the boot loader section, its log and the function that it writes in the other one.
    "atmega328p": (0x7000, 0x0400, 0x0800),
    "atmega8": (0x1800, 0x0400, 0x0800),
    # No sections: everything from 0.
    "attiny85": (0x0000, 0x1000, 0x1400),
}


def rewriting(name: str, engine: str) -> Run:
    """Runs the program that writes its log and its own code."""
    text, log, code = LAYOUTS[name]
    firmware = build(
        [PROGRAMS / "rewriting.c"],
        part=name,
        clock="16 MHz",
        defines={"LOG": str(log), "CODE": str(code), **NAMES.get(name, {})},
        flags=[f"-Wl,--section-start=.text={text:#x}"],
    )
    watch = [NAMES.get(name, {}).get(register, register) for register in ("GPIOR0", "GPIOR1", "GPIOR2")]
    return firmware.run(until="cycles:900000", watch=watch, engine=engine)


NAMES = {"atmega8": {"GPIOR0": "PORTB", "GPIOR1": "PORTD", "GPIOR2": "PORTC"}}
"""The ATmega8 has no general purpose I/O registers."""


@BOTH
@pytest.mark.parametrize("name", LAYOUTS)
def test_a_program_writes_its_log_and_its_own_code(name: str, engine: str) -> None:
    """avr-libc's boot.h; what was written is read by LPM, and executed on every engine."""
    run = rewriting(name, engine)
    log, answers, marks = run.watched.values()
    assert [each.value for each in log] == [value for n in range(0, 8, 2) for value in (0x31 ^ n, (0x31 + n) & 0xFF)]
    assert [each.value for each in answers] == [8] * 200 + [9] * 200 + [10] * 200
    times = [each.cycle for each in marks]
    # From the mark to the STS or OUT and SPM, and on where the CPU is halted; elsewhere the wait polls SPMEN.
    halted = name == "attiny85"
    assert (times[1] if halted else times[2]) - times[0] >= OPERATION
    assert (times[1] - times[0] < 40) != halted
    assert OPERATION <= times[4] - times[2] <= OPERATION + 100
    register = "SPMCR" if name == "atmega8" else "SPMCSR"
    told = f"{register}: erasing or writing a page of flash is taken to last 4.5 ms; chips take 3.7 to 4.5 ms"
    assert [str(each).split("warning: ")[1] for each in run.warnings] == [told]


@pytest.mark.parametrize("name", LAYOUTS)
def test_both_engines_agree_on_code_that_changes(name: str) -> None:
    """To the cycle, in every write."""
    one, other = (rewriting(name, engine) for engine in ("reference", "scalar"))
    assert one.watched == other.watched
    assert (one.cycles, one.instructions) == (other.cycles, other.instructions)
