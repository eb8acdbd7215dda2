"""The flags that a record names are those of the manual, and those that the meaning sets."""

import itertools
from collections.abc import Iterator

import pytest

from cyclerule.isa.opaque import Opaque
from cyclerule.isa.operations import FLAG_NAMES
from cyclerule.isa.record import REGISTERED, Instruction

MANUALS_FLAGS = {
    **dict.fromkeys(("ADD", "ADC", "SUB", "SUBI", "SBC", "SBCI", "NEG", "CP", "CPC", "CPI"), "ZCNVSH"),
    **dict.fromkeys(("ADIW", "SBIW", "COM", "LSR", "ROR", "ASR"), "ZCNVS"),
    **dict.fromkeys(("AND", "ANDI", "OR", "ORI", "EOR", "INC", "DEC"), "ZNVS"),
    **dict.fromkeys(("MUL", "MULS", "MULSU", "FMUL", "FMULS", "FMULSU"), "ZC"),
    "BST": "T",
    "RETI": "I",
    "BSET": "ITHSVNZC",
    "BCLR": "ITHSVNZC",
}
"""DS40002198 sec. 5, column "Flags"; with S wherever the instruction's page in sec. 6 has it. The others: none."""


def operand_values(instruction: Instruction) -> Iterator[tuple[int, ...]]:
    """Every value of each operand, with the others at their first and at their last."""
    fields = instruction.operands
    values = {}
    for letter, kind in fields.items():
        width = instruction.pattern.field_width(letter)
        bits = range(1 << width) if width <= 12 else [0, 1, 0xFFFF, (1 << width) - 1]
        values[letter] = [kind.value(each, width) for each in bits]
    if not fields:
        yield ()
    for letter, rest_at in itertools.product(fields, (0, -1)):
        for value in values[letter]:
            yield tuple(value if each == letter else values[each][rest_at] for each in fields)


@pytest.mark.parametrize("instruction", REGISTERED, ids=str)
def test_a_record_names_the_manuals_flags(instruction: Instruction) -> None:
    """DS40002198 sec. 5 and 6; `s` in a record stands for whichever flag the operand names."""
    flags = FLAG_NAMES if instruction.flags == "s" else instruction.flags
    assert sorted(flags) == sorted(MANUALS_FLAGS.get(instruction.mnemonic, ""))


@pytest.mark.parametrize("instruction", REGISTERED, ids=str)
def test_an_instruction_sets_the_flags_of_its_record_and_no_others(instruction: Instruction) -> None:
    """With every value of every operand: which flags are set depends on no value of the machine."""
    machine = Opaque()
    for operands in operand_values(instruction):
        machine.run(instruction, operands)
        named = (
            {operands[0]} if instruction.flags == "s" else {FLAG_NAMES.index(letter) for letter in instruction.flags}
        )
        assert machine.flags_set() == named, operands
