"""The 8-bit timers against their datasheet's tables and worked formulae, register by register.

DS40002061A is the datasheet of ATmega48A/PA/88A/PA/168A/PA/328/P; sec. 15 timer 0, sec. 18 timer 2.
"""

from typing import NamedTuple

import pytest

from cyclerule.errors import NotModelled
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Pin
from tests.peripherals.fitted import Fitted

SHARED = [(1, 1), (2, 8), (3, 64), (4, 256), (5, 1024)]
"""Clock select CSn2:0 and its divisor: DS40002061A table 15-9."""

OWN = [(1, 1), (2, 8), (3, 32), (4, 64), (5, 128), (6, 256), (7, 1024)]
"""Of timer 2: table 18-9."""


class Kind(NamedTuple):
    """A timer of a part, with the register of its clock select, its flags and mask, and its overflow's vector."""

    part: str
    n: int
    control: str
    flags: str
    mask: str
    vector: str
    clocks: list[tuple[int, int]]

    def __str__(self) -> str:
        return f"{self.part} timer {self.n}"


TIMERS = [
    Kind("atmega328p", 0, "TCCR0B", "TIFR0", "TIMSK0", "TIMER0_OVF", SHARED),
    Kind("atmega328p", 2, "TCCR2B", "TIFR2", "TIMSK2", "TIMER2_OVF", OWN),
    Kind("atmega2560", 0, "TCCR0B", "TIFR0", "TIMSK0", "TIMER0_OVF", SHARED),
    Kind("atmega32u4", 0, "TCCR0B", "TIFR0", "TIMSK0", "TIMER0_OVF", SHARED),
    Kind("atmega169", 0, "TCCR0A", "TIFR0", "TIMSK0", "TIMER0_OVF", SHARED),
    Kind("atmega8", 0, "TCCR0", "TIFR", "TIMSK", "TIMER0_OVF", SHARED),
    Kind("atmega8", 2, "TCCR2", "TIFR", "TIMSK", "TIMER2_OVF", OWN),
    Kind("atmega32", 0, "TCCR0", "TIFR", "TIMSK", "TIMER0_OVF", SHARED),
    Kind("atmega128", 0, "TCCR0", "TIFR", "TIMSK", "TIMER0_OVF", OWN),
    Kind("atmega128", 2, "TCCR2", "TIFR", "TIMSK", "TIMER2_OVF", SHARED),
    Kind("at90s8515", 0, "TCCR0", "TIFR", "TIMSK", "TIMER0_OVF", SHARED),
    Kind("at90s1200", 0, "TCCR0", "TIFR", "TIMSK", "TIMER0_OVF", SHARED),
    Kind("attiny13", 0, "TCCR0B", "TIFR0", "TIMSK0", "TIM0_OVF", SHARED),
    Kind("attiny85", 0, "TCCR0B", "TIFR", "TIMSK", "TIMER0_OVF", SHARED),
    Kind("attiny84", 0, "TCCR0B", "TIFR0", "TIMSK0", "TIM0_OVF", SHARED),
    Kind("attiny2313", 0, "TCCR0B", "TIFR", "TIMSK", "TIMER0_OVF", SHARED),
    Kind("attiny88", 0, "TCCR0A", "TIFR0", "TIMSK0", "TIMER0_OVF", SHARED),
]
EACH_TIMER = pytest.mark.parametrize("kind", TIMERS, ids=str)


@EACH_TIMER
def test_it_wraps_after_255_at_every_clock_and_flags_it(kind: Kind) -> None:
    """TOV is set with the tick from MAX to BOTTOM: figures 15-8 and 15-9; entering the handler clears it: sec. 7.7."""
    for select, divisor in kind.clocks:
        chip, n = Fitted.of(kind.part), kind.n
        chip.write(kind.control, select, at=0)
        chip.write(kind.mask, chip.bit(f"TOIE{n}"), at=1)
        for turn in (1, 2, 3):
            wraps = 256 * divisor * turn
            assert chip.read(f"TCNT{n}", wraps - 1) == 255
            assert not chip.asks(kind.vector)
            assert chip.read(f"TCNT{n}", wraps) == 0
            assert chip.is_set(kind.flags, f"TOV{n}", wraps)
            assert chip.chip.interrupts.accept(wraps, 0) == chip.chip.part.vectors[kind.vector]
            assert not chip.is_set(kind.flags, f"TOV{n}", wraps)
        assert chip.unmodelled() == []


def output(chip: Fitted, name: str) -> tuple[Pin, list[tuple[bool, int]]]:
    """Makes a compare output's pin an output, and notes its changes."""
    pin = chip.devices.ports.pin(pin_of(chip.chip.part, name))
    assert pin is not None
    chip.write(f"DDR{pin.letter}", 1 << pin.bit, at=0)
    changes: list[tuple[bool, int]] = []
    pin.listen(lambda level, cycle: changes.append((level, cycle)))
    return pin, changes


