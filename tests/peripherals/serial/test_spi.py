"""The SPI against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 19, unless another is named."""

import pytest

from cyclerule.errors import ArgumentError
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.serial.spi import Exchanged, Spi
from tests.peripherals.fitted import Fitted

SPIE, SPE, DORD, MSTR, CPOL, CPHA = (1 << place for place in range(7, 1, -1))
PINS = {"atmega328p": ("PB2", "PB3", "PB4", "PB5"), "atmega2560": ("PB0", "PB2", "PB3", "PB1")}
"""SS, MOSI, MISO, SCK."""


def master(part: str = "atmega328p", control: int = 0, *, double: bool = False) -> Fitted:
    """A chip whose SPI is on as master by cycle 100, with SS, MOSI and SCK as outputs."""
    chip = Fitted.of(part)
    ddr = {"atmega328p": 0b0010_1100, "atmega2560": 0b0000_0111}.get(part)
    if ddr is not None:
        chip.write("DDRB", ddr, at=50)
    if double:
        chip.write("SPSR", 1, at=90)
    chip.write("SPCR0" if "SPCR0" in chip.chip.part.registers else "SPCR", SPE | MSTR | control, at=100)
    return chip


def spi(chip: Fitted) -> Spi:
    """Gives the SPI."""
    found = chip.devices.serial_devices.spi
    assert found is not None
    return found


def pin(chip: Fitted, place: int) -> Pin:
    """Gives SS, MOSI, MISO or SCK."""
    found = chip.devices.ports.pin(PINS[chip.chip.part.name][place])
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("double", "rate", "divisor"),
    [(0, 0, 4), (0, 1, 16), (0, 2, 64), (0, 3, 128), (1, 0, 2), (1, 1, 8), (1, 2, 32), (1, 3, 64)],
)
def test_a_byte_takes_eight_periods_of_the_clock(double: int, rate: int, divisor: int) -> None:
    """SCK frequency by SPI2X, SPR1 and SPR0: table 19-5."""
    chip = master(control=rate, double=bool(double))
    spi(chip).device = lambda byte: byte ^ 0xFF
    chip.write("SPDR", 0x35, at=200)
    end = 200 + 8 * divisor
    assert not chip.is_set("SPSR", "SPIF", end - 1)
    assert chip.is_set("SPSR", "SPIF", end)
    assert chip.read("SPDR", end + 1) == 0xCA
    assert spi(chip).exchanged == [Exchanged(end, 0x35, 0xCA)]
    assert chip.unmodelled() == []


def test_the_flag_is_cleared_by_reading_the_status_and_then_touching_the_data() -> None:
    """By first reading SPSR with SPIF set, then accessing SPDR: sec. 19.5.2; neither alone does."""
    chip = master()
    spi(chip).answers.extend([1, 2, 3])
    chip.write("SPDR", 0, at=200)
    chip.pass_to(300)
    chip.read("SPDR", 300)
    assert chip.is_set("SPSR", "SPIF", 301)
    assert chip.is_set("SPSR", "SPIF", 302)
    assert chip.read("SPDR", 303) == 1
    assert not chip.is_set("SPSR", "SPIF", 304)
    # The read before the flag was set does not count, and a write clears as a read does.
    chip.write("SPDR", 0, at=400)
    assert not chip.is_set("SPSR", "SPIF", 410)
    chip.pass_to(500)
    assert chip.read("SPDR", 500) == 2
    chip.write("SPDR", 0, at=501)
    chip.pass_to(501)
    assert chip.is_set("SPSR", "SPIF", 502)
    chip.pass_to(600)
    chip.write("SPDR", 0, at=601)
    assert not chip.is_set("SPSR", "SPIF", 602)


