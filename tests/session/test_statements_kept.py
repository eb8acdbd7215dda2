"""Statements with constants, with values passed at run time, and with results that are kept."""

from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError
from tests.session.statement_figures import SCALES, constants, every_build, only, passages, times, variables


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