@pytest.mark.parametrize(("select", "divisor"), SHARED)
@pytest.mark.parametrize("top", [0, 1, 77, 255])
def test_a_toggled_output_in_clear_on_compare_has_the_frequency_of_the_formula(
    select: int, divisor: int, top: int
) -> None:
    """F = clock / (2 N (1 + OCR0A)): sec. 15.7.2. So the pin changes each N (1 + OCR0A) clocks."""
    chip = Fitted.of("atmega328p")
    _, changes = output(chip, "OC0A")
    chip.write("OCR0A", top, at=1)
    chip.write("TCCR0A", chip.bit("COM0A0") | chip.bit("WGM01"), at=2)
    chip.write("TCCR0B", select, at=1024)
    period = divisor * (1 + top)
    chip.pass_to(1024 + 4 * period)
    assert [cycle for _, cycle in changes] == [1024 + n * period for n in (1, 2, 3, 4)]
    assert [level for level, _ in changes] == [True, False, True, False]


@pytest.mark.parametrize(("select", "divisor"), OWN)
def test_fast_pwm_has_the_frequency_and_duty_of_the_formula(select: int, divisor: int) -> None:
    """F = clock / (N 256): sec. 18.7.3; high from BOTTOM to the match, OCR2A + 1 of 256 timer clocks."""
    chip = Fitted.of("atmega328p")
    _, changes = output(chip, "OC2A")
    # A watch on the frequency of 976.5625 Hz of 16 MHz at clock/64, common practice.
    chip.write("OCR2A", 63, at=1)
    chip.write("TCCR2A", chip.bit("COM2A1") | chip.bit("WGM21") | chip.bit("WGM20"), at=2)
    chip.write("TCCR2B", select, at=1024)
    chip.pass_to(1024 + 4 * 256 * divisor)
    rises = [cycle for level, cycle in changes if level]
    falls = [cycle for level, cycle in changes if not level]
    assert rises == [1024 + n * 256 * divisor for n in (1, 2, 3, 4)]
    assert falls == [rise + 64 * divisor for rise in rises[:-1]]


@pytest.mark.parametrize(("select", "divisor"), SHARED)
def test_phase_correct_pwm_has_the_frequency_and_symmetry_of_the_formula(select: int, divisor: int) -> None:
    """F = clock / (N 510): sec. 15.7.4; with OCR0B = 100 low for 2 (255 - 100) timer clocks around TOP."""
    chip = Fitted.of("atmega328p")
    _, changes = output(chip, "OC0B")
    chip.write("OCR0B", 100, at=1)
    chip.write("TCCR0A", chip.bit("COM0B1") | chip.bit("WGM00"), at=2)
    # Beginning just before TOP, at which the buffer is taken.
    chip.write("TCNT0", 254, at=3)
    chip.write("TCCR0B", select, at=1024)
    chip.pass_to(1024 + 3 * 510 * divisor)
    rises = [cycle for level, cycle in changes if level]
    falls = [cycle for level, cycle in changes if not level]
    # TOP one tick after the start, then the way down to 100 and one tick.
    assert rises == [1024 + (1 + 155 + 1 + n * 510) * divisor for n in (0, 1, 2)]
    assert falls == [rise + 200 * divisor for rise in rises]


@pytest.mark.parametrize(("value", "level"), [(0, False), (255, True)])
def test_the_extremes_of_phase_correct_pwm_are_constant(value: int, level: bool) -> None:
    """OCR at BOTTOM gives low for good, at MAX high: sec. 15.7.4."""
    chip = Fitted.of("atmega328p")
    pin, changes = output(chip, "OC0A")
    chip.write("OCR0A", value, at=1)
    chip.write("TCCR0A", chip.bit("COM0A1") | chip.bit("WGM00"), at=2)
    chip.write("TCCR0B", 1, at=3)
    chip.pass_to(1000)
    assert pin.level is level
    seen = len(changes)
    chip.pass_to(50_000)
    assert len(changes) == seen


def test_fast_pwm_at_bottom_is_a_spike_and_at_max_constant() -> None:
    """OCR at BOTTOM: a spike of one timer clock in 256; at MAX: high for good: sec. 15.7.3."""
    chip = Fitted.of("atmega328p")
    _, changes = output(chip, "OC0A")
    chip.write("TCCR0A", chip.bit("COM0A1") | chip.bit("WGM01") | chip.bit("WGM00"), at=2)
    chip.write("TCCR0B", 1, at=256)
    chip.pass_to(1024)
    assert changes == [(True, 512), (False, 513), (True, 768), (False, 769), (True, 1024)]
    chip.write("OCR0A", 255, at=1030)
    changes.clear()
    chip.pass_to(10_000)
    assert changes == [(True, 1280)]


def test_a_strobe_does_what_a_match_would_but_for_the_flag() -> None:
    """FOC0A: sec. 15.9.2; it reads as zero, and does nothing in PWM modes."""
    chip = Fitted.of("atmega328p")
    pin, changes = output(chip, "OC0A")
    chip.write("TCCR0A", chip.bit("COM0A0"), at=2)
    chip.write("TCCR0B", chip.bit("FOC0A"), at=10)
    chip.write("TCCR0B", chip.bit("FOC0A"), at=20)
    assert changes == [(True, 10), (False, 20)]
    assert chip.read("TCCR0B", 21) == 0
    assert chip.read("TIFR0", 22) == 0
    chip.write("TCCR0A", chip.bit("COM0A0") | chip.bit("WGM01") | chip.bit("WGM00"), at=30)
    chip.write("TCCR0B", chip.bit("FOC0A") | chip.bit("WGM02"), at=40)
    assert not pin.level


