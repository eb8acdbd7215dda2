"""The 16-bit timer against its datasheet, register by register.

DS40002061A is the datasheet of ATmega48A/PA/88A/PA/168A/PA/328/P; sec. 16 the 16-bit timer, sec. 17 the prescaler.
"""

from typing import NamedTuple

import pytest

from cyclerule.errors import NotModelled
from tests.peripherals.fitted import Fitted

CLOCKS = [(1, 1), (2, 8), (3, 64), (4, 256), (5, 1024)]
"""Clock select CSn2:0 and its divisor: DS40002061A sec. 16.11, TCCR1B."""


class Kind(NamedTuple):
    """A timer of a part: its number, the registers with its enable bits and flags, and what vectors call it."""

    part: str
    n: int
    mask: str
    flags: str
    device: str

    def __str__(self) -> str:
        return f"{self.part} timer {self.n}"


# A part of each kind: TIMSK1 and TIFR1; one TIMSK for all; the first generation; four 16-bit timers; ETIMSK.
TIMERS = [
    Kind("atmega328p", 1, "TIMSK1", "TIFR1", "TIMER1"),
    Kind("atmega8", 1, "TIMSK", "TIFR", "TIMER1"),
    Kind("at90s8515", 1, "TIMSK", "TIFR", "TIMER1"),
    Kind("attiny2313", 1, "TIMSK", "TIFR", "TIMER1"),
    Kind("atmega2560", 1, "TIMSK1", "TIFR1", "TIMER1"),
    Kind("atmega2560", 3, "TIMSK3", "TIFR3", "TIMER3"),
    Kind("atmega2560", 4, "TIMSK4", "TIFR4", "TIMER4"),
    Kind("atmega2560", 5, "TIMSK5", "TIFR5", "TIMER5"),
    Kind("atmega32u4", 3, "TIMSK3", "TIFR3", "TIMER3"),
    Kind("atmega128", 1, "TIMSK", "TIFR", "TIMER1"),
    Kind("atmega128", 3, "ETIMSK", "ETIFR", "TIMER3"),
    Kind("attiny84", 1, "TIMSK1", "TIFR1", "TIM1"),
]
EACH_TIMER = pytest.mark.parametrize("kind", TIMERS, ids=str)
EACH_CLOCK = pytest.mark.parametrize(("select", "divisor"), CLOCKS, ids=str)


@EACH_CLOCK
@EACH_TIMER
def test_it_counts_one_each_divisor(kind: Kind, select: int, divisor: int) -> None:
    """DS40002061A sec. 16.11 and 17: taps of the 10-bit prescaler, which runs from reset."""
    chip, n = Fitted.of(kind.part), kind.n
    chip.write(f"TCCR{n}B", select, at=0)
    for cycle in (1, divisor - 1, divisor, 2 * divisor - 1, 2 * divisor, 5 * divisor + 3):
        assert chip.timer(n).count(cycle) == cycle // divisor
    assert chip.unmodelled() == []


@EACH_CLOCK
@EACH_TIMER
def test_overflow_is_flagged_in_the_clock_in_which_the_count_becomes_zero(
    kind: Kind, select: int, divisor: int
) -> None:
    """TOV is set in the timer clock in which TCNT becomes zero: DS40002061A sec. 16.9.1; and again each 65,536."""
    chip, n = Fitted.of(kind.part), kind.n
    chip.write(f"TCCR{n}B", select, at=0)
    wraps = 65_536 * divisor
    assert not chip.is_set(kind.flags, f"TOV{n}", wraps - 1)
    assert chip.timer(n).count(wraps - 1) == 0xFFFF
    assert chip.is_set(kind.flags, f"TOV{n}", wraps)
    assert chip.timer(n).count(wraps) == 0
    chip.write(kind.flags, chip.bit(f"TOV{n}"), at=wraps + 1)
    assert not chip.is_set(kind.flags, f"TOV{n}", 2 * wraps - 1)
    assert chip.is_set(kind.flags, f"TOV{n}", 2 * wraps)


