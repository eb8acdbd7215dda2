"""The timer with a crystal of its own against DS40002061A (ATmega48A/PA/88A/PA/168A/PA/328/P), sec. 18.9 and 18.11."""

from itertools import pairwise
from pathlib import Path

import pytest

from cyclerule.errors import NotModelled
from cyclerule.peripherals.pinout import pin_of
from cyclerule.session.firmware import build
from tests.peripherals.fitted import Fitted

PARTS = [
    # Part, timer, TCCRn with the clock select, TIFR, select code of clock/128.
    ("atmega328p", 2, "TCCR2B", "TIFR2", 5),
    ("atmega8", 2, "TCCR2", "TIFR", 5),
    ("atmega128", 0, "TCCR0", "TIFR", 5),
    ("atmega2560", 2, "TCCR2B", "TIFR2", 5),
]


def select(chip: Fitted, n: int, at: int) -> None:
    """Chooses the crystal, then writes the count anew as the procedure of sec. 18.9 says, and waits for it."""
    chip.write("ASSR", chip.bit(f"AS{n}"), at=at)
    chip.write(f"TCNT{n}", 0, at=at + 4)


@pytest.mark.parametrize(("part", "n", "control", "flags", "code"), PARTS)
def test_a_watch_crystal_overflows_once_a_second_at_clock_128(
    part: str, n: int, control: str, flags: str, code: int
) -> None:
    """32,768 Hz / 128 / 256 = 1 Hz; common practice, no source. The flag takes three CPU cycles more: sec. 18.9."""
    hertz = 1_000_000
    chip = Fitted.of(part, clock_hz=hertz)
    select(chip, n, at=10)
    chip.write(control, code, at=20)
    # Edges of the crystal lie at ceil(k * hertz / 32768); control and count are latched at the second one: 62.
    for second in (1, 2, 3):
        due = second * hertz + 3
        assert not chip.is_set(flags, f"TOV{n}", due - 1)
        assert chip.is_set(flags, f"TOV{n}", due)
        chip.write(flags, chip.bit(f"TOV{n}"), at=due + 1)
    assert len(chip.unmodelled()) == 1
    assert "32.768 kHz crystal" in chip.unmodelled()[0]


