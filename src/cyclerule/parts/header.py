"""From the macros of a device header to a part. No part's data stands here: only how the headers say it."""

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import PurePath
from typing import Literal, NamedTuple

from cyclerule.parts.part import Family, IoRegister, Part
from cyclerule.toolchain import Definition, integer
from cyclerule.units import DataAddress

# <avr/sfr_defs.h>: an I/O address, to which the offset of I/O space is added, or an address in data space.
_REGISTER = re.compile(r"\(*\s*_SFR_(IO|MEM)(8|16|32)\s*\(([^()]+|\([^()]*\))\)\s*\)*")
_VECTOR = re.compile(r"\(*\s*_VECTOR\s*\(([^()]+)\)\s*\)*")
_ALIAS = re.compile(r"\(*\s*([A-Za-z_]\w*)\s*\)*")

# Numbers from 0 to 7 in device headers that are no bit positions.
_NO_BIT = re.compile(
    r"_.*|.*_vect_num|SIGNATURE_\d|FUSE_MEMORY_SIZE|SLEEP_MODE_\w+|(?:E2|X?RAM|FLASH)(?:START|END|SIZE|PAGESIZE)"
)

# __AVR_ARCH__ (GCC manual, "AVR Options", Built-in Macros) of the families whose name is not "avr" with that number.
_ARCHITECTURES = {100: "avrtiny", **{100 + n: f"avrxmega{n}" for n in range(1, 8)}}

# Features that the compiler announces as __AVR_HAVE_…__.
_ANNOUNCED = ("MUL", "MOVW", "LPMX", "JMP_CALL", "ELPM", "ELPMX", "EIJMP_EICALL")

_SELF_PROGRAMMING = ("SPMCR", "SPMCSR", "NVM_CTRLA", "NVMCTRL_CTRLA")
# BREAK is the debugger's instruction (DS40002198, BREAK); a header tells of the debugger by the fuse that enables it.
_DEBUGGER_FUSES = ("FUSE_DWEN", "FUSE_OCDEN", "FUSE_JTAGEN")


def architecture(macros: Mapping[str, str]) -> str:
    """Gives the compiler's name for a part's CPU, "avr5"; ValueError where the macros are no AVR compiler's."""
    number = _number(macros, "__AVR_ARCH__")
    return _ARCHITECTURES.get(number, f"avr{number}")


def family(name: str, macros: Mapping[str, str]) -> Family:
    """Gives the CPU by the names of the instruction set manual (DS40002198, section 4)."""
    compiled_as = architecture(macros)
    if compiled_as == "avrtiny":
        return "AVRrc"
    if compiled_as.startswith("avrxmega"):
        # The compiler's avrxmega2 and avrxmega4 hold both; by name, the XMEGA parts are the AVRxm ones.
        return "AVRxm" if name.startswith("atxmega") else "AVRxt"
    if "__AVR_HAVE_MUL__" in macros:
        return "AVRe+"
    return "AVRe" if "__AVR_HAVE_MOVW__" in macros else "AVR"


def is_described(macros: Mapping[str, str]) -> bool:
    """Says whether the macros hold a device header's, and not only what the compiler knows by itself."""
    return "FLASHEND" in macros and "RAMEND" in macros


class Memory(NamedTuple):
    """A part's memories: sizes in bytes, data addresses with both ends inclusive."""

    flash_bytes: int
    ram_start: DataAddress
    ram_end: DataAddress
    eeprom_bytes: int
    io_offset: int


def read_memory(macros: Mapping[str, str], data_start: Callable[[], int | None]) -> Memory:
    """Reads a part's memories out of its header's macros.

    `data_start` is asked, for a header that gives no RAMSTART, where the linker puts the first variable.
    Raises ValueError when the header lacks an end of flash or RAM.
    """
    io_offset = _number(macros, "__SFR_OFFSET", "__AVR_SFR_OFFSET__")
    ram_start, ram_end = _ram(macros, io_offset, data_start)
    return Memory(
        flash_bytes=_number(macros, "FLASHEND") + 1,
        ram_start=ram_start,
        ram_end=ram_end,
        eeprom_bytes=_eeprom_bytes(macros),
        io_offset=io_offset,
    )


