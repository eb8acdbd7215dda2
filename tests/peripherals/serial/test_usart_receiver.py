"""The serial receiver against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 20, unless another is named."""

from fractions import Fraction
from random import Random

import pytest

from cyclerule.errors import ArgumentError
from cyclerule.peripherals.serial.incoming import Line
from cyclerule.peripherals.serial.usart_frame import FrameFormat
from cyclerule.peripherals.serial.usart_receiver import Receiver
from tests.peripherals.fitted import Fitted
from tests.peripherals.serial.ubrr_tables import TOLERANCES

RXEN, RXCIE = 1 << 4, 1 << 7
TICK = 104
"""CPU cycles between two samples at UBRR 103: a sixteenth of 1664."""


class Port(Fitted):
    """A chip with its first serial port on, whose registers are read and written by the names of any part."""

    @classmethod
    def on(cls, part: str = "atmega328p", baud: int = 103, *, control_c: int | None = None, status: int = 0) -> "Port":
        """Makes one, its baud generator started at cycle 100, its receiver switched on then."""
        made = cls.of(part)
        chip = cls(made.chip, made.devices)
        names = chip.chip.part.registers
        if f"UBRR{chip.n}H" in names:
            chip.write(f"UBRR{chip.n}H", baud >> 8, at=10)
        if control_c is not None:
            chip.write(f"UCSR{chip.n}C", control_c, at=90)
        if status:
            chip.write(chip.status, status, at=95)
        chip.write(f"UBRR{chip.n}L" if f"UBRR{chip.n}L" in names else f"UBRR{chip.n}", baud & 0xFF, at=100)
        chip.write(chip.control, RXEN, at=100)
        chip.chip.cycle = 100
        return chip

    @property
    def n(self) -> str:
        """The suffix of the registers' names."""
        return self.serial.suffix

    @property
    def receiver(self) -> Receiver:
        """The receiver."""
        return self.serial.receiver

    @property
    def status(self) -> str:
        """The name of the status register."""
        return next(name for name in (f"UCSR{self.n}A", "USR") if name in self.chip.part.registers)

    @property
    def control(self) -> str:
        """The name of the control register with the enable bits."""
        return next(name for name in (f"UCSR{self.n}B", "UCR") if name in self.chip.part.registers)

    def flags(self, at: int) -> int:
        """Reads RXC, FE, DOR and UPE in bits 7, 4, 3, 2."""
        return self.read(self.status, at) & 0b1001_1100

    def take(self, at: int) -> tuple[int, int]:
        """Gives the flags and the byte with its ninth bit, as a program reads them from a cycle on."""
        flags = self.flags(at)
        ninth = self.read(self.control, at + 1) >> 1 & 1
        return flags, ninth << 8 | self.read(f"UDR{self.n}", at + 2)


RXC, FE, DOR, UPE = 0x80, 0x10, 0x08, 0x04


@pytest.mark.parametrize("part", ["atmega328p", "atmega8", "at90s8515", "attiny2313", "atmega2560", "atmega32u4"])
def test_a_byte_can_be_read_at_the_tenth_sample_of_its_stop_bit(part: str) -> None:
    """Samples 8, 9 and 10 decide on a bit, the first low sample being number 1: sec. 20.8.1 and 20.8.2."""
    chip = Port.on(part)
    chip.receiver.feed(0x5A, 1000)
    first = 100 + 9 * TICK  # The first tick at or after cycle 1000.
    end = first + 9 * 16 * TICK + 9 * TICK
    assert chip.flags(end - 1) == 0
    assert chip.take(end) == (RXC, 0x5A)
    assert chip.flags(end + 3) == 0
    assert chip.unmodelled() == []


def test_double_speed_takes_the_sixth_of_eight_samples() -> None:
    """Samples 4, 5 and 6 in double speed mode: sec. 20.8.1."""
    chip = Port.on(baud=207, status=2)
    chip.receiver.feed(0x5A, 1000)
    first = 100 + 5 * 208
    end = first + 9 * 8 * 208 + 5 * 208
    assert chip.flags(end - 1) == 0
    assert chip.take(end) == (RXC, 0x5A)


