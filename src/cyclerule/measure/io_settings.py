"""I/O registers and pins that are given a value before a call."""

from dataclasses import dataclass
from typing import Literal

from cyclerule.errors import ArgumentError
from cyclerule.firmware.types import IntegerType, Type
from cyclerule.firmware.values import Frame, encode
from cyclerule.measure.stage import Stage
from cyclerule.peripherals.port import Pin

Kind = Literal["global", "register", "pin"]

SYNCHRONISER_CYCLES = 2
"""A level that is on a pin for so long is seen by every instruction: half to one and a half clocks of delay."""

_BYTE = IntegerType("unsigned char", 1, signed=False, typedef="uint8_t")
_WORD = IntegerType("unsigned int", 2, signed=False, typedef="uint16_t")
_LEVEL = IntegerType("bool", 1, signed=False, is_bool=True)


@dataclass(frozen=True)
class RegisterSetting:
    """An I/O register, or one bit of it, written as the program would write it right before the call."""

    name: str
    address: int
    size_bytes: int
    bit: int | None = None
    kind: Kind = "register"

    @property
    def type(self) -> Type:
        """A number of the register's size, or a bit."""
        if self.bit is not None:
            return _LEVEL
        return _BYTE if self.size_bytes == 1 else _WORD

    @property
    def addresses(self) -> range:
        """Those of a register that is set whole."""
        return range(self.address, self.address + self.size_bytes) if self.bit is None else range(0)

    def check(self, value: object) -> None:
        """Raises ArgumentError for a number that does not fit."""
        _fitting(self, value)

    def write(self, stage: Stage, value: object) -> None:
        """Writes to the device; a register without a model just holds the value."""
        number = _fitting(self, value)
        if self.bit is not None:
            self._put(stage, self.address, number << self.bit, 1 << self.bit)
            self._check_reads(stage, number)
            return
        # The high byte first: of a register of 16 bits it waits in TEMP for the low one (DS40002061A sec. 16.3).
        for place in reversed(range(self.size_bytes)):
            self._put(stage, self.address + place, number >> 8 * place & 0xFF, 0xFF)
        self._check_reads(stage, number)

    def _check_reads(self, stage: Stage, number: int) -> None:
        """Raises ArgumentError where the device makes the register read as another value than it was given."""
        chip = stage.chip
        if not all(chip.bus.is_modelled(self.address + place) for place in range(self.size_bytes)):
            return
        # Reading may do something to the device, and the low byte latches the high one.
        saved, noted = chip.save(), dict(chip.bus.unmodelled)
        read = [chip.bus.read(self.address + place, chip.cycle) for place in range(self.size_bytes)]
        chip.restore(saved)
        chip.bus.unmodelled = noted
        found = int.from_bytes(bytes(read), "little")
        if self.bit is not None:
            found = found >> self.bit & 1
        if found != number:
            digits = 1 if self.bit is not None else 2 * self.size_bytes
            raise ArgumentError(
                f"register {self.name} cannot be set to 0x{number:0{digits}x}: it is written as the program would, and "
                f"then reads 0x{found:0{digits}x}, as its device decides"
            )

    def _put(self, stage: Stage, address: int, value: int, mask: int) -> None:
        chip = stage.chip
        if chip.bus.is_modelled(address):
            chip.bus.write(address, value, chip.cycle, mask)
        else:
            chip.data[address] = chip.data[address] & ~mask | value


@dataclass(frozen=True)
class PinSetting:
    """A level that somebody outside puts on a pin, or on all pins of a port, right before the call."""

    name: str
    pins: tuple[str, ...]
    bits: tuple[int, ...]
    port: range = range(0)
    kind: Kind = "pin"

    @property
    def type(self) -> Type:
        """A level, or a byte of them."""
        return _LEVEL if len(self.name) == len("PB0") else _BYTE

    @property
    def addresses(self) -> range:
        """That of PINx where all pins of the port are set."""
        return self.port

    def check(self, value: object) -> None:
        """Raises ArgumentError for a number that does not fit."""
        _fitting(self, value)

    def write(self, stage: Stage, value: object) -> None:
        """Drives the pins for long enough that the first instruction sees them; an output stays as it is."""
        number = _fitting(self, value)
        chip = stage.chip
        for pin, level in self._levels(stage, number):
            if not pin.is_output:
                pin.drive(level, chip.cycle)
        chip.cycle += SYNCHRONISER_CYCLES
        chip.events.run_until(chip.cycle)

    def confirm(self, stage: Stage, value: object) -> None:
        """Raises ArgumentError where the program itself holds a pin at another level."""
        for pin, level in self._levels(stage, _fitting(self, value)):
            if pin.is_output and pin.level != level:
                raise ArgumentError(
                    f"{self.name} cannot be set: at the start of the call {pin.name} is an output of the program, "
                    f"which holds it at {int(pin.level)}"
                )

    def _levels(self, stage: Stage, number: int) -> list[tuple[Pin, bool]]:
        found = [stage.devices.ports.pin(name) for name in self.pins]
        return [(pin, bool(number >> bit & 1)) for pin, bit in zip(found, self.bits, strict=True) if pin is not None]


def _fitting(setting: RegisterSetting | PinSetting, value: object) -> int:
    """Gives a number that fits a register or a pin."""
    content = encode(setting.type, value, f"{setting.kind} {setting.name}", Frame(0, 0, None, 0, None))
    return int.from_bytes(content, "little")
