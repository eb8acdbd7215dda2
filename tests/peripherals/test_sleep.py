"""Sleep control against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 10, unless another is named."""

import pytest

from cyclerule.errors import NotModelled
from tests.peripherals.fitted import Fitted

PARTS = [
    ("atmega328p", "SMCR"),
    ("atmega8", "MCUCR"),
    ("at90s8515", "MCUCR"),
    ("attiny2313", "MCUCR"),
    ("atmega162", "MCUCR"),
]


def enters(chip: Fitted) -> bool:
    """Tells whether SLEEP would sleep."""
    assert chip.chip.enters_sleep is not None
    return chip.chip.enters_sleep()


@pytest.mark.parametrize(("part", "register"), PARTS)
def test_sleep_needs_its_enable_bit(part: str, register: str) -> None:
    """SE must be 1 for SLEEP to sleep: sec. 10.11.1; with the mode bits zero it is Idle."""
    chip = Fitted.of(part)
    assert not enters(chip)
    chip.write(register, chip.bit("SE"), at=2)
    assert enters(chip)
    assert chip.unmodelled() == []


@pytest.mark.parametrize(
    ("part", "register", "bit"),
    [
        ("atmega328p", "SMCR", "SM1"),
        ("atmega328p", "SMCR", "SM0"),
        ("at90s8515", "MCUCR", "SM"),
        ("atmega162", "EMCUCR", "SM0"),
        ("atmega162", "MCUCR", "SM1"),
        ("atmega162", "MCUCSR", "SM2"),
    ],
)
def test_a_mode_other_than_idle_is_refused(part: str, register: str, bit: str) -> None:
    """Table 10-2; the ATmega162 has its three mode bits in three registers: its datasheet 2513, "Sleep modes"."""
    chip = Fitted.of(part)
    chip.write("SMCR" if register == "SMCR" else "MCUCR", chip.bit("SE"), at=2)
    before = chip.read(register, 3)
    chip.write(register, before | chip.bit(bit), at=4)
    with pytest.raises(NotModelled, match="Idle"):
        enters(chip)


@pytest.mark.parametrize(("part", "bit"), [("atmega8515", "SRE"), ("atmega162", "SRW10"), ("atmega128", "IVSEL")])
def test_bits_for_other_devices_in_the_same_register_are_told(part: str, bit: str) -> None:
    """MCUCR is shared before SMCR: the datasheets of these parts, MCUCR."""
    chip = Fitted.of(part)
    chip.write("MCUCR", chip.bit("SE") | chip.bit(bit), at=2)
    assert chip.unmodelled() == [f"MCUCR: bit {bit}"]
    assert chip.read("MCUCR", 3) == chip.bit("SE") | chip.bit(bit)
