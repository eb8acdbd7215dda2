"""Clock prescaler and power reduction against DS40002061A (ATmega48A/…/328/P), sec. 9 and 10, if none is named."""

from fractions import Fraction

import pytest

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.catalogue import fit_devices
from tests.peripherals.fitted import Fitted, part


def fitted(name: str = "atmega328p", clock: int | None = 16_000_000) -> Fitted:
    """Gives a part with a clock."""
    chip = Chip(part(name), b"", clock_hz=clock)
    return Fitted(chip, fit_devices(chip))


def divide(chip: Fitted, select: int, at: int) -> None:
    """Changes the division as sec. 9.12.2 says: CLKPCE alone, then the setting two cycles later."""
    chip.write("CLKPR", 0x80, at - 2)
    chip.write("CLKPR", select, at)


@pytest.mark.parametrize("select", range(9))
def test_the_clock_is_divided_by_powers_of_two(select: int) -> None:
    """Table 9-18: CLKPS 0 to 8 divide by 1 to 256."""
    chip = fitted()
    divide(chip, select, at=100)
    assert chip.devices.system.clock.divisor == 2**select
    assert chip.read("CLKPR", 101) == select
    assert [tuple(each) for each in chip.devices.system.clock.history][1:] == ([(100, 2**select)] if select else [])


@pytest.mark.parametrize("distance", range(1, 8))
def test_the_setting_must_follow_the_enable_bit_within_four_cycles(distance: int) -> None:
    """Sec. 9.12.2: CLKPCE is cleared by hardware four cycles after it is written."""
    chip = fitted()
    chip.write("CLKPR", 0x80, 100)
    assert chip.read("CLKPR", 100 + distance) == (0x80 if distance < 4 else 0)
    chip = fitted()
    chip.write("CLKPR", 0x80, 100)
    chip.write("CLKPR", 3, 100 + distance)
    assert chip.devices.system.clock.divisor == (8 if distance <= 4 else 1)


def test_the_enable_bit_is_taken_alone_and_repeating_it_extends_nothing() -> None:
    """Sec. 9.12.2, CLKPCE: updated only with the other bits zero; rewriting it does not extend the time."""
    chip = fitted()
    chip.write("CLKPR", 0x83, 100)
    chip.write("CLKPR", 3, 102)
    assert chip.devices.system.clock.divisor == 1
    chip.write("CLKPR", 0x80, 200)
    chip.write("CLKPR", 0x80, 202)
    chip.write("CLKPR", 3, 206)
    assert chip.devices.system.clock.divisor == 1


def test_a_reserved_division_is_told_and_changes_nothing() -> None:
    """Table 9-18: CLKPS above 8 is reserved."""
    chip = fitted()
    divide(chip, 9, at=100)
    assert chip.devices.system.clock.divisor == 1
    assert chip.unmodelled() == ["CLKPR: the reserved setting CLKPS = 9"]


@pytest.mark.parametrize("when", [1, 777, 52_735])
def test_what_lasts_a_time_keeps_to_it_when_the_clock_is_divided(when: int) -> None:
    """26,368 cycles of 8 MHz are 52,736 periods of 16 MHz, however they are divided into CPU cycles."""
    chip = fitted()
    ended: list[int] = []
    timed = chip.devices.system.clock.timed(ended.append, "a test")
    timed.set_in(Fraction(26_368, 8_000_000), 100)
    divide(chip, 2, at=100 + when)
    rest = -(-(52_736 - when) // 4)
    chip.pass_to(100 + when + rest - 1)
    assert ended == []
    divide(chip, 0, at=100 + when + rest + 10)
    chip.pass_to(200_000)
    assert ended == [100 + when + rest]
    assert chip.devices.system.clock.tick(100 + when + rest + 10) == 100 + when + 4 * (rest + 10)


def test_a_time_is_counted_in_whole_periods_rounded_up() -> None:
    """Nothing that lasts a time is over before it."""
    clock = fitted(clock=1_000_003).devices.system.clock
    assert clock.ticks_in(Fraction(1, 1000), "a test") == 1001
    with pytest.raises(NotModelled, match=r"a test takes a time.*--clock"):
        fitted(clock=None).devices.system.clock.ticks_in(Fraction(1, 1000), "a test")


POWER_BITS = [
    ("atmega328p", "PRR", 3, "PRTIM1"),
    ("atmega328p", "PRR", 1, "PRUSART0"),
    ("atmega2560", "PRR0", 6, "PRTIM2"),
    ("atmega2560", "PRR1", 0, "PRUSART1"),
    ("atmega2560", "PRR1", 4, "PRTIM4"),
    ("atmega1284p", "PRR0", 4, "PRUSART1"),
    ("atmega1284p", "PRR1", 0, "PRTIM3"),
    ("atmega644", "PRR", 5, "PRTIM0"),
    ("atmega32u4", "PRR1", 3, "PRTIM3"),
    ("atmega32u4", "PRR1", 7, "PRUSB"),
    ("attiny85", "PRR", 1, "PRUSI"),
    ("attiny84", "PRR", 0, "PRADC"),
]


@pytest.mark.parametrize(("name", "register", "bit", "device"), POWER_BITS)
def test_a_bit_stops_its_device_and_no_other(name: str, register: str, bit: int, device: str) -> None:
    """Sec. 10.11.3; ATmega640/…/2561 DS40002211 sec. 11.10; other parts' places are those of their headers."""
    chip = fitted(name)
    power = chip.devices.system.power
    told: list[tuple[int, bool]] = []
    power.on_change(lambda cycle: told.append((cycle, power.is_on(device))))
    chip.write(register, 1 << bit, 10)
    assert power.is_on(device)
    others = {each for _, _, _, each in POWER_BITS} - {device}
    assert not any(power.is_on(each) for each in others)
    chip.write(register, 0xFF & ~(1 << bit), 20)
    assert not power.is_on(device)
    assert told == [(10, True), (20, False)]
    assert chip.read(register, 21) == 0xFF & ~(1 << bit)


def test_a_device_stands_still_while_sleep_stops_its_clock() -> None:
    """Table 10-1: with clkIO stopped every device on it stands still, the asynchronous timer does not."""
    chip = fitted()
    power = chip.devices.system.power
    told: list[int] = []
    power.on_change(told.append)
    power.stop_clocks({"io", "adc"}, 50)
    assert power.is_on("PRTIM1")
    assert power.is_on("")
    assert power.is_on("PRADC", "adc")
    assert not power.is_on("PRTIM2", "asy")
    kept = chip.chip.save()
    power.stop_clocks((), 60)
    assert not power.is_on("PRTIM1")
    assert told == [50, 60]
    chip.chip.restore(kept)
    assert power.is_on("PRTIM1")


def test_the_oscillators_calibration_is_kept_and_told() -> None:
    """Sec. 9.12.1: each chip has its own factory value, so what it reads as before it is written is not known."""
    chip = fitted()
    chip.read("OSCCAL", 5)
    assert len(chip.unmodelled()) == 1
    chip.write("OSCCAL", 0x72, 10)
    assert chip.read("OSCCAL", 11) == 0x72
    assert [text.split(":")[0] for text in chip.unmodelled()] == ["OSCCAL", "OSCCAL"]
