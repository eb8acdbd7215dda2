"""The prescaler that timers share against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 17."""

import pytest

from tests.peripherals.fitted import Fitted


@pytest.mark.parametrize(
    ("part", "register", "bit"),
    [
        ("atmega328p", "GTCCR", "PSRSYNC"),
        ("atmega2560", "GTCCR", "PSRSYNC"),
        ("attiny2313", "GTCCR", "PSR10"),
        ("atmega8", "SFIOR", "PSR10"),
        ("atmega162", "SFIOR", "PSR310"),
        ("atmega128", "SFIOR", "PSR321"),
    ],
)
def test_its_reset_bit_starts_the_phase_anew_and_clears_itself(part: str, register: str, bit: str) -> None:
    """Sec. 17.4.1; the bit's name and register on the others: their datasheets, GTCCR or SFIOR."""
    chip = Fitted.of(part)
    chip.write("TCCR1B", 2, at=3)
    # Ticks at 8 and 16, then at 19 + 8 and on.
    chip.write(register, chip.bit(bit), at=19)
    assert chip.read(register, 20) == 0
    assert [chip.timer().count(cycle) for cycle in (19, 26, 27, 34, 35)] == [2, 2, 3, 3, 4]
    assert chip.unmodelled() == []


@pytest.mark.parametrize(("bit", "n"), [("PSR0", 0), ("PSR1", 1)])
def test_two_prescalers_are_reset_apart(bit: str, n: int) -> None:
    """ATtiny25/45/85 datasheet 2586Q, GTCCR: PSR0 for timer 0, PSR1 for timer 1."""
    chip = Fitted.of("attiny85")
    # Both at clock/64.
    chip.write("TCCR0B", 3, at=1)
    chip.write("TCCR1", 7, at=1)
    assert [chip.timer(k).count(99) for k in (0, 1)] == [1, 1]
    chip.write("GTCCR", chip.bit(bit), at=100)
    assert chip.read("GTCCR", 101) == 0
    assert [chip.timer(k).count(128) for k in (0, 1)] == [1 if k == n else 2 for k in (0, 1)]
    assert chip.timer(n).count(164) == 2


@pytest.mark.parametrize(("n", "control", "select", "bit"), [(0, "TCCR0", 3, "PSR0"), (1, "TCCR1B", 7, "PSR1")])
def test_a_reset_bit_may_stand_beside_the_clock_select(n: int, control: str, select: int, bit: str) -> None:
    """ATtiny26 datasheet 1477, TCCR0 and TCCR1B; clock/64 on both."""
    chip = Fitted.of("attiny26")
    chip.write(control, select, at=1)
    assert chip.timer(n).count(99) == 1
    chip.write(control, select | chip.bit(bit), at=100)
    assert chip.read(control, 101) == select
    assert [chip.timer(n).count(cycle) for cycle in (163, 164)] == [1, 2]


def test_timers_that_share_it_tick_together() -> None:
    """Timers 0, 1, 3, 4 and 5 of the ATmega2560 have one prescaler: its datasheet, sec. 18."""
    chip = Fitted.of("atmega2560")
    for n, at in ((1, 3), (3, 100), (4, 200), (5, 250)):
        chip.write(f"TCCR{n}B", 3, at=at)
    before = [chip.timer(n).count(319) for n in (1, 3, 4, 5)]
    assert [chip.timer(n).count(320) for n in (1, 3, 4, 5)] == [count + 1 for count in before]


def test_the_hold_bit_stops_the_timers_and_its_release_starts_them_together() -> None:
    """TSM keeps PSRSYNC set, and the timers are halted until it is written to zero: sec. 17.4.1."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 2, at=3)
    chip.write("TIMSK1", chip.bit("TOIE1"), at=5)
    chip.write("GTCCR", chip.bit("TSM") | chip.bit("PSRSYNC"), at=20)
    assert chip.read("GTCCR", 21) == chip.bit("TSM") | chip.bit("PSRSYNC")
    assert chip.timer().count(1_000_000) == 2
    assert not chip.asks("TIMER1_OVF")
    chip.write("TCNT1", 0xFFFE, at=1_000_010)
    chip.write("GTCCR", 0, at=1_000_021)
    assert chip.read("GTCCR", 1_000_022) == 0
    counts = [chip.timer().count(1_000_021 + n) for n in (7, 8, 15)]
    assert counts == [0xFFFE, 0xFFFF, 0xFFFF]
    chip.pass_to(1_000_021 + 15)
    assert not chip.asks("TIMER1_OVF")
    chip.pass_to(1_000_021 + 16)
    assert chip.asks("TIMER1_OVF")


def test_bits_for_other_devices_are_told_by_name() -> None:
    """XMBK keeps the bus of an external memory: ATmega162 datasheet 2513, SFIOR."""
    chip = Fitted.of("atmega162")
    chip.write("SFIOR", chip.bit("XMBK"), at=2)
    assert chip.unmodelled() == ["SFIOR: bit XMBK"]


@pytest.mark.parametrize(
    ("part", "register", "n", "control", "bit"),
    [
        ("atmega328p", "GTCCR", 2, "TCCR2B", "PSRASY"),
        ("atmega8", "SFIOR", 2, "TCCR2", "PSR2"),
        ("atmega128", "SFIOR", 0, "TCCR0", "PSR0"),
    ],
)
def test_the_timer_with_a_prescaler_of_its_own_is_reset_alone(
    part: str, register: str, n: int, control: str, bit: str
) -> None:
    """DS40002061A sec. 18.11.9; ATmega8 datasheet 2486 and ATmega128 2467, SFIOR. Its fourth tap is clock/64."""
    chip = Fitted.of(part)
    chip.write("TCCR1B", 3, at=3)
    chip.write(control, 4, at=3)
    assert chip.timer(n).count(99) == 1
    chip.write(register, chip.bit(bit), at=100)
    assert chip.read(register, 101) == 0
    assert [chip.timer(n).count(cycle) for cycle in (163, 164)] == [1, 2]
    assert [chip.timer().count(cycle) for cycle in (127, 128)] == [1, 2]
    assert chip.unmodelled() == []


def test_a_kept_state_has_the_phase() -> None:
    """A reset after the state was kept is undone."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 2, at=3)
    saved = chip.chip.save()
    chip.write("GTCCR", chip.bit("PSRSYNC"), at=13)
    assert chip.timer().count(21) == 2
    chip.chip.restore(saved)
    assert [chip.timer().count(cycle) for cycle in (15, 16, 23, 24)] == [1, 2, 2, 3]