def read_part(name: str, definitions: Sequence[Definition], data_start: Callable[[], int | None]) -> Part:
    """Makes a part of its header's macros; `data_start` and errors as for `read_memory`."""
    macros = {definition.name: definition.text for definition in definitions}
    memory = read_memory(macros, data_start)
    compiled_as = architecture(macros)
    registers = _registers(definitions, macros, memory.io_offset)
    vectors = _vectors(definitions, macros)
    vector_bytes, vector_count = _vector_table(macros, vectors)
    return Part(
        name=name,
        family=family(name, macros),
        architecture=compiled_as,
        features=_features(name, macros, registers, has_ram=memory.ram_end >= memory.ram_start),
        pc_bytes=3 if "__AVR_3_BYTE_PC__" in macros else 2,
        **memory._asdict(),
        registers=registers,
        bits=_bits(definitions, macros),
        # A header may name one too many: the ATmega323 has 20 vectors (datasheet 1457E, table 3), no 20 for SPM_RDY.
        vectors={vector: number for vector, number in vectors.items() if number < vector_count},
        vector_bytes=vector_bytes,
        vector_count=vector_count,
        page_bytes=integer(macros.get("SPM_PAGESIZE", ""), macros) or 0,
    )


def _number(macros: Mapping[str, str], *names: str) -> int:
    for name in names:
        value = integer(macros.get(name, ""), macros)
        if value is not None:
            return value
    raise ValueError(f"no number {' or '.join(names)}")


def _ram(
    macros: Mapping[str, str], io_offset: int, data_start: Callable[[], int | None]
) -> tuple[DataAddress, DataAddress]:
    end = _number(macros, "RAMEND")
    start = integer(macros.get("RAMSTART", ""), macros)
    if start is None:
        start = data_start()
    if start is None:
        # A part without RAM cannot be linked for; what would be RAM begins after the 64 I/O registers.
        start = io_offset + 0x40
    # Headers of parts without RAM give the last of the 32 CPU registers as RAMEND.
    return DataAddress(start), DataAddress(max(end, start - 1))


def _eeprom_bytes(macros: Mapping[str, str]) -> int:
    size = integer(macros.get("EEPROM_SIZE", ""), macros)
    if size is not None:
        return size
    end = integer(macros.get("E2END", ""), macros)
    # Headers of parts without EEPROM give 0 as its end.
    return end + 1 if end else 0


def _features(
    name: str, macros: Mapping[str, str], registers: Mapping[str, IoRegister], *, has_ram: bool
) -> frozenset[str]:
    compiled_as = architecture(macros)
    features = {feature for feature in _ANNOUNCED if f"__AVR_HAVE_{feature}__" in macros}
    reduced = compiled_as == "avrtiny"
    minimal = compiled_as == "avr1"
    modern = compiled_as.startswith("avrxmega")
    claims = {
        "RAM": has_ram,
        "ADIW": not (reduced or minimal),
        "IJMP_ICALL": not minimal,
        # The AT90S1200 alone of the avr1 parts has no LPM (AT90S1200 datasheet 0838H, Instruction Set Summary).
        "LPM": not (reduced or name == "at90s1200"),
        "SPM": any(register in registers for register in _SELF_PROGRAMMING),
        "BREAK": reduced or modern or any(fuse in macros for fuse in _DEBUGGER_FUSES),
        "RMW": "__AVR_ISA_RMW__" in macros,
    }
    return frozenset(features | {feature for feature, holds in claims.items() if holds})


