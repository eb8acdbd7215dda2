"""Statements: what is in their figure and what is not, and what is said when there is none."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

import cyclerule as cr
from cyclerule.errors import ArgumentError, BuildError, CycleruleError, RunawayError
from cyclerule.measure.statements import Passage, StatementRow

PROGRAMS = Path(__file__).parent / "programs"
SCALES = PROGRAMS / "scales.c"
SENSOR = PROGRAMS / "sensor.cpp"
PART = "atmega328p"
CLOCK = "16 MHz"

FLAGS = {
    "size": ["-Os"],
    "speed": ["-O2"],
    "more speed": ["-O3"],
    "none": ["-O0"],
    "link time": ["-Os", "-flto"],
    "link time, speed": ["-O2", "-flto"],
    "sections": ["-Os", "-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections"],
}
every_build = pytest.mark.parametrize("flags", FLAGS.values(), ids=FLAGS)
every_part = pytest.mark.parametrize("part", ["atmega328p", "attiny85", "atmega2560"])


def times(statements: str, **how: Any) -> cr.StatementTimes:
    """Times statements, alone unless files are given."""
    return cr.code(statements, **{"part": PART, "clock": CLOCK, **how})


def passages(row: StatementRow) -> tuple[Passage, Passage]:
    """Gives both columns of a row."""
    assert row.constant is not None
    assert row.variable is not None
    return row.constant, row.variable


def only(statements: str, **how: Any) -> Passage:
    """Gives the only figure of statements with constants."""
    (row,) = times(statements, **how).rows
    assert row.constant is not None
    return row.constant


def constants(found: cr.StatementTimes) -> list[int]:
    """Gives the cycles of the constant column."""
    return [row.constant.cycles for row in found.rows if row.constant is not None]


def variables(found: cr.StatementTimes) -> list[int]:
    """Gives the cycles of the variable column."""
    return [row.variable.cycles for row in found.rows if row.variable is not None]


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


# ------------------------------------------------------------------------------------------------------- in the program

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


# ------------------------------------------------------------------------------------------- constants, variables, kept


@every_build
def test_rows_with_the_same_statements_are_timed_each_by_itself(flags: list[str]) -> None:
    """The compiler folds functions of the same body into one (-fipa-icf), which here none is."""
    found = times("PORTB = {n}; PORTC = {n}", n=[5, 5, 5, 6], flags=flags)
    assert len(set(constants(found))) == 1
    assert constants(found)[0] >= 2


def test_a_negative_number_keeps_its_sign_behind_an_operator() -> None:
    """`x-{n}` with -1 is no decrement."""
    assert only("weight = 5-{n}", files=SCALES, n=-1).cycles == only("weight = 6", files=SCALES).cycles


def test_ends_of_a_range_and_values_may_be_names_of_the_file() -> None:
    """Macros and enumerators, resolved by the compiler."""
    found = times("hives[1].state = {n}", files=SCALES, n=["IDLE", "SWARM", "LIMIT / 8"], variable="n", both=True)
    assert [row.values["n"] for row in found.rows] == ["IDLE", "SWARM", "LIMIT / 8"]
    assert found.variables == {"n": "int"}
    assert len(set(variables(found))) == 1


def test_an_enumeration_of_cpp_is_passed_as_one(tmp_path: Path) -> None:
    """An int would not do for a parameter of its type."""
    source = tmp_path / "mode.cpp"
    source.write_text("enum class Mode : char { IDLE, BROOD };\nvolatile Mode mode;\nint main() {}\n", "utf-8")
    flags = ["-std=gnu++11"]
    values = ["Mode::IDLE", "Mode::BROOD"]
    found = times("mode = {m}", files=source, m=values, variable="m", both=True, flags=flags)
    assert found.variables == {"m": "__typeof__(Mode::IDLE)"}
    assert constants(found) == [2, 3]
    assert variables(found) == [2, 2]


def test_a_given_type_is_that_of_the_constants_too() -> None:
    """Else a short constant would be set against a long variable."""
    sizes = {"n": 2, "uint32_t n": 4, "uint8_t n": 1}
    for variable, size in sizes.items():
        (row,) = times("PORTB = sizeof {n}", n=[7], variable=variable, both=True).rows
        assert [[write.value for write in passage.io] for passage in passages(row)] == [[size], [size]]


@pytest.mark.parametrize(
    ("values", "type_name"),
    [
        ([1, -5], "int"),
        ([40_000], "long"),
        ([1 << 40], "long long"),
        ([2.5], "double"),
        ([1, "F_CPU"], "unsigned long"),
    ],
)
def test_a_variable_has_the_type_that_its_values_have_as_constants(values: list[object], type_name: str) -> None:
    """C11 6.4.4.1 with an int of 16 bits; avr-libc's F_CPU is as it was given, an unsigned long."""
    if type_name == "unsigned long":
        with pytest.raises(ArgumentError, match=r"the values of n are not of one type"):
            times("(void) {n}", n=values, variable="n")
        values = ["F_CPU"]
    found = times("volatile uint8_t x = {n} != 0", n=values, variable="n")
    assert found.variables == {"n": type_name}


