"""A running chip: its state, its spaces, and how a state is kept and set again."""

from collections.abc import Callable
from fractions import Fraction
from typing import Any, NamedTuple, Protocol

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
FIRST_IO = 0x20
RAMPZ, EIND, SPL, SPH, SREG = 0x5B, 0x5C, 0x5D, 0x5E, 0x5F


class Device(Protocol):
    """A device of the chip: it has attached itself to the bus, alarms and interrupts when made.

    A reset sets back the state that it had when all were made; a device that does otherwise has `at_reset(cycle)`,
    and one that others listen to tells them in `settle_after_reset(cycle)`, when all have been set back.
    """

    def save(self) -> Any:
        """Gives the device's state, for `restore`."""

    def restore(self, saved: Any) -> None:
        """Sets a saved state."""


class StartUp(NamedTuple):
    """What the fuses CKSEL and SUT make of the time until the CPU runs.

    Waking with the oscillator stopped takes `wake_cycles`; a reset takes `reset_cycles` and `reset_seconds`. The
    default is a crystal with slowly rising power, the longest: DS40002061A tables 9-3 and 9-4; `is_assumed` says that
    nobody has said so.
    """

    wake_cycles: int = 16_384
    reset_cycles: int = 14
    reset_seconds: Fraction = Fraction(65, 1000)
    is_assumed: bool = True


class Reset(NamedTuple):
    """A reset inside a run: when it came, and the flag of its cause in MCUSR (WDRF, EXTRF)."""

    cycle: int
    cause: str


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
        self.is_being_restored = False
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
        # Told of SLEEP, of waking and of WDR with the cycle; waking gives the cycles until the clock runs again.
        self.enters_sleep: Callable[[int], bool] | None = None
        self.wakes: Callable[[int], int] | None = None
        self.resets_watchdog: Callable[[int], None] | None = None
        # Told of SPM with the cycles at which it begins and ends; gives the cycles for which it halts the CPU.
        self.stores_flash: Callable[[int, int], int] | None = None
        # Told (place, byte) of a read of EEPROM that comes before any write to that place.
        self.on_eeprom_read: Callable[[int, int], None] | None = None
        # Told which flash words have changed: the first, and the one after the last.
        self.on_flash_change: list[Callable[[int, int], None]] = []
        self.start_up = StartUp()
        self.reset_word = 0
        self.pending_reset: Reset | None = None
        self.last_reset: Reset | None = None
        self.stop_run: Callable[[], None] | None = None
        self._at_power_on: dict[int, Any] = {}
        self._io_at_power_on = b""
        self._attach_cpu_registers()
        self._reset_stack_pointer()

    def add(self, device: Device) -> None:
        """Makes a device's state part of the chip's."""
        self.devices.append(device)

    def keep_power_on_state(self) -> None:
        """Takes the present state of the devices and of I/O as the one after power-on; called when all are made."""
        self._at_power_on = {id(device): device.save() for device in self.devices}
        self._io_at_power_on = bytes(self.data[FIRST_IO : self.ram_start])

    def request_reset(self, cause: str, cycle: int) -> None:
        """Asks whoever runs the chip to stop at the next instruction boundary and to reset it."""
        if self.pending_reset is None:
            self.pending_reset = Reset(cycle, cause)
        if self.stop_run is not None:
            self.stop_run()

    def reset(self) -> None:
        """Sets registers, devices and the CPU back, after the start-up time; RAM, general registers and EEPROM stay.

        Raises NotModelled where the clock is not known, since that time is none of cycles.
        """
        came = self.pending_reset or Reset(self.cycle, "")
        self.pending_reset, self.last_reset = None, came
        self.cycle = max(self.cycle, came.cycle + self._reset_cycles())
        if self.start_up.is_assumed:
            self.bus.report_assumed(
                "MCUSR", "after a reset the chip is taken to start in 14 cycles and 65 ms (crystal, by the fuses SUT)"
            )
        self.flags[:] = bytes(8)
        self.program_counter = self.reset_word
        self.is_asleep = self.interrupt_shadow = False
        lowest = self.lowest_stack_pointer
        self._reset_stack_pointer()
        self.lowest_stack_pointer = lowest
        self.interrupts.requests, self.interrupts.open = 0, []
        self.events.clear_at_reset()
        self.data[FIRST_IO : self.ram_start] = self._io_at_power_on
        for device in self.devices:
            own = getattr(device, "at_reset", None)
            if own is not None:
                own(self.cycle)
            elif id(device) in self._at_power_on:
                device.restore(self._at_power_on[id(device)])
        for device in self.devices:
            tell = getattr(device, "settle_after_reset", None)
            if tell is not None:
                # Pins are let go when the reset comes, not when the program begins.
                tell(came.cycle + 1)
        self.events.version += 1

    def state_at_power_on(self, device: Device) -> Any:
        """Gives what a device's `save` gave when all devices were made."""
        return self._at_power_on[id(device)]

    def _reset_cycles(self) -> int:
        # A pulse of one cycle, then the start-up time (DS40002061A sec. 11.5).
        if self.clock_hz is None:
            raise NotModelled(
                "a reset takes a time, not a number of cycles, and the clock is not known: give it with --clock "
                "(clock= in Python), for example --clock 16MHz"
            )
        return 1 + self.start_up.reset_cycles - int(-self.start_up.reset_seconds * self.clock_hz // 1)

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

    def write_flash(self, address: int, data: bytes) -> None:
        """Changes flash bytes while a program runs; engines drop what they have made of them."""
        self.flash[address : address + len(data)] = data
        for tell in self.on_flash_change:
            tell(address // 2, (address + len(data) + 1) // 2)

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
        self.pending_reset = None
        self.events.now = self.cycle
        self.events.restore(saved[7], saved[10])
        self.interrupts.restore(saved[8])
        # Devices may touch each other meanwhile, but must not make anything happen.
        self.is_being_restored = True
        for device, state in zip(self.devices, saved[9], strict=True):
            device.restore(state)
        self.is_being_restored = False
