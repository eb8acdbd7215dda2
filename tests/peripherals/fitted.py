"""A chip with all its devices, touched register by register at chosen cycles."""

from dataclasses import dataclass
from functools import cache

from cyclerule.machine.chip import Chip
from cyclerule.parts import load_part
from cyclerule.parts.part import Part
from cyclerule.peripherals.catalogue import Devices, fit_devices
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.serial.usart import Usart
from cyclerule.peripherals.timers.timer import Timer
from cyclerule.toolchain import find


@cache
def part(name: str) -> Part:
    """Gives a part, loaded once."""
    return load_part(name, find())


@dataclass
class Fitted:
    """A fitted chip; every access is to a register by its name, at a cycle that must not go back."""

    chip: Chip
    devices: Devices

    @classmethod
    def of(cls, name: str, *, clock_hz: int | None = None) -> "Fitted":
        """Makes one, without a program."""
        chip = Chip(part(name), b"", clock_hz=clock_hz)
        return cls(chip, fit_devices(chip))

    @property
    def serial(self) -> Usart:
        """The first serial port."""
        assert self.devices.serial is not None
        return self.devices.serial

    def timer(self, number: int = 1) -> Timer:
        """Gives a timer."""
        return self.devices.timers[number]

    def pin(self, name: str) -> Pin:
        """Gives a pin that the part has."""
        found = self.devices.ports.pin(name)
        assert found is not None
        return found

    def address(self, register: str) -> int:
        """Gives the data address of a register."""
        return self.chip.part.registers[register].address

    def write(self, register: str, value: int, at: int, mask: int = 0xFF) -> None:
        """Writes a register, or one of two bytes high byte first, by an instruction that ends at a cycle."""
        found = self.chip.part.registers[register]
        if found.size_bytes == 2:
            self.chip.bus.write(found.address + 1, value >> 8, at - 2)
        self.chip.bus.write(found.address, value & 0xFF, at, mask)

    def read(self, register: str, at: int) -> int:
        """Reads a register, or one of two bytes low byte first, in a cycle."""
        found = self.chip.part.registers[register]
        low = self.chip.bus.read(found.address, at)
        return low if found.size_bytes == 1 else low | self.chip.bus.read(found.address + 1, at + 2) << 8

    def bit(self, name: str) -> int:
        """Gives the mask of a bit."""
        return 1 << self.chip.part.bits[name]

    def is_set(self, register: str, bit: str, at: int) -> bool:
        """Tells whether a bit reads as 1 in a cycle."""
        return bool(self.read(register, at) & self.bit(bit))

    def asks(self, vector: str) -> bool:
        """Tells whether a vector is requested."""
        return bool(self.chip.interrupts.requests >> self.chip.part.vectors[vector] & 1)

    def pass_to(self, cycle: int) -> None:
        """Lets everything happen up to and in a cycle."""
        self.chip.events.run_until(cycle)

    def unmodelled(self) -> list[str]:
        """Gives what was told: "REGISTER" or "REGISTER: what"."""
        told = self.chip.bus.unmodelled.values()
        return [f"{each.register}: {each.what}" if each.what else each.register for each in told]