KEPT = {
    "uint8_t x = PINB": ("x", 1),
    "uint16_t x = PINB": ("x", 2),
    "uint32_t x = PINB": ("x", 4),
    "uint64_t x = PINB": ("x", 8),
    "bool x = PINB": ("x", None),
    "float x = 2.5": ("x", 4),
    "const char *x = (const char *) 0x123": ("x", 2),
    "uint8_t x[2]; x[1] = PINB": ("x", None),
    "struct { uint8_t a, b, c; } x; x.a = x.b = x.c = PINB": ("x", None),
    "uint8_t x = PINB, y = x + 1": ("y + x", None),
}


@every_build
@pytest.mark.parametrize("statements", KEPT)
def test_a_kept_result_is_computed_whatever_its_type(statements: str, flags: list[str]) -> None:
    """Numbers and pointers in registers, a byte each; arrays and structures in memory."""
    keep, registers = KEPT[statements]
    passage = only(statements, keep=keep, flags=flags)
    assert passage.cycles > 0
    if registers is not None and "-O0" not in flags:
        # One instruction of a cycle fills each register, unless MOVW fills two.
        assert registers / 2 <= passage.cycles <= registers + 1


def test_a_kept_result_that_the_compiler_works_out_is_said_to_be_one() -> None:
    """All that is left is two LDI."""
    found = times("uint16_t x = 300 * 7", keep="x")
    assert found.cycles == 2
    assert found.notes == ("the compiler has worked x out itself: all that is left is to load a constant",)
    assert times("uint16_t x = PINB * 7", keep="x").notes == ()


NOTHING_LEFT = {
    "uint8_t x = PINB * 3; (void) 3; int y; y = 4": None,
    "uint8_t x = 3": "nothing uses x; to time how it is computed, keep it: --keep x",
    "int x; x = 4; int y = 5;": "nothing uses x and y; to time how it is computed, keep it: --keep x --keep y",
    "int x = 4; x + 3;": "nothing uses their value",
    "_delay_us(0)": "comes to no whole cycle",
    "while (0);": "a loop that changes nothing is removed",
    "(void) 0": "they change no memory, no register and no pin",
}


@pytest.mark.parametrize("statements", NOTHING_LEFT)
def test_where_nothing_is_left_it_is_said_and_why(statements: str) -> None:
    """By what the compiler itself remarks on; nothing is said where an instruction is left."""
    found, why = times(statements), NOTHING_LEFT[statements]
    assert bool(found.notes) is (found.cycles == 0) is (why is not None)
    assert why is None or why in found.notes[0]


# -------------------------------------------------------------------------------------------------------------- refused

