"""Arithmetic and logic instructions."""

from __future__ import annotations

from cyclerule.isa.flags import (
    add_with_flags,
    set_logic_flags,
    set_product_flags,
    set_sign_flags,
    shift_right_with_flags,
    subtract_with_flags,
)
from cyclerule.isa.operands import Constant, MiddleRegister, PairRegister, Register, RoundNumber, UpperRegister
from cyclerule.isa.operations import C, Operations, Word, Z
from cyclerule.isa.record import Cycles, instruction

# Two cycles wherever the family has a multiplier or word arithmetic at all; AVRrc has neither.
TWO_BUT_NOT_ON_AVRRC = Cycles.larger(2)


def read_pair(m: Operations, low_register: int) -> Word:
    """Gives the word in two neighbouring registers, the low byte first."""
    return m.join(m.read(low_register + 1), m.read(low_register))


def write_pair(m: Operations, low_register: int, value: Word) -> None:
    """Sets two neighbouring registers to a word, the low byte first."""
    m.write(low_register, m.low(value))
    m.write(low_register + 1, m.high(value))


@instruction("ADD Rd, Rr", "0000 11rd dddd rrrr", cycles=1, flags="HSVNZC")
def add(m: Operations, d: Register, r: Register) -> None:
    m.write(d, add_with_flags(m, m.read(d), m.read(r), 0))


@instruction("ADC Rd, Rr", "0001 11rd dddd rrrr", cycles=1, flags="HSVNZC")
def adc(m: Operations, d: Register, r: Register) -> None:
    m.write(d, add_with_flags(m, m.read(d), m.read(r), m.flag(C)))


@instruction("ADIW Rd, K", "1001 0110 KKdd KKKK", cycles=TWO_BUT_NOT_ON_AVRRC, flags="SVNZC", feature="ADIW")
def adiw(m: Operations, d: PairRegister, K: Constant) -> None:
    before = read_pair(m, d)
    result = m.add_words(before, K)
    was_negative, negative = m.bit(before, 15), m.bit(result, 15)
    set_sign_flags(m, negative, m.both(m.negate(was_negative), negative))
    m.set_flag(Z, m.is_zero(result))
    m.set_flag(C, m.both(m.negate(negative), was_negative))
    write_pair(m, d, result)


@instruction("SUB Rd, Rr", "0001 10rd dddd rrrr", cycles=1, flags="HSVNZC")
def sub(m: Operations, d: Register, r: Register) -> None:
    m.write(d, subtract_with_flags(m, m.read(d), m.read(r), 0))


@instruction("SUBI Rd, K", "0101 KKKK dddd KKKK", cycles=1, flags="HSVNZC")
def subi(m: Operations, d: UpperRegister, K: Constant) -> None:
    m.write(d, subtract_with_flags(m, m.read(d), K, 0))


@instruction("SBC Rd, Rr", "0000 10rd dddd rrrr", cycles=1, flags="HSVNZC")
def sbc(m: Operations, d: Register, r: Register) -> None:
    m.write(d, subtract_with_flags(m, m.read(d), m.read(r), m.flag(C), keep_zero=True))


@instruction("SBCI Rd, K", "0100 KKKK dddd KKKK", cycles=1, flags="HSVNZC")
def sbci(m: Operations, d: UpperRegister, K: Constant) -> None:
    m.write(d, subtract_with_flags(m, m.read(d), K, m.flag(C), keep_zero=True))


@instruction("SBIW Rd, K", "1001 0111 KKdd KKKK", cycles=TWO_BUT_NOT_ON_AVRRC, flags="SVNZC", feature="ADIW")
def sbiw(m: Operations, d: PairRegister, K: Constant) -> None:
    before = read_pair(m, d)
    result = m.subtract_words(before, K)
    was_negative, negative = m.bit(before, 15), m.bit(result, 15)
    set_sign_flags(m, negative, m.both(was_negative, m.negate(negative)))
    m.set_flag(Z, m.is_zero(result))
    m.set_flag(C, m.both(negative, m.negate(was_negative)))
    write_pair(m, d, result)


