"""Values of macro texts against the compiler's own."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cyclerule.toolchain import find, integer

MACROS = {
    "RAMSTART": "(0x100)",
    "RAMSIZE": "2048",
    "RAMEND": "(RAMSTART + RAMSIZE - 1)",
    "_VECTOR_SIZE": "4",
    "SELF": "SELF",
    "HERE": "THERE + 1",
    "THERE": "(HERE)",
}


# C11 6.4.4.1 (integer constants) and 6.5 (operators).
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0x3FFFU", 0x3FFF),
        ("1024UL", 1024),
        ("017", 15),
        ("0", 0),
        ("00", 0),
        ("0b101", 5),
        ("((5))", 5),
        ("(" * 400 + "5" + ")" * 400, 5),
        (" ( 0x10 ) ", 16),
        ("(26 * 4)", 104),
        ("RAMEND", 0x8FF),
        ("(11 * _VECTOR_SIZE)", 44),
        ("_BV(3)", 8),
        ("(1<<5)|(1<<2)", 36),
        ("-7 / 2", -3),
        ("-7 % 2", -1),
        ("7 / -2", -3),
        ("~0", -1),
        ("2+3*4-1", 13),
        ("0xFF & ~0x0F ^ 1", 0xF1),
    ],
)
def test_constant_expressions_have_their_c_value(text: str, value: int) -> None:
    """Forms that stand in device headers, and C's rules where Python has others."""
    assert integer(text, MACROS) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        "()",
        "(5",
        "5)",
        ")5(",
        "08",
        "0x",
        "5 5",
        "1.5",
        "5e3",
        "'A'",
        '"text"',
        "SELF",
        "HERE",
        "UNKNOWN",
        "NA",
        "(uint8_t)~_BV(0)",
        "_SFR_IO8(0x05)",
        "__import__(5)",
        "_BV()",
        "_BV(1, 2)",
        "_BV(64)",
        "2 ** 3",
        "1 << 64",
        "1 << -1",
        "1 / 0",
        "1 % 0",
        "RAMEND.real",
        "RAMEND[0]",
        "a if b else c",
        "lambda: 5",
        "0x1FFFFFFFFFFFFFFFF",
        "0xFFFFFFFFFFFFFFFF + 1",
        "1 // 1",
        "1 && 1",
        "not 1",
        "(" * 400 + "1 + 0" + ")" * 400,
        "+".join(["1"] * 2000),
        "- -" * 300 + " 1",
        "--1",
        "1++2",
        "0x1e+1",
    ],
)
def test_what_is_no_constant_expression_has_no_value(text: str) -> None:
    """None of these is an integer constant that a device header could mean, and none may raise or hang."""
    assert integer(text, MACROS) is None


def test_a_chain_of_doublings_takes_no_time() -> None:
    """Each macro is looked at once, however often it is named: 2 to the power of 60 steps otherwise."""
    macros = {f"M{n}": f"M{n - 1} + M{n - 1}" for n in range(1, 61)} | {"M0": "1"}
    assert integer("M60", macros) == 2**60


@given(st.text(max_size=60))
def test_no_text_raises(text: str) -> None:
    """Headers are the user's files."""
    value = integer(text, MACROS)
    assert value is None or abs(value) <= 2**64


def test_random_expressions_have_the_compilers_value() -> None:
    """avr-gcc's preprocessor evaluates #if in 64 bits (C11 6.10.1); each line fails to compile if it disagrees."""
    choose = random.Random(20_240_229)

    def expression(depth: int) -> str:
        if depth == 0:
            number = str(choose.randrange(100))
            return choose.choice(["RAMEND", "_VECTOR_SIZE", f"0x{choose.randrange(4096):X}", number, "017"])
        sign = choose.choice(["+", "-", "*", "/", "%", "&", "|", "^", "<<", ">>"])
        left = expression(depth - 1)
        right = str(choose.randrange(1, 9)) if sign in {"<<", ">>", "/", "%"} else expression(depth - 1)
        space = choose.choice(["", " "])
        return f"{choose.choice(['', '~', '- '])}({left}{space}{sign} {right})"

    used = {name: MACROS[name] for name in ("RAMSTART", "RAMSIZE", "RAMEND", "_VECTOR_SIZE")}
    lines = [f"#define {name} {text}" for name, text in used.items()]
    asked = 0
    for _ in range(400):
        text = expression(choose.randrange(1, 4))
        value = integer(text, MACROS)
        if value is not None and abs(value) < 2**62:  # else it wraps in the preprocessor's 64 bits
            asked += 1
            lines.append(f"#if ({text}) != ({value})\n#error {text} is not {value}\n#endif")
    done = find().run("gcc", ["-E", "-x", "c", "-"], stdin="\n".join(lines) + "\n")
    assert done.returncode == 0, done.stderr
    assert asked > 300
