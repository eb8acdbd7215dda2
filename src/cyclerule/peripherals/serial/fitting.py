"""Fits a chip with the serial interfaces of its part."""

from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.serial.usart import Usart, share_baud_high
from cyclerule.peripherals.serial.usart_registers import serial_ports


@dataclass(frozen=True)
class SerialDevices:
    """The serial interfaces of a chip; `ports` are the serial ports by number, the first one first."""

    ports: dict[int, Usart]

    @property
    def first(self) -> Usart | None:
        """The first serial port, None where the part has none."""
        return next(iter(self.ports.values()), None)


def fit_serial(chip: Chip) -> SerialDevices:
    """Gives a chip its serial interfaces."""
    made = [Usart(chip, suffix, lambda function: None) for suffix in serial_ports(chip.part)]
    if len(made) > 1:
        share_baud_high(chip, made[0], made[1])
    return SerialDevices({each.number: each for each in made})
