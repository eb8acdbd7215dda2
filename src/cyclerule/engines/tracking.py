"""The reference engine, noting also what a program reads before it has written it."""

from collections.abc import Callable, Iterable
from typing import Any

from cyclerule.engines.reference import IO_OFFSET, Reference, _Decoded
from cyclerule.machine.chip import Chip

# Compiled code reads a register that a callee must keep only to save it, unless it is a global register variable or a
# routine in assembly with an interface of its own. gcc.gnu.org/wiki/avr-gcc, "Call-Saved Registers".
KEPT_REGISTERS = frozenset({*range(2, 18), 28, 29})

WRITTEN, READ_FIRST = 1, 2

EEPROM_PLACE = 0x810000
"""Stands before a place in EEPROM among the data addresses that were read first, as it does in ELF files."""


class TrackingReference(Reference):
    """A reference engine with `first_reads`: data address to the value read there before any write, EEPROM included.

    General registers count where a callee has to keep them and they are read otherwise than to be saved.
    """

    def __init__(self, chip: Chip) -> None:
        super().__init__(chip)
        self.first_reads: dict[int, int] = {}
        # A byte for each data address: bit 0 once it was written or belongs to an argument, bit 1 once it was read
        # before that. Compiled code keeps the same notes in the same place.
        self.seen = bytearray(chip.ram_end + 1)
        chip.on_eeprom_read = self._note_eeprom

    def call_from_outside(self, word: int, return_word: int) -> None:
        """Leaves stack and program counter as a call instruction at no address of the program would."""
        self._push_return_address(return_word)
        self.chip.program_counter = word

    def begin(self, arguments: Iterable[int] = ()) -> None:
        """Starts anew: nothing read, nothing written but what the caller placed."""
        self.first_reads = {}
        self.seen[:] = bytes(len(self.seen))
        for address in arguments:
            self.seen[address] = WRITTEN

    def note_read(self, address: int, value: int) -> None:
        """Notes a read, for one that happened elsewhere."""
        if not self.seen[address]:
            self.seen[address] = READ_FIRST
            self.first_reads[address] = value

    def _note_eeprom(self, place: int, value: int) -> None:
        self.first_reads.setdefault(EEPROM_PLACE + place, value)

    def load(self, address: int) -> int:
        value = super().load(address)
        if address >= IO_OFFSET and not self.seen[address]:
            self.seen[address] = READ_FIRST
            self.first_reads[address] = value
        return value

    def store(self, address: int, value: int) -> None:
        super().store(address, value)
        self.seen[address] |= WRITTEN

    def push(self, value: int) -> None:
        address = self.chip.stack_pointer
        super().push(value)
        self.seen[address] |= WRITTEN

    def io_read(self, address: int) -> int:
        value = super().io_read(address)
        self.note_read(address + IO_OFFSET, value)
        return value

    def io_write(self, address: int, value: int) -> None:
        super().io_write(address, value)
        self.seen[address + IO_OFFSET] |= WRITTEN

    def _decode(self, pc: int) -> _Decoded:
        execute, timing, words = super()._decode(pc)
        chip = self.chip
        decoded = chip.table.decode(chip.word(pc), chip.word((pc + 1) % chip.flash_words))
        if decoded is None:
            return execute, timing, words
        instruction, operands, _ = decoded
        use = _RegisterUse()
        instruction.meaning(use, *operands)
        reads, writes = use.reads & KEPT_REGISTERS, use.writes & KEPT_REGISTERS
        saves = instruction.mnemonic == "PUSH"
        # EOR, SUB and SBC of a register with itself do not depend on what it held.
        clears = instruction.mnemonic in ("EOR", "SUB", "SBC") and operands[0] == operands[1]
        if (reads and not saves and not clears) or writes:
            execute = self._noting(execute, frozenset() if saves or clears else reads, writes)
        found = (execute, timing, words)
        self._decoded[pc] = found
        return found

    def _noting(self, execute: Callable[[], None], reads: frozenset[int], writes: frozenset[int]) -> Callable[[], None]:
        def run() -> None:
            for register in reads:
                self.note_read(register, self._data[register])
            execute()
            for register in writes:
                self.seen[register] |= WRITTEN

        return run


class _RegisterUse:
    """Operations that only note which general registers an instruction names; every value is 0."""

    def __init__(self) -> None:
        self._reads: set[int] = set()
        self._writes: set[int] = set()

    @property
    def reads(self) -> frozenset[int]:
        return frozenset(self._reads)

    @property
    def writes(self) -> frozenset[int]:
        return frozenset(self._writes)

    def read(self, register: int) -> int:
        self._reads.add(register)
        return 0

    def write(self, register: int, value: Any) -> None:
        self._writes.add(register)

    def add_with_carry(self, *values: Any) -> tuple[int, int, int, int]:
        return 0, 0, 0, 0

    subtract_with_borrow = add_with_carry

    def __getattr__(self, name: str) -> Callable[..., int]:
        return lambda *values: 0