REFUSED: dict[str, tuple[Mapping[str, object], type[CycleruleError], str]] = {
    "": ({}, ArgumentError, "--code needs statements, for example --code 'PORTB |= 1'"),
    " // later": ({}, ArgumentError, "--code needs statements, for example --code 'PORTB |= 1'"),
    "PORTB = 1)": (
        {},
        ArgumentError,
        (
            "--code:1:10: this ) does not close anything; statements are whole in themselves, with as many "
            "brackets opened "
            "as closed"
        ),
    ),
    "PORTB = 1; } void other(void) {": (
        {},
        ArgumentError,
        (
            "--code:1:12: this } does not close anything; statements are whole in themselves, with as many "
            "brackets opened "
            "as closed"
        ),
    ),
    "if (PINB {\n}": (
        {},
        ArgumentError,
        "--code:1:4: this ( is never closed",
    ),
    "f(a[2);": (
        {},
        ArgumentError,
        (
            "--code:1:6: this ) does not close the [ of --code:1:4; statements are whole in themselves, with as many "
            "brackets opened as closed"
        ),
    ),
    'PORTB = 1; "bees': ({}, ArgumentError, '--code:1:12: the " is never closed'),
    "PORTB = 1;\n  PORTC = !;": (
        {},
        BuildError,
        "the statements do not compile:\n--code:2:12: error: expected expression before ';' token",
    ),
    "PORTB = swarm": (
        {},
        BuildError,
        (
            "the statements do not compile:\n--code:1:9: error: 'swarm' undeclared (first use in this function)\n"
            "--code:1:9: note: each undeclared identifier is reported only once for each function it appears in"
        ),
    ),
    "PORTB = 1; goto end": (
        {},
        BuildError,
        "the statements do not compile:\n--code:1:1: error: label 'end' used but not defined",
    ),
    "break": (
        {},
        BuildError,
        "the statements do not compile:\n--code:1:1: error: break statement not within loop or switch",
    ),
    "PORTB = {n} + hives": (
        {"n": [10, 11]},
        BuildError,
        (
            "the statements do not compile:\n--code:1:15: error: 'hives' undeclared (first use in this function)\n"
            "--code:1:15: note: each undeclared identifier is reported only once for each function it appears in"
        ),
    ),
    "PORTB =\n{n};": (
        {"n": ["1", "QUEEN"]},
        BuildError,
        (
            "the statements do not compile:\n--code:2:1: error: 'QUEEN' undeclared (first use in this function) "
            "[with n = QUEEN]\n"
            "--code:2:1: note: each undeclared identifier is reported only once for each function it appears in"
        ),
    ),
    "PORTC = {n}": (
        {},
        BuildError,
        (
            "the statements do not compile:\n--code:1:9: error: expected expression before '{' token\n"
            "if {n} is meant as a placeholder, give its values: n=0..7"
        ),
    ),
    "digitalise({pin}, 1)": (
        {},
        ArgumentError,
        (
            "--code:1:12: {pin} has no values; give them, as in pin=0..7, or --variable pin with values for a "
            "value that "
            "the compiler does not know"
        ),
    ),
    "PORTB = 2": ({"n": 3}, ArgumentError, "n= is given, but there is no {n} in the statements for its values"),
    "PORTB = 3": (
        {"variable": "n"},
        ArgumentError,
        "--variable n needs values: n=0..7, and {n} in the statements",
    ),
    "PORTB = 4": (
        {"both": True},
        ArgumentError,
        "--both sets a constant against a variable: say which one, --variable NAME",
    ),
    "PORTB = {m}": (
        {"m": 1, "variable": "uint8_t m[2]"},
        ArgumentError,
        "--variable 'uint8_t m[2]': give a name, or a type and a name, as in 'uint8_t pin'",
    ),
    '__asm__("ldi r24, {n}")': (
        {"n": 1, "variable": "n"},
        ArgumentError,
        "--code:1:19: {n} stands in a string, where no variable can take its place",
    ),
    "PORTB = {k}": (
        {"k": "QUEEN", "variable": "k"},
        ArgumentError,
        "k: QUEEN is no whole number that the compiler knows here: 'QUEEN' undeclared here (not in a function)",
    ),
    "PORTD = {n}": ({"n": []}, ArgumentError, "n has no values"),
    "PORTD = {n} ": (
        {"n": range(4097)},
        ArgumentError,
        (
            "these are 4,097 rows, and up to 4,096 are built, a function for each; --variable NAME passes values "
            "at run "
            "time instead and takes any number of them"
        ),
    ),
    "if (PINB) return;": (
        {},
        ArgumentError,
        (
            "--code:1:11: return leaves the statements before their end, so they have no length; leave it out, "
            "or time the "
            "function that they are from"
        ),
    ),
    "PORTB = 1; return 5;": (
        {},
        ArgumentError,
        (
            "--code:1:19: return leaves the statements before their end, so they have no length; leave it out, "
            "or time the "
            "function that they are from"
        ),
    ),
    '__asm__ __volatile__("ret")': (
        {},
        RunawayError,
        "the code is left before its end, by a return or a jump out of it, so it has no length",
    ),
    "uint8_t x = 2 ": (
        {"keep": " "},
        ArgumentError,
        "--keep ' ': give a variable or an expression of the statements, as in --keep x",
    ),
    "uint8_t x = 3 ": ({"keep": ["x", "x"]}, ArgumentError, "--keep x is given twice"),
    "#define A {\nPORTB = A": (
        {},
        BuildError,
        (
            "the statements do not compile:\n--code:1:11: error: expected expression before '{' token\n"
            "--code:2:9: note: in expansion of macro 'A'"
        ),
    ),
    'PORTB = 1;\n__asm__("bees r24")': (
        {"flags": ["-flto"]},
        BuildError,
        "the statements do not compile:\n--code:2: Error: unknown opcode `bees'",
    ),
    '__asm__("ldi r{n}, 3")': (
        {"n": [18, 3]},
        BuildError,
        "the statements do not compile:\n--code:1: Error: register number above 15 required [with n = 3]",
    ),
    "((void (*)(void)) 0)()": (
        {},
        RunawayError,
        (
            "the code is left before its end, by coming to the reset vector (a call of a null pointer, or a longjmp to "
            "a place that is not set?), so it has no length"
        ),
    ),
    "queen(3);\nswarm()": (
        {},
        BuildError,
        (
            "the program does not link:\n--code:1: undefined reference to `queen'\n"
            "--code:2: undefined reference to `swarm'\n"
            "give the files that define what the statements use; alone they have the C library only"
        ),
    ),
    "uint8_t x = 1 ": (
        {"keep": "y"},
        BuildError,
        (
            "the statements do not compile:\n--keep:1:1: error: 'y' undeclared (first use in this function)\n"
            "--keep:1:1: note: each undeclared identifier is reported only once for each function it appears in"
        ),
    ),
    "double t = 1; _delay_us(t * PINB)": (
        {},
        BuildError,
        (
            "delay.h:276:2: error: __builtin_avr_delay_cycles expects a compile time integer constant\n"
            "_delay_us and _delay_ms take a constant, and need optimization; with __DELAY_BACKWARD_COMPATIBLE__ "
            "defined "
            "they take a variable too, which costs floating-point arithmetic"
        ),
    ),
}


