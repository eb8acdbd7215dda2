"""Fits a chip with the serial interfaces of its part."""

from dataclasses import dataclass
from functools import partial

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Pin, Ports
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.serial.spi import Spi, SpiRegisters
from cyclerule.peripherals.serial.usart import FindPin, Usart, share_baud_high
from cyclerule.peripherals.serial.usart_registers import serial_ports


@dataclass(frozen=True)
class SerialDevices:
    """The serial interfaces of a chip; `ports` are the serial ports by number, the first one first."""

    ports: dict[int, Usart]
    spi: Spi | None

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
    return SerialDevices(
        {each.number: each for each in made},
        None if spi is None else Spi(chip, spi, pin, power),
    )


def _numbered(pin: FindPin, suffix: str, function: str) -> Pin | None:
    """Gives a pin of the unit with that number."""
    return pin(function + suffix)
