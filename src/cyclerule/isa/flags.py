"""How results set the status register: the flag equations that several instructions share.

Source of each: the "Status Register (SREG) and Boolean Formula" part of the instruction's page in
the AVR Instruction Set Manual DS40002198.
"""

from cyclerule.isa.operations import Bit, Byte, C, H, N, Operations, S, V, Word, Z


def set_sign_flags(m: Operations, negative: Bit, overflow: Bit) -> None:
    """Sets N, V and S, where S = N xor V on every instruction that changes it."""
    m.set_flag(N, negative)
    m.set_flag(V, overflow)
    m.set_flag(S, m.differ(negative, overflow))


def set_logic_flags(m: Operations, result: Byte) -> None:
    """Sets N, Z and S by the result and clears V."""
    set_sign_flags(m, m.bit(result, 7), 0)
    m.set_flag(Z, m.is_zero(result))


def add_with_flags(m: Operations, left: Byte, right: Byte, carry: Bit) -> Byte:
    """Gives left + right + carry and sets H, S, V, N, Z and C."""
    result, half, overflow, carry_out = m.add_with_carry(left, right, carry)
    m.set_flag(H, half)
    set_sign_flags(m, m.bit(result, 7), overflow)
    m.set_flag(Z, m.is_zero(result))
    m.set_flag(C, carry_out)
    return result


def subtract_with_flags(m: Operations, left: Byte, right: Byte, borrow: Bit, *, keep_zero: bool = False) -> Byte:
    """Gives left - right - borrow and sets H, S, V, N, Z and C; with `keep_zero` Z is only ever cleared."""
    result, half, overflow, borrow_out = m.subtract_with_borrow(left, right, borrow)
    m.set_flag(H, half)
    set_sign_flags(m, m.bit(result, 7), overflow)
    zero = m.is_zero(result)
    m.set_flag(Z, m.both(zero, m.flag(Z)) if keep_zero else zero)
    m.set_flag(C, borrow_out)
    return result


def shift_right_with_flags(m: Operations, value: Byte, high: Bit) -> Byte:
    """Gives value shifted right with `high` at bit 7 and sets S, V, N, Z and C, where V = N xor C."""
    result = m.shift_right(value, high)
    carry = m.bit(value, 0)
    negative = m.bit(result, 7)
    set_sign_flags(m, negative, m.differ(negative, carry))
    m.set_flag(Z, m.is_zero(result))
    m.set_flag(C, carry)
    return result


def set_product_flags(m: Operations, product: Word, result: Word) -> None:
    """Sets C to bit 15 of the product and Z by the result, which FMUL and its kin shift left once."""
    m.set_flag(C, m.bit(product, 15))
    m.set_flag(Z, m.is_zero(result))