def _registers(definitions: Sequence[Definition], macros: Mapping[str, str], io_offset: int) -> dict[str, IoRegister]:
    """Reads the registers: those with an address of their own first, then other names for them, in header order."""
    own: dict[str, IoRegister] = {}
    for definition in definitions:
        match = None if _is_generic(definition.name) else _REGISTER.fullmatch(definition.text)
        if match:
            address = integer(match[3], macros)
            if address is not None:
                address += io_offset if match[1] == "IO" else 0
                own[definition.name] = IoRegister(definition.name, DataAddress(address), int(match[2]) // 8)
    others: dict[str, IoRegister] = {}
    for definition in definitions:
        target = None if definition.name in own or _is_generic(definition.name) else _alias_target(definition, macros)
        if target in own:
            others[definition.name] = own[target]._replace(name=definition.name)
    return own | others


def _is_generic(name: str) -> bool:
    # <avr/common.h> gives SREG, SP and a few more a second name for the compiler's library.
    return name.startswith(("_", "AVR_"))


def _alias_target(definition: Definition, macros: Mapping[str, str]) -> str:
    """Gives the name at the end of a chain of macros that only stand for another one."""
    name = definition.name
    for _ in range(len(macros)):
        match = _ALIAS.fullmatch(macros.get(name, ""))
        if match is None:
            return name
        name = match[1]
    return name


def _bits(definitions: Sequence[Definition], macros: Mapping[str, str]) -> dict[str, int]:
    by_suffix = architecture(macros).startswith("avrxmega")  # there a bit's position is named NAME_bp, its mask NAME_bm
    bits: dict[str, int] = {}
    for definition in definitions:
        if not _is_device_header(definition.file) or _NO_BIT.fullmatch(definition.name):
            continue
        if by_suffix and not definition.name.endswith("_bp"):
            continue
        position = integer(definition.text, macros)
        if position is not None and 0 <= position <= 7:
            bits[definition.name] = position
    return bits


def _is_device_header(file: str) -> bool:
    # avr/io.h includes one header named after the part (iom328p.h, iotn85.h), and portpins.h with short names of pins.
    header = PurePath(file.replace("\\", "/")).name
    return header == "portpins.h" or (header.startswith("io") and header != "io.h")


def _vectors(definitions: Sequence[Definition], macros: Mapping[str, str]) -> dict[str, int]:
    """Reads the vectors of a header: by the names that end in `_vect`, or `SIG_` names where there are no others."""
    named: dict[str, int] = {}
    signals: dict[str, int] = {}
    for name, text, _ in definitions:
        if name.endswith("_vect_num"):
            number = integer(text, macros)
            if number is not None:
                named.setdefault(name.removesuffix("_vect_num"), number)
        elif (match := _VECTOR.fullmatch(text)) and (number := integer(match[1], macros)) is not None:
            if name.endswith("_vect"):
                named.setdefault(name.removesuffix("_vect"), number)
            elif name.startswith("SIG_"):
                signals.setdefault(name, number)
    # Where a header has two names for a timer's vector, the datasheet writes TIMER1_OVF and the older headers
    # TIM1_OVF (ATtiny25/45/85 datasheet 2586Q, table 9-1).
    return dict(sorted((named or signals).items(), key=lambda item: (item[1], _is_shortened(item[0]))))


def _is_shortened(vector: str) -> bool:
    return vector.startswith("TIM") and not vector.startswith("TIMER")


def _vector_table(macros: Mapping[str, str], vectors: Mapping[str, int]) -> tuple[Literal[2, 4], int]:
    """Gives the bytes of a vector and the number of vectors with reset.

    A vector is a JMP where there is JMP, else an RJMP; the start-up file is laid out so (avr-libc, gcrt1.S), and
    _VECTORS_SIZE counts the bytes of all.
    """
    named = max(vectors.values(), default=0) + 1
    size = integer(macros.get("_VECTORS_SIZE", ""), macros)
    stride: Literal[2, 4] = 4 if "__AVR_HAVE_JMP_CALL__" in macros else 2
    if stride == 4 and size == 2 * named:
        # UNVERIFIED: the ATA5795's header counts two bytes a vector though the compiler gives the part JMP, and the
        # start-up file's slots are of four. Its datasheet's vector table would settle it.
        stride = 2
    # UNVERIFIED: the AT86RF401's header has room for twice its three vectors, which would fit two words a vector on a
    # part without JMP; taken is the start-up file's one word. Its datasheet's vector table would settle it.
    return stride, named if size is None else max(size // stride, 1)