@instruction("AND Rd, Rr", "0010 00rd dddd rrrr", cycles=1, flags="SVNZ")
def and_(m: Operations, d: Register, r: Register) -> None:
    result = m.both(m.read(d), m.read(r))
    set_logic_flags(m, result)
    m.write(d, result)


@instruction("ANDI Rd, K", "0111 KKKK dddd KKKK", cycles=1, flags="SVNZ")
def andi(m: Operations, d: UpperRegister, K: Constant) -> None:
    result = m.both(m.read(d), K)
    set_logic_flags(m, result)
    m.write(d, result)


@instruction("OR Rd, Rr", "0010 10rd dddd rrrr", cycles=1, flags="SVNZ")
def or_(m: Operations, d: Register, r: Register) -> None:
    result = m.either(m.read(d), m.read(r))
    set_logic_flags(m, result)
    m.write(d, result)


@instruction("ORI Rd, K", "0110 KKKK dddd KKKK", cycles=1, flags="SVNZ")
def ori(m: Operations, d: UpperRegister, K: Constant) -> None:
    result = m.either(m.read(d), K)
    set_logic_flags(m, result)
    m.write(d, result)


@instruction("EOR Rd, Rr", "0010 01rd dddd rrrr", cycles=1, flags="SVNZ")
def eor(m: Operations, d: Register, r: Register) -> None:
    result = m.differ(m.read(d), m.read(r))
    set_logic_flags(m, result)
    m.write(d, result)


@instruction("COM Rd", "1001 010d dddd 0000", cycles=1, flags="SVNZC")
def com(m: Operations, d: Register) -> None:
    result = m.complement(m.read(d))
    set_logic_flags(m, result)
    m.set_flag(C, 1)
    m.write(d, result)


@instruction("NEG Rd", "1001 010d dddd 0001", cycles=1, flags="HSVNZC")
def neg(m: Operations, d: Register) -> None:
    m.write(d, subtract_with_flags(m, 0, m.read(d), 0))


@instruction("INC Rd", "1001 010d dddd 0011", cycles=1, flags="SVNZ")
def inc(m: Operations, d: Register) -> None:
    result, _, overflow, _ = m.add_with_carry(m.read(d), 1, 0)
    set_sign_flags(m, m.bit(result, 7), overflow)
    m.set_flag(Z, m.is_zero(result))
    m.write(d, result)


@instruction("DEC Rd", "1001 010d dddd 1010", cycles=1, flags="SVNZ")
def dec(m: Operations, d: Register) -> None:
    result, _, overflow, _ = m.subtract_with_borrow(m.read(d), 1, 0)
    set_sign_flags(m, m.bit(result, 7), overflow)
    m.set_flag(Z, m.is_zero(result))
    m.write(d, result)


@instruction("CP Rd, Rr", "0001 01rd dddd rrrr", cycles=1, flags="HSVNZC")
def cp(m: Operations, d: Register, r: Register) -> None:
    subtract_with_flags(m, m.read(d), m.read(r), 0)


@instruction("CPC Rd, Rr", "0000 01rd dddd rrrr", cycles=1, flags="HSVNZC")
def cpc(m: Operations, d: Register, r: Register) -> None:
    subtract_with_flags(m, m.read(d), m.read(r), m.flag(C), keep_zero=True)


@instruction("CPI Rd, K", "0011 KKKK dddd KKKK", cycles=1, flags="HSVNZC")
def cpi(m: Operations, d: UpperRegister, K: Constant) -> None:
    subtract_with_flags(m, m.read(d), K, 0)


@instruction("LSR Rd", "1001 010d dddd 0110", cycles=1, flags="SVNZC")
def lsr(m: Operations, d: Register) -> None:
    m.write(d, shift_right_with_flags(m, m.read(d), 0))


