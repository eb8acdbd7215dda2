"""The converter against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 24, unless another is named."""

from fractions import Fraction

import pytest

from cyclerule.errors import ArgumentError
from cyclerule.peripherals.adc import Adc
from tests.peripherals.fitted import Fitted

ADEN, ADSC, ADATE, ADIF, ADIE = 0x80, 0x40, 0x20, 0x10, 0x08
DIVISORS = {0: 2, 1: 2, 2: 4, 3: 8, 4: 16, 5: 32, 6: 64, 7: 128}


def converter(chip: Fitted) -> Adc:
    """Gives the converter."""
    assert chip.devices.system.adc is not None
    return chip.devices.system.adc


def control(chip: Fitted) -> str:
    """Names the control register."""
    return "ADCSRA" if "ADCSRA" in chip.chip.part.registers else "ADCSR"


def done_at(chip: Fitted, start: int, limit: int = 10_000) -> int:
    """Gives the first cycle from `start` on at which ADIF is set."""
    return next(at for at in range(start, start + limit) if chip.read(control(chip), at) & ADIF)


def result(chip: Fitted, at: int) -> int:
    """Reads ADCL, then ADCH."""
    low = chip.read("ADCL", at)
    return low | chip.read("ADCH", at + 2) << 8


@pytest.mark.parametrize("name", ["atmega328p", "atmega8", "attiny85", "atmega2560"])
@pytest.mark.parametrize("select", DIVISORS)
def test_a_conversion_takes_13_adc_clocks_and_the_first_one_25(name: str, select: int) -> None:
    """Tables 24-1 and 24-5; at clock/128 they are 1,664 and 3,200 CPU cycles."""
    chip, divisor = Fitted.of(name), DIVISORS[select]
    chip.write(control(chip), ADEN | select, 100)
    for clocks, begin in ((25, 100 + divisor), (13, 100 + 50 * divisor), (13, 100 + 80 * divisor)):
        chip.write(control(chip), ADEN | ADSC | ADIF | select, begin)
        assert chip.read(control(chip), begin) == ADEN | ADSC | select
        # A write at an edge of the ADC clock waits for the next one.
        edge = begin + divisor
        assert done_at(chip, begin) == edge + clocks * divisor
        assert chip.read(control(chip), edge + clocks * divisor) == ADEN | ADIF | select


@pytest.mark.parametrize("phase", range(8))
def test_a_conversion_begins_at_the_next_edge_of_the_prescaled_clock(phase: int) -> None:
    """Sec. 24.4: it starts at the following rising edge; the prescaler runs from the moment ADEN is set."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | ADSC | 3, 1000)
    done_at(chip, 1000)
    chip.write("ADCSRA", ADEN | ADSC | ADIF | 3, 2000 + phase)
    assert done_at(chip, 2000 + phase) == 2000 + 8 + 13 * 8


def test_turning_it_off_ends_a_conversion_and_the_next_one_is_a_first_one() -> None:
    """Sec. 24.9.2, ADEN: turning the ADC off while a conversion is in progress terminates it."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | ADSC | 2, 100)
    chip.write("ADCSRA", 2, 120)
    assert not chip.chip.events.is_pending
    chip.write("ADCSRA", ADEN | ADSC | 2, 1000)
    assert done_at(chip, 1000) == 1000 + 4 + 25 * 4


def test_free_running_begins_the_next_conversion_at_once() -> None:
    """Sec. 24.4, figure 24-7: each takes 13 ADC clocks, the first one 25; ADSC stays set."""
    for name, free in (("atmega328p", ADATE), ("atmega8", ADATE)):
        chip = Fitted.of(name)
        chip.write("ADCSRA", ADEN | ADSC | free | 2, 100)
        due = 104 + 100
        for _ in range(5):
            assert done_at(chip, due - 20) == due
            assert chip.read("ADCSRA", due) == ADEN | ADSC | free | ADIF | 2
            chip.write("ADCSRA", ADEN | ADIF | free | 2, due + 5)
            due += 52
        chip.write("ADCSRA", ADEN | ADIF | 2, due - 10)
        assert done_at(chip, due - 9) == due
        assert not chip.chip.events.is_pending


@pytest.mark.parametrize(
    ("volts", "reference", "code"),
    [
        ("0", "5", 0),
        ("5", "5", 1023),
        ("2.5", "5", 512),
        ("1.1", "3.3", 341),
        ("0.0048828125", "5", 1),
        ("9", "5", 1023),
    ],
)
def test_the_result_is_the_voltage_times_1024_over_the_reference(volts: str, reference: str, code: int) -> None:
    """Sec. 24.7: ADC = Vin * 1024 / Vref, 0x3FF is the reference minus one LSB; 5 V / 1024 is one LSB exactly."""
    chip = Fitted.of("atmega328p")
    adc = converter(chip)
    adc.set_input(3, volts)
    adc.set_input("AVCC", reference)
    chip.write("ADMUX", 0x40 | 3, 10)
    chip.write("ADCSRA", ADEN | ADSC | 2, 100)
    at = done_at(chip, 100)
    assert result(chip, at + 2) == code
    chip.write("ADMUX", 0x60 | 3, at + 10)
    assert (chip.read("ADCL", at + 12), chip.read("ADCH", at + 14)) == (code << 6 & 0xFF, code >> 2)
    assert chip.unmodelled() == []