@pytest.mark.parametrize("size", [0, 1, 2, 3, 7])
@pytest.mark.parametrize("parity", [0, 2, 3])
@pytest.mark.parametrize("stops", [0, 1])
def test_every_frame_format_is_received(size: int, parity: int, stops: int) -> None:
    """5 to 9 data bits, no, even or odd parity, one or two stop bits: sec. 20.4, tables 20-9 to 20-11."""
    chip = Port.on(control_c=parity << 4 | stops << 3 | (size & 3) << 1)
    bits = 9 if size == 7 else 5 + size
    if bits == 9:
        chip.write("UCSR0B", RXEN | 4, at=110)
    random, at = Random(size), 1000
    for _ in range(20):
        value = random.randrange(1 << bits)
        chip.receiver.feed(value, at + random.randrange(3000))
        at += 20 * 1664
        assert chip.take(at) == (RXC, value)


@pytest.mark.parametrize("parity", [2, 3])
@pytest.mark.parametrize("flipped", range(1, 10))
def test_a_flipped_bit_is_a_parity_error_of_its_own_byte(parity: int, flipped: int) -> None:
    """UPE belongs to the byte that can be read next: sec. 20.7.5; the byte before it and after it have none."""
    chip = Port.on(control_c=parity << 4 | 6)
    chip.receiver.feed(0x31, 1000)
    assert chip.take(20_000) == (RXC, 0x31)
    chip.receiver.feed(0x5A, 21_000, flipped_bits=1 << flipped)
    chip.receiver.feed(0x32)
    chip.pass_to(100_000)
    data = 0x5A ^ (1 << flipped >> 1 & 0xFF)
    assert chip.take(100_000) == (RXC | UPE, data)
    assert chip.take(100_010) == (RXC, 0x32)


def test_a_low_stop_bit_is_a_frame_error() -> None:
    """FE tells the first stop bit of the byte that can be read next: sec. 20.7.4; a second one is ignored."""
    chip = Port.on(control_c=6 | 8)
    chip.receiver.feed(0x5A, 1000, flipped_bits=1 << 9)
    chip.receiver.feed(0x5B, 30_000, flipped_bits=1 << 10)
    chip.pass_to(60_000)
    assert chip.take(60_000) == (RXC | FE, 0x5A)
    assert chip.take(60_010) == (RXC, 0x5B)


def test_two_bytes_wait_in_the_buffer_and_a_third_in_the_shift_register() -> None:
    """Sec. 20.7.4: data is lost once a new start bit comes while the buffer is full and a character waits."""
    chip = Port.on()
    chip.receiver.feed_bytes([1, 2, 3], 1000)
    chip.pass_to(10**6)
    assert [chip.take(10**6 + 10 * n) for n in range(3)] == [(RXC, 1), (RXC, 2), (RXC, 3)]
    assert chip.flags(10**6 + 40) == 0


@pytest.mark.parametrize("count", [4, 5, 9])
def test_an_overrun_is_told_with_the_byte_after_the_loss(count: int) -> None:
    """DOR: frames were lost between the one last read and the next one; it stands in the buffer as FE: sec. 20.7.4."""
    chip = Port.on()
    chip.receiver.feed_bytes(range(1, count + 1), 1000)
    chip.pass_to(10**6)
    assert [chip.take(10**6 + 10 * n) for n in range(3)] == [(RXC, 1), (RXC, 2), (RXC | DOR, count)]
    chip.receiver.feed(0x77, 10**6 + 100)
    chip.pass_to(2 * 10**6)
    assert chip.take(2 * 10**6) == (RXC, 0x77)


def test_a_byte_read_before_the_next_start_bit_is_one_loses_nothing() -> None:
    """The waiting character moves up at once when the buffer is read: sec. 20.7.4."""
    chip = Port.on()
    chip.receiver.feed_bytes([1, 2, 3, 4], 1000)
    first = 100 + 9 * TICK
    fourth_start_bit = first + 30 * 16 * TICK + 9 * TICK
    assert chip.take(fourth_start_bit - 3) == (RXC, 1)
    chip.pass_to(10**6)
    assert [chip.take(10**6 + 10 * n) for n in range(3)] == [(RXC, 2), (RXC, 3), (RXC, 4)]


