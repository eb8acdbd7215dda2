"""A chip's state: what it is at reset, and what it refuses to be."""

from functools import cache

import pytest

from cyclerule.errors import FirmwareError
from cyclerule.isa.operations import C, I, T
from cyclerule.machine.chip import SPH, SPL, SREG, Chip
from cyclerule.parts import load_part
from cyclerule.parts.part import Part
from cyclerule.toolchain import find


@cache
def part(name: str) -> Part:
    """Gives a part, loaded once."""
    return load_part(name, find())


@pytest.mark.parametrize(("name", "top"), [("atmega328p", 0x08FF), ("atmega48", 0x02FF), ("atmega2560", 0x21FF)])
def test_the_stack_starts_at_the_end_of_ram(name: str, top: int) -> None:
    """SP is RAMEND at reset: DS40002011A sec. 11.5.1; the figures are RAMEND in avr-libc 2.0.0's headers."""
    chip = Chip(part(name), b"")
    assert chip.stack_pointer == top
    assert chip.bus.read(SPL, 0) | chip.bus.read(SPH, 0) << 8 == top


def test_erased_flash_reads_as_ones() -> None:
    """What the program does not fill is 0xFF, and it has to fit."""
    chip = Chip(part("atmega48"), b"\x0c\x94")
    assert (chip.word(0), chip.word(1)) == (0x940C, 0xFFFF)
    with pytest.raises(FirmwareError, match="flash byte 4097, but atmega48 has 4096"):
        Chip(part("atmega48"), bytes(4097))


def test_the_status_register_is_its_eight_flags() -> None:
    """I T H S V N Z C from bit 7 down: DS40002198 sec. 2."""
    chip = Chip(part("atmega328p"), b"")
    chip.bus.write(SREG, 0xC1, 1)
    assert [n for n in range(8) if chip.flags[n]] == [C, T, I]
    assert chip.bus.read(SREG, 2) == 0xC1
    assert chip.interrupt_shadow


def test_a_small_part_has_a_stack_pointer_of_one_byte() -> None:
    """AT90S2313 datasheet, "Stack Pointer": no SPH with at most 256 bytes of data space."""
    chip = Chip(part("attiny2313"), b"")
    assert chip.stack_pointer_mask == 0xFF
    assert not chip.bus.is_modelled(SPH)
    chip.bus.write(SPL, 0x80, 1)
    assert chip.stack_pointer == 0x80


def test_the_lowest_stack_pointer_is_that_of_whole_values() -> None:
    """High byte, then low byte, as compilers write it: the value in between is no depth that the program meant."""
    chip = Chip(part("atmega328p"), b"")
    chip.set_stack_pointer(0x0712)
    chip.bus.write(SPH, 0x06, 1)
    assert chip.lowest_stack_pointer == 0x0712
    chip.bus.write(SPL, 0xF0, 2)
    assert (chip.stack_pointer, chip.lowest_stack_pointer) == (0x06F0, 0x06F0)


def test_a_kept_state_is_set_again_whole() -> None:
    """Memory, flags, counters, sleep, shadow, events and requests; the lowest stack pointer starts anew."""
    chip = Chip(part("atmega328p"), b"")
    alarm = chip.events.alarm(lambda cycle: None)
    alarm.set(77)
    chip.data[0x123], chip.flags[C], chip.program_counter, chip.cycle = 9, 1, 0x55, 1000
    chip.is_asleep = chip.interrupt_shadow = True
    chip.set_stack_pointer(0x0400)
    chip.interrupts.set_request(5, True)
    kept = chip.save()
    alarm.clear()
    chip.data[0x123], chip.flags[C], chip.program_counter, chip.cycle = 0, 0, 0, 0
    chip.is_asleep = chip.interrupt_shadow = False
    chip.set_stack_pointer(0x0200)
    chip.interrupts.set_request(5, False)
    chip.restore(kept)
    assert chip.save() == kept
    assert (alarm.due, chip.data[0x123], chip.is_asleep, chip.interrupts.requests) == (77, 9, True, 1 << 5)
    assert chip.lowest_stack_pointer == 0x0400


def test_ram_below_the_stack_s_floor_is_not_for_the_stack() -> None:
    """Without data of a program the floor is where RAM begins: a push below it would reach I/O registers."""
    chip = Chip(part("atmega328p"), b"")
    assert chip.stack_floor == chip.ram_start - 1
