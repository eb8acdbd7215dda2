"""Results and flags of the arithmetic and logic instructions as the instruction manual writes them.

AVR Instruction Set Manual DS40002198 sec. 6: the part "Operation" of each instruction's page for the result, the part
"Status Register (SREG) and Boolean Formula" for the flags, with the manual's own names: Rd and Rr before, R after.
Written for numpy arrays; shares nothing with the package but the numbers of the flags' bits.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[Any]


class Bits:
    """A value whose bits read as truth values: `Rd[7]`."""

    def __init__(self, value: Any) -> None:
        self.value = np.asarray(value)

    def __getitem__(self, position: int) -> Array:
        return np.asarray((self.value >> position) % 2 == 1)


@dataclass
class Inputs:
    """What an instruction finds: the operands' values, constant or bit number, and the flags C, Z and T before."""

    Rd: Array
    Rr: Array = field(default_factory=lambda: np.asarray(0))
    K: Any = 0
    C: Array = field(default_factory=lambda: np.asarray(False))
    Z: Array = field(default_factory=lambda: np.asarray(False))
    T: Array = field(default_factory=lambda: np.asarray(False))


@dataclass
class Outcome:
    """The value written, None where only flags change, and the flags by letter."""

    result: Array | None
    flags: dict[str, Array] = field(default_factory=dict)


FORMULAS: dict[str, Callable[[Inputs], Outcome]] = {}


def _page(*mnemonics: str) -> Callable[[Callable[..., Outcome]], Callable[..., Outcome]]:
    def keep(formula: Callable[..., Outcome]) -> Callable[..., Outcome]:
        for mnemonic in mnemonics:
            FORMULAS[mnemonic] = formula
        return formula

    return keep


def all_clear(value: Array, width: int) -> Array:
    """The manual's product of all inverted bits of the result."""
    bits, product = Bits(value), np.asarray(True)
    for position in range(width):
        product = product & ~bits[position]
    return product


