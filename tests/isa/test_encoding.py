"""Encodings read both ways, and no word that two instructions of a core claim."""

import itertools

import pytest

from cyclerule.isa.families import ALL_FEATURES, Core
from cyclerule.isa.pattern import Pattern
from cyclerule.isa.record import REGISTERED, Instruction
from cyclerule.isa.table import InstructionTable
from tests.isa.cores import CORES

SPECIFIC_OVER_GENERAL = {
    ("LD Rd, Y", "LDD Rd, Y+q"),
    ("LD Rd, Z", "LDD Rd, Z+q"),
    ("ST Y, Rr", "STD Y+q, Rr"),
    ("ST Z, Rr", "STD Z+q, Rr"),
}
"""DS40002198 sec. 6, pages of LD and ST: the form without displacement is the other one's word with q = 0."""

SECOND_WORDS = (0x0000, 0x5AA5, 0xFFFF)


def share_a_word(one: Instruction, other: Instruction) -> bool:
    """Whether some word has the fixed bits of both."""
    a, b = one.pattern, other.pattern
    return (a.value ^ b.value) & a.mask & b.mask == 0


@pytest.mark.parametrize("family", CORES)
def test_no_two_instructions_of_a_core_share_a_word(family: str) -> None:
    """All pairs, by their fixed bits; the four named ones are the manual's own."""
    on_core = InstructionTable(CORES[family]).instructions
    sharing = {(str(a), str(b)) for a, b in itertools.combinations(on_core, 2) if share_a_word(a, b)}
    assert sharing == (SPECIFIC_OVER_GENERAL if family != "AVRrc" else set())


@pytest.mark.parametrize(("specific", "general"), sorted(SPECIFIC_OVER_GENERAL))
def test_a_word_of_two_forms_reads_as_the_specific_one_with_the_same_effect(specific: str, general: str) -> None:
    """Both forms access the pointer's own address, so which one names the word does not change what it does."""
    by_syntax = {str(each): each for each in REGISTERED}
    table = InstructionTable(CORES["AVRe+"])
    for register in range(32):
        (word,) = by_syntax[specific].encode(register)
        assert table.find(word) is by_syntax[specific]
        operands = (register, 0) if general.startswith("LDD") else (0, register)
        assert by_syntax[general].encode(*operands) == (word,)
        assert by_syntax[specific].cycles.on(CORES["AVRe+"]) == by_syntax[general].cycles.on(CORES["AVRe+"])


@pytest.mark.parametrize("family", CORES)
def test_every_word_that_decodes_encodes_to_itself(family: str) -> None:
    """All 65,536 first words; two-word forms with several second words, which are not to be lost or mixed up."""
    table = InstructionTable(CORES[family])
    decoded_words = 0
    for word in range(0x10000):
        for second in SECOND_WORDS:
            found = table.decode(word, second)
            if found is None:
                break
            instruction, operands, _ = found
            words = (word, second) if instruction.words == 2 else (word,)
            assert instruction.encode(*operands) == words
            decoded_words += 1
            if instruction.words == 1:
                break
    assert decoded_words > 50_000


@pytest.mark.parametrize("instruction", REGISTERED, ids=str)
def test_every_operand_value_of_a_field_reads_back(instruction: Instruction) -> None:
    """Each field through all its values, the others at their first and last: no bit of one reaches another."""
    fields = instruction.operands
    values = {}
    for letter, kind in fields.items():
        width = instruction.pattern.field_width(letter)
        bits = range(1 << width) if width <= 12 else [0, 1, 0xFFFF, 0x10000, 0x2AAAAA, (1 << width) - 1]
        values[letter] = [kind.value(each, width) for each in bits if each < 1 << width]
    for letter, rest_at in itertools.product(fields, (0, -1)):
        for value in values[letter]:
            operands = tuple(value if each == letter else values[each][rest_at] for each in fields)
            words = instruction.encode(*operands)
            assert instruction.pattern.matches(words[0])
            assert instruction.decode(*words) == operands


@pytest.mark.parametrize("instruction", REGISTERED, ids=str)
def test_an_operand_that_does_not_fit_its_field_is_refused(instruction: Instruction) -> None:
    """One below and one above each field's values would otherwise become another instruction."""
    fields = instruction.operands
    for letter, kind in fields.items():
        width = instruction.pattern.field_width(letter)
        values = [kind.value(bits, width) for bits in range(1 << min(width, 12))]
        good = {each: each_kind.value(0, instruction.pattern.field_width(each)) for each, each_kind in fields.items()}
        too_large = max(values) + 1 if width <= 12 else 1 << width
        for wrong in {min(values) - 1, too_large} - set(values):
            with pytest.raises(ValueError, match=r"is no|does not fit"):
                instruction.encode(*{**good, letter: wrong}.values())


def test_an_instruction_of_another_family_is_none_of_this_one() -> None:
    """DS40002198 sec. 5: the one-word LDS is AVRrc's, XCH XMEGA's; the words are LDD and nothing on AVRe."""
    avre, avrxm, avrrc = (InstructionTable(CORES[family]) for family in ("AVRe", "AVRxm", "AVRrc"))
    assert str(avrrc.find(0xA101)) == "LDS Rd, k"
    assert str(avre.find(0xA101)) == "LDD Rd, Z+q"
    assert str(avrxm.find(0x9204)) == "XCH Z, Rd"
    assert avre.find(0x9204) is None
    assert avre.words(0x9204) == 1


def test_patterns_with_a_defect_are_refused() -> None:
    """A pattern is 16 bits, or 32 whose second half is all k."""
    for defect in ("0000", "0000 0000 0000 000", "0000 0000 0000 0000 kkkk", "0000 0000 0000 0000 kkkk kkkk kkkk kkk1"):
        with pytest.raises(ValueError, match="pattern"):
            Pattern(defect)


def test_a_core_that_cannot_be_is_refused() -> None:
    """Families are those of DS40002198 sec. 4; a program counter has 16 or 22 bits."""
    with pytest.raises(ValueError, match="no family"):
        Core("AVR9", ALL_FEATURES)
    with pytest.raises(ValueError, match="2 or 3 bytes"):
        Core("AVRe", ALL_FEATURES, 4)
