"""Pin-change interrupts: DS40002061A (ATmega48A/…/328/P) sec. 13 unless another datasheet is named.

The clocks from pin to flag are those that pin_change.py takes without proof.
"""

from typing import NamedTuple

import pytest

from cyclerule.peripherals.pin_change import CHANGE_DELAY
from tests.peripherals.fitted import Fitted


class Variant(NamedTuple):
    """A pin change of a part: vector, mask register, one of its bits, the pin, enable and flag with their registers."""

    part: str
    vector: str
    mask: str
    bit: str
    pin: str
    control: str
    enable: str
    flags: str
    flag: str


VARIANTS = [
    Variant("atmega328p", "PCINT0", "PCMSK0", "PCINT5", "PB5", "PCICR", "PCIE0", "PCIFR", "PCIF0"),
    Variant("atmega328p", "PCINT1", "PCMSK1", "PCINT14", "PC6", "PCICR", "PCIE1", "PCIFR", "PCIF1"),
    Variant("atmega328p", "PCINT2", "PCMSK2", "PCINT23", "PD7", "PCICR", "PCIE2", "PCIFR", "PCIF2"),
    Variant("attiny85", "PCINT0", "PCMSK", "PCINT3", "PB3", "GIMSK", "PCIE", "GIFR", "PCIF"),
    Variant("attiny13", "PCINT0", "PCMSK", "PCINT1", "PB1", "GIMSK", "PCIE", "GIFR", "PCIF"),
    Variant("attiny84a", "PCINT1", "PCMSK1", "PCINT10", "PB2", "GIMSK", "PCIE1", "GIFR", "PCIF1"),
    Variant("attiny2313", "PCINT", "PCMSK", "PCINT7", "PB7", "GIMSK", "PCIE", "EIFR", "PCIF"),
    Variant("attiny2313a", "PCINT_D", "PCMSK2", "PCINT12", "PD1", "GIMSK", "PCIE2", "GIFR", "PCIF2"),
    Variant("attiny4313", "PCINT_A", "PCMSK1", "PCINT9", "PA1", "GIMSK", "PCIE1", "GIFR", "PCIF1"),
    Variant("attiny88", "PCINT3", "PCMSK3", "PCINT25", "PA1", "PCICR", "PCIE3", "PCIFR", "PCIF3"),
    Variant("atmega162", "PCINT1", "PCMSK1", "PCINT9", "PC1", "GICR", "PCIE1", "GIFR", "PCIF1"),
    Variant("atmega169p", "PCINT0", "PCMSK0", "PCINT6", "PE6", "EIMSK", "PCIE0", "EIFR", "PCIF0"),
    Variant("atmega1284p", "PCINT3", "PCMSK3", "PCINT31", "PD7", "PCICR", "PCIE3", "PCIFR", "PCIF3"),
    Variant("atmega2560", "PCINT1", "PCMSK1", "PCINT8", "PE0", "PCICR", "PCIE1", "PCIFR", "PCIF1"),
    Variant("atmega2560", "PCINT2", "PCMSK2", "PCINT16", "PK0", "PCICR", "PCIE2", "PCIFR", "PCIF2"),
    Variant("atmega32u2", "PCINT1", "PCMSK1", "PCINT12", "PD5", "PCICR", "PCIE1", "PCIFR", "PCIF1"),
]


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda variant: f"{variant.part}-{variant.bit}")
def test_any_change_of_a_chosen_pin_sets_the_flag_and_asks_where_enabled(variant: Variant) -> None:
    """Both edges, from outside and by the program; a 1 or the handler clears the flag: sec. 13.2.4, 13.2.5."""
    part, vector, mask, bit, pin, control, enable, flags, flag = variant
    chip = Fitted.of(part)
    chip.pin(pin).drive(True, 1)
    chip.pin(pin).drive(False, 2)
    chip.pass_to(10)
    assert not chip.is_set(flags, flag, 10)
    chip.write(mask, chip.bit(bit), at=12)
    assert chip.read(mask, 13) == chip.bit(bit)
    for cycle, level in ((20, True), (40, False)):
        chip.pin(pin).drive(level, cycle)
        assert not chip.is_set(flags, flag, cycle + CHANGE_DELAY - 1)
        assert chip.is_set(flags, flag, cycle + CHANGE_DELAY)
        assert not chip.asks(vector)
        chip.write(flags, chip.bit(flag), at=cycle + 10)
        assert not chip.is_set(flags, flag, cycle + 11)
    chip.write(control, chip.bit(enable), at=60)
    letter, position = pin[1], int(pin[2])
    chip.pin(pin).drive(None, 61)
    chip.write(f"DDR{letter}", 1 << position, at=70)
    chip.write(f"PORT{letter}", 1 << position, at=72)
    chip.pass_to(72 + CHANGE_DELAY)
    assert chip.asks(vector)
    chip.chip.interrupts.accept(80, 0)
    assert not chip.asks(vector)
    chip.write(mask, 0, at=82)
    chip.write(f"PORT{letter}", 0, at=84)
    chip.pass_to(100)
    assert not chip.is_set(flags, flag, 100)
    assert chip.unmodelled() == []


