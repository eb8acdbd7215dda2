"""The figure of a statement is what a program gains by it: two runs, with it and without."""

from pathlib import Path
from typing import Any

import pytest

import cyclerule as cr
from tests.session.statement_figures import CLOCK, FLAGS, PART, constants, every_build

# Each leaves the rest of `main` as it is: only memory is used. C++ has the same.
IN_PLACE = [
    "PORTB |= 4;",
    "PORTB = 255;",
    "weight++;",
    "weight = weight * 3 + bees;",
    "weight /= 10;",
    "if (bees > 3) weight = 1; else bees = 2;",
    "if (PINB & 1) weight = 4;",
    "while (bees) bees--;",
    "for (uint8_t n = 0; n < 9; n++) weight += n * bees;",
    "bees = step(bees, 0x5A);",
    "switch (bees) { case 7: weight = 3; break; case 9: weight = 5; break; default: bees = 0; }",
    "heavy = heavy * 5 + weight;",
    "__builtin_avr_delay_cycles(11);",
    "weight = bees << (bees & 7);",
    "weight = ({ uint16_t n = bees; n * 5 + 2; });",
    "#define TIMES(n) ((n) * 3)\nweight = TIMES(bees);\n#undef TIMES",
    "static uint8_t turns; if (++turns > 2) bees = turns;",
]
AROUND = """#include <avr/io.h>
#include <stdint.h>
volatile uint16_t weight; volatile uint8_t bees = 7; volatile uint32_t heavy;
__attribute__((noinline, noclone)) uint8_t step(uint8_t crc, uint8_t byte)
{{
    for (crc ^= byte, byte = 0; byte < 8; byte++)
        crc = crc & 1 ? (crc >> 1) ^ 0x8C : crc >> 1;
    return crc;
}}
/* `main` is made small, as it runs once; OS_task saves no registers, whatever is put in. */
__attribute__((noinline, noclone, OS_task)) void turn(void)
{{
    GPIOR0 = 1;
    __asm__ __volatile__("" ::: "memory");
    {}
    __asm__ __volatile__("" ::: "memory");
    GPIOR0 = 2;
    /* A short rest would be copied to each way out of the statement. */
    {}
}}
int main(void)
{{
    for (;;)
        turn();
}}
"""
REST = "GPIOR1 = 5; GPIOR2 = 6; " * 6


def between_writes(program: cr.Firmware) -> int:
    """Gives the cycles between the first two writes to GPIOR0 in the program's own run."""
    first, second, *_ = program.run(until="cycles:3000", watch=["GPIOR0"]).watched["GPIOR0"]
    assert (first.value, second.value) == (1, 2)
    return second.cycle - first.cycle


def code_of_turn(program: cr.Firmware) -> bytes:
    """Gives the bytes of the function that the statement is in."""
    found = next(function for function in program.functions.values() if function.source_name == "turn")
    ((begin, end),) = found.ranges
    return program.image.flash[begin:end]


def is_unchanged_around(whole: bytes, without: bytes) -> bool:
    """Whether one is the other with something put in at one place."""
    cuts = range(0, len(without) + 1, 2)
    return any(whole.startswith(without[:cut]) and whole.endswith(without[cut:]) for cut in cuts)


@pytest.mark.parametrize(
    ("flags", "suffix"), [*((flags, ".c") for flags in FLAGS.values()), (["-Os"], ".cpp"), (["-O2", "-flto"], ".cpp")]
)
def test_the_figure_is_what_the_program_gains_by_the_statement(flags: list[str], suffix: str, tmp_path: Path) -> None:
    """Two runs of a program, with the statement and without, where all the rest of the function has the same bytes."""
    bare_source, source = tmp_path / f"bare{suffix}", tmp_path / f"program{suffix}"
    how: dict[str, Any] = {"part": PART, "clock": CLOCK, "flags": flags}
    bare_source.write_text(AROUND.format("", REST), "utf-8")
    bare = cr.build(bare_source, **how)
    figures = dict(zip(IN_PLACE, constants(cr.code("{s}", s=IN_PLACE, files=bare_source, **how)), strict=True))
    gains = {}
    for statement in IN_PLACE:
        source.write_text(AROUND.format(statement, REST), "utf-8")
        program = cr.build(source, **how)
        if is_unchanged_around(code_of_turn(program), code_of_turn(bare)):
            gains[statement] = between_writes(program) - between_writes(bare)
    assert {statement: figures[statement] for statement in gains} == gains
    assert len(gains) >= 12


PASSED = [
    "PORTB = {n};",
    "weight = bees << {n};",
    "weight /= {n};",
    "if ({n} > 3) weight++;",
    "bees = step(bees, {n});",
]


@every_build
def test_a_variable_is_what_the_program_has_in_a_parameter(flags: list[str], tmp_path: Path) -> None:
    """The same with a value that the function is called with; where it lies differs, and so may a move of it.

    Without optimization it lies on the stack in both, and the figures are the same; with it, the compiler may have to
    save it over the write to GPIOR0, or has it where it is wanted.
    """
    around = AROUND.replace("turn(void)", "turn(int n)").replace("turn();", "turn(bees);")
    bare_source, source = tmp_path / "bare.c", tmp_path / "program.c"
    how: dict[str, Any] = {"part": PART, "clock": CLOCK, "flags": flags}
    bare_source.write_text(around.format("", REST), "utf-8")
    bare = between_writes(cr.build(bare_source, **how))
    for statement in PASSED:
        source.write_text(around.format(statement.replace("{n}", "n"), REST), "utf-8")
        gain = between_writes(cr.build(source, **how)) - bare
        (row,) = cr.code(statement, files=bare_source, n=7, variable="n", **how).rows
        assert row.variable is not None
        slack = 0 if "-O0" in flags else 1
        assert abs(row.variable.cycles - gain) <= slack, (statement, row.variable.cycles, gain)
