"""The universal serial interface against its datasheet: ATtiny25/45/85 2586Q, sec. 15, unless another is named."""

import pytest

from cyclerule.peripherals.port import Pin
from tests.peripherals.fitted import Fitted

USISIF, USIOIF = 0x80, 0x40
USIOIE, USIWM0, USICS1, USICS0, USICLK, USITC = 0x40, 0x10, 0x08, 0x04, 0x02, 0x01
DI, DO, USCK = "PB0", "PB1", "PB2"


def pin(chip: Fitted, name: str) -> Pin:
    """Gives a pin that the part has."""
    found = chip.devices.ports.pin(name)
    assert found is not None
    return found


def wired(part: str = "attiny85") -> Fitted:
    """A chip with DO and USCK as outputs, and DO wired to DI."""
    chip = Fitted.of(part)
    chip.write("DDRB", 0b110, at=10)
    pin(chip, DI).drive(False, 11)
    pin(chip, DO).listen(pin(chip, DI).drive)
    return chip


def test_the_examples_master_exchanges_a_byte_in_sixteen_strobes() -> None:
    """Sec. 15.3.2: USIWM0, USICS1, USICLK and USITC written until USIOIF; what is sent comes back over the wire."""
    chip = wired()
    edges: list[tuple[int, bool]] = []
    pin(chip, USCK).listen(lambda level, cycle: edges.append((cycle, level)))
    chip.write("USIDR", 0xA7, at=100)
    chip.write("USISR", USIOIF, at=101)
    strobes = 0
    while not chip.read("USISR", 110 + 5 * strobes) & USIOIF:
        chip.write("USICR", USIWM0 | USICS1 | USICLK | USITC, at=112 + 5 * strobes)
        strobes += 1
    assert strobes == 16
    assert edges == [(112 + 5 * n, n % 2 == 0) for n in range(16)]
    assert chip.read("USIDR", 300) == 0xA7
    assert chip.read("USIBR", 300) == 0xA7
    assert chip.read("USICR", 300) == USIWM0 | USICS1
    assert chip.unmodelled() == []


def test_the_fast_master_shifts_with_software_strobes() -> None:
    """Sec. 15.3.2: USITC alone, then USITC and USICLK, eight times; the counter counts the shifts."""
    chip = wired()
    chip.write("USIDR", 0x5A, at=100)
    shown = []
    for n in range(8):
        chip.write("USICR", USIWM0 | USITC, at=110 + 4 * n)
        shown.append(pin(chip, DO).level)
        chip.write("USICR", USIWM0 | USITC | USICLK, at=112 + 4 * n)
    assert shown == [bool(int(bit)) for bit in "01011010"]
    assert chip.read("USISR", 200) == 8
    assert chip.read("USIDR", 200) == 0x5A
    assert not pin(chip, USCK).level


@pytest.mark.parametrize("mode", [0, USICS0])
def test_an_external_clock_shifts_at_one_edge_and_counts_both(mode: int) -> None:
    """USICS 10 samples at rising, 11 at falling edges; output changes at the opposite ones: figure 15-3, table 15-2."""
    chip = Fitted.of("attiny85")
    chip.write("DDRB", 0b010, at=10)
    idle = bool(mode)
    pin(chip, USCK).drive(idle, 11)
    pin(chip, DI).drive(False, 12)
    chip.write("USIDR", 0b1000_0001, at=20)
    chip.write("USICR", USIWM0 | USICS1 | mode, at=22)
    chip.write("USISR", 0xF0, at=24)
    out, sent = [], 0b0110_1100
    for n in range(8):
        at = 100 + 20 * n
        pin(chip, DI).drive(bool(sent << n & 0x80), at)
        out.append(pin(chip, DO).level)
        before = chip.read("USIDR", at + 1)
        pin(chip, USCK).drive(not idle, at + 5)
        assert chip.read("USIDR", at + 6) == (before << 1 & 0xFF | (sent << n & 0x80) >> 7)
        assert pin(chip, DO).level == out[-1]
        pin(chip, USCK).drive(idle, at + 10)
    assert out == [bool(int(bit)) for bit in "10000001"]
    assert chip.read("USIDR", 400) == sent
    assert chip.read("USISR", 400) == USISIF | USIOIF


def test_the_overflow_asks_until_its_flag_is_cleared_by_writing_one() -> None:
    """From 15 to 0; USIOIF is cleared by writing 1 alone: sec. 15.5.3. Setting the counter to 15 makes one edge do."""
    chip = Fitted.of("attiny85")
    pin(chip, USCK).drive(False, 10)
    chip.write("USISR", 0xFF, at=20)
    chip.write("USICR", USIOIE | USICS1, at=22)
    assert not chip.asks("USI_OVF")
    pin(chip, USCK).drive(True, 50)
    assert chip.asks("USI_OVF")
    chip.chip.interrupts.accept(60, chip.chip.stack_pointer)
    assert chip.asks("USI_OVF")
    chip.write("USISR", USIOIF, at=70)
    assert not chip.asks("USI_OVF")


@pytest.mark.parametrize(
    ("value", "what"),
    [(0x20, "a two-wire mode"), (USICS0, "the clock from compare matches of timer 0")],
)
def test_what_is_not_modelled_is_told(value: int, what: str) -> None:
    """Two-wire modes and the clock from timer 0: tables 15-1 and 15-2."""
    chip = Fitted.of("attiny85")
    chip.write("USICR", value, at=10)
    assert chip.unmodelled() == [f"USICR: {what}"]


@pytest.mark.parametrize("part", ["attiny2313", "attiny26", "attiny84", "attiny861", "atmega169", "attiny4313"])
def test_other_parts_have_it_too(part: str) -> None:
    """A software strobe shifts and counts on each of them."""
    chip = Fitted.of(part)
    chip.write("USIDR", 0x41, at=10)
    chip.write("USICR", USICLK, at=12)
    assert chip.read("USIDR", 14) & 0xFE == 0x82
    assert chip.read("USISR", 14) == 1


def test_a_kept_state_goes_on() -> None:
    """Counter, data and output are part of the state."""
    chip = wired()
    chip.write("USIDR", 0xC3, at=100)
    for n in range(5):
        chip.write("USICR", USIWM0 | USICS1 | USICLK | USITC, at=110 + 4 * n)
    saved = chip.chip.save()
    for _ in range(2):
        for n in range(11):
            chip.write("USICR", USIWM0 | USICS1 | USICLK | USITC, at=200 + 4 * n)
        assert chip.read("USISR", 300) & 0x4F == USIOIF
        assert chip.read("USIDR", 300) == 0xC3
        chip.chip.restore(saved)
