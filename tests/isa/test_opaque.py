"""Instructions keep to the vocabulary: they look into no machine value and hand on the right widths."""

from __future__ import annotations

import inspect
import operator
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cyclerule.isa import flags
from cyclerule.isa.opaque import BIT, BYTE, WORD, MeaningError, Opaque, Value
from cyclerule.isa.operands import KINDS, Register
from cyclerule.isa.operations import C, N, Operations, Z
from cyclerule.isa.pattern import Pattern
from cyclerule.isa.record import REGISTERED, Cycles, Instruction
from tests.isa.test_flags_named import operand_values

THIS_FILE = Path(__file__).name


def planted(meaning: Callable[..., None]) -> Instruction:
    """A record for a meaning of this file, with the registers d and r, kept out of the instruction table."""
    return Instruction(
        mnemonic="PLANTED",
        syntax="PLANTED Rd, Rr",
        pattern=Pattern("1111 11rd dddd rrrr"),
        operands={"d": KINDS["Register"], "r": KINDS["Register"]},
        cycles=Cycles.all(1),
        flags="",
        feature=None,
        meaning=meaning,
        source="",
        is_skip=False,
    )


def line_of(meaning: Callable[..., None], text: str) -> int:
    """The line of this file on which the meaning has that text."""
    lines, first = inspect.getsourcelines(meaning)
    (place,) = [n for n, line in enumerate(lines) if text in line]
    return first + place


@pytest.mark.parametrize("instruction", REGISTERED, ids=str)
def test_every_instruction_keeps_to_the_vocabulary_with_every_operand(instruction: Instruction) -> None:
    """Architecture: one meaning for every engine, so none may depend on a host value of the machine."""
    for operands in operand_values(instruction):
        Opaque().run(instruction, operands)


def test_every_operation_of_the_vocabulary_is_there_with_its_parameters() -> None:
    """`isa/operations.py` is the list; an instruction to come may use any of them."""
    for name, operation in inspect.getmembers(Operations, inspect.isfunction):
        if name.startswith("_"):
            continue
        assert list(inspect.signature(getattr(Opaque, name)).parameters) == list(
            inspect.signature(operation).parameters
        )


def test_steps_are_what_the_meaning_asked_in_order() -> None:
    """ADC as the manual has it: Rd + Rr + C, then H, N, V, S, Z, C, then Rd."""
    (adc,) = [each for each in REGISTERED if each.mnemonic == "ADC"]
    steps = Opaque().run(adc, (3, 4))
    assert [step.operation for step in steps[:4]] == ["read", "read", "flag", "add_with_carry"]
    assert [step.given for step in steps[:3]] == [(3,), (4,), (C,)]
    assert steps[-1].operation == "write"
    register, value = steps[-1].given
    assert register == 3
    assert (value.step, value.result, value.width) == (steps[3], 0, BYTE)


# Meanings with one defect each; the refused line ends with a comment that names what is refused.


def asks_a_bit(m: Operations, d: Register, r: Register) -> None:
    if m.flag(C):  # the truth
        m.write(d, m.read(r))


def asks_a_byte(m: Operations, d: Register, r: Register) -> None:
    value = m.read(r)
    m.write(d, value or 1)  # the truth


