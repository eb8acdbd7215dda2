"""The code that the compiler makes of a delay: loops that count a constant down, RJMP to the next word, NOP."""

from typing import NamedTuple

from cyclerule.isa.table import Decoded
from cyclerule.machine.chip import Chip
from cyclerule.measure.layout import decoded_at

WIDEST_COUNTER = 4
"""Registers that a loop counts down together."""

ZERO_FLAG = 1


class DelayCode(NamedTuple):
    """A delay in flash: its first word, the word behind it, and the cycles from one to the other."""

    first: int
    end: int
    cycles: int


class _Step(NamedTuple):
    """A piece of a delay: the word behind it and its cycles."""

    end: int
    cycles: int


def delay_code(chip: Chip, first: int, end: int) -> DelayCode | None:
    """Finds the delay in a stretch of flash words; None where the stretch does not hold the code of one.

    What the compiler has moved in front of it or behind it within the stretch does not count.
    """
    word = first
    while word < end:
        if _step(chip, word, end) is not None:
            return _whole(chip, word, end)
        decoded = decoded_at(chip, word)
        if decoded is None:
            return None
        word += decoded.instruction.words
    return None


def _whole(chip: Chip, first: int, end: int) -> DelayCode:
    word, cycles = first, 0
    while word < end and (step := _step(chip, word, end)) is not None:
        word, cycles = step.end, cycles + step.cycles
    return DelayCode(first, word, cycles)


def _step(chip: Chip, word: int, end: int) -> _Step | None:
    decoded = decoded_at(chip, word)
    if decoded is None:
        return None
    match decoded.instruction.mnemonic, decoded.operands:
        case "NOP", _:
            return _Step(word + 1, decoded.timing.base)
        case "RJMP", (0,):
            return _Step(word + 1, decoded.timing.base)
        case "LDI", _:
            step = _loop(chip, word)
            return step if step is not None and step.end <= end else None
        case _:
            return None


def _loop(chip: Chip, word: int) -> _Step | None:
    """Reads a loop that counts a constant down to 0: LDI for each byte, then the count, BRNE."""
    counter: list[tuple[int, int]] = []
    cycles, at = 0, word
    while (decoded := decoded_at(chip, at)) is not None and decoded.instruction.mnemonic == "LDI":
        counter.append((decoded.operands[0], decoded.operands[1]))
        cycles += decoded.timing.base
        at += 1
    registers = [register for register, _ in counter]
    if decoded is None or not 0 < len(counter) <= WIDEST_COUNTER or len(set(registers)) != len(registers):
        return None
    count = _count_down(chip, at, decoded, registers)
    if count is None:
        return None
    branch = decoded_at(chip, count.end)
    # BRNE back to where the count begins.
    if branch is None or branch.instruction.mnemonic != "BRBC" or branch.operands != (ZERO_FLAG, at - count.end - 1):
        return None
    turns = sum(byte << 8 * place for place, (_, byte) in enumerate(counter)) or 1 << 8 * len(counter)
    taken, through = branch.timing.taken, branch.timing.base
    return _Step(count.end + 1, cycles + turns * (count.cycles + taken) - taken + through)


def _count_down(chip: Chip, at: int, decoded: Decoded, registers: list[int]) -> _Step | None:
    """Reads what takes 1 from a counter in these registers, the lowest byte first."""
    match decoded.instruction.mnemonic, decoded.operands:
        case "DEC", (register,) if registers == [register]:
            return _Step(at + 1, decoded.timing.base)
        case "SBIW", (register, 1) if registers == [register, register + 1]:
            return _Step(at + 1, decoded.timing.base)
        case "SUBI", (register, 1) if register == registers[0]:
            cycles = decoded.timing.base
            for place, each in enumerate(registers[1:], 1):
                following = decoded_at(chip, at + place)
                if following is None or following.instruction.mnemonic != "SBCI" or following.operands != (each, 0):
                    return None
                cycles += following.timing.base
            return _Step(at + len(registers), cycles)
        case _:
            return None
