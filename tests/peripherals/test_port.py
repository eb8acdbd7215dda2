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


def heard(chip: Fitted, name: str) -> list[tuple[bool, int]]:
    """Listens to a pin from now on."""
    changes: list[tuple[bool, int]] = []
    chip.pin(name).listen(lambda level, cycle: changes.append((level, cycle)))
    return changes


def test_who_listens_to_a_pin_hears_each_change_once_whoever_drives_it() -> None:
    """An output, a pull-up and the outside: table 14-1; a write that changes nothing on the pin is no change."""
    chip = Fitted.of("atmega328p")
    changes = heard(chip, "PB1")
    chip.write("PORTB", 0x02, at=2)
    chip.write("DDRB", 0x02, at=4)
    chip.write("PORTB", 0x01, at=6)
    chip.write("DDRB", 0x00, at=8)
    chip.pin("PB1").drive(True, 10)
    chip.pin("PB1").drive(None, 12)
    chip.pin("PB0").drive(True, 14)
    assert changes == [(True, 2), (False, 6), (True, 10), (False, 12)]
    assert not chip.pin("PB1").level


def test_a_compare_output_needs_the_direction_bit_and_hides_the_latch() -> None:
    """A compare output serves its pin only with DDB1 set: sec. 14.3.1, OC1A."""
    chip = Fitted.of("atmega328p")
    changes = heard(chip, "PB1")
    chip.pin("PB1").take("OC1A", True, 2)
    assert changes == []
    chip.write("DDRB", 0x02, at=4)
    chip.write("PORTB", 0x00, at=6)
    chip.pin("PB1").take("OC1A", False, 8)
    chip.write("PORTB", 0x02, at=10)
    chip.pin("PB1").release("OC1A", 12)
    assert changes == [(True, 4), (False, 8), (True, 12)]


def test_two_compare_outputs_on_one_pin_modulate_each_other() -> None:
    """Output compare modulator: logical AND with PORTB7 0, OR with 1; ATmega640/…/2561 datasheet 2549."""
    chip = Fitted.of("atmega2560")
    pin = chip.pin("PB7")
    chip.write("DDRB", 0x80, at=2)
    for latch, together in ((0x00, all), (0x80, any)):
        chip.write("PORTB", latch, at=4)
        for one in (False, True):
            for other in (False, True):
                pin.take("OC1C", one, 6)
                pin.take("OC0A", other, 7)
                assert pin.level == together((one, other))
    pin.release("OC0A", 8)
    pin.take("OC1C", False, 9)
    assert not pin.level


def test_a_transmitter_drives_its_pin_as_an_input_too_and_a_receiver_keeps_the_pull_up() -> None:
    """TXD: DDOE = TXEN, DDOV = 1; RXD: DDOE = RXEN, DDOV = 0, PUOV = PORTD0: sec. 14.3.3."""
    chip = Fitted.of("atmega328p")
    transmitted, received = heard(chip, "PD1"), heard(chip, "PD0")
    chip.pin("PD1").take("TXD0", True, 2, forces_output=True)
    chip.write("DDRD", 0x01, at=4)
    chip.pin("PD0").force_input("RXD0", 6)
    chip.write("PORTD", 0x01, at=8)
    chip.pin("PD0").drive(False, 10)
    chip.pin("PD0").release("RXD0", 12)
    assert transmitted == [(True, 2)]
    assert received == [(True, 8), (False, 10), (True, 12)]


def test_a_kept_state_has_what_devices_do_to_pins() -> None:
    """A pin taken, one forced to input and one driven from outside, and none of it, back and forth."""
    chip = Fitted.of("atmega328p")
    fresh = chip.chip.save()
    chip.write("DDRB", 0x06, at=2)
    chip.pin("PB1").take("OC1A", True, 3)
    chip.pin("PB2").force_input("SS", 4)
    chip.pin("PB2").drive(True, 5)
    saved = chip.chip.save()
    chip.chip.restore(fresh)
    assert chip.read("PINB", 10) == 0
    chip.chip.restore(saved)
    assert chip.read("PINB", 10) == 0x06
    chip.write("PORTB", 0x00, at=11)
    assert chip.read("PINB", 13) == 0x06


def test_a_reset_makes_inputs_of_all_pins_at_once_and_leaves_what_drives_them() -> None:
    """Ports are set back immediately when a reset source is active, without a clock: sec. 11.1."""
    chip = Fitted.of("atmega328p")
    chip.chip.clock_hz = 16_000_000
    chip.write("DDRB", 0x02, at=2)
    chip.write("PORTB", 0x06, at=4)
    chip.pin("PB0").drive(True, 5)
    output, driven, pulled_up = heard(chip, "PB1"), heard(chip, "PB0"), heard(chip, "PB2")
    chip.chip.request_reset("EXTRF", 100)
    chip.chip.reset()
    assert (output, driven, pulled_up) == ([(False, 100)], [], [(False, 100)])
    assert chip.read("PINB", chip.chip.cycle + 2) == 0x01


