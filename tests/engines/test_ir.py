"""The intermediate form: traces are right, one defect at a time is refused, and the text says where it is from."""

from dataclasses import replace

import pytest

from cyclerule.engines.ir import Block, Operation, Ref, Region, RegionError, Translated, check, region_text
from cyclerule.engines.trace import Tracer
from cyclerule.isa.record import Timing
from cyclerule.machine.chip import Chip
from tests.engines.differential import part

READ, WRITE = Operation("read", (24,), (8,)), Operation("write", (24, Ref(0, 0, 8)))
ONE = Timing(1, 1)


def instruction(word: int, *operations: Operation) -> Translated:
    """Makes an instruction of one word."""
    return Translated(word, 1, ONE, f"made at {word}", operations)


def region(*instructions: Translated, successors: tuple[int, ...] = (), entry: int = 0) -> Region:
    """Makes a region of one block."""
    return Region(entry, {0: Block(0, list(instructions), successors)}, frozenset())


def test_a_right_region_is_taken() -> None:
    """The one that each defect below is planted in."""
    check(region(instruction(0, READ, WRITE), instruction(1, Operation("return_from_call", ()))))


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        (region(instruction(0), entry=5), "in no block"),
        (region(), "is empty"),
        (region(instruction(0), instruction(3)), "does not follow"),
        (region(instruction(0, Operation("jump_by", (1,))), instruction(1)), "inside a block"),
        (region(instruction(0, Operation("sleep", ())), instruction(1)), "inside a block"),
        (region(instruction(0), successors=(7,)), "in no block"),
        (region(instruction(0, Operation("add", (1, 2), (8,)))), "no operation add"),
        (region(instruction(0, Operation("jump_to", (4,)), READ)), "is not last"),
        (region(instruction(0, Operation("read", (1, 2), (8,)))), "takes 1 arguments"),
        (region(instruction(0, READ, Operation("set_flag", (0, Ref(0, 0, 8))))), "where 1 bits belong"),
        (region(instruction(0, WRITE)), "before it is made"),
        (region(instruction(0, READ, Operation("write", (24, Ref(0, 1, 8))))), "before it is made"),
        (region(instruction(0, READ, Operation("write", (24, Ref(0, 0, 16))))), "where 8 bits belong"),
        (region(instruction(0, READ, Operation("write", (Ref(0, 0, 8), 1)))), "takes a plain integer"),
        (region(instruction(0, Operation("write", (24, 256)))), "does not fit"),
        (region(instruction(0, Operation("both", (1, 2), (8,)))), "different widths"),
        (
            region(
                instruction(
                    0,
                    READ,
                    Operation("bit", (Ref(0, 0, 8), 0), (1,)),
                    Operation("both", (Ref(0, 0, 8), Ref(1, 0, 1)), (8,)),
                )
            ),
            "different widths",
        ),
        (region(instruction(0, Operation("read", (24,), (16,)))), "gives"),
    ],
)
def test_one_defect_is_refused_by_name(broken: Region, words: str) -> None:
    """Each rule of the form, broken once."""
    with pytest.raises(RegionError, match=words):
        check(broken)


def traced(*words: int) -> Region:
    """Traces a few words of flash on the ATmega2560."""
    flash = b"".join(word.to_bytes(2, "little") for word in words)
    found = Tracer(Chip(part("atmega2560"), flash)).region(0)
    assert found is not None
    return found


def test_every_first_word_that_is_an_instruction_makes_a_right_region() -> None:
    """The tracer checks what it makes; every encoding but those whose time is left open goes through."""
    chip = Chip(part("atmega2560"), b"")
    tracer = Tracer(chip)
    made = 0
    for word in range(0x10000):
        if word & 0xC000 == 0xC000 and word & 0x7:
            continue  # Distances and constants beyond a sample add nothing.
        chip.flash[0:6] = word.to_bytes(2, "little") + b"\x00\x01\x08\x95"
        decoded = tracer.decode(0)
        if decoded is not None:
            found = tracer.translate(0)
            assert found is not None
            check(Region(0, {0: Block(0, [replace(found, following=1)])}, frozenset()))
            made += 1
    assert made > 30_000


def test_the_text_carries_address_assembly_and_cycles_of_each_instruction() -> None:
    """Worked out by hand: ADC r24, r22 is 0x1f86, BRNE .-4 0xf7f1, RET 0x9508."""
    text = region_text(traced(0x1F86, 0xF7F1, 0x9508))
    assert text.startswith("region 0x0000\nblock 0x0000 -> 0x0004, 0x0000\n")
    assert "  0x0000  adc r24, r22  [1 cycles]\n    v0 = read(24)\n    v1 = read(22)\n    v2 = flag(0)\n" in text
    assert "  0x0002  brne .-4  [1 cycles]\n" in text
    assert "  0x0004  ret  [5 cycles]\n    return_from_call()\n" in text
