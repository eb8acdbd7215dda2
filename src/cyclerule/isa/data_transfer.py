"""Moves between registers, data space, I/O and program memory."""

from __future__ import annotations

from cyclerule.isa.arithmetic_and_logic import read_pair, write_pair
from cyclerule.isa.operands import (
    Constant,
    DataTarget,
    Displacement,
    EvenRegister,
    IoAddress,
    Register,
    TinyDataTarget,
    UpperRegister,
)
from cyclerule.isa.operations import Byte, Operations, Word
from cyclerule.isa.record import Cycles, instruction

X_REGISTER, Y_REGISTER, Z_REGISTER = 26, 28, 30

# Loads, DS40002198 sec. 5: AVRxm takes one cycle less when the address is I/O, AVRxt at least one more and
# AVRrc one more when it is memory-mapped flash. Figures are for internal RAM.
LOAD = Cycles(2, 2, 2, 1, io_extra={"AVRxm": -1}, flash_extra={"AVRxt": 1, "AVRrc": 1})
LOAD_THEN_INCREMENT = Cycles(2, 2, 2, 2, io_extra={"AVRxm": -1}, flash_extra={"AVRxt": 1, "AVRrc": 1})
DECREMENT_THEN_LOAD = Cycles(2, 3, 2, 2, io_extra={"AVRxm": -1}, flash_extra={"AVRxt": 1, "AVRrc": 1})
LOAD_DISPLACED = Cycles(2, 3, 2, None, io_extra={"AVRxm": -1}, flash_extra={"AVRxt": 1})
STORE = Cycles(2, 1, 1, 1, flash_extra={"AVRxt": 1})
DECREMENT_THEN_STORE = Cycles(2, 2, 1, 2, flash_extra={"AVRxt": 1})
STORE_DISPLACED = Cycles(2, 2, 1, None, flash_extra={"AVRxt": 1})
FLASH_LOAD = Cycles.larger(3)


@instruction("MOV Rd, Rr", "0010 11rd dddd rrrr", cycles=1)
def mov(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.read(r))


@instruction("MOVW Rd, Rr", "0000 0001 dddd rrrr", cycles=Cycles.larger(1), feature="MOVW")
def movw(m: Operations, d: EvenRegister, r: EvenRegister) -> None:
    write_pair(m, d, read_pair(m, r))


@instruction("LDI Rd, K", "1110 KKKK dddd KKKK", cycles=1)
def ldi(m: Operations, d: UpperRegister, K: Constant) -> None:
    m.write(d, K)


@instruction(
    "LDS Rd, k",
    "1001 000d dddd 0000 kkkk kkkk kkkk kkkk",
    cycles=Cycles(2, 3, 3, None, flash_extra={"AVRxt": 1}),
    feature="RAM",
)
def lds(m: Operations, d: Register, k: DataTarget) -> None:
    m.write(d, m.load(k))


@instruction(
    "STS k, Rr",
    "1001 001r rrrr 0000 kkkk kkkk kkkk kkkk",
    cycles=Cycles(2, 2, 2, None, flash_extra={"AVRxt": 1}),
    feature="RAM",
)
def sts(m: Operations, k: DataTarget, r: Register) -> None:
    m.store(k, m.read(r))


# The one-word forms exist on AVRrc alone. The 2016 edition 0856L prints 1 cycle on the page of LDS, the table prints 2.
@instruction("LDS Rd, k", "1010 0kkk dddd kkkk", cycles=Cycles(None, None, None, 2))
def lds_short(m: Operations, d: UpperRegister, k: TinyDataTarget) -> None:
    m.write(d, m.load(k))


@instruction("STS k, Rr", "1010 1kkk rrrr kkkk", cycles=Cycles(None, None, None, 1))
def sts_short(m: Operations, k: TinyDataTarget, r: UpperRegister) -> None:
    m.store(k, m.read(r))