@pytest.mark.parametrize("statements", REFUSED)
def test_what_cannot_be_timed_is_refused_at_its_place(statements: str) -> None:
    """One clear message: what, where, what to try. The compiler's words are those of avr-gcc 5.4."""
    how, kind, text = REFUSED[statements]
    with pytest.raises(kind) as refused:
        times(statements, **dict(how))
    assert str(refused.value).endswith(text)
    assert "cyclerule_" not in str(refused.value)


def test_statements_that_do_not_end_are_said_to(tmp_path: Path) -> None:
    """As calls that do not return, by what they wait for."""
    with pytest.raises(RunawayError, match=r"the code never returns: it goes round in --code:1 \(at --code:1, cycle"):
        times("PORTB = 1; for (;;);")
    with pytest.raises(RunawayError, match=r"the code is not back after 9,000 cycles; it was going round in --code:1"):
        times("while (1) PORTB = 2;", max_cycles=9_000)
    with pytest.raises(RunawayError, match=r"waits for PINB to change"):
        times("while (!(PINB & 1));")
    with pytest.raises(RunawayError, match=r"it ended the program through exit"):
        times("exit(3)")


def test_a_longjmp_out_of_statements_is_no_end_of_theirs(tmp_path: Path) -> None:
    """One that comes back inside them is an ordinary jump."""
    source = tmp_path / "jumps.c"
    source.write_text("#include <setjmp.h>\njmp_buf out;\nvolatile char seen;\nint main(void) { return 0; }\n", "utf-8")
    assert times("if (!setjmp(out)) longjmp(out, 1); seen = 1;", files=source).cycles > 100
    with pytest.raises(CycleruleError):
        times("longjmp(out, 1)", files=source)


def test_warnings_of_the_compiler_stand_at_the_text(tmp_path: Path) -> None:
    """Said once for all rows, with the values where it is not of all."""
    found = times("PORTB = {n};", n=[1, 300, 301])
    assert found.build_warnings == (
        (
            "--code:1:9: warning: large integer implicitly truncated to unsigned type [-Woverflow] "
            "[with n = 300 and 1 more]"
        ),
    )


@pytest.mark.parametrize(
    ("files", "text"),
    [
        (["hive.elf"], "hive.elf is linked already, and statements are compiled together with a source"),
        (["none.c"], "source file none.c does not exist"),
    ],
)
def test_a_context_has_to_be_a_source(files: list[str], text: str) -> None:
    """What a linked file was built with is not known."""
    with pytest.raises(ArgumentError, match=re.escape(text)):
        times("PORTB = 1", files=files)


def test_rows_that_link_time_optimization_sees_together_are_said_to_be() -> None:
    """A variable that one row writes is no constant for another, though alone it would be."""
    flags = ["-O2", "-flto"]
    together = times("{s}", files=SCALES, s=["counted = LIMIT", "weight = counted"], flags=flags)
    assert together.notes[0].startswith("all rows are in one image, and link-time optimization looks at them together")
    assert times("counted = LIMIT", files=SCALES, flags=flags).notes == ()


def test_too_many_rows_for_the_part_are_said_to_be() -> None:
    """600 functions of 16 bytes are larger than 8 KB."""
    with pytest.raises(BuildError, match=r"too large for attiny85: .*\nthere is a function for each of 600 rows"):
        times("PORTB = {n}; PORTB = 1; PORTB = {n} + 2;", n=range(600), part="attiny85", clock=None)
