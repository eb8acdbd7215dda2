"""Fits a chip with every device of its part that has a model."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.eeprom import Eeprom, has_eeprom
from cyclerule.peripherals.flags import FlagRegisters
from cyclerule.peripherals.pin_interrupts import PinInterrupts, fit_pin_interrupts
from cyclerule.peripherals.port import Ports
from cyclerule.peripherals.power import Clock, PowerReduction
from cyclerule.peripherals.prescaler import Prescaler
from cyclerule.peripherals.serial.fitting import SerialDevices, fit_serial
from cyclerule.peripherals.serial.usart import Usart
from cyclerule.peripherals.sleep import SleepControl
from cyclerule.peripherals.timer16 import Timer16, has_timer16

TIMERS = range(1, 6)
_TIMER_ENABLE = re.compile(r"(?:TOIE|OCIE|ICIE|TICIE)(?P<timer>\d)[A-D]?")


@dataclass(frozen=True)
class Devices:
    """The devices of a chip."""

    ports: Ports
    timers: dict[int, Timer16]
    clock: Clock
    power: PowerReduction
    eeprom: Eeprom | None
    serial_devices: SerialDevices
    pin_interrupts: PinInterrupts | None

    @property
    def serial(self) -> Usart | None:
        """The first serial port."""
        return self.serial_devices.first


def fit_devices(chip: Chip) -> Devices:
    """Gives a chip all its modelled devices; called once for each chip."""
    registers = chip.part.registers
    # General purpose I/O registers keep what is written and do nothing.
    for name in registers:
        if re.fullmatch(r"GPIOR\d?", name):
            chip.bus.attach(registers[name].address, None, None)
    ports = Ports.of(chip)
    clock, power = Clock(chip), PowerReduction(chip)
    pin_interrupts = fit_pin_interrupts(chip, ports)
    SleepControl(chip)
    eeprom = Eeprom(chip, clock) if has_eeprom(chip) else None
    timers = _fit_timers(chip)
    return Devices(ports, timers, clock, power, eeprom, fit_serial(chip), pin_interrupts)


def _fit_timers(chip: Chip) -> dict[int, Timer16]:
    numbers = [number for number in TIMERS if has_timer16(chip.part, number)]
    # Without a timer that counts its ticks, the prescaler's register is left to be reported.
    if not numbers:
        return {}
    prescaler, registers = Prescaler(chip), _flag_registers(chip)
    return {number: Timer16(chip, number, prescaler, registers) for number in numbers}


def _flag_registers(chip: Chip) -> Callable[[str], FlagRegisters]:
    """Gives what finds, and makes when first asked for, the pair of registers that an enable bit stands in."""
    part, made = chip.part, dict[str, FlagRegisters]()

    def find(enable: str) -> FlagRegisters:
        mask = _mask_register(part, enable)
        if mask not in made:
            flag = mask.replace("TIMSK", "TIFR")
            names = {part.bits[name]: name for name in _enable_bits(part) if _mask_register(part, name) == mask}
            made[mask] = FlagRegisters(chip, part.registers[flag].address, part.registers[mask].address, names)
        return made[mask]

    return find


def _enable_bits(part: Part) -> Iterator[str]:
    return (name for name in part.bits if _TIMER_ENABLE.fullmatch(name))


def _mask_register(part: Part, enable: str) -> str:
    """Names the register that a timer's interrupt enable bit stands in; its flag stands in the TIFR of the same name.

    One for each timer from the ATmega48 on, before that TIMSK for all, and where that is full ETIMSK for timer 3 and
    the third compare unit of timer 1 (ATmega128 datasheet 2467, register description of ETIMSK; ATmega162 2513).
    """
    match = _TIMER_ENABLE.fullmatch(enable)
    number = "" if match is None else match["timer"]
    if f"TIMSK{number}" in part.registers:
        return f"TIMSK{number}"
    if "ETIMSK" in part.registers and (number == "3" or enable == "OCIE1C"):
        return "ETIMSK"
    return "TIMSK"