def test_the_older_uart_holds_one_byte_and_tells_an_overrun_after_it() -> None:
    """AT90S8515 datasheet 0841G, USR, OR: the new byte is lost; OR is set once the byte in UDR is read."""
    chip = Port.on("at90s8515")
    chip.receiver.feed_bytes([1, 2, 3], 1000)
    chip.pass_to(10**6)
    assert chip.take(10**6) == (RXC, 1)
    assert chip.flags(10**6 + 10) == DOR
    chip.receiver.feed(4, 10**6 + 100)
    chip.pass_to(2 * 10**6)
    assert chip.take(2 * 10**6) == (RXC, 4)


@pytest.mark.parametrize(("size", "address", "data"), [(7, 0x1A5, 0x0A5), (3, 0xA5, 0xA5)])
def test_multi_processor_mode_takes_addresses_alone(size: int, address: int, data: int) -> None:
    """Ninth bit 1, or the first stop bit 1 with fewer data bits, is an address; others are ignored: sec. 20.9."""
    chip = Port.on(control_c=(size & 3) << 1, status=1)
    stop = 0
    if size == 7:
        chip.write("UCSR0B", RXEN | 4, at=110)
    else:
        stop = 1 << 9
    chip.receiver.feed(data, 1000, flipped_bits=stop)
    chip.receiver.feed(address, 40_000)
    chip.pass_to(100_000)
    assert chip.take(100_000) == (RXC, address)
    chip.receiver.feed(data, 110_000, flipped_bits=stop)
    chip.write("UCSR0A", 0, at=110_000)
    chip.pass_to(200_000)
    assert chip.take(200_000)[1] == data


@pytest.mark.parametrize(
    ("part", "vector"),
    [
        ("atmega328p", "USART_RX"),
        ("atmega8", "USART_RXC"),
        ("at90s8515", "UART_RX"),
        ("atmega2560", "USART0_RX"),
        ("atmega32u4", "USART1_RX"),
        ("atmega162", "USART0_RXC"),
        ("atmega161", "UART0_RX"),
    ],
)
def test_a_received_byte_asks_until_it_is_read(part: str, vector: str) -> None:
    """RXC is a level: the handler must read UDR, else it runs again: sec. 20.7.3."""
    chip = Port.on(part)
    chip.write(chip.control, RXEN | RXCIE, at=200)
    chip.receiver.feed(0x41, 1000)
    assert not chip.asks(vector)
    chip.pass_to(20_000)
    assert chip.asks(vector)
    chip.chip.interrupts.accept(20_000, chip.chip.stack_pointer)
    assert chip.asks(vector)
    chip.take(20_010)
    assert not chip.asks(vector)


def test_switching_the_receiver_off_empties_the_buffer_and_drops_what_is_under_way() -> None:
    """Disabling is immediate; the buffer is flushed, so RXC becomes 0: sec. 20.7.6 and 20.7.7."""
    chip = Port.on()
    chip.receiver.feed_bytes([1, 2], 1000)
    chip.pass_to(25_000)
    assert chip.flags(25_000) == RXC
    chip.write("UCSR0B", 0, at=25_001)
    assert chip.flags(25_002) == 0
    chip.write("UCSR0B", RXEN, at=60_000)
    chip.receiver.feed(3, 70_000)
    chip.pass_to(10**6)
    assert chip.take(10**6) == (RXC, 3)
    assert chip.flags(10**6 + 10) == 0


def test_a_spike_is_no_start_bit() -> None:
    """Two of the samples 8, 9, 10 must be low, else the search goes on: sec. 20.8.1."""
    chip = Port.on()
    # A start bit that is high again after 7 samples, as a byte of ones at twice the speed has it.
    chip.receiver.feed(0x1FF, 100 + 5 * TICK, bit_cycles=7 * TICK, frame=FrameFormat(9))
    chip.receiver.feed(0x42, 30_000)
    chip.pass_to(10**6)
    assert chip.take(10**6) == (RXC, 0x42)
    assert chip.flags(10**6 + 10) == 0