@instruction("ROR Rd", "1001 010d dddd 0111", cycles=1, flags="SVNZC")
def ror(m: Operations, d: Register) -> None:
    m.write(d, shift_right_with_flags(m, m.read(d), m.flag(C)))


@instruction("ASR Rd", "1001 010d dddd 0101", cycles=1, flags="SVNZC")
def asr(m: Operations, d: Register) -> None:
    value = m.read(d)
    m.write(d, shift_right_with_flags(m, value, m.bit(value, 7)))


@instruction("SWAP Rd", "1001 010d dddd 0010", cycles=1)
def swap(m: Operations, d: Register) -> None:
    m.write(d, m.swap_halves(m.read(d)))


def multiply_into_r0(m: Operations, d: int, r: int, d_signed: bool, r_signed: bool) -> None:
    """Sets r1:r0 to the product of two registers, and C and Z."""
    product = m.multiply(m.read(d), m.read(r), d_signed, r_signed)
    set_product_flags(m, product, product)
    write_pair(m, 0, product)


def multiply_fraction_into_r0(m: Operations, d: int, r: int, d_signed: bool, r_signed: bool) -> None:
    """Sets r1:r0 to the product shifted left once, and C (the bit shifted out) and Z."""
    product = m.multiply(m.read(d), m.read(r), d_signed, r_signed)
    result = m.double(product)
    set_product_flags(m, product, result)
    write_pair(m, 0, result)


@instruction("MUL Rd, Rr", "1001 11rd dddd rrrr", cycles=TWO_BUT_NOT_ON_AVRRC, flags="ZC", feature="MUL")
def mul(m: Operations, d: Register, r: Register) -> None:
    multiply_into_r0(m, d, r, False, False)


@instruction("MULS Rd, Rr", "0000 0010 dddd rrrr", cycles=TWO_BUT_NOT_ON_AVRRC, flags="ZC", feature="MUL")
def muls(m: Operations, d: UpperRegister, r: UpperRegister) -> None:
    multiply_into_r0(m, d, r, True, True)


@instruction("MULSU Rd, Rr", "0000 0011 0ddd 0rrr", cycles=TWO_BUT_NOT_ON_AVRRC, flags="ZC", feature="MUL")
def mulsu(m: Operations, d: MiddleRegister, r: MiddleRegister) -> None:
    multiply_into_r0(m, d, r, True, False)


@instruction("FMUL Rd, Rr", "0000 0011 0ddd 1rrr", cycles=TWO_BUT_NOT_ON_AVRRC, flags="ZC", feature="MUL")
def fmul(m: Operations, d: MiddleRegister, r: MiddleRegister) -> None:
    multiply_fraction_into_r0(m, d, r, False, False)


@instruction("FMULS Rd, Rr", "0000 0011 1ddd 0rrr", cycles=TWO_BUT_NOT_ON_AVRRC, flags="ZC", feature="MUL")
def fmuls(m: Operations, d: MiddleRegister, r: MiddleRegister) -> None:
    multiply_fraction_into_r0(m, d, r, True, True)


@instruction("FMULSU Rd, Rr", "0000 0011 1ddd 1rrr", cycles=TWO_BUT_NOT_ON_AVRRC, flags="ZC", feature="MUL")
def fmulsu(m: Operations, d: MiddleRegister, r: MiddleRegister) -> None:
    multiply_fraction_into_r0(m, d, r, True, False)


# UNVERIFIED: the manual's table prints 1 or 2 for DES, so it has no figure here and a program that reaches it is told;
# a page of the manual that says which applies when would settle it.
@instruction("DES K", "1001 0100 KKKK 1011", cycles=Cycles(None, 2, None, None, varies=True))
def des(m: Operations, K: RoundNumber) -> None:
    m.encrypt_round(K)
