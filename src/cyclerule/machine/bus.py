"""The I/O bus: registers of devices by data address, each access at its own cycle.

The phase, deduced from common practice on the 16-bit timer (started at every clock, zeroed and
read at once it gives 1): a read sees the state in the last cycle of the reading instruction, a
write takes effect at the clock edge that ends the last cycle of the writing one. So an instruction
of n cycles that starts at cycle s reads at cycle s + n - 1 and writes at cycle s + n.

UNVERIFIED: that IN and OUT, of one cycle, have the same phase as the two-cycle instructions that the practice is about,
so that OUT TCNT0 and IN TCNT0 in a row give 0; a board that does so at clock/1 would settle it.
"""

from collections.abc import Callable, Iterable
from typing import NamedTuple

from cyclerule.machine.events import EventQueue
from cyclerule.machine.generation import has_single_bit_access
from cyclerule.parts.part import Part

Reader = Callable[[int], int]
"""Gives the register's value at a cycle."""

Writer = Callable[[int, int, int], None]
"""Takes (value, mask, cycle): the bits of `value` under `mask` are written at `cycle`."""


Watcher = Callable[[int, int], None]
"""Takes (value, cycle): what a register keeps after a write at `cycle`."""


MCUCR_BITS = ("IVSEL", "IVCE", "JTD", "SRE", "SRW10")
"""Bits that MCUCR may have which no device claims."""


class IoWrite(NamedTuple):
    """A write to a register of a device.

    `cycle` counts to the end of the writing instruction. A single-bit write is shown as the whole
    byte that it leaves there.
    """

    cycle: int
    register: str
    value: int


class Unmodelled(NamedTuple):
    """The first touch of something that no device model stands behind.

    `what` is what the model lacks, in words; empty when it is the register as a whole. With `is_assumed` the model
    has it, on an assumption that `what` states.
    """

    register: str
    flash_word: int
    is_write: bool
    value: int
    what: str = ""
    is_assumed: bool = False


