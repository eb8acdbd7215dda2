"""Timer 1 of ATtiny25/45/85 and ATtiny26 against their datasheets: 2586Q sec. 12, and 1477, "Timer/Counter1"."""

import pytest

from cyclerule.errors import NotModelled
from tests.peripherals.fitted import Fitted

PARTS = [("attiny85", "TCCR1", "TIFR"), ("attiny26", "TCCR1B", "TIFR")]
EACH_PART = pytest.mark.parametrize(("part", "control", "flags"), PARTS)
STARTED = "starts timer 1, whose periods are exact"


@pytest.mark.parametrize("select", range(1, 16))
@EACH_PART
def test_it_counts_each_power_of_two_up_to_16384_clocks(part: str, control: str, flags: str, select: int) -> None:
    """CS13:0 = n is CK / 2 to the n - 1: 2586Q table 12-5; overflow from 0xFF to 0: TOV1."""
    divisor = 1 << select - 1
    chip = Fitted.of(part)
    chip.write(control, select, at=0)
    for cycle in (divisor - 1, divisor, 5 * divisor + divisor // 2, 255 * divisor):
        assert chip.timer().count(cycle) == cycle // divisor
    assert not chip.is_set(flags, "TOV1", 256 * divisor - 1)
    assert chip.is_set(flags, "TOV1", 256 * divisor)
    (told,) = chip.unmodelled()
    assert STARTED in told


@pytest.mark.parametrize("top", [0, 1, 99, 255])
@EACH_PART
def test_clear_on_compare_has_ocr1c_as_top_and_sets_no_overflow_below_255(
    part: str, control: str, flags: str, top: int
) -> None:
    """CTC1: "reset … after a compare match with OCR1C", 2586Q sec. 12.3.1; TOV1 only from 0xFF to 0 then."""
    chip = Fitted.of(part)
    chip.write("OCR1C", top, at=1)
    chip.write("OCR1A", top, at=2)
    # Clock/8.
    chip.write(control, chip.bit("CTC1") | 4, at=8)
    for turn in (1, 2, 3):
        due = 8 + 8 * (top + 1) * turn
        assert not chip.is_set(flags, "OCF1A", due - 1)
        assert chip.timer().count(due - 1) == top
        assert chip.is_set(flags, "OCF1A", due)
        assert chip.timer().count(due) == 0
        chip.write(flags, chip.bit("OCF1A"), at=due)
        assert chip.is_set(flags, "TOV1", due) == (top == 255)


def test_pwm_has_the_frequency_of_the_table_and_takes_new_values_at_top() -> None:
    """F = clock / (OCR1C + 1): 2586Q sec. 12.2.2; OCR1A is latched when the counter reaches OCR1C; TOV1 there too."""
    chip = Fitted.of("attiny85")
    pin = chip.pin("PB1")
    changes: list[tuple[bool, int]] = []
    pin.listen(lambda level, cycle: changes.append((level, cycle)))
    chip.write("DDRB", 2, at=1)
    chip.write("OCR1C", 199, at=2)
    chip.write("OCR1A", 49, at=3)
    chip.write("TCCR1", chip.bit("PWM1A") | chip.bit("COM1A1") | 1, at=200)
    chip.pass_to(500)
    # The buffer was taken at once, before the channel was a PWM output.
    assert changes == [(True, 400), (False, 450)]
    chip.write("OCR1A", 99, at=500)
    assert chip.read("OCR1A", 501) == 99
    changes.clear()
    chip.pass_to(1000)
    assert changes == [(True, 600), (False, 700), (True, 800), (False, 900), (True, 1000)]
    assert chip.is_set("TIFR", "TOV1", 1000)


def test_channel_b_of_the_attiny85_is_set_up_in_gtccr() -> None:
    """PWM1B, COM1B1:0 and FOC1B: 2586Q sec. 12.3.2; the strobes read as zero."""
    chip = Fitted.of("attiny85")
    chip.write("DDRB", 0x10, at=1)
    chip.write("GTCCR", chip.bit("COM1B0"), at=2)
    levels = []
    for at in (10, 20, 30):
        chip.write("GTCCR", chip.bit("COM1B0") | chip.bit("FOC1B"), at=at)
        levels.append(chip.pin("PB4").level)
        assert chip.read("GTCCR", at + 1) == chip.bit("COM1B0")
    assert levels == [True, False, True]
    chip.write("OCR1C", 99, at=40)
    chip.write("OCR1B", 24, at=41)
    chip.write("GTCCR", chip.bit("PWM1B") | chip.bit("COM1B1"), at=42)
    changes: list[tuple[bool, int]] = []
    chip.pin("PB4").listen(lambda level, cycle: changes.append((level, cycle)))
    chip.write("TCCR1", 1, at=100)
    chip.pass_to(400)
    assert changes == [(False, 125), (True, 200), (False, 225), (True, 300), (False, 325), (True, 400)]


def test_what_the_model_lacks_is_told_by_name() -> None:
    """The PLL's clock, the inverted outputs and their dead time: 2586Q sec. 12.2 and 13."""
    chip = Fitted.of("attiny85")
    chip.write("TCCR1", chip.bit("PWM1A") | chip.bit("COM1A0"), at=2)
    assert chip.unmodelled() == ["TCCR1: the inverted output of OC1A, with its dead time,"]
    chip.write("DTPS1", 1, at=4)
    assert "DTPS1" in chip.unmodelled()
    chip.write("PLLCSR", chip.bit("PLLE"), at=6)
    assert chip.read("PLLCSR", 7) & chip.bit("PLOCK")
    chip.write("PLLCSR", chip.bit("PLLE") | chip.bit("PCKE"), at=8)
    assert "PLLCSR: the clock of the PLL (PCKE) for timer 1" in chip.unmodelled()
    chip.write("TCCR1", 1, at=10)
    with pytest.raises(NotModelled, match="TCNT1 is read, but the clock of the PLL"):
        chip.read("TCNT1", 100)


def test_a_kept_state_goes_on_as_it_would_have() -> None:
    """TOP, mode and phase are part of it."""
    chip = Fitted.of("attiny85")
    chip.write("OCR1C", 77, at=1)
    chip.write("TCCR1", chip.bit("CTC1") | 3, at=2)
    chip.pass_to(100)
    saved = chip.chip.save()

    def course() -> list[int]:
        return [chip.read("TCNT1", at) for at in range(200, 2000, 37)]

    first = course()
    chip.write("OCR1C", 5, at=2000)
    chip.chip.restore(saved)
    assert course() == first
