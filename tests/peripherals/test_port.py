"""I/O ports against their datasheet: DS40002061A (ATmega48A/…/328/P), sec. 14, unless another is named."""

import pytest

from tests.peripherals.fitted import Fitted


def test_an_output_is_seen_on_its_pin_one_cycle_late() -> None:
    """The synchroniser delays by half to one and a half clocks, so one NOP is needed: sec. 14.2.4."""
    chip = Fitted.of("atmega328p")
    chip.write("DDRB", 0xFF, at=2)
    chip.write("PORTB", 0x20, at=10)
    # OUT ends at 10; IN right after it reads in cycle 10, after a NOP in cycle 11.
    assert chip.read("PINB", 10) == 0x00
    assert chip.read("PINB", 11) == 0x20


def test_outputs_one_after_the_other_are_each_seen_in_turn() -> None:
    """OUT, OUT, OUT, and a read of PIN in the cycle after each sees the one before: sec. 14.2.4."""
    chip = Fitted.of("atmega328p")
    chip.write("DDRB", 0xFF, at=2)
    chip.write("PORTB", 1, at=10)
    chip.write("PORTB", 2, at=11)
    assert chip.read("PINB", 11) == 1
    chip.write("PORTB", 3, at=12)
    assert chip.read("PINB", 12) == 2
    assert chip.read("PINB", 13) == 3


def test_an_input_reads_its_pull_up_or_what_drives_it() -> None:
    """PORT 1 with DDR 0 is a pull-up: table 14-1. A pin that nobody drives reads 0 in this model."""
    chip = Fitted.of("atmega328p")
    chip.write("PORTD", 0x0F, at=2)
    assert chip.read("PIND", 10) == 0x0F
    chip.devices.ports["D"].drive(driven=0x33, levels=0x21, cycle=20)
    assert chip.read("PIND", 30) == 0x2D
    chip.write("DDRD", 0x03, at=40)
    assert chip.read("PIND", 50) == 0x2F


@pytest.mark.parametrize(
    "part", ["atmega48", "atmega328p", "atmega2560", "attiny13", "attiny85", "at90can128", "atmega169p"]
)
def test_writing_one_to_pin_toggles_the_output_from_the_atmega48_on(part: str) -> None:
    """Sec. 14.2.2, "Toggling the pin", and the same in these parts' datasheets."""
    chip = Fitted.of(part)
    chip.write("PORTB", 0x0A, at=2)
    chip.write("PINB", 0x03, at=4)
    assert chip.read("PORTB", 5) == 0x09
    # SBI reaches one bit alone.
    chip.write("PINB", 0x01, at=6, mask=0x01)
    assert chip.read("PORTB", 7) == 0x08


@pytest.mark.parametrize("part", ["atmega8", "atmega16", "atmega128", "at90s8515", "atmega162"])
def test_writing_to_pin_does_nothing_before(part: str) -> None:
    """PIN is read-only there: datasheets of ATmega8 2486 and AT90S8515 0841G, I/O ports."""
    chip = Fitted.of(part)
    chip.write("PORTB", 0x0A, at=2)
    chip.write("PINB", 0x03, at=4)
    assert chip.read("PORTB", 5) == 0x0A


def test_bits_without_a_pin_read_as_zero() -> None:
    """Port C of the ATmega328P has seven pins, register description in sec. 14.4; ports G of the ATmega2560 six."""
    for part, letter, pins in (("atmega328p", "C", 0x7F), ("atmega328p", "B", 0xFF), ("atmega2560", "G", 0x3F)):
        chip = Fitted.of(part)
        for register in (f"PORT{letter}", f"DDR{letter}"):
            chip.write(register, 0xFF, at=2)
            assert chip.read(register, 3) == pins
        assert chip.read(f"PIN{letter}", 10) == pins


def test_a_single_bit_changes_no_other() -> None:
    """SBI and CBI on PORT and DDR: sec. 14.2.1."""
    chip = Fitted.of("atmega328p")
    chip.write("PORTB", 0xA5, at=2)
    chip.write("PORTB", 0x02, at=4, mask=0x02)
    chip.write("PORTB", 0x00, at=6, mask=0x80)
    assert chip.read("PORTB", 7) == 0x27


def test_a_kept_state_has_the_pins_and_their_delay() -> None:
    """A state kept between a write and its arrival on the pin."""
    chip = Fitted.of("atmega328p")
    chip.write("DDRB", 0xFF, at=2)
    chip.write("PORTB", 0x55, at=10)
    saved = chip.chip.save()
    assert [chip.read("PINB", 10), chip.read("PINB", 11)] == [0x00, 0x55]
    chip.write("PORTB", 0xAA, at=20)
    chip.chip.restore(saved)
    assert [chip.read("PINB", 10), chip.read("PINB", 11)] == [0x00, 0x55]
    assert chip.read("PORTB", 12) == 0x55