def test_a_break_is_one_byte_of_zeros_with_a_frame_error() -> None:
    """A start bit begins with a transition from high to low: sec. 20.8.1."""
    chip = Port.on()
    chip.receiver.feed(0, 1000, bit_cycles=10 * 1664)
    chip.receiver.feed(0x42, 400_000)
    chip.pass_to(10**6)
    assert chip.take(10**6) == (RXC | FE, 0)
    assert chip.take(10**6 + 10) == (RXC, 0x42)


# Senders of another speed.


def errors_at(ratio: Fraction, *, is_double: bool, data_and_parity: int, phases: int = 8) -> int:
    """Gives how many of some bytes are not received right from a sender at a ratio of the receiver's rate."""
    parity = 2 if data_and_parity == 10 else 0
    bits = data_and_parity - (1 if parity else 0)
    chip = Port.on(control_c=parity << 4 | (bits - 5 & 3) << 1, status=2 if is_double else 0, baud=15)
    if bits == 9:
        chip.write("UCSR0B", RXEN | 4, at=110)
    samples = 8 if is_double else 16
    wrong, at = 0, 1000
    for phase in range(phases):
        for value in (0, (1 << bits) - 1, 0x155 & (1 << bits) - 1, 0x0AA & (1 << bits) - 1):
            start = at + phase * 16 // phases
            chip.receiver.feed(value, start, bit_cycles=samples * 16 / ratio)
            at += 40 * samples * 16
            flags, received = chip.take(at)
            wrong += (flags, received) != (RXC, value)
            chip.write("UCSR0B", 0, at=at + 10)
            chip.write("UCSR0B", RXEN | (4 if bits == 9 else 0), at=at + 20)
            at += 100
            at -= (at - 100) % 16
    return wrong


@pytest.mark.parametrize("is_double", [False, True])
@pytest.mark.parametrize("bits", range(5, 11))
def test_senders_within_the_tolerance_are_received_and_those_beyond_it_are_not(is_double: bool, bits: int) -> None:
    """Tables 20-2 and 20-3: D is data and parity bits; two samples beyond the rates given is too far.

    The tables ask all three deciding samples of a slow sender to be right, the majority needs two: sec. 20.8.3.
    """
    slow, fast = TOLERANCES[is_double][bits]
    samples = 8 if is_double else 16
    # The printed figures are rounded to a hundredth of a percent.
    assert errors_at(Fraction(slow + 0.006) / 100, is_double=is_double, data_and_parity=bits) == 0
    assert errors_at(Fraction(fast - 0.006) / 100, is_double=is_double, data_and_parity=bits) == 0
    two_samples = Fraction(2, samples * (bits + 1))
    assert errors_at(Fraction(slow) / 100 - two_samples, is_double=is_double, data_and_parity=bits) > 0
    assert errors_at(Fraction(fast) / 100 + two_samples, is_double=is_double, data_and_parity=bits) > 0


def test_a_sender_of_half_the_speed_gives_the_bits_that_the_samples_fall_on() -> None:
    """0x55 at half the rate: each bit is sampled twice, and the stop bit is sampled low; sec. 20.8.2."""
    chip = Port.on()
    chip.receiver.feed(0x55, 100 + 10 * TICK, bit_cycles=2 * 1664)
    chip.pass_to(100 + 10 * TICK + 9 * 1664 + 9 * TICK)
    # Line, two receiver bits each: 00 11 00 11 00, so start 0, data 0 1 1 0 0 1 1 0, stop 0.
    assert chip.take(100 + 10 * TICK + 9 * 1664 + 9 * TICK) == (RXC | FE, 0b0110_0110)


# What is told, refused and kept.


def test_reading_without_a_byte_is_told() -> None:
    """No datasheet says what UDR then reads as."""
    chip = Port.on()
    chip.read("UDR0", 200)
    assert chip.unmodelled() == ["UDR0: what it reads as while no byte is there"]