@EACH_TIMER
def test_an_enabled_overflow_asks_for_its_vector_until_it_is_entered(kind: Kind) -> None:
    """The flag is cleared when the handler is entered: DS40002061A sec. 7.7, and sec. 16.11, TOV1."""
    chip, n = Fitted.of(kind.part), kind.n
    chip.write(f"TCCR{n}B", 1, at=0)
    chip.pass_to(65_536)
    assert chip.chip.interrupts.requests == 0
    chip.write(kind.mask, chip.bit(f"TOIE{n}"), at=65_540)
    vector = f"{kind.device}_OVF"
    assert chip.asks(vector)
    assert chip.chip.interrupts.accept(65_541, chip.chip.stack_pointer) == chip.chip.part.vectors[vector]
    assert not chip.asks(vector)
    assert not chip.is_set(kind.flags, f"TOV{n}", 65_542)
    assert chip.unmodelled() == []


@pytest.mark.parametrize("value", [0, 1, 5, 0x1234, 0xFFFF])
@EACH_CLOCK
def test_a_match_is_flagged_one_timer_clock_after_the_count_came_there(select: int, divisor: int, value: int) -> None:
    """DS40002061A figures 16-10 and 16-11: OCF is set when TCNT goes on from OCR; and again each 65,536 clocks."""
    for channel in "AB":
        chip = Fitted.of("atmega328p")
        # Zero is the count from the start, so its match is the next tick's.
        chip.write(f"OCR1{channel}", value, at=10)
        other = "B" if channel == "A" else "A"
        chip.write("TCCR1B", select, at=1024)
        first = 1024 + divisor * (value + 1)
        for due in (first, first + 65_536 * divisor):
            assert not chip.is_set("TIFR1", f"OCF1{channel}", due - 1)
            assert chip.timer().count(due - 1) == value
            assert chip.is_set("TIFR1", f"OCF1{channel}", due)
            assert chip.timer().count(due) == (value + 1) % 65_536
            chip.write("TIFR1", chip.bit(f"OCF1{channel}"), at=due)
        assert chip.is_set("TIFR1", f"OCF1{other}", first + 65_536 * divisor)


