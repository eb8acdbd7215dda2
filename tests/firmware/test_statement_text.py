"""The text of statements: placeholders, brackets, and where a place of the filled text is in the user's own."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cyclerule.errors import ArgumentError
from cyclerule.firmware.statement_text import Statements
from cyclerule.firmware.statements import Row, StatementsUnit


def filled(text: str, **values: str) -> str:
    """Gives statements with their placeholders filled in."""
    return Statements(text).filled(values).text


def test_a_name_in_braces_is_a_placeholder_wherever_it_stands() -> None:
    """In code, pasted to a word, and in a string, but not in a comment."""
    assert filled("PORT{p} |= _BV({b}); // {b}", p="B", b="3") == "PORTB |= _BV(3); // {b}"
    assert filled('__asm__("sbi 5, {b}" /* {b} */);', b="3") == '__asm__("sbi 5, 3" /* {b} */);'
    assert filled('f(R"x({b} ")x", {b});', b="3") == 'f(R"x(3 ")x", 3);'
    assert filled("f('{', {b}, '}');", b="3") == "f('{', 3, '}');"
    assert filled("int a[] = {b}; if (x) { b; }", c="3") == "int a[] = {b}; if (x) { b; }"


def test_the_same_name_is_filled_in_everywhere() -> None:
    """With the same text."""
    assert filled("{n}+{n}\n+{n}", n="10") == "10+10\n+10"


@pytest.mark.parametrize(
    "text",
    [
        "puts(\"(\"); f(')'); /* ] */ a[1] = (b + c);  // }",
        'R"((")" R"-()")-"; x();',
        "#if defined(A)\nif (a) {\n#else\nif (b) {\n#endif\n}",
        "for (;;) { a[b[1]] = (c); }",
        "x = '\\''; y = '\\\\'; z = \"\\\"(\";",
    ],
)
def test_brackets_in_strings_characters_and_comments_do_not_count(text: str) -> None:
    """And with #if in the text none do, since each branch may open what only one of them closes."""
    Statements(text).check([], is_cpp=True)


@pytest.mark.parametrize(
    ("text", "is_cpp"),
    [
        ("int a[2] = {x};", False),
        ("int a[2][1] = {{x}, {y}};", False),
        ("p = (struct hive){x};", False),
        ("f({x});", True),
        ("int a{x};", True),
        ("return {x};", True),
    ],
)
def test_a_list_of_one_value_is_no_placeholder(text: str, is_cpp: bool) -> None:
    """C11 6.7.9 and 6.5.2.5; C++11 has lists in more places."""
    Statements(text).check([], is_cpp=is_cpp)


@pytest.mark.parametrize(
    ("text", "is_cpp"),
    [("f({x});", False), ("f(1, {x});", False), ("{x}", False), ("y; {x}", True), ("a = b + {x}", False)],
)
def test_a_name_in_braces_without_values_is_said_to_have_none(text: str, is_cpp: bool) -> None:
    """Where it cannot be a list."""
    with pytest.raises(ArgumentError, match=r"\{x\} has no values; give them, as in x=0\.\.7"):
        Statements(text).check([], is_cpp=is_cpp)


@given(st.lists(st.sampled_from(["{n}", "{long}", "x", " ", "\n", "+", ";"]), max_size=12), st.text("ab", max_size=9))
def test_places_of_the_filled_text_are_those_of_the_users(pieces: list[str], value: str) -> None:
    """Each character that was not replaced is found where it was; inside a value it is the placeholder."""
    text = "".join(pieces)
    statements = Statements(text)
    put_in = statements.filled({"n": value, "long": "0123456789"})
    line = column = 1
    for start, piece in zip([sum(map(len, pieces[:n])) for n in range(len(pieces))], pieces, strict=True):
        for character in {"{n}": value, "{long}": "0123456789"}.get(piece, piece):
            assert put_in.place(line, column) == statements.place(start)
            line, column = (line + 1, 1) if character == "\n" else (line, column + 1)


def told(messages: str, *rows: Row) -> str:
    """Gives messages of the compiler as they are told."""
    return StatementsUnit("", "", None, "C", rows).told(messages)


def test_messages_speak_of_the_users_text_once() -> None:
    """Of the generated function nothing is said, and rows are told apart where they differ."""
    statements = Statements("PORTB = {n} + y;")
    rows = [Row(statements.filled({"n": n}), f"n = {n}") for n in ("1", "1000")]
    of_all = "--code#0:1:13: error: 'y' undeclared\n--code#1:1:16: error: 'y' undeclared\n"
    assert told(of_all, *rows) == "--code:1:15: error: 'y' undeclared"
    of_one = "--code#1: In function 'cyclerule_statements_1':\n--code#1:1:9: warning: too large\n"
    assert told(of_one, *rows) == "--code:1:9: warning: too large [with n = 1000]"
    assert (
        told("hive.c:3:1: warning: 'f' defined but not used", *rows) == "hive.c:3:1: warning: 'f' defined but not used"
    )
    assert told("at <end>:1 in cyclerule_statements_0, cycle 3", *rows) == "at --code, cycle 3"