@pytest.mark.parametrize(
    ("name", "mux", "expected"),
    [
        ("atmega328p", 0x40 | 14, 1024 * 11 // 50),
        ("atmega328p", 0x40 | 15, 0),
        ("atmega328p", 0xC0 | 5, 1024 * 5 // 11),
        ("atmega2560", 0x40 | 30, 1024 * 11 // 50),
        ("atmega2560", 0xC0 | 5, 1024 * 50 // 256),
        ("attiny85", 0x00 | 2, 1024 // 10),
        ("atmega8", 0x40 | 15, 0),
    ],
)
def test_internal_voltages_and_references_are_their_typical_ones(name: str, mux: int, expected: int) -> None:
    """Tables 24-3, 24-4: 1.1 V on channel 14, 0 V on 15, REFS 3 is 1.1 V; 2549 table 26-3: 2.56 V; 2586 table 17-3."""
    chip = Fitted.of(name)
    for channel in range(8):
        converter(chip).set_input(channel, "0.5")
    chip.write("ADMUX", mux, 10)
    chip.write(control(chip), ADEN | ADSC | 2, 100)
    at = done_at(chip, 100)
    assert result(chip, at + 2) == expected
    assert all("typical" in text or "AVCC has no voltage" in text for text in chip.unmodelled())


def test_the_upper_channels_are_chosen_by_mux5() -> None:
    """ATmega640/…/2561 2549 table 26-4: 100000 is ADC8, 100111 ADC15; MUX5 is in ADCSRB."""
    chip = Fitted.of("atmega2560")
    converter(chip).set_input("ADC13", "2.5")
    converter(chip).set_input("AVCC", 5)
    chip.write("ADCSRB", chip.bit("MUX5"), 5)
    chip.write("ADMUX", 0x40 | 5, 10)
    chip.write("ADCSRA", ADEN | ADSC | 2, 100)
    assert result(chip, done_at(chip, 100) + 2) == 512
    assert chip.unmodelled() == []


def test_what_has_no_voltage_or_is_a_difference_is_told() -> None:
    """Nothing is guessed: a channel that nobody gave a voltage, and a differential one (2549 table 26-4)."""
    chip = Fitted.of("atmega2560")
    for at, mux in ((100, 0x40), (1000, 0x40 | 9)):
        chip.write("ADMUX", mux, at - 5)
        chip.write("ADCSRA", ADEN | ADSC | ADIF | 2, at)
        assert result(chip, done_at(chip, at) + 2) == 0
    told = chip.unmodelled()
    assert any(text.startswith("ADMUX: ADC0 has no voltage given") for text in told)
    assert any(text.startswith("ADMUX: channel selection 9") for text in told)
    with pytest.raises(ArgumentError, match="no voltage"):
        converter(chip).set_input(0, "warm")


def test_the_input_is_sampled_one_and_a_half_adc_clocks_after_the_start() -> None:
    """Table 24-1: 1.5 after the start of a normal conversion, 13.5 of a first one."""
    for is_first, clocks in ((True, Fraction(27, 2)), (False, Fraction(3, 2))):
        for early in (True, False):
            chip = Fitted.of("atmega328p")
            begin = 1000
            chip.write("ADCSRA", ADEN | 3, begin)
            if not is_first:
                chip.write("ADCSRA", ADEN | ADSC | 3, begin)
                begin = 2000
            sample = int(begin + 8 + clocks * 8)
            converter(chip).set_input(0, 0)
            converter(chip).set_input(0, 5, sample if early else sample + 1)
            chip.write("ADCSRA", ADEN | ADSC | ADIF | 3, begin)
            assert result(chip, done_at(chip, begin) + 2) == (1023 if early else 0)


def test_the_channel_is_locked_when_the_conversion_starts() -> None:
    """Sec. 24.5: MUX is updated until the conversion starts, then held."""
    for late, code in ((7, 1023), (8, 0)):
        chip = Fitted.of("atmega328p")
        converter(chip).set_input(0, 0)
        converter(chip).set_input(1, 5)
        chip.write("ADCSRA", ADEN | ADSC | 3, 100)
        chip.write("ADMUX", 0x41, 100 + late)
        assert result(chip, done_at(chip, 100) + 2) == code


def test_reading_adcl_locks_the_result_until_adch_is_read() -> None:
    """Sec. 24.2: a conversion that completes in between is lost."""
    chip = Fitted.of("atmega328p")
    converter(chip).set_input(0, 0)
    chip.write("ADMUX", 0x40, 10)
    chip.write("ADCSRA", ADEN | ADSC | ADATE | 2, 100)
    first = done_at(chip, 100)
    converter(chip).set_input(0, 5, first)
    assert chip.read("ADCL", first + 10) == 0
    chip.pass_to(first + 300)
    assert chip.read("ADCL", first + 300) == 0
    assert chip.read("ADCH", first + 302) == 0
    chip.pass_to(first + 400)
    assert result(chip, first + 400) == 1023


def test_the_interrupt_is_a_flag_that_entering_or_a_one_clears() -> None:
    """Sec. 24.9.2, ADIF."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | ADSC | ADIE | 2, 100)
    at = done_at(chip, 100)
    assert chip.asks("ADC")
    chip.chip.interrupts.accept(at + 1, 0)
    assert not chip.asks("ADC")
    assert chip.read("ADCSRA", at + 2) == ADEN | ADIE | 2


@pytest.mark.parametrize("is_first", [True, False])
def test_an_auto_trigger_restarts_the_prescaler_and_fixes_the_delay(is_first: bool) -> None:
    """Sec. 24.4: three cycles to synchronise, then 13.5 ADC clocks (table 24-1); the flag need not be enabled."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | 4, 7)
    if not is_first:
        chip.write("ADCSRA", ADEN | ADSC | 4, 9)
        chip.pass_to(2000)
    chip.write("ADCSRB", 6, 3000)
    chip.write("ADCSRA", ADEN | ADATE | ADIF | 4, 3002)
    chip.write("TCNT1", 0xFF00, 3010)
    chip.write("TCCR1B", 1, 3012)
    overflow = next(at for at in range(3012, 5000) if chip.is_set("TIFR1", "TOV1", at))
    clocks = Fraction(25) if is_first else Fraction(27, 2)
    due = int(overflow + 3 + clocks * 16)
    assert chip.read("ADCSRA", overflow + 1) & ADSC
    assert done_at(chip, overflow) == due
    # The flag is still set, so that the next overflow is no rising edge.
    chip.pass_to(due + 70_000)
    assert not chip.read("ADCSRA", due + 70_000) & ADSC
    chip.write("ADCSRA", ADEN | ADATE | ADIF | 4, due + 70_010)
    chip.write("TIFR1", 1, due + 70_020)
    following = next(at for at in range(due + 70_020, due + 140_000, 1) if chip.is_set("TIFR1", "TOV1", at))
    assert done_at(chip, following) == int(following + 3 + Fraction(27, 2) * 16)


@pytest.mark.parametrize(("select", "told"), [(7, 1), (6, 0), (5, 0), (1, 0)])
def test_a_source_that_the_part_lacks_is_told(select: int, told: int) -> None:
    """ADTS of the ATtiny85 has no 7 (2586 table 17-6)."""
    chip = Fitted.of("attiny85")
    chip.write("ADCSRB", select, 5)
    chip.write("ADCSRA", ADEN | ADATE, 10)
    assert len(chip.unmodelled()) == told


def test_it_converts_when_the_chip_falls_asleep_to_reduce_noise() -> None:
    """Sec. 10.5: a conversion starts when the mode is entered; clkADC runs on, and its interrupt wakes."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | ADIE | 2, 100)
    chip.write("SMCR", chip.bit("SE") | chip.bit("SM0"), 102)
    assert chip.chip.enters_sleep is not None
    assert chip.chip.enters_sleep(200)
    assert done_at(chip, 200) == 200 + 4 + 25 * 4
    assert chip.chip.interrupts.wakers >> chip.chip.part.vectors["ADC"] & 1


def test_it_stands_still_with_its_clock() -> None:
    """Table 10-1: clkADC stops in Power-down; PRADC stops it too (sec. 10.11.3)."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | ADSC | 2, 100)
    chip.write("PRR", chip.bit("PRADC"), 150)
    assert not chip.chip.events.is_pending
    chip.write("PRR", 0, 1150)
    assert done_at(chip, 1150) == 1000 + 104 + 100
    chip.write("ADCSRA", ADEN | ADSC | ADIF | 2, 1301)
    assert done_at(chip, 1301) == 1304 + 52


def test_a_kept_state_has_the_conversion_in_progress() -> None:
    """`Chip.save` and `Chip.restore`."""
    chip = Fitted.of("atmega328p")
    chip.write("ADCSRA", ADEN | ADSC | 2, 100)
    kept = chip.chip.save()
    assert done_at(chip, 100) == 204
    chip.chip.restore(kept)
    assert done_at(chip, 100) == 204
