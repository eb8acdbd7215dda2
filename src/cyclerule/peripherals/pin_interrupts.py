"""Fits a chip with the interrupts that its pins ask for."""

from typing import NamedTuple

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.external_interrupts import ExternalInterrupts, request_registers
from cyclerule.peripherals.pin_change import PinChangeInterrupts
from cyclerule.peripherals.pin_watch import PinWatch
from cyclerule.peripherals.port import Ports
from cyclerule.peripherals.power import PowerReduction


class PinInterrupts(NamedTuple):
    """INTn and the pin-change interrupts of a chip."""

    external: ExternalInterrupts
    pin_change: PinChangeInterrupts

    def wakes_without_clock(self, vector: int) -> bool:
        """Tells whether a vector's interrupt is noticed while the I/O clock stands, as in sleep modes beyond Idle."""
        return self.external.wakes_without_clock(vector) or self.pin_change.wakes_without_clock(vector)


def fit_pin_interrupts(chip: Chip, ports: Ports, power: PowerReduction) -> PinInterrupts | None:
    """Makes INTn and the pin-change interrupts; None for a part that has them otherwise."""
    registers = request_registers(chip)
    if registers is None:
        return None
    watch = PinWatch(chip, power)
    external = ExternalInterrupts(chip, registers, ports, watch)
    return PinInterrupts(external, PinChangeInterrupts(chip, registers, ports, watch))
