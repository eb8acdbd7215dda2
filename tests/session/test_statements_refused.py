"""Statements that cannot be timed: what is said, and at which place of the user's text."""

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError, BuildError, CycleruleError, RunawayError
from tests.session.statement_figures import (
    SCALES,
    times,
)

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