@pytest.mark.parametrize("hertz", [1_000_000, 8_000_000, 16_000_000, 32_768 * 250])
def test_the_count_follows_the_crystal(hertz: int) -> None:
    """At clock/1 the count is that of the edges passed, of which each lies at k * hertz / 32768."""
    chip = Fitted.of("atmega328p", clock_hz=hertz)
    select(chip, 2, at=10)
    chip.write("TCCR2B", 1, at=20)
    second_edge = -(-2 * hertz // 32_768)
    assert chip.read("TCNT2", second_edge + 1) == 0
    for edge in (3, 4, 10, 100, 255):
        at = -(-edge * hertz // 32_768)
        assert [chip.timer(2).count(cycle) for cycle in (at - 1, at)] == [edge - 3, edge - 2]


def test_a_written_register_is_busy_until_the_second_edge() -> None:
    """Sec. 18.9 and 18.11.8: each has its own temporary register and flag; reading OCR2x gives what was written."""
    chip = Fitted.of("atmega328p", clock_hz=1_000_000)
    select(chip, 2, at=1)
    flags = {"TCNT2": "TCN2UB", "OCR2A": "OCR2AUB", "OCR2B": "OCR2BUB", "TCCR2A": "TCR2AUB", "TCCR2B": "TCR2BUB"}
    # An edge each 30.5 cycles: writes at 40 are latched at the edge at 92, the third.
    chip.pass_to(39)
    chip.pass_to(62)
    for register in flags:
        chip.write(register, 1, at=63)
    busy = sum(chip.bit(flag) for flag in flags.values())
    assert chip.read("ASSR", 64) == busy | chip.bit("AS2")
    assert chip.read("OCR2A", 70) == 1
    assert chip.read("ASSR", 122) == busy | chip.bit("AS2")
    assert chip.read("ASSR", 123) == chip.bit("AS2")
    chip.write("OCR2A", 7, at=130)
    assert chip.read("ASSR", 131) == chip.bit("AS2") | chip.bit("OCR2AUB")
    chip.write("OCR2A", 8, at=132)
    assert chip.unmodelled()[-1].startswith("OCR2A: written while its update was busy")


def test_a_match_is_flagged_three_cycles_after_the_next_tick() -> None:
    """Three processor cycles plus one timer cycle, says sec. 18.9. Cleared within them, it comes all the same."""
    chip = Fitted.of("atmega328p", clock_hz=1_000_000)
    select(chip, 2, at=10)
    chip.write("OCR2A", 5, at=12)
    chip.write("TCCR2B", 1, at=20)
    # The count is 0 from edge 2 on, so it is 5 from edge 7 on and leaves at edge 8: 244.1 rounded up.
    due = 245 + 3
    chip.write("TIFR2", chip.bit("OCF2A"), at=246)
    assert not chip.is_set("TIFR2", "OCF2A", due - 1)
    assert chip.is_set("TIFR2", "OCF2A", due)
    again = -(-(8 + 256) * 1_000_000 // 32_768) + 3
    chip.write("TIFR2", chip.bit("OCF2A"), at=again - 2)
    assert not chip.is_set("TIFR2", "OCF2A", again - 1)
    assert chip.is_set("TIFR2", "OCF2A", again)


def test_without_a_known_clock_nothing_can_be_said() -> None:
    """How many CPU cycles an edge of the crystal takes depends on the CPU's clock."""
    chip = Fitted.of("atmega328p")
    with pytest.raises(NotModelled, match=r"32\.768 kHz crystal, and the clock is not known: give it with --clock"):
        chip.write("ASSR", chip.bit("AS2"), at=10)


def test_a_clock_on_the_oscillator_pin_counts() -> None:
    """EXCLK: sec. 18.11.8. No crystal is needed, nor the CPU's clock."""
    chip = Fitted.of("atmega328p")
    pin = chip.devices.ports.pin(pin_of(chip.chip.part, "TOSC1"))
    assert pin is not None
    chip.write("ASSR", chip.bit("EXCLK"), at=2)
    chip.write("ASSR", chip.bit("EXCLK") | chip.bit("AS2"), at=4)
    chip.write("TCNT2", 0, at=6)
    chip.write("OCR2A", 3, at=8)
    chip.write("TCCR2B", 1, at=10)
    for n in range(8):
        for level in (True, False):
            chip.pass_to(100 * n + (20 if level else 70))
            pin.drive(level, 100 * n + (20 if level else 70))
    # Latched with the second edge, so the third counts the first.
    assert chip.timer(2).count(1000) == 6
    assert chip.is_set("TIFR2", "OCF2A", 1000)
    assert chip.unmodelled() == []


SLEEPER = """
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

/* A beehive monitor that wakes once a second to look at its scale, and sleeps in Power-save between. */

volatile unsigned char seconds;

ISR(TIMER2_OVF_vect) { GPIOR0 = ++seconds; }

int main(void)
{
    ASSR = 1 << AS2;
    TCNT2 = 0;
    TCCR2B = 5;
    while (ASSR & (1 << TCN2UB | 1 << TCR2BUB))
        ;
    TIFR2 = 1 << TOV2;
    TIMSK2 = 1 << TOIE2;
    set_sleep_mode(SLEEP_MODE_PWR_SAVE);
    sei();
    for (;;)
        sleep_mode();
}
"""


@pytest.mark.parametrize("engine", ["reference", "scalar"])
def test_a_watch_crystal_wakes_a_chip_from_power_save_each_second(tmp_path: Path, engine: str) -> None:
    """DS40002061A table 10-1: timer 2 wakes from Power-save when it is asynchronous."""
    source = tmp_path / "sleeper.c"
    source.write_text(SLEEPER, "utf-8")
    firmware = build([source], part="atmega328p", clock="1 MHz")
    run = firmware.run(until="cycles:5500000", watch=["GPIOR0"], engine=engine)
    marks = [each.cycle for each in run.watched["GPIOR0"]]
    assert [each.value for each in run.watched["GPIOR0"]] == [1, 2, 3, 4, 5]
    assert {later - earlier for earlier, later in pairwise(marks)} == {1_000_000}
