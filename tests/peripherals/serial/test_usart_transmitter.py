"""The serial transmitter against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 20, unless another is named."""

import pytest

from cyclerule.peripherals.serial.usart_transmitter import SentByte
from tests.peripherals.fitted import Fitted
from tests.peripherals.serial.ubrr_tables import SETTINGS, Setting


def port(part: str = "atmega328p", baud: int = 103, *, control_c: int | None = None, double: bool = False) -> Fitted:
    """A chip whose first serial port is on, with its registers written by cycle 100."""
    chip = Fitted.of(part)
    names = chip.chip.part.registers
    n = chip.serial.suffix
    if f"UBRR{n}H" in names:
        chip.write(f"UBRR{n}H", baud >> 8, at=10)
    chip.write(f"UBRR{n}L" if f"UBRR{n}L" in names else f"UBRR{n}", baud & 0xFF, at=100)
    if control_c is not None:
        chip.write(f"UCSR{n}C", control_c, at=20 + 80)
    if double:
        chip.write(f"UCSR{n}A", chip.bit(f"U2X{n}"), at=100)
    control = f"UCSR{n}B" if f"UCSR{n}B" in names else "UCR"
    chip.write(control, 1 << 3, at=100)
    return chip


@pytest.mark.parametrize(
    "part", ["atmega328p", "atmega8", "at90s8515", "attiny2313", "atmega2560", "atmega32u4", "atmega169"]
)
def test_a_frame_at_9600_baud_and_16_mhz_takes_ten_bits_of_1664_cycles(part: str) -> None:
    """UBRR 103 for 9600 baud at 16 MHz: table 20-12; a bit takes 16 (UBRR + 1) cycles: table 20-1; 8N1 has ten."""
    chip = port(part)
    chip.write(f"UDR{chip.serial.suffix}", 0x5A, at=100)
    chip.pass_to(100 + 16_639)
    assert chip.serial.sent == []
    chip.pass_to(100 + 16_640)
    assert chip.serial.sent == [SentByte(100 + 10 * 1664, 0x5A)]
    assert chip.unmodelled() == []


def test_double_speed_halves_the_bit() -> None:
    """U2X: 8 (UBRR + 1) cycles a bit, table 20-1; UBRR 207 for 9600 baud, table 20-12."""
    chip = port(baud=207, double=True)
    chip.write("UDR0", 1, at=100)
    chip.pass_to(10**6)
    assert chip.serial.sent == [SentByte(100 + 10 * 1664, 1)]


@pytest.mark.parametrize("baud", [0, 8, 103, 0xFFF])
@pytest.mark.parametrize("size", range(4))
@pytest.mark.parametrize("parity", [0, 2, 3])
@pytest.mark.parametrize("stops", [1, 2])
def test_a_frame_has_the_bits_that_ucsrc_says(baud: int, size: int, parity: int, stops: int) -> None:
    """UPM1:0 in bits 5:4, USBS in 3, UCSZ1:0 in 2:1; one start bit and 5 to 8 data bits: sec. 20.11.4."""
    chip = port(baud=baud, control_c=parity << 4 | (stops - 1) << 3 | size << 1)
    chip.write("UDR0", 0, at=100)
    chip.pass_to(10**7)
    bits = 1 + (5 + size) + (1 if parity else 0) + stops
    assert chip.serial.sent[0].cycle == 100 + bits * 16 * (baud + 1)


@pytest.mark.parametrize(("part", "control", "bit"), [("atmega328p", "UCSR0B", "UCSZ02"), ("at90s8515", "UCR", "CHR9")])
def test_nine_data_bits_make_eleven(part: str, control: str, bit: str) -> None:
    """UCSZn2 with UCSZn1:0 = 3, sec. 20.11.3; CHR9 on the first generation, AT90S8515 datasheet 0841G, UCR."""
    chip = port(part)
    chip.write(control, 1 << 3 | chip.bit(bit), at=100)
    chip.write(f"UDR{chip.serial.suffix}", 0, at=100)
    chip.pass_to(10**6)
    assert chip.serial.sent[0].cycle == 100 + 11 * 1664


def test_a_second_byte_waits_in_the_buffer_and_follows_without_a_gap() -> None:
    """UDRE is 0 while the buffer is full and 1 once its byte moves on: sec. 20.6.1 and 20.11.2; a third is ignored."""
    chip = port()
    chip.write("UDR0", 0x11, at=100)
    assert chip.is_set("UCSR0A", "UDRE0", 101)
    chip.write("UDR0", 0x22, at=105)
    assert not chip.is_set("UCSR0A", "UDRE0", 106)
    chip.write("UDR0", 0x33, at=110)
    assert not chip.is_set("UCSR0A", "UDRE0", 100 + 16_639)
    assert chip.is_set("UCSR0A", "UDRE0", 100 + 16_640)
    chip.pass_to(10**6)
    assert chip.serial.sent == [SentByte(100 + 16_640, 0x11), SentByte(100 + 2 * 16_640, 0x22)]