@pytest.mark.parametrize("top", [0, 1, 99, 249, 0xFFFF])
@EACH_CLOCK
@pytest.mark.parametrize("mode", ["OCR1A", "ICR1"])
def test_clear_on_compare_has_a_period_of_one_more_than_top(select: int, divisor: int, top: int, mode: str) -> None:
    """A toggled pin has clock / (2 N (1 + OCR1A)): DS40002061A sec. 16.9.2; the flag comes at the clear."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", chip.bit("WGM12") | (chip.bit("WGM13") if mode == "ICR1" else 0), at=10)
    chip.write(mode, top, at=20)
    chip.write("TCCR1B", chip.read("TCCR1B", 21) | select, at=1024)
    flag = "OCF1A" if mode == "OCR1A" else "ICF1"
    period = divisor * (top + 1)
    for number in (1, 2, 3):
        due = 1024 + number * period
        assert not chip.is_set("TIFR1", flag, due - 1)
        assert chip.timer().count(due - 1) == top
        assert chip.is_set("TIFR1", flag, due)
        assert chip.timer().count(due) == 0
        chip.write("TIFR1", chip.bit(flag), at=due)
        assert chip.is_set("TIFR1", "TOV1", due) == (top == 0xFFFF)
    assert chip.unmodelled() == []


def test_a_top_written_below_the_count_is_missed_once() -> None:
    """The counter then runs to MAX and wraps first: DS40002061A sec. 16.9.2."""
    chip = Fitted.of("atmega328p")
    chip.write("OCR1A", 1000, at=10)
    chip.write("TCCR1B", chip.bit("WGM12") | 1, at=100)
    chip.write("OCR1A", 50, at=600)
    chip.write("OCR1B", 300, at=610)
    chip.write("TIFR1", chip.bit("OCF1B"), at=620)
    assert chip.timer().count(600) == 500
    wraps = 100 + 65_536
    assert not chip.is_set("TIFR1", "TOV1", wraps - 1)
    assert not chip.is_set("TIFR1", "OCF1A", wraps - 1)
    assert chip.is_set("TIFR1", "TOV1", wraps)
    assert not chip.is_set("TIFR1", "OCF1A", wraps + 50)
    assert chip.is_set("TIFR1", "OCF1A", wraps + 51)
    assert chip.timer().count(wraps + 51) == 0
    # Between TOP and where the count was when it was beyond: never reached again.
    assert not chip.is_set("TIFR1", "OCF1B", wraps + 1000)


def test_a_match_beyond_top_never_comes() -> None:
    """The count does not get there: DS40002061A sec. 16.9.2."""
    chip = Fitted.of("atmega328p")
    chip.write("OCR1A", 100, at=10)
    chip.write("OCR1B", 101, at=20)
    chip.write("TCCR1B", chip.bit("WGM12") | 1, at=30)
    assert not chip.is_set("TIFR1", "OCF1B", 200_000)
    assert chip.is_set("TIFR1", "OCF1A", 200_000)


@EACH_CLOCK
def test_a_write_to_the_count_blocks_the_match_of_that_value(select: int, divisor: int) -> None:
    """DS40002061A sec. 16.7.2: no match at the next timer clock, even when the timer is stopped; next after a turn."""
    for stopped in (True, False):
        chip = Fitted.of("atmega328p")
        chip.write("OCR1B", 500, at=10)
        if stopped:
            chip.write("TCNT1", 500, at=1024)
            chip.write("TCCR1B", select, at=1024)
        else:
            chip.write("TCCR1B", select, at=1000)
            chip.write("TCNT1", 500, at=1024)
        assert not chip.is_set("TIFR1", "OCF1B", 1024 + 65_536 * divisor)
        assert chip.is_set("TIFR1", "OCF1B", 1024 + 65_537 * divisor)


def test_a_count_written_one_below_a_match_reaches_it() -> None:
    """Only the next timer clock is blocked: DS40002061A sec. 16.7.2."""
    chip = Fitted.of("atmega328p")
    chip.write("OCR1B", 500, at=10)
    chip.write("TCCR1B", 1, at=100)
    chip.write("TCNT1", 499, at=200)
    assert not chip.is_set("TIFR1", "OCF1B", 201)
    assert chip.is_set("TIFR1", "OCF1B", 202)


def test_a_count_written_as_top_goes_on_to_max() -> None:
    """The match for TOP is ignored and the counter goes on to 0xFFFF: DS40002061A sec. 16.7.3."""
    chip = Fitted.of("atmega328p")
    chip.write("OCR1A", 500, at=10)
    chip.write("TCCR1B", chip.bit("WGM12") | 1, at=100)
    chip.write("TCNT1", 500, at=200)
    assert chip.timer().count(201) == 501
    assert chip.is_set("TIFR1", "TOV1", 200 + 65_536 - 500)
    assert chip.timer().count(200 + 65_536 - 500) == 0


@pytest.mark.parametrize("part", ["atmega328p", "atmega8", "atmega2560"])
def test_sixteen_bits_go_through_temp(part: str) -> None:
    """DS40002061A sec. 16.3: high byte first to write, low byte first to read; OCR is read without TEMP."""
    chip = Fitted.of(part)
    chip.write("TCNT1H", 0x12, at=2)
    assert chip.timer().count(3) == 0
    chip.write("TCNT1L", 0x34, at=4)
    assert chip.timer().count(5) == 0x1234
    chip.write("OCR1AH", 0x56, at=6)
    chip.write("OCR1AL", 0x78, at=8)
    assert (chip.read("OCR1AL", 9), chip.read("OCR1AH", 9)) == (0x78, 0x56)
    # Reading OCR leaves TEMP, reading TCNT sets it, and any register's high byte then is what it holds.
    chip.read("TCNT1L", 10)
    assert chip.read("TCNT1H", 11) == 0x12
    chip.write("OCR1BH", 0x9A, at=12)
    chip.write("OCR1AL", 0x00, at=14)
    assert (chip.read("OCR1AL", 15), chip.read("OCR1AH", 15)) == (0x00, 0x9A)
    assert (chip.read("OCR1BL", 16), chip.read("OCR1BH", 16)) == (0x00, 0x00)


def test_the_high_byte_read_is_that_of_the_low_bytes_clock() -> None:
    """DS40002061A sec. 16.3: both bytes are of one moment, however late the second is read."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 1, at=0)
    assert chip.read("TCNT1L", 0x1FF) == 0xFF
    assert chip.read("TCNT1H", 0x305) == 0x01


