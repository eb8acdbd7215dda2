"""Jumps, calls, returns, branches and skips."""

from __future__ import annotations

from cyclerule.isa.arithmetic_and_logic import read_pair
from cyclerule.isa.operands import BitNumber, Distance, FlagNumber, FlashTarget, IoAddress, Register
from cyclerule.isa.operations import I, Operations
from cyclerule.isa.record import Cycles, instruction

Z_REGISTER = 30

# AVRxm takes a cycle more to test an I/O bit: DS40002198 sec. 5, SBIC and SBIS.
SKIP_ON_IO = Cycles(1, 2, 1, 1)
BRANCH = Cycles.all(1, taken_extra=1)
RETURN = Cycles(4, 4, 4, 6, pc22=1)


@instruction("RJMP k", "1100 kkkk kkkk kkkk", cycles=2)
def rjmp(m: Operations, k: Distance) -> None:
    m.jump_by(k)


@instruction("IJMP", "1001 0100 0000 1001", cycles=2, feature="IJMP_ICALL")
def ijmp(m: Operations) -> None:
    m.jump_indirect(0, read_pair(m, Z_REGISTER))


@instruction("EIJMP", "1001 0100 0001 1001", cycles=Cycles.larger(2), feature="EIJMP_EICALL")
def eijmp(m: Operations) -> None:
    m.jump_indirect(m.jump_page(), read_pair(m, Z_REGISTER))


@instruction("JMP k", "1001 010k kkkk 110k kkkk kkkk kkkk kkkk", cycles=Cycles.larger(3), feature="JMP_CALL")
def jmp(m: Operations, k: FlashTarget) -> None:
    m.jump_to(k)


@instruction("RCALL k", "1101 kkkk kkkk kkkk", cycles=Cycles(3, 2, 2, 3, pc22=1))
def rcall(m: Operations, k: Distance) -> None:
    m.call_by(k)


@instruction("ICALL", "1001 0101 0000 1001", cycles=Cycles(3, 2, 2, 3, pc22=1), feature="IJMP_ICALL")
def icall(m: Operations) -> None:
    m.call_indirect(0, read_pair(m, Z_REGISTER))


# The instruction is only on parts with a 22-bit program counter, so the table's figure has its extra cycle in it.
@instruction("EICALL", "1001 0101 0001 1001", cycles=Cycles(4, 3, 3, None), feature="EIJMP_EICALL")
def eicall(m: Operations) -> None:
    m.call_indirect(m.jump_page(), read_pair(m, Z_REGISTER))


@instruction(
    "CALL k", "1001 010k kkkk 111k kkkk kkkk kkkk kkkk", cycles=Cycles(4, 3, 3, None, pc22=1), feature="JMP_CALL"
)
def call(m: Operations, k: FlashTarget) -> None:
    m.call_to(k)


@instruction("RET", "1001 0101 0000 1000", cycles=RETURN)
def ret(m: Operations) -> None:
    m.return_from_call()


# On AVRxm and AVRxt RETI leaves I alone and returns through the interrupt controller's own state.
@instruction("RETI", "1001 0101 0001 1000", cycles=RETURN, flags="I")
def reti(m: Operations) -> None:
    m.set_flag(I, 1)
    m.return_from_interrupt()


@instruction("CPSE Rd, Rr", "0001 00rd dddd rrrr", cycles=1, is_skip=True)
def cpse(m: Operations, d: Register, r: Register) -> None:
    m.skip(m.is_zero(m.differ(m.read(d), m.read(r))))


@instruction("SBRC Rr, b", "1111 110r rrrr 0bbb", cycles=1, is_skip=True)
def sbrc(m: Operations, r: Register, b: BitNumber) -> None:
    m.skip(m.negate(m.bit(m.read(r), b)))


@instruction("SBRS Rr, b", "1111 111r rrrr 0bbb", cycles=1, is_skip=True)
def sbrs(m: Operations, r: Register, b: BitNumber) -> None:
    m.skip(m.bit(m.read(r), b))


@instruction("SBIC A, b", "1001 1001 AAAA Abbb", cycles=SKIP_ON_IO, is_skip=True)
def sbic(m: Operations, A: IoAddress, b: BitNumber) -> None:
    m.skip(m.negate(m.io_read_bit(A, b)))


@instruction("SBIS A, b", "1001 1011 AAAA Abbb", cycles=SKIP_ON_IO, is_skip=True)
def sbis(m: Operations, A: IoAddress, b: BitNumber) -> None:
    m.skip(m.io_read_bit(A, b))


@instruction("BRBS s, k", "1111 00kk kkkk ksss", cycles=BRANCH)
def brbs(m: Operations, s: FlagNumber, k: Distance) -> None:
    m.branch(m.flag(s), k)


@instruction("BRBC s, k", "1111 01kk kkkk ksss", cycles=BRANCH)
def brbc(m: Operations, s: FlagNumber, k: Distance) -> None:
    m.branch(m.negate(m.flag(s)), k)