def test_transmit_complete_is_set_after_the_last_frame_alone() -> None:
    """TXC is set when the frame has left and the buffer is empty; 1 clears it, so does its handler: sec. 20.11.2."""
    chip = port()
    chip.write("UDR0", 0x11, at=100)
    chip.write("UDR0", 0x22, at=105)
    assert not chip.is_set("UCSR0A", "TXC0", 100 + 2 * 16_640 - 1)
    assert chip.is_set("UCSR0A", "TXC0", 100 + 2 * 16_640)
    chip.write("UCSR0A", 0, at=40_000)
    assert chip.is_set("UCSR0A", "TXC0", 40_001)
    chip.write("UCSR0A", chip.bit("TXC0"), at=40_002)
    assert not chip.is_set("UCSR0A", "TXC0", 40_003)
    chip.write("UDR0", 0x33, at=50_000)
    chip.write("UCSR0B", 1 << 3 | chip.bit("TXCIE0"), at=50_001)
    chip.pass_to(10**6)
    assert chip.asks("USART_TX")
    chip.chip.interrupts.accept(10**6, chip.chip.stack_pointer)
    assert not chip.asks("USART_TX")
    assert not chip.is_set("UCSR0A", "TXC0", 10**6)


@pytest.mark.parametrize(
    ("part", "control", "vector"),
    [
        ("atmega328p", "UCSR0B", "USART_UDRE"),
        ("atmega8", "UCSRB", "USART_UDRE"),
        ("at90s8515", "UCR", "UART_UDRE"),
        ("atmega2560", "UCSR0B", "USART0_UDRE"),
        ("atmega32u4", "UCSR1B", "USART1_UDRE"),
        ("atmega169", "UCSRB", "USART0_UDRE"),
    ],
)
def test_an_empty_buffer_keeps_asking_until_it_is_filled(part: str, control: str, vector: str) -> None:
    """UDRE is a level: the handler must write UDR or clear UDRIE, else it runs again: sec. 20.6.3."""
    chip = port(part)
    n = chip.serial.suffix
    assert not chip.asks(vector)
    chip.write(control, 1 << 3 | chip.bit(f"UDRIE{n}"), at=200)
    assert chip.asks(vector)
    chip.chip.interrupts.accept(201, chip.chip.stack_pointer)
    assert chip.asks(vector)
    chip.write(f"UDR{n}", 1, at=210)
    chip.write(f"UDR{n}", 2, at=220)
    assert not chip.asks(vector)
    chip.pass_to(20_000)
    assert chip.asks(vector)
    chip.write(control, 1 << 3, at=20_001)
    assert not chip.asks(vector)


def test_switching_the_transmitter_off_lets_what_is_under_way_be_sent() -> None:
    """TXEN takes effect when ongoing and pending transmissions are done: sec. 20.11.3."""
    chip = port()
    chip.write("UDR0", 0x11, at=100)
    chip.write("UDR0", 0x22, at=105)
    chip.write("UCSR0B", 0, at=110)
    chip.pass_to(10**6)
    assert [each.value for each in chip.serial.sent] == [0x11, 0x22]


def test_ubrrh_and_ucsrc_share_an_address_on_the_atmega8() -> None:
    """URSEL says which is written, the second of two reads in a row gives UCSRC: ATmega8 datasheet 2486, USART."""
    chip = port("atmega8", baud=0)
    chip.write("UBRRH", 0x01, at=200)
    chip.write("UCSRC", chip.bit("URSEL") | 0x0E, at=202)
    chip.write("UBRRL", 0x02, at=204)
    assert chip.serial.bit_cycles == 16 * 0x103
    assert chip.serial.frame_bits == 11
    assert chip.read("UBRRH", 210) == 0x01
    assert chip.read("UCSRC", 211) == chip.bit("URSEL") | 0x0E
    assert chip.read("UBRRH", 220) == 0x01
    assert chip.read("UBRRH", 222) == 0x01


def test_registers_are_read_back_as_they_were_written() -> None:
    """Reset state 0x20, 0x00, 0x06, 0x0000 and the bits that can be written: sec. 20.11."""
    chip = Fitted.of("atmega328p")
    assert [chip.read(f"UCSR0{letter}", 1) for letter in "ABC"] == [0x20, 0x00, 0x06]
    chip.write("UCSR0A", 0xFF, at=2)
    chip.write("UCSR0B", 0xA8, at=3)
    chip.write("UCSR0C", 0x2E, at=4)
    chip.write("UBRR0", 0x0ABC, at=8)
    assert [chip.read(f"UCSR0{letter}", 9) for letter in "ABC"] == [0x20 | 0x03, 0xA8, 0x2E]
    assert chip.read("UBRR0", 10) == 0x0ABC