def test_each_timer_has_a_temp_of_its_own() -> None:
    """ATmega640/1280/1281/2560/2561 datasheet, "Accessing 16-bit registers": one TEMP for each 16-bit timer."""
    chip = Fitted.of("atmega2560")
    for n, high in ((1, 0x11), (3, 0x33), (4, 0x44), (5, 0x55)):
        chip.write(f"TCNT{n}H", high, at=2)
    for n, high in ((1, 0x11), (3, 0x33), (4, 0x44), (5, 0x55)):
        chip.write(f"TCNT{n}L", 0, at=4)
        assert chip.timer(n).count(5) == high << 8


def test_the_clocks_of_a_start_and_a_stop_are_counted() -> None:
    """No source, deduced: a clock select counts from the cycle after its write up to that of the next one."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 1, at=100)
    chip.write("TCCR1B", 0, at=102)
    assert chip.read("TCNT1", 200) == 2
    chip.write("TCCR1B", 2, at=300)
    chip.write("TCCR1B", 0, at=332)
    assert chip.read("TCNT1", 400) == 2 + 4


def test_a_compare_register_takes_effect_at_once() -> None:
    """In normal and CTC mode OCR is not buffered: DS40002061A sec. 16.11, table of modes."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 1, at=0)
    chip.write("OCR1B", 2000, at=1000)
    chip.write("OCR1B", 1500, at=1400)
    assert chip.is_set("TIFR1", "OCF1B", 1501)


def test_a_flag_is_cleared_by_writing_one_and_kept_by_writing_zero() -> None:
    """DS40002061A sec. 16.11, TIFR1."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 1, at=0)
    chip.pass_to(70_000)
    assert chip.read("TIFR1", 70_001) == chip.bit("TOV1") | chip.bit("OCF1A") | chip.bit("OCF1B")
    chip.write("TIFR1", chip.bit("OCF1A"), at=70_002)
    assert chip.read("TIFR1", 70_003) == chip.bit("TOV1") | chip.bit("OCF1B")


def test_a_single_bit_instruction_clears_one_flag_or_all_by_generation() -> None:
    """SBI reaches one bit on the ATmega48 and later; before, it writes the whole register back.

    DS40002061A, note to the register summary; ATmega161 datasheet 1228B, "I/O memory".
    """
    for part, flags, keeps in (("atmega328p", "TIFR1", True), ("atmega128", "ETIFR", False)):
        chip = Fitted.of(part)
        n = 1 if keeps else 3
        chip.write(f"TCCR{n}B", 1, at=0)
        chip.pass_to(70_000)
        chip.write(flags, chip.bit(f"OCF{n}A"), at=70_002, mask=chip.bit(f"OCF{n}A"))
        assert not chip.is_set(flags, f"OCF{n}A", 70_003)
        assert chip.is_set(flags, f"TOV{n}", 70_003) is keeps


# What is not modelled.


@pytest.mark.parametrize("bit", ["TOIE1", "OCIE1"])
def test_enabling_an_interrupt_of_another_timer_in_the_same_register_is_told(bit: str) -> None:
    """One TIMSK for both timers, of which the fast one is not modelled: ATtiny15 datasheet 1187, TIMSK."""
    chip = Fitted.of("attiny15")
    chip.write("TIMSK", chip.bit("TOIE0"), at=2)
    assert chip.unmodelled() == []
    chip.write("TIMSK", chip.bit("TOIE0") | chip.bit(bit), at=4)
    assert chip.unmodelled() == [f"TIMSK: the interrupt that {bit} enables"]
    assert chip.read("TIMSK", 5) == chip.bit("TOIE0") | chip.bit(bit)


def test_a_reserved_waveform_mode_is_told_and_its_count_refused() -> None:
    """WGM13:0 = 13, DS40002061A table 16-4."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1A", 1, at=2)
    assert chip.unmodelled() == []
    chip.write("TCCR1B", 0x1B, at=4)
    assert chip.unmodelled() == ["TCCR1B: the reserved waveform mode 13 of the timer"]
    with pytest.raises(NotModelled, match="waveform mode 13"):
        chip.read("TCNT1", 100)


