"""A reset inside a run sets the serial interfaces back; what is at the other end of their lines goes on.

Registers have their initial values after a reset: DS40002061A sec. 11.1.
"""

from cyclerule.peripherals.serial.usart_transmitter import SentByte
from tests.peripherals.fitted import Fitted


def reset(chip: Fitted, cycle: int) -> int:
    """Resets a chip at a cycle, and gives the cycle at which its CPU runs again."""
    chip.chip.clock_hz = 16_000_000
    chip.pass_to(cycle)
    chip.chip.cycle = cycle
    chip.chip.request_reset("WDRF", cycle)
    chip.chip.reset()
    return chip.chip.cycle


def test_a_frame_on_its_way_ends_and_what_was_sent_stays() -> None:
    """The pin is the port's again and the registers read as after power-on."""
    chip = Fitted.of("atmega328p")
    chip.write("UBRR0", 103, at=100)
    chip.write("UCSR0B", 8, at=100)
    chip.write("UDR0", 1, at=100)
    chip.write("UDR0", 2, at=102)
    txd = chip.devices.ports.pin("PD1")
    assert txd is not None
    at = reset(chip, 30_000)
    assert not txd.is_output
    chip.pass_to(at + 10**6)
    assert chip.serial.sent == [SentByte(100 + 16_640, 1)]
    assert [chip.read(f"UCSR0{letter}", at + 10**6) for letter in "ABC"] == [0x20, 0, 6]
    assert chip.read("UBRR0", at + 10**6) == 0


def test_the_sender_at_the_other_end_goes_on() -> None:
    """Bytes that come after the program has set its port up again are received."""
    chip = Fitted.of("atmega328p")
    chip.write("UBRR0", 103, at=100)
    chip.write("UCSR0B", 0x10, at=100)
    for start in (1000, 25_000, 2_000_000):
        chip.serial.receiver.feed(start >> 8 & 0xFF, start, bit_cycles=1664)
    at = reset(chip, 30_000)
    assert not chip.is_set("UCSR0A", "RXC0", at)
    chip.write("UBRR0", 103, at=at + 100)
    chip.write("UCSR0B", 0x10, at=at + 100)
    chip.pass_to(3_000_000)
    assert chip.read("UDR0", 3_000_000) == 2_000_000 >> 8 & 0xFF
    assert not chip.is_set("UCSR0A", "RXC0", 3_000_001)


def test_transfers_end_and_the_devices_stay() -> None:
    """SPI and TWI are off after a reset, and what was on their lines is there still."""
    chip = Fitted.of("atmega328p")
    spi, twi, master = (
        chip.devices.serial_devices.spi,
        chip.devices.serial_devices.twi,
        chip.devices.serial_devices.twi_master,
    )
    assert spi is not None
    assert twi is not None
    assert master is not None
    chip.write("DDRB", 0x2C, at=50)
    chip.write("SPCR", 0x50, at=100)
    spi.answers.extend([1, 2])
    chip.write("SPDR", 3, at=200)
    chip.write("TWAR", 0x52, at=300)
    chip.write("TWCR", 0x44, at=302)
    transfer = master.transfer(0x29, 1000, writes=[1, 2])
    chip.pass_to(1000 + 1600)
    assert twi.is_waiting
    chip.write("SPDR", 4, at=2990)
    at = reset(chip, 3000)
    chip.pass_to(at + 10**5)
    assert [each.sent for each in spi.exchanged] == [3]
    assert list(spi.answers) == [2]
    assert chip.read("SPCR", at + 10**5) == 0
    assert chip.read("TWCR", at + 10**5) == 0
    assert transfer.end is not None
