"""Statements: what is in their figure and what is not, and what is said when there is none."""

from pathlib import Path

import pytest

import cyclerule as cr

PROGRAMS = Path(__file__).parent / "programs"
PART = "atmega328p"
LEVELS = ["s", "0", "1", "2", "3"]


def cycles(statements: str, **how: object) -> int:
    """Gives the cycles of statements that stand alone."""
    return cr.code(statements, **{"part": PART, **how}).cycles  # type: ignore[arg-type]


def test_a_port_bit_set_takes_two() -> None:
    """Common practice, no source: one SBI, 2 cycles on this core (AVR instruction set manual DS40002198, SBI)."""
    times = cr.code("PORTB |= 1", part=PART, clock="16 MHz")
    passage = times.rows[0].constant
    assert passage is not None
    assert (times.cycles, passage.instructions) == (2, 1)
    assert [(each.cycle, each.register, each.value) for each in passage.io] == [(2, "PORTB", 1)]


# Cycles by DS40002198 sec. 6, columns AVRe (attiny85, without MUL) and AVRe+ (the other two).
SUMS = {
    "nop": 1,
    r"nop\n nop\n nop": 3,
    r"ldi r24, 3\n mov r25, r24\n movw r18, r24": 3,
    r"adiw r24, 1\n sbiw r24, 1": 4,
    r"push r24\n pop r24": 4,
    r"lds r24, 0x100\n sts 0x100, r24": 4,
    r"rjmp .+0\n rjmp .+0": 4,
    r"in r24, 0x3f\n out 0x3f, r24": 2,
    r"sbi 5, 0\n cbi 5, 0": 4,
    r"lpm r24, Z\n lpm r25, Z": 6,
}


@pytest.mark.parametrize("part", ["atmega328p", "attiny85", "atmega2560"])
@pytest.mark.parametrize(
    "flags", [["-Os"], ["-O2"], ["-O0"], ["-Os", "-flto"], ["-Os", "-ffunction-sections", "-Wl,--gc-sections"]]
)
def test_assembly_takes_the_sum_of_its_instructions(part: str, flags: list[str]) -> None:
    """DS40002198, each instruction's page."""
    used = r'"r18", "r19", "r24", "r25", "memory"'
    statements = {text: f'__asm__ __volatile__("{text}" ::: {used});' for text in SUMS}
    if part != "attiny85":
        statements[r"mul r24, r25\n clr r1"] = f'__asm__ __volatile__("mul r24, r25\\n clr r1" ::: {used}, "r0")'
    rows = cr.code("{asm}", asm=list(statements.values()), part=part, flags=flags).rows
    found = {text: row.constant.cycles for text, row in zip(statements, rows, strict=True) if row.constant}
    assert found == {**SUMS, **({} if part == "attiny85" else {r"mul r24, r25\n clr r1": 3})}