def negates_on_the_host(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(Z, not m.read(r))  # the truth


def compares(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(Z, m.read(d) == m.read(r))  # equality


def compares_with_a_constant(m: Operations, d: Register, r: Register) -> None:
    if 0 != m.read(d):  # equality  # noqa: SIM300
        m.write(d, 0)


def orders(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(C, m.read(d) < m.read(r))  # the order


def adds_on_the_host(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.read(d) + m.read(r))  # host arithmetic


def adds_to_a_constant(m: Operations, d: Register, r: Register) -> None:
    m.write(d, 1 + m.read(r))  # host arithmetic


def adds_in_place(m: Operations, d: Register, r: Register) -> None:
    value = m.read(d)
    value += 1  # host arithmetic
    m.write(d, value)


def masks_on_the_host(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.read(d) & 0x0F)  # host logic


def shifts_on_the_host(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.read(d) >> 1)  # host logic


def inverts_on_the_host(m: Operations, d: Register, r: Register) -> None:
    m.write(d, ~m.read(d))  # host arithmetic


def takes_the_number(m: Operations, d: Register, r: Register) -> None:
    m.write(d, int(m.read(r)))  # the number


def indexes_with_it(m: Operations, d: Register, r: Register) -> None:
    m.write(d, (0, 1, 2)[m.read(r)])  # the number


def counts_with_it(m: Operations, d: Register, r: Register) -> None:
    for _ in range(m.read(r)):  # the number
        m.write(d, 0)


def looks_it_up(m: Operations, d: Register, r: Register) -> None:
    m.write(d, {0: 1}.get(m.read(r), 0))  # the number


def searches_for_it(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(Z, m.read(r) in (0, 1))  # equality


def takes_it_apart(m: Operations, d: Register, r: Register) -> None:
    low, _ = m.read(r)  # the contents
    m.write(d, low)


def reads_a_register_that_a_value_names(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.read(m.read(r)))  # is no register


def branches_by_a_value(m: Operations, d: Register, r: Register) -> None:
    m.branch(m.flag(Z), m.read(r))  # is no distance


def writes_a_word(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.join(m.read(d), m.read(r)))  # Byte belongs


def sets_a_flag_to_a_byte(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(N, m.read(r))  # Bit belongs


def mixes_widths(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.both(m.read(d), m.flag(C)))  # Byte belongs


def selects_between_widths(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.select(m.flag(C), m.read(d), m.flag(Z)))  # Byte belongs


def selects_by_a_byte(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.select(m.read(r), m.read(d), 0))  # Bit belongs


def loads_from_a_byte(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.load(m.read(r)))  # Word belongs


def takes_a_bit_that_is_none(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(C, m.bit(m.read(r), 8))  # is no bit position


def writes_a_constant_too_large(m: Operations, d: Register, r: Register) -> None:
    m.write(d, 256)  # is no constant


def complements_a_bit(m: Operations, d: Register, r: Register) -> None:
    m.set_flag(C, m.complement(m.flag(C)))  # Byte belongs


def combines_two_constants(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.both(d, r))  # both constants


def decides_the_sign_by_a_value(m: Operations, d: Register, r: Register) -> None:
    m.write(d, m.low(m.multiply(m.read(d), m.read(r), m.flag(C), False)))  # known beforehand


DEFECTS = [
    value
    for value in globals().values()
    if inspect.isfunction(value)
    and value.__name__ not in ("planted", "line_of")
    and not value.__name__.startswith("test_")
    and value.__module__ == __name__
]


@pytest.mark.parametrize("meaning", DEFECTS, ids=lambda meaning: meaning.__name__)
def test_a_meaning_with_a_defect_is_refused_at_its_line(meaning: Callable[..., None]) -> None:
    """One defect each; the message names this file, the line and what is wrong."""
    (marked,) = [line for line in inspect.getsource(meaning).splitlines() if "  # " in line]
    what = marked.split("  # ")[1]
    with pytest.raises(MeaningError) as refused:
        Opaque().run(planted(meaning), (2, 3))
    assert str(refused.value).startswith(f"{THIS_FILE}:{line_of(meaning, marked)}: ")
    assert what in str(refused.value)


def passes_a_bit_for_a_byte(m: Operations, d: Register, r: Register) -> None:
    m.write(d, flags.add_with_flags(m, m.read(d), m.flag(C), 0))


def test_a_defect_inside_a_shared_equation_names_the_instructions_line_too() -> None:
    """`flags.py` is where it shows, the instruction is where it comes from."""
    with pytest.raises(MeaningError) as refused:
        Opaque().run(planted(passes_a_bit_for_a_byte), (2, 3))
    line = line_of(passes_a_bit_for_a_byte, "add_with_flags")
    _, first = inspect.getsourcelines(flags.add_with_flags)
    place, _, rest = str(refused.value).partition(", from ")
    assert place.startswith("flags.py:")
    assert first < int(place.removeprefix("flags.py:")) < first + 12
    assert rest.startswith(f"{THIS_FILE}:{line}: ")


@pytest.mark.parametrize("width", [BIT, BYTE, WORD])
@pytest.mark.parametrize(
    "act",
    [
        *(bool, int, float, complex, hash, len, iter, abs, round, list, operator.index, operator.neg, operator.pos),
        *(lambda value: value == 1, lambda value: value != 0, lambda value: value > 0, lambda value: value <= 0),
        *(lambda value: value * 2, lambda value: 7 // value, lambda value: value**2, lambda value: divmod(value, 2)),
        *(lambda value: value[0], lambda value: 0 in value, lambda value: value(), lambda value: f"{value:02x}"),
        *(lambda value: value | 1, lambda value: 1 ^ value, lambda value: value << 1, lambda value: 1 << value),
    ],
)
def test_a_value_answers_no_question_of_the_host(act: Callable[[Any], object], width: int) -> None:
    """Whatever needs the number is refused, outside an instruction too."""
    m = Opaque()
    value: Value = {BIT: m.flag(0), BYTE: m.read(0), WORD: m.join(0, 0)}[width]
    assert value.width == width
    with pytest.raises(MeaningError, match="known to one engine only"):
        act(value)
