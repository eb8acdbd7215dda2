"""A running chip: its state, its spaces, and how a state is kept and set again."""

from collections.abc import Callable
from typing import Any, Protocol

from cyclerule.errors import FirmwareError, NotModelled
from cyclerule.isa.families import Core
from cyclerule.isa.operations import I
from cyclerule.isa.table import InstructionTable, table_for
from cyclerule.machine.bus import IoBus
from cyclerule.machine.events import EventQueue
from cyclerule.machine.interrupts import InterruptController
from cyclerule.parts.part import Part

MODELLED_FAMILIES = frozenset({"AVR", "AVRe", "AVRe+"})

# The CPU's own registers stand at these data addresses on every AVR, AVRe and AVRe+ part
# (DS40002198 sec. 2; ATmega640/1280/1281/2560/2561 datasheet, register summary, for RAMPZ and EIND).
RAMPZ, EIND, SPL, SPH, SREG = 0x5B, 0x5C, 0x5D, 0x5E, 0x5F


class Device(Protocol):
    """A device of the chip: it has attached itself to the bus, alarms and interrupts when made."""

    def save(self) -> Any:
        """Gives the device's state, for `restore`."""

    def restore(self, saved: Any) -> None:
        """Sets a saved state."""


class Chip:
    """One chip with firmware in it.

    Data space is one bytearray: r0 to r31, I/O (what devices keep there), RAM. The status register
    is kept as eight bytes in `flags` (C Z N V S H T I), program counter and stack pointer as
    integers, time as the count of CPU cycles since reset. Engines work on this state directly.

    `clock_hz` is the frequency of the clock source, None where nobody has said it: then what takes a time and not a
    number of cycles cannot be modelled. `eeprom` is kept across resets.
    """

    def __init__(self, part: Part, flash: bytes, eeprom: bytes = b"", clock_hz: int | None = None) -> None:
        if part.family not in MODELLED_FAMILIES:
            raise NotModelled(
                f"{part.name} is of family {part.family}, which is not modelled yet; "
                f"modelled are {', '.join(sorted(MODELLED_FAMILIES))}"
            )
        if len(flash) > part.flash_bytes:
            raise FirmwareError(
                f"the program reaches to flash byte {len(flash)}, but {part.name} has {part.flash_bytes}; "
                "is it for another part?"
            )
        if len(eeprom) > part.eeprom_bytes:
            raise FirmwareError(
                f"the program puts {len(eeprom)} bytes into EEPROM, but {part.name} has {part.eeprom_bytes}; "
                "is it for another part?"
            )
        self.part = part
        self.core = Core(part.family, frozenset(part.features), part.pc_bytes)
        self.table: InstructionTable = table_for(self.core)
        self.flash = bytearray(flash) + b"\xff" * (part.flash_bytes - len(flash))
        self.flash_words = part.flash_bytes // 2
        # Erased bytes read 0xFF (DS40002061A sec. 8.4).
        self.eeprom = bytearray(eeprom) + b"\xff" * (part.eeprom_bytes - len(eeprom))
        self.clock_hz = clock_hz
        self.data = bytearray(part.ram_end + 1)
        self.flags = bytearray(8)
        self.program_counter = 0
        self.stack_pointer = 0
        self.cycle = 0
        self.is_asleep = False
        # Cycles in sleep so far, the wake-up included; a count, and no part of the state.
        self.asleep_cycles = 0
        self.interrupt_shadow = False
        self.ram_start, self.ram_end = part.ram_start, part.ram_end
        # Parts with at most 256 bytes of data space have no SPH, and a stack pointer of eight bits (AT90S2313
        # datasheet, "Stack Pointer"). A part that has more has SPH, even where its header forgets it.
        self.stack_pointer_mask = 0xFFFF if "SPH" in part.registers or self.ram_end > 0xFF else 0xFF
        # The stack needs RAM above this address; a program's data raise it.
        self.stack_floor = part.ram_start - 1
        self.lowest_stack_pointer = 0xFFFF
        self.events = EventQueue()
        self.bus = IoBus(part, self.data, self.events)
        self.interrupts = InterruptController(part.pc_bytes, part.vector_bytes // 2)
        self.devices: list[Device] = []
        self.enters_sleep: Callable[[], bool] | None = None
        self._attach_cpu_registers()
        self._reset_stack_pointer()

    def add(self, device: Device) -> None:
        """Makes a device's state part of the chip's."""
        self.devices.append(device)

    def _reset_stack_pointer(self) -> None:
        # From the ATmega48 generation on SP starts at RAMEND (DS40002011A sec. 11.5.1); before, at 0, and start-up code
        # sets it. Starting at RAMEND everywhere changes nothing for programs that set it, which compiled ones do.
        self.stack_pointer = self.ram_end & self.stack_pointer_mask
        self.lowest_stack_pointer = self.stack_pointer

    def _attach_cpu_registers(self) -> None:
        bus = self.bus
        bus.attach(
            SREG, lambda cycle: self.status(), lambda value, mask, cycle: self.set_status(value, mask), quiet=True
        )
        if "RAM" in self.core.features:
            bus.attach(SPL, lambda cycle: self.stack_pointer & 0xFF, self._write_stack_pointer_low, quiet=True)
        if self.stack_pointer_mask == 0xFFFF:
            bus.attach(SPH, lambda cycle: self.stack_pointer >> 8, self._write_stack_pointer_high, quiet=True)
        # A part may have ELPM and no RAMPZ, and another register in its place (AT43USB320).
        if "ELPM" in self.core.features and "RAMPZ" in self.part.registers:
            bus.attach(RAMPZ, None, None, quiet=True)
        if "EIJMP_EICALL" in self.core.features and "EIND" in self.part.registers:
            bus.attach(EIND, None, None, quiet=True)

    def status(self) -> int:
        """Gives the status register as a byte."""
        c, z, n, v, s, h, t, i = self.flags
        return c | z << 1 | n << 2 | v << 3 | s << 4 | h << 5 | t << 6 | i << 7

    def set_status(self, value: int, mask: int = 0xFF) -> None:
        """Sets the status register, or the bits of it under a mask."""
        was_enabled = self.flags[I]
        for position in range(8):
            if mask >> position & 1:
                self.flags[position] = value >> position & 1
        # UNVERIFIED: that any write that sets I, not SEI alone, lets one more instruction run first (common belief),
        # and that none of them does when I was set already; programs on a board that execute SEI and OUT SREG before
        # a pending interrupt would settle it.
        if self.flags[I] and not was_enabled:
            self.interrupt_shadow = True

    def set_stack_pointer(self, value: int) -> None:
        """Sets the stack pointer and keeps the lowest value it had."""
        self.stack_pointer = value & self.stack_pointer_mask
        self.lowest_stack_pointer = min(self.lowest_stack_pointer, self.stack_pointer)

    def _write_stack_pointer_low(self, value: int, mask: int, cycle: int) -> None:
        # The halves are written one after the other, so a value in between is no depth the program meant: only
        # the low byte, which compilers write last, is taken as the new depth.
        low = self.stack_pointer & ~mask & 0xFF | value & mask
        self.set_stack_pointer(self.stack_pointer & 0xFF00 | low)

    def _write_stack_pointer_high(self, value: int, mask: int, cycle: int) -> None:
        high = (self.stack_pointer >> 8) & ~mask & 0xFF | value & mask
        self.stack_pointer = high << 8 | self.stack_pointer & 0xFF

    def word(self, address: int) -> int:
        """Gives a flash word."""
        return self.flash[2 * address] | self.flash[2 * address + 1] << 8

    def save(self) -> tuple[Any, ...]:
        """Gives the whole state, devices and events included, for `restore`."""
        return (
            bytes(self.data),
            tuple(self.flags),
            self.program_counter,
            self.stack_pointer,
            self.cycle,
            self.is_asleep,
            self.interrupt_shadow,
            self.events.save(),
            self.interrupts.save(),
            [device.save() for device in self.devices],
            self.events.save_recurrences(),
        )

    def restore(self, saved: tuple[Any, ...]) -> None:
        """Sets a saved state; the lowest stack pointer starts anew there."""
        self.data[:] = saved[0]
        self.flags[:] = saved[1]
        self.program_counter, self.stack_pointer, self.cycle, self.is_asleep, self.interrupt_shadow = saved[2:7]
        self.lowest_stack_pointer = self.stack_pointer
        self.events.restore(saved[7], saved[10])
        self.interrupts.restore(saved[8])
        for device, state in zip(self.devices, saved[9], strict=True):
            device.restore(state)