def load_then_increment(m: Operations, d: int, pointer: int) -> None:
    """Loads through a pointer register, then adds 1 to the pointer.

    UNVERIFIED: the manual calls the result undefined when `d` is one of the pointer's own registers;
    here the loaded byte wins. A program that does so on a board would settle it.
    """
    address = read_pair(m, pointer)
    value = m.load(address)
    write_pair(m, pointer, m.add_words(address, 1))
    m.write(d, value)


def decrement_then_load(m: Operations, d: int, pointer: int) -> None:
    """Subtracts 1 from a pointer register, then loads through it; the same undefined case as above."""
    address = m.subtract_words(read_pair(m, pointer), 1)
    write_pair(m, pointer, address)
    m.write(d, m.load(address))


def store_then_increment(m: Operations, pointer: int, value: Byte) -> None:
    """Stores through a pointer register, then adds 1 to it; a stored pointer half is stored as it was before."""
    address = read_pair(m, pointer)
    m.store(address, value)
    write_pair(m, pointer, m.add_words(address, 1))


def decrement_then_store(m: Operations, pointer: int, value: Byte) -> None:
    """Subtracts 1 from a pointer register, then stores through it; a stored pointer half is stored as it was before."""
    address = m.subtract_words(read_pair(m, pointer), 1)
    write_pair(m, pointer, address)
    m.store(address, value)


def displaced(m: Operations, pointer: int, displacement: int) -> Word:
    """Gives a pointer register plus a displacement."""
    return m.add_words(read_pair(m, pointer), displacement)


@instruction("LD Rd, X", "1001 000d dddd 1100", cycles=LOAD, feature="RAM")
def ld_x(m: Operations, d: Register) -> None:
    m.write(d, m.load(read_pair(m, X_REGISTER)))


@instruction("LD Rd, X+", "1001 000d dddd 1101", cycles=LOAD_THEN_INCREMENT, feature="RAM")
def ld_x_plus(m: Operations, d: Register) -> None:
    load_then_increment(m, d, X_REGISTER)


@instruction("LD Rd, -X", "1001 000d dddd 1110", cycles=DECREMENT_THEN_LOAD, feature="RAM")
def ld_minus_x(m: Operations, d: Register) -> None:
    decrement_then_load(m, d, X_REGISTER)


# On AVRrc LD through Y and Z without displacement has this encoding with q = 0, at one cycle; the table keeps it apart.
@instruction("LD Rd, Y", "1000 000d dddd 1000", cycles=LOAD, feature="RAM")
def ld_y(m: Operations, d: Register) -> None:
    m.write(d, m.load(read_pair(m, Y_REGISTER)))


@instruction("LD Rd, Y+", "1001 000d dddd 1001", cycles=LOAD_THEN_INCREMENT, feature="RAM")
def ld_y_plus(m: Operations, d: Register) -> None:
    load_then_increment(m, d, Y_REGISTER)


@instruction("LD Rd, -Y", "1001 000d dddd 1010", cycles=DECREMENT_THEN_LOAD, feature="RAM")
def ld_minus_y(m: Operations, d: Register) -> None:
    decrement_then_load(m, d, Y_REGISTER)


@instruction("LDD Rd, Y+q", "10q0 qq0d dddd 1qqq", cycles=LOAD_DISPLACED, feature="RAM")
def ldd_y(m: Operations, d: Register, q: Displacement) -> None:
    m.write(d, m.load(displaced(m, Y_REGISTER, q)))


@instruction("LD Rd, Z", "1000 000d dddd 0000", cycles=LOAD)
def ld_z(m: Operations, d: Register) -> None:
    m.write(d, m.load(read_pair(m, Z_REGISTER)))


@instruction("LD Rd, Z+", "1001 000d dddd 0001", cycles=LOAD_THEN_INCREMENT, feature="RAM")
def ld_z_plus(m: Operations, d: Register) -> None:
    load_then_increment(m, d, Z_REGISTER)


@instruction("LD Rd, -Z", "1001 000d dddd 0010", cycles=DECREMENT_THEN_LOAD, feature="RAM")
def ld_minus_z(m: Operations, d: Register) -> None:
    decrement_then_load(m, d, Z_REGISTER)