def test_a_change_and_back_again_is_seen_where_a_clock_falls_between() -> None:
    """The synchroniser takes the pin's level once a clock: figure 13-1."""
    chip = Fitted.of("atmega328p")
    chip.write("PCMSK0", 0x01, at=2)
    chip.pin("PB0").drive(True, 10)
    chip.pin("PB0").drive(False, 10)
    chip.pass_to(20)
    assert not chip.is_set("PCIFR", "PCIF0", 20)
    chip.pin("PB0").drive(True, 30)
    chip.pin("PB0").drive(False, 31)
    chip.pass_to(40)
    assert chip.is_set("PCIFR", "PCIF0", 40)


def test_changes_of_pins_not_chosen_are_not_seen() -> None:
    """Each bit of PCMSK0 is one pin: sec. 13.2.8."""
    chip = Fitted.of("atmega328p")
    chip.write("PCMSK0", 0xFE, at=2)
    chip.write("PCICR", 0x07, at=3)
    chip.pin("PB0").drive(True, 10)
    chip.pin("PC0").drive(True, 12)
    chip.pass_to(30)
    assert chip.chip.interrupts.requests == 0


def test_all_pins_of_port_b_count_on_parts_without_a_mask() -> None:
    """ATtiny12 datasheet 1006, "Pin Change Interrupt": any change on any input or I/O pin."""
    chip = Fitted.of("attiny12")
    chip.write("GIMSK", chip.bit("PCIE"), at=2)
    chip.pin("PB3").drive(True, 10)
    chip.pass_to(20)
    assert chip.asks("IO_PINS")
    assert chip.unmodelled() == []


def test_a_pin_change_that_is_not_modelled_is_told_when_it_is_enabled() -> None:
    """ATtiny26: functions of the pins mask changes; ATmega2561: PCINT9 is on a port that it has not."""
    chip = Fitted.of("attiny26")
    chip.write("GIMSK", chip.bit("PCIE1"), at=2)
    assert chip.unmodelled() == ["GIMSK: the interrupt that PCIE1 enables"]
    chip = Fitted.of("atmega2561")
    chip.write("PCMSK1", 0x03, at=2)
    assert chip.unmodelled() == ["PCMSK1: bit 1"]


@pytest.mark.parametrize(
    ("pin", "mask", "bit", "gate"), [("PA0", 0, 0, "PCIE1"), ("PB1", 1, 1, "PCIE0"), ("PB7", 1, 7, "PCIE1")]
)
def test_two_enable_bits_let_pins_through_to_one_interrupt(pin: str, mask: int, bit: int, gate: str) -> None:
    """PCIE0 for PCINT11 to 8, PCIE1 for the others: ATtiny261/461/861 datasheet 2588F, GIMSK; from memory."""
    chip = Fitted.of("attiny861")
    other = "PCIE0" if gate == "PCIE1" else "PCIE1"
    chip.write(f"PCMSK{mask}", 1 << bit, at=2)
    chip.write("GIMSK", chip.bit(other), at=4)
    chip.pin(pin).drive(True, 10)
    assert not chip.is_set("GIFR", "PCIF", 20)
    chip.write("GIMSK", chip.bit(gate), at=22)
    chip.pin(pin).drive(False, 30)
    chip.pass_to(30 + CHANGE_DELAY)
    assert chip.asks("PCINT")
    chip.chip.interrupts.accept(40, 0)
    assert not chip.asks("PCINT")
    chip.pin(pin).drive(True, 50)
    chip.pass_to(60)
    chip.write("GIMSK", 0, at=61)
    assert not chip.asks("PCINT")
    assert chip.unmodelled() == []


def test_a_kept_state_has_the_chosen_pins() -> None:
    """A mask set after the state was kept is forgotten, one set before is not."""
    chip = Fitted.of("atmega328p")
    fresh = chip.chip.save()
    chip.write("PCMSK2", 0x10, at=2)
    chip.write("PCICR", 0x04, at=3)
    saved = chip.chip.save()
    chip.chip.restore(fresh)
    chip.pin("PD4").drive(True, 10)
    chip.pass_to(20)
    assert not chip.is_set("PCIFR", "PCIF2", 20)
    chip.chip.restore(saved)
    chip.pin("PD4").drive(True, 10)
    chip.pass_to(20)
    assert chip.asks("PCINT2")