def test_a_pin_shows_the_output_only_where_ddr_makes_it_one_and_com_connects_it() -> None:
    """Sec. 15.6: OC0A overrides PORT, not DDR."""
    chip = Fitted.of("atmega328p")
    pin = chip.devices.ports.pin("PD6")
    assert pin is not None
    levels = list[bool]()
    for register, value in (
        ("TCCR0A", chip.bit("COM0A1") | chip.bit("COM0A0")),
        ("TCCR0B", chip.bit("FOC0A")),
        ("DDRD", 0x40),
        ("TCCR0A", 0),
        ("TCCR0A", chip.bit("COM0A1")),
    ):
        chip.write(register, value, at=2 + 2 * len(levels))
        levels.append(pin.level)
    assert levels == [False, False, True, False, True]


def test_a_compare_register_is_buffered_in_pwm_modes_and_read_as_written() -> None:
    """Sec. 15.5 and table 15-8: the CPU reaches the buffer; fast PWM takes it at BOTTOM."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR0A", chip.bit("WGM01") | chip.bit("WGM00"), at=2)
    chip.write("TCCR0B", 1, at=256)
    chip.write("OCR0B", 200, at=300)
    assert chip.read("OCR0B", 301) == 200
    chip.write("TIFR0", chip.bit("OCF0B"), at=302)
    assert not chip.is_set("TIFR0", "OCF0B", 256 + 201)
    assert chip.is_set("TIFR0", "OCF0B", 512 + 201)


def test_power_reduction_stops_it_where_it_stands() -> None:
    """PRTIM0: sec. 10.11.3; the prescaler is another's too, and goes on."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR0B", 2, at=0)
    chip.write("TCCR1B", 2, at=0)
    chip.write("PRR", chip.bit("PRTIM0"), at=804)
    assert chip.timer(0).count(5000) == 100
    assert chip.timer(1).count(5000) == 625
    assert chip.unmodelled() == []
    # Its registers cannot be written meanwhile: sec. 10.10.
    for register in ("TCNT0", "OCR0A", "TCCR0B"):
        before = chip.read(register, 5001)
        chip.write(register, 5, at=5002)
        assert chip.read(register, 5003) == before
        assert chip.unmodelled()[-1] == f"{register}: written while power reduction stops its timer: the write is lost"
    chip.write("PRR", 0, at=8001)
    assert [chip.timer(0).count(cycle) for cycle in (8007, 8008)] == [100, 101]


@pytest.mark.parametrize("mode", [4, 6])
def test_a_reserved_mode_is_refused(mode: int) -> None:
    """Table 15-8."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR0A", mode & 3, at=2)
    chip.write("TCCR0B", chip.bit("WGM02") | 1, at=4)
    assert chip.unmodelled() == [f"TCCR0B: the reserved waveform mode {mode} of the timer"]
    with pytest.raises(NotModelled, match=f"waveform mode {mode}"):
        chip.read("TCNT0", 10)


def test_two_outputs_on_a_pin_are_told() -> None:
    """OC0A and OC1C share a pin, which the output compare modulator drives: ATmega2560 datasheet 2549, sec. 19."""
    chip = Fitted.of("atmega2560")
    chip.write("TCCR0A", chip.bit("COM0A0"), at=2)
    assert chip.unmodelled() == []
    chip.write("TCCR1A", chip.bit("COM1C0"), at=4)
    assert chip.unmodelled() == ["TCCR1A: the output compare modulator of OC1C"]


def test_a_reset_stops_it_and_lets_go_of_its_pin() -> None:
    """Initial values of zero: DS40002061A sec. 15.9; the prescaler begins anew."""
    chip = Fitted.of("atmega328p", clock_hz=16_000_000)
    pin, changes = output(chip, "OC0A")
    chip.write("TCCR0A", chip.bit("COM0A0") | chip.bit("WGM01"), at=2)
    chip.write("OCR0A", 9, at=3)
    chip.write("TIMSK0", chip.bit("OCIE0A"), at=4)
    chip.write("TCCR0B", 1, at=10)
    chip.pass_to(25)
    assert changes == [(True, 20)]
    chip.chip.cycle = 25
    chip.chip.request_reset("EXTRF", 25)
    chip.chip.reset()
    began = chip.chip.cycle
    assert not pin.level
    assert not chip.chip.events.is_pending
    assert chip.read("TCNT0", began + 100) == 0
    assert chip.read("TIFR0", began + 100) == 0
    chip.write("DDRD", 0x40, at=began + 101)
    chip.write("TCCR0B", 2, at=began + 102)
    # The prescaler counts from the end of the reset on.
    phases = {chip.timer(0).count(began + 102 + k) for k in range(8)}
    assert phases == {0, 1}
    assert not pin.level
