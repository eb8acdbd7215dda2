"""Fits a chip with every device of its part that has a model."""

from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.flags import FlagRegisters
from cyclerule.peripherals.port import Port
from cyclerule.peripherals.prescaler import Prescaler
from cyclerule.peripherals.sleep import SleepControl
from cyclerule.peripherals.timer16 import Timer16
from cyclerule.peripherals.usart import Transmitter

SERIAL_PORTS = ("", "0", "1", "2", "3")


@dataclass(frozen=True)
class Devices:
    """The devices of a chip; `serial` is its first serial port, None where it has none."""

    ports: dict[str, Port]
    timers: dict[int, Timer16]
    serial: Transmitter | None


def fit_devices(chip: Chip) -> Devices:
    """Gives a chip all its modelled devices; called once for each chip."""
    registers = chip.part.registers
    for name in ("GPIOR", "GPIOR0", "GPIOR1", "GPIOR2"):
        if name in registers:
            chip.bus.attach(registers[name].address, None, None)
    ports = {
        letter: Port(chip, letter) for letter in "ABCDEFGHJKL" if f"PORT{letter}" in registers or f"PIN{letter}" in registers
    }
    SleepControl(chip)
    prescaler = Prescaler(chip)
    flag_registers: dict[tuple[int, int], FlagRegisters] = {}
    timers = {}
    for number in (1, 3, 4, 5):
        count = registers.get(f"TCNT{number}")
        if count is None or count.size_bytes != 2 or f"TCCR{number}B" not in registers:
            continue
        flags, enables = (registers.get(f"{name}{number}", registers.get(name)) for name in ("TIFR", "TIMSK"))
        if flags is None or enables is None:
            continue
        key = (flags.address, enables.address)
        if key not in flag_registers:
            flag_registers[key] = FlagRegisters(chip, *key)
        timers[number] = Timer16(chip, number, prescaler, flag_registers[key])
    serial = next((Transmitter(chip, n) for n in SERIAL_PORTS if f"UDR{n}" in registers), None)
    return Devices(ports, timers, serial)