def _sum(Rd: Array, Rr: Any, carry: Any) -> Outcome:
    result = (Rd + Rr + carry) % 256
    d, r, R = Bits(Rd), Bits(Rr), Bits(result)
    N = R[7]
    V = d[7] & r[7] & ~R[7] | ~d[7] & ~r[7] & R[7]
    H = d[3] & r[3] | r[3] & ~R[3] | ~R[3] & d[3]
    C = d[7] & r[7] | r[7] & ~R[7] | ~R[7] & d[7]
    return Outcome(result, {"H": H, "S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8), "C": C})


def _difference(Rd: Array, Rr: Any, borrow: Any, previous_zero: Any = True) -> Outcome:
    result = (Rd - Rr - borrow) % 256
    d, r, R = Bits(Rd), Bits(Rr), Bits(result)
    N = R[7]
    V = d[7] & ~r[7] & ~R[7] | ~d[7] & r[7] & R[7]
    H = ~d[3] & r[3] | r[3] & R[3] | R[3] & ~d[3]
    C = ~d[7] & r[7] | r[7] & R[7] | R[7] & ~d[7]
    Z = all_clear(result, 8) & previous_zero
    return Outcome(result, {"H": H, "S": N ^ V, "V": V, "N": N, "Z": Z, "C": C})


@_page("ADD")
def _add(i: Inputs) -> Outcome:
    return _sum(i.Rd, i.Rr, 0)


@_page("ADC")
def _adc(i: Inputs) -> Outcome:
    return _sum(i.Rd, i.Rr, i.C)


@_page("SUB")
def _sub(i: Inputs) -> Outcome:
    return _difference(i.Rd, i.Rr, 0)


@_page("SUBI")
def _subi(i: Inputs) -> Outcome:
    return _difference(i.Rd, i.K, 0)


@_page("SBC")
def _sbc(i: Inputs) -> Outcome:
    return _difference(i.Rd, i.Rr, i.C, i.Z)


@_page("SBCI")
def _sbci(i: Inputs) -> Outcome:
    return _difference(i.Rd, i.K, i.C, i.Z)


@_page("CP")
def _cp(i: Inputs) -> Outcome:
    return Outcome(None, _difference(i.Rd, i.Rr, 0).flags)


@_page("CPC")
def _cpc(i: Inputs) -> Outcome:
    return Outcome(None, _difference(i.Rd, i.Rr, i.C, i.Z).flags)


@_page("CPI")
def _cpi(i: Inputs) -> Outcome:
    return Outcome(None, _difference(i.Rd, i.K, 0).flags)


def _logic(result: Array) -> Outcome:
    N = Bits(result)[7]
    V = np.zeros_like(N)
    return Outcome(result, {"S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8)})


@_page("AND")
def _and(i: Inputs) -> Outcome:
    return _logic(np.bitwise_and(i.Rd, i.Rr))


@_page("ANDI")
def _andi(i: Inputs) -> Outcome:
    return _logic(np.bitwise_and(i.Rd, i.K))


@_page("OR")
def _or(i: Inputs) -> Outcome:
    return _logic(np.bitwise_or(i.Rd, i.Rr))


@_page("ORI")
def _ori(i: Inputs) -> Outcome:
    return _logic(np.bitwise_or(i.Rd, i.K))


@_page("EOR")
def _eor(i: Inputs) -> Outcome:
    return _logic(np.bitwise_xor(i.Rd, i.Rr))


@_page("COM")
def _com(i: Inputs) -> Outcome:
    outcome = _logic(0xFF - i.Rd)
    outcome.flags["C"] = np.ones_like(outcome.flags["N"])
    return outcome


@_page("NEG")
def _neg(i: Inputs) -> Outcome:
    result = (0x00 - i.Rd) % 256
    R, d = Bits(result), Bits(i.Rd)
    N = R[7]
    V = R[7] & ~R[6] & ~R[5] & ~R[4] & ~R[3] & ~R[2] & ~R[1] & ~R[0]
    C = R[7] | R[6] | R[5] | R[4] | R[3] | R[2] | R[1] | R[0]
    H = R[3] | d[3]
    return Outcome(result, {"H": H, "S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8), "C": C})


@_page("INC")
def _inc(i: Inputs) -> Outcome:
    result = (i.Rd + 1) % 256
    R = Bits(result)
    N = R[7]
    V = R[7] & ~R[6] & ~R[5] & ~R[4] & ~R[3] & ~R[2] & ~R[1] & ~R[0]
    return Outcome(result, {"S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8)})


@_page("DEC")
def _dec(i: Inputs) -> Outcome:
    result = (i.Rd - 1) % 256
    R = Bits(result)
    N = R[7]
    V = ~R[7] & R[6] & R[5] & R[4] & R[3] & R[2] & R[1] & R[0]
    return Outcome(result, {"S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8)})


def _right_shift(Rd: Array, entering: Any) -> Outcome:
    result = Rd // 2 + 128 * np.asarray(entering)
    N, C = Bits(result)[7], Bits(Rd)[0]
    V = N ^ C
    return Outcome(result, {"S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8), "C": C})


@_page("LSR")
def _lsr(i: Inputs) -> Outcome:
    return _right_shift(i.Rd, 0)


@_page("ROR")
def _ror(i: Inputs) -> Outcome:
    return _right_shift(i.Rd, i.C)


@_page("ASR")
def _asr(i: Inputs) -> Outcome:
    return _right_shift(i.Rd, Bits(i.Rd)[7])


def _left_shift(Rd: Array, entering: Any) -> Outcome:
    result = Rd * 2 % 256 + np.asarray(entering)
    N, C = Bits(result)[7], Bits(Rd)[7]
    V = N ^ C
    H = Bits(Rd)[3]
    return Outcome(result, {"H": H, "S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 8), "C": C})


@_page("LSL")
def _lsl(i: Inputs) -> Outcome:
    return _left_shift(i.Rd, 0)


@_page("ROL")
def _rol(i: Inputs) -> Outcome:
    return _left_shift(i.Rd, i.C)


@_page("SWAP")
def _swap(i: Inputs) -> Outcome:
    return Outcome(i.Rd % 16 * 16 + i.Rd // 16)


@_page("BST")
def _bst(i: Inputs) -> Outcome:
    return Outcome(None, {"T": Bits(i.Rd)[i.K]})


@_page("BLD")
def _bld(i: Inputs) -> Outcome:
    return Outcome(i.Rd - (Bits(i.Rd)[i.K] * 2**i.K) + i.T * 2**i.K)


@_page("ADIW")
def _adiw(i: Inputs) -> Outcome:
    result = (i.Rd + i.K) % 65536
    R, Rdh7 = Bits(result), Bits(i.Rd)[15]
    N, V, C = R[15], ~Rdh7 & R[15], ~R[15] & Rdh7
    return Outcome(result, {"S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 16), "C": C})


@_page("SBIW")
def _sbiw(i: Inputs) -> Outcome:
    result = (i.Rd - i.K) % 65536
    R, Rdh7 = Bits(result), Bits(i.Rd)[15]
    # The manual's words decide, since its online print has lost the bars over inverted bits:
    # V is two's complement overflow, C says that K is larger than Rd.
    N, V, C = R[15], Rdh7 & ~R[15], R[15] & ~Rdh7
    return Outcome(result, {"S": N ^ V, "V": V, "N": N, "Z": all_clear(result, 16), "C": C})


def _signed(value: Array) -> Array:
    return np.where(value >= 128, value - 256, value)


def _product(product: Array) -> Outcome:
    result = product % 65536
    return Outcome(result, {"Z": all_clear(result, 16), "C": Bits(result)[15]})


def _fraction(product: Array) -> Outcome:
    # C is R16: bit 15 of the product before the shift; Z is of the result after it.
    result = product * 2 % 65536
    return Outcome(result, {"Z": all_clear(result, 16), "C": Bits(product % 65536)[15]})


@_page("MUL")
def _mul(i: Inputs) -> Outcome:
    return _product(i.Rd * i.Rr)


@_page("MULS")
def _muls(i: Inputs) -> Outcome:
    return _product(_signed(i.Rd) * _signed(i.Rr))


@_page("MULSU")
def _mulsu(i: Inputs) -> Outcome:
    return _product(_signed(i.Rd) * i.Rr)


@_page("FMUL")
def _fmul(i: Inputs) -> Outcome:
    return _fraction(i.Rd * i.Rr)


@_page("FMULS")
def _fmuls(i: Inputs) -> Outcome:
    return _fraction(_signed(i.Rd) * _signed(i.Rr))


@_page("FMULSU")
def _fmulsu(i: Inputs) -> Outcome:
    return _fraction(_signed(i.Rd) * i.Rr)