@instruction("LDD Rd, Z+q", "10q0 qq0d dddd 0qqq", cycles=LOAD_DISPLACED, feature="RAM")
def ldd_z(m: Operations, d: Register, q: Displacement) -> None:
    m.write(d, m.load(displaced(m, Z_REGISTER, q)))


@instruction("ST X, Rr", "1001 001r rrrr 1100", cycles=STORE, feature="RAM")
def st_x(m: Operations, r: Register) -> None:
    m.store(read_pair(m, X_REGISTER), m.read(r))


@instruction("ST X+, Rr", "1001 001r rrrr 1101", cycles=STORE, feature="RAM")
def st_x_plus(m: Operations, r: Register) -> None:
    store_then_increment(m, X_REGISTER, m.read(r))


@instruction("ST -X, Rr", "1001 001r rrrr 1110", cycles=DECREMENT_THEN_STORE, feature="RAM")
def st_minus_x(m: Operations, r: Register) -> None:
    decrement_then_store(m, X_REGISTER, m.read(r))


@instruction("ST Y, Rr", "1000 001r rrrr 1000", cycles=STORE, feature="RAM")
def st_y(m: Operations, r: Register) -> None:
    m.store(read_pair(m, Y_REGISTER), m.read(r))


@instruction("ST Y+, Rr", "1001 001r rrrr 1001", cycles=STORE, feature="RAM")
def st_y_plus(m: Operations, r: Register) -> None:
    store_then_increment(m, Y_REGISTER, m.read(r))


@instruction("ST -Y, Rr", "1001 001r rrrr 1010", cycles=DECREMENT_THEN_STORE, feature="RAM")
def st_minus_y(m: Operations, r: Register) -> None:
    decrement_then_store(m, Y_REGISTER, m.read(r))


@instruction("STD Y+q, Rr", "10q0 qq1r rrrr 1qqq", cycles=STORE_DISPLACED, feature="RAM")
def std_y(m: Operations, q: Displacement, r: Register) -> None:
    m.store(displaced(m, Y_REGISTER, q), m.read(r))


@instruction("ST Z, Rr", "1000 001r rrrr 0000", cycles=STORE)
def st_z(m: Operations, r: Register) -> None:
    m.store(read_pair(m, Z_REGISTER), m.read(r))


@instruction("ST Z+, Rr", "1001 001r rrrr 0001", cycles=STORE, feature="RAM")
def st_z_plus(m: Operations, r: Register) -> None:
    store_then_increment(m, Z_REGISTER, m.read(r))


@instruction("ST -Z, Rr", "1001 001r rrrr 0010", cycles=DECREMENT_THEN_STORE, feature="RAM")
def st_minus_z(m: Operations, r: Register) -> None:
    decrement_then_store(m, Z_REGISTER, m.read(r))


@instruction("STD Z+q, Rr", "10q0 qq1r rrrr 0qqq", cycles=STORE_DISPLACED, feature="RAM")
def std_z(m: Operations, q: Displacement, r: Register) -> None:
    m.store(displaced(m, Z_REGISTER, q), m.read(r))


@instruction("LPM", "1001 0101 1100 1000", cycles=FLASH_LOAD, feature="LPM")
def lpm_r0(m: Operations) -> None:
    m.write(0, m.load_flash(0, read_pair(m, Z_REGISTER)))


@instruction("LPM Rd, Z", "1001 000d dddd 0100", cycles=FLASH_LOAD, feature="LPMX")
def lpm(m: Operations, d: Register) -> None:
    m.write(d, m.load_flash(0, read_pair(m, Z_REGISTER)))


@instruction("LPM Rd, Z+", "1001 000d dddd 0101", cycles=FLASH_LOAD, feature="LPMX")
def lpm_plus(m: Operations, d: Register) -> None:
    address = read_pair(m, Z_REGISTER)
    value = m.load_flash(0, address)
    write_pair(m, Z_REGISTER, m.add_words(address, 1))
    m.write(d, value)


