"""The analog comparator against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 23, unless another is named."""

import pytest

from cyclerule.peripherals.comparator import Comparator
from tests.peripherals.fitted import Fitted

ACD, ACBG, ACO, ACI, ACIE, ACIC = 0x80, 0x40, 0x20, 0x10, 0x08, 0x04


def comparator(chip: Fitted) -> Comparator:
    """Gives the comparator."""
    assert chip.devices.system.comparator is not None
    return chip.devices.system.comparator


def cross(chip: Fitted, first: int) -> None:
    """Has AIN0 rise above AIN1 at a cycle, and fall below it 100 cycles later."""
    inputs = chip.devices.system.inputs
    inputs.set_input("AIN1", "1.5", 1)
    chip.pass_to(first)
    inputs.set_input("AIN0", "1.6", first)
    chip.pass_to(first + 100)
    inputs.set_input("AIN0", "1.4", first + 100)


def test_the_output_is_set_while_the_positive_input_is_higher() -> None:
    """Sec. 23.1, and 23.2 for one or two cycles of synchronisation, taken as two."""
    chip = Fitted.of("atmega328p")
    chip.devices.system.inputs.set_input("AIN0", 1, 0)
    cross(chip, 1000)
    assert [bool(chip.read("ACSR", at) & ACO) for at in (1101, 1102)] == [True, False]
    changes: list[tuple[bool, int]] = []
    chip = Fitted.of("atmega328p")
    comparator(chip).on_output(lambda level, cycle: changes.append((level, cycle)))
    cross(chip, 1000)
    chip.pass_to(2000)
    assert changes == [(True, 1002), (False, 1102)]


@pytest.mark.parametrize(("mode", "cycles"), [(0, [1002, 1102]), (2, [1102]), (3, [1002])])
def test_the_interrupt_comes_on_the_edges_that_are_chosen(mode: int, cycles: list[int]) -> None:
    """Table 23-2: toggle, falling and rising edge; entering the handler clears ACI."""
    chip = Fitted.of("atmega328p")
    inputs = chip.devices.system.inputs
    inputs.set_input("AIN0", 0)
    inputs.set_input("AIN1", "1.5")
    chip.write("ACSR", ACIE | mode, 10)
    asked = []
    for at, volts in ((1000, "1.6"), (1100, "1.4")):
        inputs.set_input("AIN0", volts, at)
        for cycle in range(at, at + 10):
            chip.pass_to(cycle)
            if chip.asks("ANALOG_COMP"):
                asked.append(cycle)
                chip.chip.interrupts.accept(cycle, 0)
    assert asked == cycles
    assert chip.unmodelled() == []


def test_the_bandgap_takes_the_place_of_the_positive_input() -> None:
    """Sec. 23.3.2, ACBG; 1.1 V typical."""
    chip = Fitted.of("atmega328p")
    chip.devices.system.inputs.set_input("AIN1", "1.0")
    chip.write("ACSR", ACBG, 10)
    assert chip.read("ACSR", 12) & ACO
    chip.devices.system.inputs.set_input("AIN1", "1.2", 20)
    assert not chip.read("ACSR", 22) & ACO


def test_a_channel_of_the_converter_takes_the_place_of_the_negative_input() -> None:
    """Table 23-1: ACME set and ADEN clear; MUX2:0 choose."""
    chip = Fitted.of("atmega328p")
    inputs = chip.devices.system.inputs
    for name, volts in (("AIN0", 2), ("AIN1", 1), ("ADC5", 3)):
        inputs.set_input(name, volts)
    chip.write("ACSR", 0, 5)
    assert chip.read("ACSR", 8) & ACO
    chip.write("ADMUX", 5, 10)
    chip.write("ADCSRB", chip.bit("ACME"), 20)
    assert not chip.read("ACSR", 22) & ACO
    chip.write("ADCSRA", 0x80, 30)
    assert chip.read("ACSR", 32) & ACO
    assert chip.unmodelled() == []


def test_an_unknown_voltage_is_told_when_it_matters() -> None:
    """Nothing is guessed."""
    chip = Fitted.of("atmega328p")
    chip.write("ACSR", ACD, 2)
    assert chip.unmodelled() == []
    chip.write("ACSR", 0, 4)
    assert not chip.read("ACSR", 5) & ACO
    assert len(chip.unmodelled()) == 1


def test_its_flag_triggers_conversions() -> None:
    """Table 24-6: ADTS 1 is the comparator."""
    chip = Fitted.of("atmega328p")
    inputs = chip.devices.system.inputs
    inputs.set_input("AIN0", 0)
    inputs.set_input("AIN1", 1)
    chip.write("ACSR", 3, 5)
    chip.write("ADCSRB", 1, 8)
    chip.write("ADCSRA", 0x80 | 0x20 | 2, 10)
    inputs.set_input("AIN0", 2, 1000)
    chip.pass_to(1002)
    assert chip.read("ADCSRA", 1002) & 0x40
    assert not chip.read("ADCSRA", 1004 + 100) & 0x10
    assert chip.read("ADCSRA", 1005 + 100) & 0x10
