"""The I/O bus: registers of devices by data address, each access at its own cycle.

The phase, deduced from common practice on the 16-bit timer (started at every clock, zeroed and
read at once it gives 1): a read sees the state in the last cycle of the reading instruction, a
write takes effect at the clock edge that ends the last cycle of the writing one. So an instruction
of n cycles that starts at cycle s reads at cycle s + n - 1 and writes at cycle s + n.
"""

from collections.abc import Callable
from typing import NamedTuple

from cyclerule.machine.events import EventQueue
from cyclerule.parts.part import Part

Reader = Callable[[int], int]
"""Gives the register's value at a cycle."""

Writer = Callable[[int, int, int], None]
"""Takes (value, mask, cycle): the bits of `value` under `mask` are written at `cycle`."""


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

    `what` is what the model lacks, in words; empty when it is the register as a whole.
    """

    register: str
    flash_word: int
    is_write: bool
    value: int
    what: str = ""


class IoBus:
    """Every address below RAM that is no general register."""

    def __init__(self, part: Part, data: bytearray, events: EventQueue) -> None:
        self._part, self._data, self._events = part, data, events
        size = part.ram_start
        self.readers: list[Reader | None] = [None] * size
        self.writers: list[Writer | None] = [None] * size
        self._is_modelled = bytearray(size)
        self._is_quiet = bytearray(size)
        self.log: list[IoWrite] | None = None
        self.unmodelled: dict[tuple[int, str], Unmodelled] = {}
        self.current_flash_word = 0

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

    def is_modelled(self, address: int) -> bool:
        """Tells whether a device model stands behind an address."""
        return bool(self._is_modelled[address])

    def is_quiet(self, address: int) -> bool:
        """Tells whether a register is part of the CPU rather than of a device."""
        return bool(self._is_quiet[address])

    def name(self, address: int) -> str:
        """Gives the name of the register at an address, or the address itself for a reserved one."""
        return self._part.register_name(address) or f"reserved I/O address 0x{address:02x}"

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
        """Writes a register, or the bits of it under a mask, at a cycle."""
        if self._events.next_cycle <= cycle:
            self._events.run_until(cycle)
        if self.log is not None and not self._is_quiet[address]:
            whole = value if mask == 0xFF else self._data[address] & ~mask | value & mask
            self.log.append(IoWrite(cycle, self.name(address), whole))
        writer = self.writers[address]
        if writer is not None:
            writer(value, mask, cycle)
            return
        if not self._is_modelled[address]:
            self._report(address, is_write=True, value=value)
        self._data[address] = self._data[address] & ~mask & 0xFF | value & mask

    def report_unmodelled(self, register: str, what: str) -> None:
        """Notes that a modelled register was set up to do something that the model lacks."""
        address = self.address(register) or 0
        if (address, what) not in self.unmodelled:
            self.unmodelled[address, what] = Unmodelled(register, self.current_flash_word, True, 0, what)

    def _report(self, address: int, *, is_write: bool, value: int) -> None:
        if (address, "") not in self.unmodelled:
            self.unmodelled[address, ""] = Unmodelled(self.name(address), self.current_flash_word, is_write, value)