@instruction("ELPM", "1001 0101 1101 1000", cycles=FLASH_LOAD, feature="ELPM")
def elpm_r0(m: Operations) -> None:
    m.write(0, m.load_flash(m.flash_page(), read_pair(m, Z_REGISTER)))


@instruction("ELPM Rd, Z", "1001 000d dddd 0110", cycles=FLASH_LOAD, feature="ELPMX")
def elpm(m: Operations, d: Register) -> None:
    m.write(d, m.load_flash(m.flash_page(), read_pair(m, Z_REGISTER)))


@instruction("ELPM Rd, Z+", "1001 000d dddd 0111", cycles=FLASH_LOAD, feature="ELPMX")
def elpm_plus(m: Operations, d: Register) -> None:
    # The increment runs through all of RAMPZ:Z (DS40002198, page of ELPM).
    page, address = m.flash_page(), read_pair(m, Z_REGISTER)
    value = m.load_flash(page, address)
    following = m.add_words(address, 1)
    next_page, _, _, _ = m.add_with_carry(page, 0, m.is_zero(following))
    write_pair(m, Z_REGISTER, following)
    m.set_flash_page(next_page)
    m.write(d, value)


# Filling the page buffer, erasing and writing take a time the manual leaves to the part's data sheet.
@instruction("SPM", "1001 0101 1110 1000", cycles=Cycles(4, 4, 4, None, varies=True), feature="SPM")
def spm(m: Operations) -> None:
    m.store_flash(False)


@instruction("SPM Z+", "1001 0101 1111 1000", cycles=Cycles(None, 4, 4, None, varies=True), feature="SPM")
def spm_plus(m: Operations) -> None:
    m.store_flash(True)


@instruction("IN Rd, A", "1011 0AAd dddd AAAA", cycles=1)
def in_(m: Operations, d: Register, A: IoAddress) -> None:
    m.write(d, m.io_read(A))


@instruction("OUT A, Rr", "1011 1AAr rrrr AAAA", cycles=1)
def out(m: Operations, A: IoAddress, r: Register) -> None:
    m.io_write(A, m.read(r))


@instruction("PUSH Rr", "1001 001r rrrr 1111", cycles=Cycles(2, 1, 1, 1), feature="RAM")
def push(m: Operations, r: Register) -> None:
    m.push(m.read(r))


@instruction("POP Rd", "1001 000d dddd 1111", cycles=Cycles(2, 2, 2, 3), feature="RAM")
def pop(m: Operations, d: Register) -> None:
    m.write(d, m.pop())


# Not every XMEGA has them: the read-modify-write instructions came with the later ones.
EXCHANGE = Cycles(None, 2, None, None)


@instruction("XCH Z, Rd", "1001 001d dddd 0100", cycles=EXCHANGE, feature="RMW")
def xch(m: Operations, d: Register) -> None:
    address = read_pair(m, Z_REGISTER)
    before = m.load(address)
    m.store(address, m.read(d))
    m.write(d, before)


@instruction("LAS Z, Rd", "1001 001d dddd 0101", cycles=EXCHANGE, feature="RMW")
def las(m: Operations, d: Register) -> None:
    address = read_pair(m, Z_REGISTER)
    before = m.load(address)
    m.store(address, m.either(m.read(d), before))
    m.write(d, before)


@instruction("LAC Z, Rd", "1001 001d dddd 0110", cycles=EXCHANGE, feature="RMW")
def lac(m: Operations, d: Register) -> None:
    address = read_pair(m, Z_REGISTER)
    before = m.load(address)
    m.store(address, m.both(m.complement(m.read(d)), before))
    m.write(d, before)


@instruction("LAT Z, Rd", "1001 001d dddd 0111", cycles=EXCHANGE, feature="RMW")
def lat(m: Operations, d: Register) -> None:
    address = read_pair(m, Z_REGISTER)
    before = m.load(address)
    m.store(address, m.differ(m.read(d), before))
    m.write(d, before)