class IoBus:
    """Every address below RAM that is no general register."""

    def __init__(self, part: Part, data: bytearray, events: EventQueue) -> None:
        self._part, self._data, self._events = part, data, events
        size = part.ram_start
        self.readers: list[Reader | None] = [None] * size
        self.writers: list[Writer | None] = [None] * size
        self._is_modelled = bytearray(size)
        self._is_quiet = bytearray(size)
        self._watchers: dict[int, list[Watcher]] = {}
        self._claimed: dict[int, int] = {}
        self.log: list[IoWrite] | None = None
        self.unmodelled: dict[tuple[int, str], Unmodelled] = {}
        self.current_flash_word = 0
        self.halted_cycles = 0
        self._reaches_single_bits = has_single_bit_access(part)
        self._inner_names = {
            register.address + byte: f"{register.name} byte {byte}"
            for register in part.registers.values()
            for byte in range(1, register.size_bytes)
        }

    def address(self, register: str) -> int | None:
        """Gives the data address of a register; None when the part has none of that name."""
        found = self._part.registers.get(register)
        return None if found is None else found.address

    def attach(self, address: int, read: Reader | None, write: Writer | None, *, quiet: bool = False) -> None:
        """Puts a device behind an address; without a reader or writer the last value written is kept and read.

        A quiet register is part of the CPU: its writes are in no log.
        """
        self.readers[address], self.writers[address] = read, write
        self._is_modelled[address] = 1
        self._is_quiet[address] = quiet

    def claim(self, register: str, names: Iterable[str], watch: Watcher) -> bool:
        """Takes bits of a register that belong to several devices: `watch` is called after each write to it.

        Bits that the part has not are left out; without any, or without the register, it gives False. A register that
        no device is attached to keeps what is written, and reports its bits that nobody claimed.
        """
        address = self.address(register)
        bits = sum({1 << self._part.bits[name] for name in names if name in self._part.bits})
        if address is None or not bits:
            return False
        self._claimed[address] = self._claimed.get(address, 0) | bits
        self._watchers.setdefault(address, []).append(watch)
        if not self.is_modelled(address):
            self.attach(address, None, lambda value, mask, cycle: self._keep(register, address, value, mask))
        return True

    def _keep(self, register: str, address: int, value: int, mask: int) -> None:
        self._data[address] = self._data[address] & ~mask & 0xFF | value & mask
        self.report_bits(register, value & mask, MCUCR_BITS if register == "MCUCR" else ())

    def is_modelled(self, address: int) -> bool:
        """Tells whether a device model stands behind an address."""
        return bool(self._is_modelled[address])

    def is_quiet(self, address: int) -> bool:
        """Tells whether a register is part of the CPU rather than of a device."""
        return bool(self._is_quiet[address])

    def name(self, address: int) -> str:
        """Gives the name of the register at an address, or the address itself for a reserved one."""
        name = self._part.register_name(address) or self._inner_names.get(address)
        return name or f"reserved I/O address 0x{address:02x}"

    def read(self, address: int, cycle: int) -> int:
        """Reads a register at a cycle."""
        if self._events.next_cycle <= cycle:
            self._events.run_until(cycle)
        reader = self.readers[address]
        if reader is not None:
            return reader(cycle)
        if not self._is_modelled[address]:
            self._report(address, is_write=False, value=self._data[address])
        return self._data[address]

    def write(self, address: int, value: int, cycle: int, mask: int = 0xFF) -> None:
        """Writes a register at a cycle; with a mask as CBI and SBI do, which change one bit."""
        if mask != 0xFF and not self._reaches_single_bits:
            # CBI and SBI take two cycles: they read in the first and write back in the second.
            value, mask = self._value(address, cycle - 2) & ~mask | value & mask, 0xFF
        if self._events.next_cycle <= cycle:
            self._events.run_until(cycle)
        self._events.now = cycle
        if self.log is not None and not self._is_quiet[address]:
            whole = value if mask == 0xFF else self._data[address] & ~mask | value & mask
            self.log.append(IoWrite(cycle, self.name(address), whole))
        writer = self.writers[address]
        if writer is not None:
            writer(value, mask, cycle)
        else:
            if not self._is_modelled[address]:
                self._report(address, is_write=True, value=value)
            self._data[address] = self._data[address] & ~mask & 0xFF | value & mask
        for watch in self._watchers.get(address, ()):
            watch(self._data[address], cycle)

    def halt(self, cycles: int) -> None:
        """Halts the CPU for so many cycles between the instruction that is touching a register and the next one."""
        self.halted_cycles += cycles

    def take_halt(self) -> int:
        """Gives the cycles for which the CPU is to be halted, once; engines add them to the instruction."""
        cycles, self.halted_cycles = self.halted_cycles, 0
        return cycles

    def _value(self, address: int, cycle: int) -> int:
        """Gives what a register holds at a cycle."""
        if self._events.next_cycle <= cycle:
            self._events.run_until(cycle)
        reader = self.readers[address]
        return self._data[address] if reader is None else reader(cycle)

    def report_unmodelled(self, register: str, what: str) -> None:
        """Notes that a modelled register was set up to do something that the model lacks."""
        address = self.address(register) or 0
        if (address, what) not in self.unmodelled:
            self.unmodelled[address, what] = Unmodelled(register, self.current_flash_word, True, 0, what)

    def report_assumed(self, register: str, what: str) -> None:
        """Notes an assumption that the figures rest on from here on, such as a typical time."""
        address = self.address(register) or 0
        if (address, what) not in self.unmodelled:
            self.unmodelled[address, what] = Unmodelled(register, self.current_flash_word, True, 0, what, True)

    def report_bits(self, register: str, bits: int, names: Iterable[str]) -> None:
        """Notes that bits of a modelled register were set that do nothing in the model, but for those claimed.

        `names` are those a header may have for bits of the register, which it does not say itself.
        """
        bits &= ~self._claimed.get(self.address(register) or 0, 0)
        known: dict[int, str] = {}
        for name in names:
            if name in self._part.bits:
                known.setdefault(self._part.bits[name], name)
        for position in range(8):
            if bits >> position & 1:
                self.report_unmodelled(register, f"bit {known.get(position, position)}")

    def _report(self, address: int, *, is_write: bool, value: int) -> None:
        if (address, "") not in self.unmodelled:
            self.unmodelled[address, ""] = Unmodelled(self.name(address), self.current_flash_word, is_write, value)
