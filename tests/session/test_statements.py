"""Statements: what is in their figure and what is not, in a file's context and alone."""

from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.errors import BuildError
from tests.session.statement_figures import SCALES, SENSOR, constants, every_build, every_part, only, times, variables

# --------------------------------------------------------------------------------------------------- sums of datasheets

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
WITH_MUL = {r"mul r24, r25\n clr r1": 3, r"muls r24, r25\n clr r1": 3, r"fmul r18, r19\n clr r1": 3}


@every_build
@every_part
def test_assembly_takes_the_sum_of_its_instructions(part: str, flags: list[str]) -> None:
    """DS40002198, each instruction's page."""
    sums = SUMS if part == "attiny85" else {**SUMS, **WITH_MUL}
    used = '"r0", "r18", "r19", "r24", "r25", "memory"'
    texts = [f'__asm__ __volatile__("{text}" ::: {used});' for text in sums]
    rows = cr.code("{asm}", asm=texts, part=part, flags=flags).rows
    found = {text: row.constant.cycles for text, row in zip(sums, rows, strict=True) if row.constant}
    assert found == sums


@every_part
def test_a_constant_delay_takes_the_cycles_that_it_names(part: str) -> None:
    """GCC manual, AVR built-in functions: __builtin_avr_delay_cycles(n) delays by exactly n cycles."""
    lengths = [0, 1, 2, 3, 4, 7, 16, 100, 767, 768, 1000, 65_537, 300_000]
    found = cr.code("__builtin_avr_delay_cycles({n})", n=lengths, part=part)
    assert constants(found) == lengths


@pytest.mark.parametrize(("microseconds", "cycles"), [(1, 16), (0.1, 2), (10, 160), (0.05, 1), (1000, 16_000)])
def test_a_delay_in_microseconds_is_rounded_up_to_whole_cycles(microseconds: float, cycles: int) -> None:
    """avr-libc manual, <util/delay.h>: rounded up unless __DELAY_ROUND_DOWN__ or _CLOSEST__ is defined."""
    assert only(f"_delay_us({microseconds})").cycles == cycles


# ------------------------------------------------------------------------------------------------------ common practice


def test_a_port_bit_set_takes_two() -> None:
    """Common practice, no source: one SBI."""
    passage = only("PORTB |= 1")
    assert (passage.cycles, passage.instructions, passage.stack_bytes) == (2, 1, 0)
    assert [(each.cycle, each.register, each.value) for each in passage.io] == [(2, "PORTB", 1)]


def test_a_too_short_constant_delay_is_removed_while_the_same_delay_of_a_variable_takes_time() -> None:
    """Common practice, no source: a pause that returns at once for short times, and avr-libc's, rounded down."""
    short = times("settle({t})", files=SCALES, t=[1, 2, 10], variable="t", both=True)
    constant, variable = constants(short), variables(short)
    assert constant[0] == 0 < variable[0]
    assert constant[1] < constant[2]
    (note,) = short.notes
    assert note == (
        "with t = 1: no instruction is left of the statements at -Os: they change no memory, no register and no pin, "
        "and nothing keeps what they compute (--keep NAME); at -O0 they take 40 cycles"
    )
    removed = times("_delay_us(0.05)", defines={"__DELAY_ROUND_DOWN__": None})
    assert removed.cycles == 0
    assert "a constant delay that comes to no whole cycle at this clock" in removed.notes[0]
    at_run_time = times(
        "_delay_us({t})",
        t=["0.05"],
        variable="t",
        both=True,
        defines={"__DELAY_BACKWARD_COMPATIBLE__": None},
    )
    assert constants(at_run_time)[0] <= 3
    assert variables(at_run_time)[0] > 100
    assert at_run_time.variables == {"t": "double"}


def test_a_shift_by_a_variable_is_a_loop_and_by_a_constant_is_none() -> None:
    """Common practice, no source: AVR shifts by one bit at a time; eight bits are a move of bytes."""
    found = times("uint16_t x = TCNT1 << {n}", keep="x", n=[0, 1, 2, 8], variable="n", both=True)
    loop = variables(found)
    assert loop[1] - loop[0] == loop[2] - loop[1] == (loop[3] - loop[2]) // 6 > 0
    assert constants(found)[3] < constants(found)[2]
    assert all(constant < variable for constant, variable in zip(constants(found), loop, strict=True))


def test_a_division_by_a_constant_power_of_two_is_a_shift_and_by_a_variable_a_division() -> None:
    """Common practice, no source."""
    found = times("uint16_t x = TCNT1 / {n}", keep="x", n=[8, 10], variable="uint16_t n", both=True)
    assert constants(found)[0] < 30
    assert min(variables(found)) > 150
    assert found.variables == {"n": "uint16_t"}


def test_an_empty_loop_is_removed_and_one_with_a_volatile_counter_takes_its_time() -> None:
    """Common practice, no source: a thousand turns take more than a millisecond at 16 MHz."""
    removed = times("for (int i = 0; i < 1000; i++);")
    assert removed.cycles == 0
    assert removed.notes[0].startswith("no instruction is left of the statements at -Os: a loop that changes nothing")
    assert times("for (volatile int i = 0; i < 1000; i++);").cycles > 16_000


