"""Serial ports on their pins, and with their clock off: DS40002061A (ATmega48A/…/328/P) unless another is named."""

import pytest

from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.serial.usart_transmitter import SentByte
from tests.peripherals.fitted import Fitted

BIT = 1664
TXEN, RXEN, NINE = 1 << 3, 1 << 4, 1 << 2


def port(part: str = "atmega328p", control: int = TXEN, *, frame: int | None = None) -> Fitted:
    """A chip whose first serial port is on at 1664 cycles a bit, its baud generator started at cycle 100."""
    chip = Fitted.of(part)
    n, names = chip.serial.suffix, chip.chip.part.registers
    if frame is not None:
        chip.write(f"UCSR{n}C", frame, at=90)
    chip.write(f"UBRR{n}L" if f"UBRR{n}L" in names else f"UBRR{n}", 103, at=100)
    chip.write(f"UCSR{n}B" if f"UCSR{n}B" in names else "UCR", control, at=100)
    return chip


def pin(chip: Fitted, name: str) -> Pin:
    """Gives a pin that the part has."""
    found = chip.devices.ports.pin(name)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("part", "name"), [("atmega328p", "PD1"), ("atmega8", "PD1"), ("atmega2560", "PE1"), ("atmega32u4", "PD3")]
)
def test_a_frame_goes_over_the_pin_bit_by_bit(part: str, name: str) -> None:
    """Idle high, start bit low, data with the lowest bit first, stop bit high: sec. 20.4, figure 20-4."""
    chip = port(part)
    edges: list[tuple[int, bool]] = []
    pin(chip, name).listen(lambda level, cycle: edges.append((cycle, level)))
    assert pin(chip, name).level
    chip.write(f"UDR{chip.serial.suffix}", 0b0101_0011, at=200)
    chip.pass_to(10**6)
    start = 100 + BIT
    assert edges == [
        (start, False),
        (start + BIT, True),
        (start + 3 * BIT, False),
        (start + 5 * BIT, True),
        (start + 6 * BIT, False),
        (start + 7 * BIT, True),
        (start + 8 * BIT, False),
        (start + 9 * BIT, True),
    ]


def test_a_program_that_reads_the_pin_sees_the_frame_though_nobody_listens() -> None:
    """The transmitter overrides port and direction, the synchroniser is a cycle behind: sec. 14.3.3 and 14.2.4."""
    chip = port()
    chip.write("UDR0", 0x01, at=200)
    start = 100 + BIT
    seen = [
        bool(chip.read("PIND", at) & 2)
        for at in (start, start + 1, start + BIT, start + BIT + 1, start + 9 * BIT, start + 9 * BIT + 1)
    ]
    assert seen == [True, False, False, True, False, True]
    assert chip.chip.data[chip.address("PORTD")] == 0


def test_the_pin_is_the_ports_again_when_the_last_frame_has_left() -> None:
    """TXEN cleared takes effect when everything is sent: sec. 20.11.3."""
    chip = port()
    txd = pin(chip, "PD1")
    chip.write("UDR0", 0xFF, at=200)
    chip.write("UCSR0B", 0, at=300)
    end = 100 + 11 * BIT
    chip.pass_to(end - 1)
    assert (txd.is_output, txd.level) == (True, True)
    chip.pass_to(end)
    assert (txd.is_output, txd.level) == (False, False)