def test_a_part_has_the_pins_of_its_header() -> None:
    """ATtiny85: six pins on port B; ATmega328P: port C without PC7."""
    assert Fitted.of("attiny85").devices.ports.pin("PB6") is None
    ports = Fitted.of("atmega328p").devices.ports
    assert {ports.pin(name) for name in ("PC7", "PA0", "OC1A", None)} == {None}
    assert [port.letter for port in ports.values()] == ["B", "C", "D"]


@pytest.mark.parametrize(
    ("part", "register", "bit"),
    [
        ("atmega328p", "MCUCR", "PUD"),
        ("attiny85", "MCUCR", "PUD"),
        ("attiny2313", "MCUCR", "PUD"),
        ("atmega16", "SFIOR", "PUD"),
        ("atmega128", "SFIOR", "PUD"),
        ("attiny15", "MCUCR", "PUD"),
        ("attiny167", "PORTCR", "PUDB"),
    ],
)
def test_pull_ups_are_disabled_by_their_bit_and_drivers_are_not(part: str, register: str, bit: str) -> None:
    """The pull-up disable bit counts whatever PORT says: sec. 14.4.1, and these parts' register descriptions."""
    chip = Fitted.of(part)
    chip.write("PORTB", 0x0F, at=2)
    chip.write("DDRB", 0x01, at=4)
    changes = heard(chip, "PB1")
    chip.write(register, chip.bit(bit), at=10)
    assert [chip.read("PINB", 10), chip.read("PINB", 11)] == [0x0F, 0x01]
    chip.pin("PB2").drive(True, 12)
    assert chip.read("PINB", 20) == 0x05
    chip.write(register, 0, at=30)
    assert chip.read("PINB", 40) == 0x0F
    assert changes == [(False, 10), (True, 30)]
    assert chip.unmodelled() == []


def test_pull_ups_have_a_register_of_their_own_on_later_tiny_parts() -> None:
    """ATtiny441/841 datasheet 8495, "Configuring the Pin": PUEx, and PORTx does not pull up."""
    chip = Fitted.of("attiny841")
    chip.write("PORTA", 0x03, at=2)
    chip.write("PUEA", 0x06, at=4)
    assert (chip.read("PINA", 10), chip.read("PUEA", 10)) == (0x06, 0x06)


def test_break_before_make_is_told() -> None:
    """BBMA in PORTCR of the ATtiny88 does nothing in the model."""
    chip = Fitted.of("attiny88")
    chip.write("PORTCR", chip.bit("BBMA") | chip.bit("PUDA"), at=2)
    assert chip.unmodelled() == [f"PORTCR: bit {chip.chip.part.bits['BBMA']}"]


@pytest.mark.parametrize(
    ("part", "register", "bit", "pin"),
    [
        ("atmega328p", "DIDR0", "ADC3D", "PC3"),
        ("atmega328p", "DIDR1", "AIN0D", "PD6"),
        ("attiny85", "DIDR0", "ADC2D", "PB4"),
        ("attiny85", "DIDR0", "AIN1D", "PB1"),
        ("attiny84a", "DIDR0", "ADC7D", "PA7"),
        ("attiny861", "DIDR1", "ADC9D", "PB6"),
        ("attiny2313", "DIDR", "AIN0D", "PB0"),
        ("atmega2560", "DIDR2", "ADC12D", "PK4"),
        ("atmega2560", "DIDR1", "AIN1D", "PE3"),
        ("atmega32u4", "DIDR2", "ADC11D", "PB4"),
        ("attiny841", "DIDR1", "ADC9D", "PB3"),
    ],
)
def test_a_disabled_input_reads_as_zero(part: str, register: str, bit: str, pin: str) -> None:
    """Sec. 24.9.5 and 23.3.3; the places of the bits are those of the compiler's headers."""
    chip = Fitted.of(part)
    place = 1 << int(pin[2])
    chip.pin(pin).drive(True, 2)
    assert chip.read(f"PIN{pin[1]}", 10) == place
    chip.write(register, chip.bit(bit), at=12)
    assert chip.read(f"PIN{pin[1]}", 20) == 0
    saved = chip.chip.save()
    chip.write(register, 0, at=22)
    assert chip.read(f"PIN{pin[1]}", 30) == place
    chip.chip.restore(saved)
    assert chip.read(f"PIN{pin[1]}", 30) == 0
    assert chip.unmodelled() == []
