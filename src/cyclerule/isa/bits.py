"""Bit instructions: single bits of registers, of I/O and of the status register."""

from __future__ import annotations

from cyclerule.isa.operands import BitNumber, FlagNumber, IoAddress, Register
from cyclerule.isa.operations import Operations, T
from cyclerule.isa.record import Cycles, instruction

IO_BIT = Cycles(2, 1, 1, 1)


@instruction("SBI A, b", "1001 1010 AAAA Abbb", cycles=IO_BIT)
def sbi(m: Operations, A: IoAddress, b: BitNumber) -> None:
    m.io_write_bit(A, b, 1)


@instruction("CBI A, b", "1001 1000 AAAA Abbb", cycles=IO_BIT)
def cbi(m: Operations, A: IoAddress, b: BitNumber) -> None:
    m.io_write_bit(A, b, 0)


@instruction("BST Rr, b", "1111 101r rrrr 0bbb", cycles=1, flags="T")
def bst(m: Operations, r: Register, b: BitNumber) -> None:
    m.set_flag(T, m.bit(m.read(r), b))


@instruction("BLD Rd, b", "1111 100d dddd 0bbb", cycles=1)
def bld(m: Operations, d: Register, b: BitNumber) -> None:
    m.write(d, m.with_bit(m.read(d), b, m.flag(T)))


@instruction("BSET s", "1001 0100 0sss 1000", cycles=1, flags="s")
def bset(m: Operations, s: FlagNumber) -> None:
    m.set_flag(s, 1)


@instruction("BCLR s", "1001 0100 1sss 1000", cycles=1, flags="s")
def bclr(m: Operations, s: FlagNumber) -> None:
    m.set_flag(s, 0)