@pytest.mark.parametrize(
    ("register", "value", "what"),
    [
        ("UCSR0C", 0x86, "a reserved mode of the serial port"),
        ("UCSR0C", 0xC6, "the serial port as SPI master"),
        ("UCSR0C", 0x16, "a reserved parity mode of the serial port"),
        ("UCSR0C", 0x26, "a change of the frame format in the middle of a frame"),
        ("UBRR0", 51, "a change of speed in the middle of a frame"),
        ("UCSR0A", 0x02, "a change of speed in the middle of a frame"),
    ],
)
def test_what_is_not_modelled_is_told(register: str, value: int, what: str) -> None:
    """Synchronous modes, sec. 20.3.3; a new UBRRL corrupts the frame under way, sec. 20.11.5."""
    chip = port()
    chip.write("UDR0", 1, at=110)
    chip.write(register, value, at=120)
    assert f"UDR0: {what}" in chip.unmodelled()


def test_a_byte_for_a_transmitter_that_is_off_is_told() -> None:
    """What a byte written with TXEN clear becomes is not known."""
    chip = Fitted.of("atmega328p")
    chip.write("UDR0", 1, at=110)
    assert chip.unmodelled() == ["UDR0: a byte written while the transmitter is off"]


@pytest.mark.parametrize("part", ["atmega2560", "atmega162", "atmega161", "atmega128", "atmega1284p"])
def test_every_port_of_a_part_sends_on_its_own(part: str) -> None:
    """Each port with its own baud rate: table 20-1; the ATmega2560 has four, the others two."""
    chip = Fitted.of(part)
    ports = chip.devices.serial_devices.ports
    assert list(ports) == ([0, 1, 2, 3] if part == "atmega2560" else [0, 1])
    names = chip.chip.part.registers
    for n in ports:
        chip.write(f"UBRR{n}L" if f"UBRR{n}L" in names else f"UBRR{n}", 10 + n, at=100)
        chip.write(f"UCSR{n}B", 1 << 3, at=100)
        chip.write(f"UDR{n}", 0x50 + n, at=100)
    chip.pass_to(10**6)
    for n, each in ports.items():
        assert each.sent == [SentByte(100 + 10 * 16 * (11 + n), 0x50 + n)]
    assert chip.unmodelled() == []


def test_two_ports_share_the_upper_byte_of_their_baud_rates() -> None:
    """Bits 3:0 belong to UART 0, bits 7:4 to UART 1: ATmega161 datasheet 1228B, UBRRHI."""
    chip = Fitted.of("atmega161")
    chip.write("UBRRH", 0x21, at=100)
    chip.write("UBRR0", 0x03, at=102)
    chip.write("UBRR1", 0x04, at=104)
    assert [each.bit_cycles for each in chip.devices.serial_devices.ports.values()] == [16 * 0x104, 16 * 0x205]
    assert chip.read("UBRRH", 110) == 0x21


@pytest.mark.parametrize(
    "setting", SETTINGS, ids=lambda s: f"{s.clock_hz}-{s.baud}-{'u2x' if s.is_double else 'normal'}"
)
def test_baud_rates_have_the_error_of_the_datasheet(setting: Setting) -> None:
    """Tables 20-4 to 20-7, all rows: the error of the rate that a frame of ten bits has on the chip."""
    chip = port(baud=setting.ubrr, double=setting.is_double)
    chip.write("UDR0", 0x55, at=100)
    chip.pass_to(10**6)
    bit_cycles = (chip.serial.sent[0].cycle - 100) / 10
    error = 100 * (setting.clock_hz / bit_cycles / setting.baud - 1)
    assert abs(error - setting.error_percent) <= 0.05 + 1e-9


def test_the_ninth_bit_is_that_of_the_control_register_when_the_byte_is_written() -> None:
    """TXB8 has to be written before the low byte: sec. 20.6.2."""
    chip = port()
    chip.write("UCSR0B", 1 << 3 | 4 | 1, at=110)
    chip.write("UDR0", 0xA5, at=112)
    chip.write("UCSR0B", 1 << 3 | 4, at=114)
    chip.write("UDR0", 0x5A, at=116)
    chip.pass_to(10**6)
    assert [(each.value, each.ninth) for each in chip.serial.sent] == [(0xA5, True), (0x5A, False)]


@pytest.mark.parametrize("size", range(4))
def test_bits_beyond_the_character_size_are_not_sent(size: int) -> None:
    """Upper unused bits are ignored by the transmitter: sec. 20.11.1."""
    chip = port(control_c=size << 1)
    chip.write("UDR0", 0xFF, at=100)
    chip.pass_to(10**6)
    assert chip.serial.sent[0].value == (1 << 5 + size) - 1


def test_a_kept_state_sends_what_was_under_way_and_what_waited() -> None:
    """What was sent after the state was kept is forgotten."""
    chip = port()
    chip.write("UDR0", 0x11, at=100)
    chip.write("UDR0", 0x22, at=105)
    saved = chip.chip.save()
    chip.pass_to(10**6)
    first = list(chip.serial.sent)
    chip.write("UDR0", 0x33, at=10**6)
    chip.pass_to(2 * 10**6)
    chip.chip.restore(saved)
    assert chip.serial.sent == []
    chip.pass_to(10**6)
    assert chip.serial.sent == first
    assert [each.value for each in first] == [0x11, 0x22]
