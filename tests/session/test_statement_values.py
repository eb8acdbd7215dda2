"""Values of placeholders as one types them and as Python has them."""

from collections.abc import Sequence

import pytest

from cyclerule.errors import ArgumentError
from cyclerule.firmware.statement_probe import Resolved
from cyclerule.session.statement_values import (
    Literals,
    literals_text,
    python_literals,
    read_literals,
    read_variables,
    resolve_values,
    variable_type,
)


def look(expressions: Sequence[str]) -> tuple[list[Resolved], str]:
    """Knows what a file might define."""
    known = {"FIRST": Resolved(3, "int"), "LAST": Resolved(6, "int"), "F_CPU": Resolved(16_000_000, "unsigned long")}
    found = [known[each] for each in expressions if each in known]
    return (found, "") if len(found) == len(expressions) else ([], f"'{expressions[0]}' undeclared")


def values(text: str, *, passed: bool = False) -> Literals:
    """Gives the values that a text means."""
    return resolve_values({"n": read_literals("n", text)}, ["n"] if passed else [], look)["n"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("3", ["3"]),
        ("0..3", ["0", "1", "2", "3"]),
        ("0..10:5,0x20", ["0", "5", "10", "0x20"]),
        ("-2..0", ["(-2)", "(-1)", "0"]),
        ("FIRST..LAST:2", ["3", "5"]),
        ("B,C", ["B", "C"]),
        ("f(1,2),'a',',',\"x,y\"", ["f(1,2)", "'a'", "','", '"x,y"']),
        ("2.5,-1e3", ["2.5", "(-1e3)"]),
        ("'.'", ["'.'"]),
    ],
)
def test_values_are_read_as_one_types_them(text: str, expected: list[str]) -> None:
    """Ranges with both ends and a step, lists, and any text for the compiler; a sign is put into parentheses."""
    assert [each.text for each in values(text)] == expected


def test_python_values_are_taken_as_they_are() -> None:
    """Numbers, texts, ranges and lists; a single value is one."""
    for given, expected in (
        (range(3), ["0", "1", "2"]),
        (7, ["7"]),
        (-7, ["(-7)"]),
        (2.5, ["2.5"]),
        (True, ["1"]),
        ("PB3", ["PB3"]),
        (["PB3", 4], ["PB3", "4"]),
        ((n for n in (1, 2)), ["1", "2"]),
    ):
        assert [each.text for each in python_literals("n", given)] == expected


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("0..13", "0..13"),
        ("0,5,10", "0..10:5"),
        ("5,1", "5,1"),
        ("B,C", "B,C"),
        ("1,2,3,5,8,13,21,34,55", "1,2,3,5,8,13,21,34,…,55"),
    ],
)
def test_values_are_shown_as_one_would_type_them(text: str, shown: str) -> None:
    """A long list is shortened."""
    assert literals_text(values(text)) == shown


def test_a_name_that_is_passed_has_its_number_and_keeps_its_name() -> None:
    """For a result that names it as it was typed."""
    (found,) = values("LAST", passed=True)
    assert (found.number, found.value, found.shown) == (6, "LAST", "LAST")
    (octal,) = values("010", passed=True)
    assert octal.number == 8


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1,2", "int"),
        ("-32768..32767:65535", "int"),
        ("32768", "long"),
        ("-32769", "long"),
        ("2147483648", "long long"),
        ("1,2.5", "double"),
        ("FIRST,4", "int"),
        ("FIRST,70000", "long"),
        ("F_CPU", "unsigned long"),
    ],
)
def test_a_variable_gets_the_type_of_its_values_as_constants(text: str, expected: str) -> None:
    """C11 6.4.4.1, with an int of 16 bits as avr-gcc has it."""
    assert variable_type("n", values(text, passed=True), look) == expected


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "n=: a value is missing; write n=3, n=0..13 or n=1,5,9"),
        ("1,,2", "n=1,,2: a value is missing; write n=3, n=0..13 or n=1,5,9"),
        ("5..3", "n=5..3: 5 is above 3; a range runs upwards"),
        ("0..9:0", "n=0..9:0: the step is a whole number above 0"),
        ("0..9:x", "n=0..9:x: the step is a whole number above 0"),
        ("0..2.5", "n: 2.5 is no whole number that the compiler knows here: a whole number is wanted here"),
        ("0..TOP", "n: TOP is no whole number that the compiler knows here: 'TOP' undeclared"),
        ("0..65536", "n has more than 65,536 values, which is what a placeholder takes"),
        ("0..99999999999999999999", "n has more than 65,536 values, which is what a placeholder takes"),
    ],
)
def test_what_is_no_value_is_refused(text: str, message: str) -> None:
    """With what to type instead."""
    with pytest.raises(ArgumentError) as refused:
        values(text)
    assert str(refused.value) == message


def test_values_of_several_types_need_one() -> None:
    """None of C's rules would give one."""
    with pytest.raises(ArgumentError, match=r"not of one type; give it one: --variable 'long n'"):
        variable_type("n", values("F_CPU,3", passed=True), look)


def test_a_variable_is_a_name_with_or_without_a_type() -> None:
    """As a declaration is written, without arrays."""
    given = ["pin", "uint8_t bit", "const char *text", "hive::mode  m", "unsigned long  long n"]
    assert read_variables(given) == {
        "pin": "",
        "bit": "uint8_t",
        "text": "const char *",
        "m": "hive::mode",
        "n": "unsigned long long",
    }
    for wrong in ("", "a[2]", "3", "int (*f)(void)"):
        with pytest.raises(ArgumentError, match="give a name, or a type and a name"):
            read_variables([wrong])
    with pytest.raises(ArgumentError, match="--variable n is given twice"):
        read_variables(["n", "int n"])