@pytest.mark.parametrize("size", [0, 1, 2, 3, 7])
@pytest.mark.parametrize("parity", [0, 2, 3])
@pytest.mark.parametrize("stops", [0, 1])
def test_a_port_hears_itself_over_a_wire_in_every_format(size: int, parity: int, stops: int) -> None:
    """What is sent on TXD is received on RXD: sec. 20.4; the byte is there in the middle of the stop bit."""
    nine = NINE if size == 7 else 0
    chip = port(control=TXEN | RXEN | nine, frame=parity << 4 | stops << 3 | (size & 3) << 1)
    rxd = pin(chip, "PD0")
    rxd.drive(True, 150)
    pin(chip, "PD1").listen(rxd.drive)
    bits = 9 if size == 7 else 5 + size
    mask, at = (1 << bits) - 1, 1000
    for value in (each & mask for each in (0x000, 0x1FF, 0x155, 0x0AA, 0x133)):
        chip.write("UCSR0B", TXEN | RXEN | nine | value >> 8, at=at)
        chip.write("UDR0", value & 0xFF, at=at + 2)
        begins = 100 + -(-(at + 2 - 100) // BIT) * BIT
        there = begins + (1 + bits + (1 if parity else 0)) * BIT + 9 * 104
        assert not chip.is_set("UCSR0A", "RXC0", there - 1)
        assert chip.is_set("UCSR0A", "RXC0", there)
        ninth = chip.read("UCSR0B", there + 1) >> 1 & 1
        assert chip.read("UDR0", there + 3) | ninth << 8 == value
        assert chip.read("UCSR0A", there + 4) & 0x1C == 0
        at = there + 5000
    assert chip.unmodelled() == []


def test_two_ports_talk_to_each_other_over_their_pins() -> None:
    """USART 0 sends on PE1, USART 1 receives on PD2: ATmega2560 datasheet 2549, sec. 13.3."""
    chip = port("atmega2560")
    chip.write("UBRR1", 103, at=200)
    chip.write("UCSR1B", RXEN, at=210)
    rxd = pin(chip, "PD2")
    rxd.drive(True, 220)
    pin(chip, "PE1").listen(rxd.drive)
    for n, value in enumerate((0x00, 0xFF, 0x5A)):
        chip.write("UDR0", value, at=1000 + 40_000 * n)
        chip.pass_to(39_000 + 40_000 * n)
        assert chip.read("UDR1", 39_000 + 40_000 * n) == value


def test_a_spike_on_the_pin_is_no_byte() -> None:
    """Low for less than eight samples: sec. 20.8.1."""
    chip = port(control=RXEN)
    rxd = pin(chip, "PD0")
    rxd.drive(True, 150)
    rxd.drive(False, 1000)
    chip.pass_to(1600)
    rxd.drive(True, 1600)
    rxd.drive(False, 2600)
    chip.pass_to(4400)
    rxd.drive(True, 4400)
    chip.pass_to(10**5)
    # The second fall is a start bit, 1800 cycles long, and all data bits are high.
    assert chip.read("UDR0", 10**5) == 0xFF
    assert not chip.is_set("UCSR0A", "RXC0", 10**5 + 1)


def test_a_pin_that_nobody_drives_is_an_idle_line() -> None:
    """It would read 0 without its pull-up; a level that nobody gives makes no bytes. A choice of this model."""
    chip = port(control=RXEN)
    chip.write("PORTD", 1, at=1000)
    chip.write("PORTD", 0, at=2000)
    chip.pass_to(10**5)
    assert not chip.is_set("UCSR0A", "RXC0", 10**5)


def test_the_receiver_makes_its_pin_an_input() -> None:
    """RXEN overrides the direction, the pull-up stays with PORT: sec. 14.3.3, PD0."""
    chip = Fitted.of("atmega328p")
    chip.write("DDRD", 1, at=10)
    assert pin(chip, "PD0").is_output
    chip.write("UCSR0B", RXEN, at=20)
    assert not pin(chip, "PD0").is_output
    chip.write("UCSR0B", 0, at=30)
    assert pin(chip, "PD0").is_output


# With the clock off.


def test_a_frame_stands_still_while_the_ports_clock_is_off() -> None:
    """PRUSART0 stops the clock of the port: sec. 10.11.3; what is left of the frame follows when it is back."""
    chip = port()
    edges: list[int] = []
    pin(chip, "PD1").listen(lambda level, cycle: edges.append(cycle))
    chip.write("UDR0", 0x55, at=100)
    chip.write("PRR", chip.bit("PRUSART0"), at=100 + 3 * BIT + 10)
    chip.pass_to(50_000)
    assert edges == [100, 100 + BIT, 100 + 2 * BIT, 100 + 3 * BIT]
    chip.write("PRR", 0, at=50_000)
    chip.pass_to(10**6)
    gap = 50_000 - (100 + 3 * BIT + 10)
    assert chip.serial.sent == [SentByte(100 + 10 * BIT + gap, 0x55)]
    assert edges[4:] == [100 + n * BIT + gap for n in range(4, 10)]
    chip.write("UDR0", 1, at=2 * 10**6)
    chip.pass_to(3 * 10**6)
    assert (chip.serial.sent[1].cycle - 100 - gap) % BIT == 0


def test_registers_written_with_the_clock_off_are_told() -> None:
    """The registers cannot be reached while PRUSART0 is set: sec. 10.9."""
    chip = port()
    chip.write("PRR", chip.bit("PRUSART0"), at=1000)
    chip.write("UDR0", 1, at=1010)
    chip.pass_to(10**6)
    assert chip.serial.sent == []
    assert chip.unmodelled() == ["UDR0: a register written while the port's clock is off"]


def test_a_kept_state_shows_the_rest_of_a_frame() -> None:
    """The waveform on its way is part of the state."""
    chip = port()
    edges: list[tuple[int, bool]] = []
    pin(chip, "PD1").listen(lambda level, cycle: edges.append((cycle, level)))
    chip.write("UDR0", 0x35, at=200)
    chip.pass_to(5000)
    saved = chip.chip.save()
    courses = []
    for _ in range(2):
        edges.clear()
        chip.pass_to(10**6)
        courses.append(list(edges))
        chip.chip.restore(saved)
    assert courses[0] == courses[1]
    assert len(courses[0]) == 6


# Synchronous mode.


@pytest.mark.parametrize("baud", [0, 3, 103])
def test_a_synchronous_master_takes_two_ticks_a_bit(baud: int) -> None:
    """2 (UBRR + 1) cycles a bit, XCK being an output: sec. 20.3.4, table 20-1."""
    chip = port(control=0)
    chip.write("DDRD", 1 << 4, at=110)
    chip.write("UCSR0C", 0x46, at=112)
    chip.write("UBRR0", baud, at=200)
    chip.write("UCSR0B", TXEN | RXEN, at=202)
    chip.write("UDR0", 0x5A, at=204)
    bit = 2 * (baud + 1)
    begins = 200 + -(-4 // bit) * bit
    chip.serial.receiver.feed(0xA5, begins)
    chip.pass_to(begins + 9 * bit)
    assert not chip.is_set("UCSR0A", "RXC0", begins + 9 * bit + bit // 2 - 1)
    assert chip.is_set("UCSR0A", "RXC0", begins + 9 * bit + bit // 2)
    chip.pass_to(10**6)
    assert chip.serial.sent == [SentByte(begins + 10 * bit, 0x5A)]
    assert chip.read("UDR0", 10**6) == 0xA5
    assert chip.unmodelled() == []


def test_the_synchronous_slave_is_told() -> None:
    """With XCK an input the clock comes from outside: sec. 20.3.4."""
    chip = port(control=0, frame=0x46)
    chip.write("UCSR0B", TXEN, at=200)
    assert chip.unmodelled() == ["UDR0: the synchronous slave mode of the serial port"]
