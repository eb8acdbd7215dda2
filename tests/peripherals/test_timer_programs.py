"""Timers as programs use them, built with the compiler and run on both engines."""

from itertools import pairwise
from pathlib import Path

import pytest

from cyclerule.session.firmware import Firmware, build

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])

METHOD = """
#include <avr/io.h>
#include <stdint.h>
#define BEGIN TCCR0A = 0; TCCR0B = 1; TCNT0 = 0
uint8_t empty_block(void) { BEGIN; return TCNT0; }
uint8_t port_bit(void) { BEGIN; PORTB |= 1; return TCNT0; }
uint8_t last_before_round(void) { BEGIN; __builtin_avr_delay_cycles(255); return TCNT0; }
uint8_t round_once(void) { BEGIN; __builtin_avr_delay_cycles(256); return TCNT0; }
uint8_t has_overflowed(void) { BEGIN; TIFR0 = 1; __builtin_avr_delay_cycles(255); return TIFR0 & 1; }
uint16_t ticks(uint8_t select) {
    TCCR1A = 0; TCCR1B = 0; TCNT1 = 0; GTCCR = 1; TCCR1B = select;
    __builtin_avr_delay_cycles(10240);
    return TCNT1;
}
"""


@pytest.fixture(scope="module")
def method(tmp_path_factory: pytest.TempPathFactory) -> Firmware:
    """The timer method's programs on timer 0 of the ATmega328P."""
    source = tmp_path_factory.mktemp("method") / "method.c"
    source.write_text(METHOD, "utf-8")
    return build([source], part="atmega328p", clock="16 MHz")


@BOTH
@pytest.mark.parametrize(
    ("function", "count"),
    [("empty_block", 0), ("port_bit", 2), ("last_before_round", 255), ("round_once", 0)],
)
def test_the_8_bit_timer_reads_the_cycles_of_the_block_and_wraps_after_255(
    method: Firmware, engine: str, function: str, count: int
) -> None:
    """Common practice, no source, for the wrap; deduced that OUT and IN, of one cycle each, add nothing."""
    assert method.call(function, engine=engine).returned == count


@BOTH
def test_the_overflow_is_flagged_at_the_wrap(method: Firmware, engine: str) -> None:
    """TCNT0 becomes zero with the 256th clock, the last before IN reads the flag: DS40002061A figure 15-8."""
    assert method.call("has_overflowed", engine=engine).returned == 1


@BOTH
@pytest.mark.parametrize(("select", "divisor"), [(1, 1), (2, 8), (3, 64), (4, 256), (5, 1024)])
def test_prescalers_divide_by_8_64_256_and_1024(method: Firmware, engine: str, select: int, divisor: int) -> None:
    """Common practice; DS40002061A table 16-5. Reset by PSRSYNC just before, so that whole ticks are counted."""
    found = method.call("ticks", select, engine=engine).returned
    assert isinstance(found, int)
    assert found // (10240 // divisor) == 1
    assert abs(found - 10240 // divisor) <= max(12 // divisor, 0)


@BOTH
def test_a_microsecond_clock_on_timer_0_moves_in_steps_of_4(engine: str) -> None:
    """16 MHz / 64 is 250 kHz: common practice, no source. Each call comes some microseconds after the one before."""
    firmware = build([PROGRAMS / "hive_clock.c"], part="atmega328p", clock="16 MHz", defines={"COUNT": "300"})
    run = firmware.run(until="cycles:200000", watch=["GPIOR0", "GPIOR1"], engine=engine)
    assert run.watched["GPIOR1"], "the program did not come to its end"
    steps = [each.value for each in run.watched["GPIOR0"]]
    assert len(steps) == 299
    assert set(steps) <= {0, 4, 8, 12}
    assert 4 in steps
    assert run.warnings == []


POLLED = """
#include <avr/io.h>
#include <stdint.h>
uint16_t rounds(uint16_t many) {
    TCCR0A = 0; TCCR0B = 0; TCNT0 = 0; TIFR0 = 7; TCCR1B = 0; TCNT1 = 0; OCR0B = 100;
    TCCR1A = 0; GTCCR = 1 << TSM | 1 << PSRSYNC; TCCR0B = 1; TCCR1B = 3; GTCCR = 0;
    while (many) {
        if (TIFR0 & 1 << TOV0) { TIFR0 = 1 << TOV0; many--; }
        if (TIFR0 & 1 << OCF0B) { TIFR0 = 1 << OCF0B; GPIOR0++; }
    }
    return TCNT1;
}
"""


@BOTH
def test_a_flag_that_is_polled_is_seen_each_time(tmp_path: Path, engine: str) -> None:
    """500 rounds of 256 cycles are 2,000 ticks of timer 1 at clock/64, both started together by TSM."""
    source = tmp_path / "polled.c"
    source.write_text(POLLED, "utf-8")
    firmware = build([source], part="atmega328p", clock="16 MHz")
    assert firmware.call("rounds", 500, engine=engine).returned == 2000


PULSES = """
#include <avr/interrupt.h>
#include <avr/io.h>

/* The status LED breathes at 490 Hz, phase correct at clock/64; the load cell is clocked at 38 kHz, fast to ICR1. */

ISR(TIMER1_CAPT_vect) { GPIOR0 = TCNT1L; }

int main(void)
{
    DDRB = 1 << DDB1;
    DDRD = 1 << DDD6;
    ICR1 = 0;
    TCCR1A = 1 << COM1A1 | 1 << WGM11;
    TCCR1B = 1 << WGM13 | 1 << WGM12;
    ICR1 = 420;
    OCR1A = 210;
    TIMSK1 = 1 << ICIE1;
    OCR0A = 64;
    TCCR0A = 1 << COM0A1 | 1 << WGM00;
    TCCR0B = 3;
    TCCR1B |= 1;
    sei();
    for (;;)
        GPIOR1 = PINB;
}
"""


@BOTH
def test_a_carrier_with_icr_as_top_interrupts_each_period_and_shows_on_its_pin(tmp_path: Path, engine: str) -> None:
    """421 clocks of 16 MHz are 38.0 kHz; high for 211 of them: DS40002061A sec. 16.9.3."""
    source = tmp_path / "pulses.c"
    source.write_text(PULSES, "utf-8")
    firmware = build([source], part="atmega328p", clock="16 MHz")
    run = firmware.run(until="cycles:200000", watch=["GPIOR0", "GPIOR1"], engine=engine)
    assert run.handlers["TIMER1_CAPT"].count == pytest.approx(200_000 / 421, abs=2)
    highs = [bool(each.value & 2) for each in run.watched["GPIOR1"]]
    assert sum(highs) / len(highs) == pytest.approx(211 / 421, abs=0.05)
    # From entry to entry a period, up to the length of an instruction.
    marks = [each.cycle for each in run.watched["GPIOR0"]]
    assert all(abs(later - earlier - 421) <= 2 for earlier, later in pairwise(marks))
