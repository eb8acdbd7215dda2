"""Fits a chip with every device of its part that has a model."""

import re
from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.digital_inputs import fit_digital_inputs
from cyclerule.peripherals.pin_interrupts import PinInterrupts, fit_pin_interrupts
from cyclerule.peripherals.port import Ports
from cyclerule.peripherals.serial.fitting import SerialDevices, fit_serial
from cyclerule.peripherals.serial.usart import Usart
from cyclerule.peripherals.stimuli import Stimuli
from cyclerule.peripherals.system import SystemDevices, fit_system
from cyclerule.peripherals.timers.fitting import fit_timers
from cyclerule.peripherals.timers.timer import Timer
from cyclerule.peripherals.timers.timer16 import Timer16


@dataclass(frozen=True)
class Devices:
    """The devices of a chip."""

    ports: Ports
    timers: dict[int, Timer]
    system: SystemDevices
    serial_devices: SerialDevices
    pin_interrupts: PinInterrupts | None
    stimuli: Stimuli

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
    system = fit_system(chip)
    pin_interrupts = fit_pin_interrupts(chip, ports, system.power)
    if pin_interrupts is not None:
        system.sleep.wakes_without_clock = pin_interrupts.wakes_without_clock
    timers = fit_timers(chip, ports, system.power, system.clock)
    # The comparator can capture on timer 1 alone: DS40002061A sec. 23.3.2, ACIC.
    first = timers.get(1)
    if system.comparator is not None and isinstance(first, Timer16):
        first.capture.join(system.comparator)
    serial = fit_serial(chip, ports, system.power)
    fit_digital_inputs(chip, ports)
    stimuli = Stimuli(chip, ports, serial.ports, system.inputs)
    devices = Devices(ports, timers, system, serial, pin_interrupts, stimuli)
    chip.keep_power_on_state()
    return devices