def test_the_handlers_entry_clears_the_flag() -> None:
    """SPIF is cleared when the vector is executed: sec. 19.5.2."""
    chip = master(control=SPIE)
    chip.write("SPDR", 0, at=200)
    chip.pass_to(231)
    assert not chip.asks("SPI_STC")
    chip.pass_to(232)
    assert chip.asks("SPI_STC")
    chip.chip.interrupts.accept(240, chip.chip.stack_pointer)
    assert not chip.asks("SPI_STC")
    assert not chip.is_set("SPSR", "SPIF", 241)


def test_a_byte_written_during_a_transfer_is_a_collision() -> None:
    """WCOL; the transfer goes on; it is cleared as SPIF is: sec. 19.5.2."""
    chip = master()
    chip.write("SPDR", 0x11, at=200)
    chip.write("SPDR", 0x22, at=231)
    assert chip.read("SPSR", 231) == 0x40
    chip.pass_to(232)
    assert [each.sent for each in spi(chip).exchanged] == [0x11]
    assert chip.read("SPSR", 233) == 0xC0
    chip.read("SPDR", 234)
    assert chip.read("SPSR", 235) == 0


@pytest.mark.parametrize("part", ["atmega328p", "atmega2560"])
@pytest.mark.parametrize("mode", range(4))
@pytest.mark.parametrize("order", [0, DORD])
def test_the_pins_show_clock_and_data_in_each_mode(part: str, mode: int, order: int) -> None:
    """Data is sampled at the leading edge with CPHA 0, at the trailing one with 1: table 19-2, figures 19-3, 19-4."""
    polarity, phase = mode >> 1, mode & 1
    chip = master(part, order | (CPOL if polarity else 0) | (CPHA if phase else 0) | 1)
    clock, data = pin(chip, 3), pin(chip, 1)
    sampled: list[tuple[int, int]] = []
    edges: list[int] = []

    def listen(level: bool, cycle: int) -> None:
        edges.append(cycle)
        is_leading = level != bool(polarity)
        if is_leading == (phase == 0):
            sampled.append((cycle, data.level))

    assert clock.level == bool(polarity)
    clock.listen(listen)
    data.listen(lambda level, cycle: None)
    chip.write("SPDR", 0b1011_0010, at=200)
    chip.pass_to(1000)
    assert edges == [200 + 8 * n for n in range(1, 17)]
    bits = [level for _, level in sampled]
    expected = [1, 0, 1, 1, 0, 0, 1, 0]
    assert bits == (expected[::-1] if order else expected)
    assert clock.level == bool(polarity)


@pytest.mark.parametrize("mode", range(4))
@pytest.mark.parametrize("order", [0, DORD])
@pytest.mark.parametrize("rate", [0, 3])
def test_a_master_hears_itself_over_a_wire(mode: int, order: int, rate: int) -> None:
    """MOSI wired to MISO gives each byte back in every mode and order: sec. 19.4."""
    chip = master(control=order | mode << 2 | rate)
    miso = pin(chip, 2)
    miso.drive(False, 110)
    pin(chip, 1).listen(miso.drive)
    for n, value in enumerate((0x00, 0xFF, 0x5A, 0xA5, 0x01, 0x80)):
        chip.write("SPDR", value, at=200 + 2000 * n)
        chip.pass_to(2000 + 2000 * n)
        assert chip.read("SPDR", 2000 + 2000 * n) == value
    assert chip.unmodelled() == []


def test_another_master_that_pulls_ss_low_takes_the_bus() -> None:
    """SS as an input: MSTR is cleared, SPIF is set, pins become inputs: sec. 19.3.2."""
    chip = Fitted.of("atmega328p")
    chip.write("DDRB", 0b0010_1000, at=50)
    pin(chip, 0).drive(True, 60)
    chip.write("SPCR", SPE | MSTR | SPIE, at=100)
    assert spi(chip).is_master
    pin(chip, 0).drive(False, 150)
    assert not spi(chip).is_master
    assert chip.read("SPCR", 151) == SPE | SPIE
    assert chip.asks("SPI_STC")
    chip.write("SPCR", SPE | MSTR, at=160)
    assert not spi(chip).is_master
    # As an output SS has no such effect.
    chip.write("DDRB", 0b0010_1100, at=170)
    chip.write("SPCR", SPE | MSTR, at=180)
    assert spi(chip).is_master


