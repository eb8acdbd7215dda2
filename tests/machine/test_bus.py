"""The I/O bus: what stands behind an address, the log of writes, and what is told."""

from functools import cache

import pytest

from cyclerule.machine.bus import IoWrite
from cyclerule.machine.chip import Chip
from cyclerule.parts import load_part
from cyclerule.parts.part import Part
from cyclerule.toolchain import find

PORTB, SREG = 0x25, 0x5F


@cache
def part(name: str) -> Part:
    """Gives a part, loaded once."""
    return load_part(name, find())


def test_a_register_without_reader_and_writer_keeps_what_is_written() -> None:
    """As general purpose registers do."""
    chip = Chip(part("atmega328p"), b"")
    chip.bus.attach(PORTB, None, None)
    chip.bus.write(PORTB, 0xA5, 10)
    chip.bus.write(PORTB, 0x02, 12, mask=0x02)
    assert chip.bus.read(PORTB, 13) == 0xA7
    assert chip.bus.unmodelled == {}


def test_what_is_due_happens_before_an_access_in_that_cycle() -> None:
    """A change at cycle t is seen by every access in cycle t or later."""
    chip = Chip(part("atmega328p"), b"")
    chip.bus.attach(PORTB, None, None)

    def change(cycle: int) -> None:
        chip.data[PORTB] += 1

    alarm = chip.events.alarm(change)
    alarm.set(10)
    assert (chip.bus.read(PORTB, 9), chip.bus.read(PORTB, 10)) == (0, 1)
    alarm.set(20)
    chip.bus.write(PORTB, 7, 20)
    assert chip.bus.read(PORTB, 20) == 7


def test_the_log_has_every_write_to_a_device_and_none_to_the_cpu() -> None:
    """SREG, the stack pointer and the page registers are the CPU's; a single bit shows the byte that it leaves."""
    chip = Chip(part("atmega328p"), b"")
    chip.bus.attach(PORTB, None, None)
    chip.bus.log = []
    chip.bus.write(PORTB, 0x11, 10)
    chip.bus.write(PORTB, 0x80, 12, mask=0x80)
    chip.bus.write(SREG, 0x80, 13)
    chip.bus.write(0xC6, 0x41, 14)
    assert chip.bus.log == [IoWrite(10, "PORTB", 0x11), IoWrite(12, "PORTB", 0x91), IoWrite(14, "UDR0", 0x41)]


@pytest.mark.parametrize(("address", "name"), [(0xC6, "UDR0"), (0x84, "TCNT1L"), (0x62, "reserved I/O address 0x62")])
def test_the_first_touch_of_what_is_not_modelled_is_noted(address: int, name: str) -> None:
    """With the instruction that did it and the value; later touches add nothing."""
    chip = Chip(part("atmega328p"), b"")
    bus = chip.bus
    bus.current_flash_word = 0x123
    bus.write(address, 0x41, 10)
    bus.current_flash_word = 0x456
    assert bus.read(address, 20) == 0x41
    (told,) = bus.unmodelled.values()
    assert (told.register, told.flash_word, told.is_write, told.value, told.what) == (name, 0x123, True, 0x41, "")


def test_what_a_modelled_register_lacks_is_noted_once_in_words() -> None:
    """Different lacks of one register stand beside each other."""
    chip = Chip(part("atmega328p"), b"")
    for what in ("input capture", "input capture", "the external clock"):
        chip.bus.report_unmodelled("TCCR1B", what)
    assert [(each.register, each.what) for each in chip.bus.unmodelled.values()] == [
        ("TCCR1B", "input capture"),
        ("TCCR1B", "the external clock"),
    ]


def test_cbi_and_sbi_write_the_whole_register_back_before_the_atmega48() -> None:
    """ATmega161 datasheet 1228B, "I/O memory"; DS40002061A, note to the register summary."""
    for name, written in (("atmega328p", (0x80, 0x80)), ("atmega8", (0x8F, 0xFF))):
        chip = Chip(part(name), b"")
        seen: list[tuple[int, int]] = []

        def take(value: int, mask: int, cycle: int) -> None:
            seen.append((value, mask))  # noqa: B023 - called in this turn alone

        chip.bus.attach(0x36, lambda cycle: 0x0F, take)
        chip.bus.write(0x36, 0x80, 10, mask=0x80)
        assert seen == [written]


def test_the_cpu_keeps_only_the_page_registers_that_the_part_has() -> None:
    """RAMPZ on parts with more than 64 KB of flash, EIND with more than 128 KB; elsewhere their place is told."""
    for name, ramp, extended in (
        ("atmega328p", False, False),
        ("atmega1284p", True, False),
        ("atmega2560", True, True),
    ):
        bus = Chip(part(name), b"").bus
        assert (bus.is_modelled(0x5B), bus.is_modelled(0x5C)) == (ramp, extended)


def test_who_claims_bits_hears_of_each_write_whoever_is_attached() -> None:
    """MCUCR holds bits of several devices; those of nobody are told."""
    chip = Chip(part("atmega328p"), b"")
    heard: list[tuple[int, int]] = []
    assert chip.bus.claim("MCUCR", ["PUD"], lambda value, cycle: heard.append((value, cycle)))
    assert not chip.bus.claim("MCUCR", ["NONE"], lambda value, cycle: None)
    assert not chip.bus.claim("SFIOR", ["PUD"], lambda value, cycle: None)
    address = chip.part.registers["MCUCR"].address
    chip.bus.write(address, 0x10, 10)
    assert chip.bus.unmodelled == {}
    chip.bus.write(address, 0x20, 12, mask=0x20)
    assert chip.bus.read(address, 13) == 0x30
    assert [each.what for each in chip.bus.unmodelled.values()] == ["bit 5"]
    chip.bus.attach(address, None, None)
    chip.bus.write(address, 0x00, 14)
    assert heard == [(0x10, 10), (0x30, 12), (0x00, 14)]