# -------------------------------------------------------------------------------------------------- in a file's context


@every_build
def test_types_macros_statics_and_inline_functions_of_the_file_are_there(flags: list[str]) -> None:
    """Built as a whole program with its own `main`, headers beside the file included."""
    found = times(
        "hives[{place}].state = {state}; gate_write(LED, 1); counted = unused_twice(LIMIT);",
        files=SCALES,
        flags=flags,
        place=range(2),
        state=["IDLE", "SWARM"],
    )
    assert [row.values for row in found.rows] == [
        {"place": 0, "state": "IDLE"},
        {"place": 0, "state": "SWARM"},
        {"place": 1, "state": "IDLE"},
        {"place": 1, "state": "SWARM"},
    ]
    assert all(row.constant is not None and ("PORTB", 0x20) in {w[1:] for w in row.constant.io} for row in found.rows)
    assert found.measured.image == "statements in a generated function"
    assert found.files == (str(SCALES),)


@pytest.mark.parametrize("flags", [["-Os", "-std=gnu++11"], ["-O2", "-flto", "-std=gnu++11"]])
def test_statements_of_cpp_use_classes_templates_and_lambdas(flags: list[str]) -> None:
    """A `return` inside a lambda is its own."""
    for statements in (
        "result = sensor.read({n})",
        "result = hive::larger<int16_t>({n}, result)",
        "auto twice = [](int16_t n) -> int16_t { return n * 2; }; result = twice({n});",
        "result = hive::scale({n}.5f, 3)",
    ):
        assert min(constants(times(statements, files=SENSOR, n=[3, 4], flags=flags))) > 2


def test_another_file_of_the_program_is_linked_with_it(tmp_path: Path) -> None:
    """The first C or C++ file is the context; others bring what it declares."""
    (tmp_path / "one.c").write_text("int outside(int);\nint count;\nint main(void) { return outside(3); }\n", "utf-8")
    (tmp_path / "two.c").write_text("static int kept = 3;\nint outside(int n) { return n + kept; }\n", "utf-8")
    files = [tmp_path / "one.c", tmp_path / "two.c"]
    assert only("count = outside(4)", files=files).cycles > 10
    with pytest.raises(BuildError, match=r"'kept' undeclared"):
        times("kept = 3", files=files)


def test_what_was_read_is_held_and_what_was_set_is_not(tmp_path: Path) -> None:
    """As for calls: variables and registers by name, with the value from the starting state."""
    found = times("if (bees) weight = PINB;", files=SCALES)
    assert {each.name: each.value for each in found.held} == {"bees": 7, "PINB": 0}
    none = times("if (bees) weight = PINB;", files=SCALES, globals={"bees": 0})
    assert none.settings == {"bees": 0}
    assert none.cycles != found.cycles
    assert [each.name for each in times("weight = {n}", files=SCALES, n=3, variable="n").held] == []


def test_what_is_set_to_several_values_makes_rows() -> None:
    """Variables, registers and pins before the statements vary more slowly than placeholders, and are not held."""
    found = times(
        "if (PINB & 1) weight /= {n};", files=SCALES, n=[3, 10], pins={"PB0": [0, 1]}, globals={"weight": [0, 500]}
    )
    assert found.domains == {"weight": "0,500", "PB0": "0,1", "n": "3,10"}
    assert [tuple(row.values.values()) for row in found.rows] == [
        (weight, level, n) for weight in (0, 500) for level in (0, 1) for n in (3, 10)
    ]
    single = [
        only("if (PINB & 1) weight /= 10;", files=SCALES, pins={"PB0": level}, globals={"weight": weight}).cycles
        for weight in (0, 500)
        for level in (0, 1)
    ]
    assert [row.constant.cycles for row in found.rows if row.constant and row.values["n"] == 10] == single
    assert [each.name for each in found.held] == ["PINB but for PB0"]


def test_handlers_that_run_inside_are_counted_and_told_apart() -> None:
    """Timer 1 asks for one every 200 cycles: without a prescaler, cleared on compare match."""
    setup = {"OCR1A": 199, "TCCR1B": 9, "TIMSK1": 2}
    statements = "for (volatile uint8_t n = 0; n < 100; n++);"
    quiet = only(statements, files=SCALES)
    busy = only(statements, files=SCALES, interrupts=True, registers=setup)
    assert quiet.cycles == quiet.own_cycles == busy.own_cycles < busy.cycles


@pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])
def test_every_engine_gives_the_same(engine: str) -> None:
    """To the cycle, and the same writes and held values."""
    statements = "for (uint8_t n = 0; n < 20; n++) { weight += crc8_step(n, bees); PORTB = n; }"
    found, expected = only(statements, files=SCALES, engine=engine), only(statements, files=SCALES)
    for name in ("cycles", "own_cycles", "instructions", "stack_bytes", "io", "held"):
        assert getattr(found, name) == getattr(expected, name)