def test_a_slave_gives_what_it_was_loaded_with() -> None:
    """SPDR is sent with the next byte that the master clocks in; it has to be read before the next: sec. 19.2."""
    chip = Fitted.of("atmega328p")
    chip.write("SPCR", SPE, at=100)
    chip.write("SPDR", 0x42, at=110)
    chip.pass_to(500)
    assert spi(chip).exchange(0x31, 500) == 0x42
    assert chip.is_set("SPSR", "SPIF", 500)
    assert chip.read("SPDR", 501) == 0x31
    assert spi(chip).exchange(0x32, 600) == 0x31
    chip.write("SPCR", 0, at=700)
    assert spi(chip).exchange(0x33, 700) is None
    with pytest.raises(ArgumentError, match="0 to 255"):
        spi(chip).exchange(256, 800)


def test_a_transfer_stands_still_with_its_clock_off() -> None:
    """PRSPI stops the clock of the SPI: sec. 10.11.3."""
    chip = master(control=3)
    chip.write("SPDR", 0x42, at=200)
    chip.write("PRR", chip.bit("PRSPI"), at=300)
    chip.write("SPDR", 0x43, at=310)
    chip.pass_to(10_000)
    assert spi(chip).exchanged == []
    assert "SPDR: a register written while the SPI's clock is off" in chip.unmodelled()
    chip.write("PRR", 0, at=10_000)
    chip.pass_to(20_000)
    assert [(each.cycle, each.sent) for each in spi(chip).exchanged] == [(200 + 1024 + 9700, 0x42)]


def test_what_is_not_known_is_told() -> None:
    """No device, no known pins, the SPI off, settings changed on the way."""
    chip = master()
    chip.write("SPDR", 1, at=200)
    chip.pass_to(300)
    assert len(chip.unmodelled()) == 1
    assert "nobody drives MISO" in chip.unmodelled()[0]
    chip.write("SPCR", 0, at=310)
    chip.write("SPDR", 1, at=320)
    assert "SPDR: a byte written while the SPI is off" in chip.unmodelled()
    chip = master()
    chip.write("SPDR", 1, at=200)
    chip.write("SPCR", SPE | MSTR | 1, at=210)
    assert "SPDR: a change of settings in the middle of a transfer" in chip.unmodelled()


@pytest.mark.parametrize("part", ["atmega8", "at90s8515", "atmega324p", "atmega32u4", "attiny88"])
def test_other_parts_have_it_too(part: str) -> None:
    """SPCR, or SPCR0 on the ATmega164P to 644P; four CPU cycles a bit: their tables of SCK frequencies."""
    chip = master(part)
    spi(chip).device = lambda byte: byte + 1
    data = "SPDR0" if "SPDR0" in chip.chip.part.registers else "SPDR"
    chip.write(data, 0x41, at=200)
    chip.pass_to(232)
    assert spi(chip).exchanged == [Exchanged(232, 0x41, 0x42)]
    assert chip.read(data, 240) == 0x42


def test_a_kept_state_ends_its_transfer() -> None:
    """What is under way, and what was exchanged up to it."""
    chip = master(control=1)
    spi(chip).answers.extend([7, 8])
    chip.write("SPDR", 1, at=200)
    chip.pass_to(250)
    saved = chip.chip.save()
    chip.pass_to(1000)
    first = list(spi(chip).exchanged)
    chip.chip.restore(saved)
    assert spi(chip).exchanged == []
    chip.pass_to(1000)
    assert spi(chip).exchanged == first == [Exchanged(200 + 128, 1, 7)]