@pytest.mark.parametrize(("register", "value"), [("UCSR0A", 2), ("UBRR0L", 51), ("UCSR0C", 0x26)])
def test_a_change_in_the_middle_of_a_frame_is_told(register: str, value: int) -> None:
    """It corrupts the frame: sec. 20.11.4 and 20.11.5."""
    chip = Port.on()
    chip.receiver.feed(0x5A, 1000)
    chip.pass_to(5000)
    chip.write(register, value, at=5000)
    assert chip.unmodelled() == ["UDR0: a change of speed or frame format in the middle of a received frame"]


def test_a_byte_fed_before_the_port_is_set_up_has_the_speed_set_when_it_begins() -> None:
    """A scripted sender follows the receiver unless it has a speed of its own."""
    chip = Fitted.of("atmega328p")
    chip.serial.receiver.feed(0x42, 50_000)
    chip.write("UBRR0", 103, at=200)
    chip.write("UCSR0B", RXEN, at=300)
    chip.pass_to(50_000 + 9 * 1664)
    assert not chip.is_set("UCSR0A", "RXC0", 50_000 + 9 * 1664)
    chip.pass_to(70_000)
    assert chip.read("UDR0", 70_000) == 0x42


@pytest.mark.parametrize(
    ("value", "cycle", "bit_cycles", "words"),
    [
        (512, 1000, None, "it has up to nine bits"),
        (-1, 1000, None, "it has up to nine bits"),
        (1, 99, None, "it is 100 now"),
        (1, 1000, 0, "takes more than 0"),
        (1, 1999, None, "give them in the order of time"),
    ],
)
def test_bytes_that_cannot_be_are_refused(value: int, cycle: int, bit_cycles: int | None, words: str) -> None:
    """Values of more than nine bits, times in the past, bits without a length, bytes out of order."""
    chip = Port.on()
    chip.receiver.feed(1, 2000) if cycle == 1999 else None
    with pytest.raises(ArgumentError, match=words):
        chip.receiver.feed(value, cycle, bit_cycles=bit_cycles)


def test_a_kept_state_receives_what_was_under_way_and_what_was_to_come() -> None:
    """Bytes in the buffer, in the shift register and on the line."""
    chip = Port.on()
    chip.receiver.feed_bytes([1, 2, 3, 4], 1000)
    chip.pass_to(45_000)
    saved = chip.chip.save()
    ends = []
    for _ in range(2):
        assert chip.take(46_000) == (RXC, 1)
        chip.pass_to(10**5)
        ends.append([chip.take(10**5 + 10 * n) for n in range(3)])
        chip.chip.restore(saved)
    assert ends[0] == ends[1] == [(RXC, 2), (RXC, 3), (RXC, 4)]


@pytest.mark.parametrize("part", ["atmega328p", "at90s8515"])
@pytest.mark.parametrize("seed", range(6))
def test_the_short_way_for_plain_frames_gives_what_sampling_gives(
    seed: int, part: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frames of the receiver's own speed are not sampled bit by bit; with that way shut all comes out the same."""
    courses = []
    for is_shut in (False, True):
        if is_shut:
            monkeypatch.setattr(Line, "plain_start", lambda line, cycle: None)
            monkeypatch.setattr(Receiver, "_plain_bits", lambda receiver, first: None)
        random, chip = Random(seed), Port.on(part, baud=random_rate(seed))
        bit, at, seen = 16 * (random_rate(seed) + 1), 1000, []
        for _ in range(200):
            own = random.choice([None, None, None, bit + random.randrange(-2, 3), bit * 2])
            flipped = random.choice([0, 0, 0, 1 << random.randrange(10)])
            start = random.choice([None, at + random.randrange(30 * bit)])
            chip.receiver.feed(random.randrange(256), start, bit_cycles=own, flipped_bits=flipped)
            at = max(at, start or 0)
        end, at = at, 1000
        while at < end:
            at += random.randrange(1, 25 * bit)
            chip.pass_to(at)
            seen.append(chip.take(at) if random.random() < 0.8 else (chip.flags(at), -1))
        courses.append(seen)
    assert courses[0] == courses[1]
    assert len(set(courses[0])) > 20


def random_rate(seed: int) -> int:
    """Gives a setting of UBRR."""
    return (0, 3, 8, 51, 103, 200)[seed]
