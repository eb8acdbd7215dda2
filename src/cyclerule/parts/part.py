"""What a part is: its CPU, its memories, its registers and its interrupt vectors."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

from cyclerule.units import DataAddress

Family = Literal["AVR", "AVRe", "AVRe+", "AVRxm", "AVRxt", "AVRrc"]


class IoRegister(NamedTuple):
    """A register in I/O space or beyond: `address` is its lowest one in data space, `size_bytes` 1, 2 or 4."""

    name: str
    address: DataAddress
    size_bytes: int


@dataclass(frozen=True)
class Part:
    """A microcontroller as its device header describes it.

    `name` is the compiler's ("atmega328p"), `family` the CPU of the instruction set manual (DS40002198, section 4),
    `architecture` the compiler's name for it ("avr5"). `features` are names of instruction groups and of memory:
    MUL, MOVW, LPM, LPMX (LPM Rd, Z and LPM Rd, Z+), ELPM, ELPMX, SPM, ADIW (and SBIW), IJMP_ICALL, EIJMP_EICALL,
    JMP_CALL, BREAK, RMW (XCH, LAS, LAC, LAT) and RAM.

    `pc_bytes` are on the stack after a call. `ram_start` and `ram_end` are data addresses, both inclusive; a part
    without RAM has an end one below the start. `io_offset` is the data address of I/O address 0. `registers` keeps
    every name, the preferred one of an address first; `bits` gives the position of a bit by its name, and holds
    whatever else the header defines as a number from 0 to 7. `vectors` are names without `_vect`, the preferred one
    of a number first; a vector occupies `vector_bytes` of flash, and there are `vector_count` with reset. A page of
    flash has `page_bytes`, 0 where the header does not say.
    """

    name: str
    family: Family
    architecture: str
    features: frozenset[str]
    pc_bytes: Literal[2, 3]
    flash_bytes: int
    ram_start: DataAddress
    ram_end: DataAddress
    eeprom_bytes: int
    io_offset: int
    registers: Mapping[str, IoRegister]
    bits: Mapping[str, int]
    vectors: Mapping[str, int]
    vector_bytes: Literal[2, 4]
    vector_count: int
    page_bytes: int = 0

    def __hash__(self) -> int:
        return hash((self.name, self.flash_bytes))

    @property
    def ram_bytes(self) -> int:
        """The size of the internal RAM."""
        return self.ram_end - self.ram_start + 1

    def register_name(self, address: int) -> str | None:
        """Gives the name of the register at a data address, a byte's own before that of a wider one (TCNT1L)."""
        return self._register_names.get(address)

    def vector_name(self, number: int) -> str | None:
        """Gives the name of an interrupt vector; None for one that has none, as reset (0) has."""
        return self._vector_names.get(number)

    @cached_property
    def _register_names(self) -> dict[int, str]:
        names: dict[int, str] = {}
        for register in sorted(self.registers.values(), key=lambda register: register.size_bytes):
            names.setdefault(register.address, register.name)
        return names

    @cached_property
    def _vector_names(self) -> dict[int, str]:
        names: dict[int, str] = {}
        for name, number in self.vectors.items():
            names.setdefault(number, name)
        return names


@dataclass(frozen=True)
class PartSummary:
    """One line of the list of parts; sizes are None where the toolchain has no device header for the part.

    `has_startup` says whether programs can be linked for it, `assembler_only` that its CPU is one for which the
    compiler takes no C.
    """

    name: str
    family: Family
    architecture: str
    flash_bytes: int | None
    ram_bytes: int | None
    eeprom_bytes: int | None
    has_startup: bool
    assembler_only: bool
