"""The vocabulary over numpy arrays: one run of an instruction's meaning covers a whole table of inputs.

Every operation is written over the bits of its operands, so that nothing here is the arithmetic of the
engines under test.
"""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[Any]


def bits_of(value: Any, width: int) -> list[Array]:
    """The bits of a value, the lowest first, each 0 or 1."""
    whole = np.asarray(value)
    return [(whole >> position) & 1 for position in range(width)]


def value_of(bits: list[Any]) -> Array:
    """The value with those bits, the lowest first."""
    total: Array = np.asarray(0)
    for position, bit in enumerate(bits):
        total = total | (np.asarray(bit) << position)
    return total


def ripple(left: list[Any], right: list[Any], carry: Any) -> tuple[list[Array], list[Array]]:
    """Adds bit by bit as full adders do: the sum's bits, and the carry out of each."""
    total, carries = [], []
    for a, b in zip(left, right, strict=True):
        total.append(a ^ b ^ carry)
        carry = (a & b) | (a & carry) | (b & carry)
        carries.append(carry)
    return total, carries


class Arrays:
    """Registers, flags and memory of many machines at once, each an array or a plain number for all of them."""

    def __init__(self, registers: dict[int, Any], flags: dict[int, Any]) -> None:
        self.registers = dict(registers)
        self.flags = dict(flags)
        self.written: dict[int, Array] = {}
        self.flags_written: dict[int, Array] = {}

    def read(self, register: int) -> Array:
        return np.asarray(self.registers[register])

    def write(self, register: int, value: Any) -> None:
        self.registers[register] = self.written[register] = np.asarray(value)

    def flag(self, flag: int) -> Array:
        return np.asarray(self.flags[flag])

    def set_flag(self, flag: int, value: Any) -> None:
        self.flags[flag] = self.flags_written[flag] = np.asarray(value)

    def add_with_carry(self, left: Any, right: Any, carry: Any) -> tuple[Array, Array, Array, Array]:
        total, carries = ripple(bits_of(left, 8), bits_of(right, 8), np.asarray(carry))
        return value_of(total), carries[3], carries[7] ^ carries[6], carries[7]

    def subtract_with_borrow(self, left: Any, right: Any, borrow: Any) -> tuple[Array, Array, Array, Array]:
        # left - right - borrow is left + not right + not borrow, and a borrow is a carry that is missing.
        inverted = [bit ^ 1 for bit in bits_of(right, 8)]
        total, carries = ripple(bits_of(left, 8), inverted, np.asarray(borrow) ^ 1)
        return value_of(total), carries[3] ^ 1, carries[7] ^ carries[6], carries[7] ^ 1

    def add_words(self, left: Any, right: Any) -> Array:
        return value_of(ripple(bits_of(left, 16), bits_of(right, 16), np.asarray(0))[0])

    def subtract_words(self, left: Any, right: Any) -> Array:
        inverted = [bit ^ 1 for bit in bits_of(right, 16)]
        return value_of(ripple(bits_of(left, 16), inverted, np.asarray(1))[0])

    def multiply(self, left: Any, right: Any, left_signed: bool, right_signed: bool) -> Array:
        # Shift and add, where a sign bit weighs minus 128.
        total: Array = np.asarray(0)
        for i, a in enumerate(bits_of(left, 8)):
            for j, b in enumerate(bits_of(right, 8)):
                sign = (-1 if left_signed and i == 7 else 1) * (-1 if right_signed and j == 7 else 1)
                total = total + sign * ((a & b) << (i + j))
        return total & 0xFFFF

    def both(self, left: Any, right: Any) -> Array:
        return np.asarray(np.asarray(left) & right)

    def either(self, left: Any, right: Any) -> Array:
        return np.asarray(np.asarray(left) | right)

    def differ(self, left: Any, right: Any) -> Array:
        return np.asarray(np.asarray(left) ^ right)

    def complement(self, value: Any) -> Array:
        return value_of([bit ^ 1 for bit in bits_of(value, 8)])

    def negate(self, bit: Any) -> Array:
        return np.asarray(bit) ^ 1

    def bit(self, value: Any, position: int) -> Array:
        return bits_of(value, 16)[position]

    def with_bit(self, value: Any, position: int, bit: Any) -> Array:
        bits: list[Any] = bits_of(value, 8)
        bits[position] = bit
        return value_of(bits)

    def is_zero(self, value: Any) -> Array:
        return np.asarray(np.asarray(value) == 0, dtype=int)

    def shift_right(self, value: Any, high: Any) -> Array:
        return value_of([*bits_of(value, 8)[1:], high])

    def swap_halves(self, value: Any) -> Array:
        bits = bits_of(value, 8)
        return value_of(bits[4:] + bits[:4])

    def double(self, value: Any) -> Array:
        return value_of([0, *bits_of(value, 16)[:15]])

    def join(self, high: Any, low: Any) -> Array:
        return value_of(bits_of(low, 8) + bits_of(high, 8))

    def low(self, value: Any) -> Array:
        return value_of(bits_of(value, 8))

    def high(self, value: Any) -> Array:
        return value_of(bits_of(value, 16)[8:])

    def select(self, condition: Any, if_one: Any, if_zero: Any) -> Array:
        return np.asarray(np.where(np.asarray(condition) == 1, if_one, if_zero))
