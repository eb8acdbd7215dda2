"""Fits a chip with the serial interfaces of its part."""

from dataclasses import dataclass
from functools import partial

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Pin, Ports
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.serial.spi import Spi, SpiRegisters
from cyclerule.peripherals.serial.twi import Twi, TwiRegisters
from cyclerule.peripherals.serial.twi_master import TwiMaster
from cyclerule.peripherals.serial.usart import FindPin, Usart, share_baud_high
from cyclerule.peripherals.serial.usart_registers import serial_ports
from cyclerule.peripherals.serial.usi import Usi, UsiRegisters


@dataclass(frozen=True)
class SerialDevices:
    """The serial interfaces of a chip; `ports` are the serial ports by number, the first one first.

    `twi_master` is a master at the other end of the two-wire bus, which does nothing until it is asked to.
    """

    ports: dict[int, Usart]
    spi: Spi | None
    twi: Twi | None
    twi_master: TwiMaster | None
    usi: Usi | None

    @property
    def first(self) -> Usart | None:
        """The first serial port, None where the part has none."""
        return next(iter(self.ports.values()), None)


def fit_serial(chip: Chip, ports: Ports, power: PowerReduction) -> SerialDevices:
    """Gives a chip its serial interfaces."""

    def pin(function: str) -> Pin | None:
        return ports.pin(pin_of(chip.part, function))

    made = [Usart(chip, suffix, partial(_numbered, pin, suffix), power) for suffix in serial_ports(chip.part)]
    if len(made) > 1:
        share_baud_high(chip, made[0], made[1])
    spi = SpiRegisters.of(chip.part)
    usi = UsiRegisters.of(chip.part)
    twi_registers = TwiRegisters.of(chip.part)
    twi = None if twi_registers is None else Twi(chip, twi_registers, pin, power)
    return SerialDevices(
        {each.number: each for each in made},
        None if spi is None else Spi(chip, spi, pin, power),
        twi,
        None if twi is None else TwiMaster(chip, twi),
        None if usi is None else Usi(chip, usi, pin, power),
    )


def _numbered(pin: FindPin, suffix: str, function: str) -> Pin | None:
    """Gives a pin of the unit with that number."""
    return pin(function + suffix)