def test_a_count_left_over_from_a_mode_that_is_not_modelled_is_told_when_it_is_used() -> None:
    """A program that writes TCNT1 before does not use it; one that reads it or waits for its flags does."""
    for uses in (True, False):
        chip = Fitted.of("atmega328p")
        chip.write("TCCR1A", 1, at=2)
        chip.write("TCCR1B", 0x1B, at=4)
        chip.write("TCCR1B", 0, at=1000)
        chip.write("TCCR1A", 0, at=1002)
        if not uses:
            chip.write("TCNT1", 0, at=1010)
        chip.write("TCCR1B", 1, at=1020)
        chip.pass_to(200_000)
        left = ["TCCR1B: the count left over from another waveform mode or clock"] if uses else []
        assert chip.unmodelled() == ["TCCR1B: the reserved waveform mode 13 of the timer", *left]


# The first generation.


def test_the_first_generation_is_read_from_its_own_bits() -> None:
    """CTC1 clears at OCR1A; at clock/1 the count goes C - 1, C, 0, 1: AT90S8515 datasheet 0841G, TCCR1B."""
    chip = Fitted.of("at90s8515")
    chip.write("OCR1A", 99, at=10)
    chip.write("TCCR1B", chip.bit("CTC1") | 1, at=100)
    assert [chip.timer().count(100 + n) for n in (98, 99, 100, 101)] == [98, 99, 0, 1]
    assert chip.unmodelled() == []


def test_the_first_generations_prescaled_clear_is_told() -> None:
    """There it clears one CPU cycle after the match: AT90S8515 datasheet 0841G, TCCR1B, bit CTC1."""
    chip = Fitted.of("at90s8515")
    chip.write("TCCR1B", chip.bit("CTC1") | 2, at=100)
    assert chip.unmodelled() == ["TCCR1B: waveform mode 4 of the timer with a prescaled clock"]


# Keeping a state.


@EACH_CLOCK
def test_a_kept_state_goes_on_as_it_would_have(select: int, divisor: int) -> None:
    """A restored timer counts, matches and asks as the first one."""
    chip = Fitted.of("atmega328p")
    chip.write("OCR1A", 700, at=10)
    chip.write("TIMSK1", chip.bit("OCIE1A"), at=12)
    chip.write("TCCR1B", chip.bit("WGM12") | select, at=100)
    chip.write("TCNT1", 123, at=200)
    saved = chip.chip.save()

    def course() -> list[tuple[int, int]]:
        return [(chip.read("TCNT1", at), chip.read("TIFR1", at)) for at in range(300, 3000 * divisor, 97 * divisor)]

    first = course()
    chip.write("OCR1A", 5, at=5000 * divisor)
    chip.write("TCCR1B", 0, at=5002 * divisor)
    chip.chip.restore(saved)
    assert course() == first
