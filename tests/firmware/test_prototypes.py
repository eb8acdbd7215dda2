"""Prototypes, as the compiler reads them: against types written down by hand, and against functions with a body."""

from collections.abc import Callable
from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError, CompilerMissing, UnknownName
from cyclerule.firmware.build import build_image
from cyclerule.firmware.prototypes import declare
from cyclerule.firmware.types import FunctionType, StructType, type_text
from cyclerule.toolchain import Toolchain, find
from tests.firmware.signatures import DECLARATIONS, FLOATS, INTEGERS, cases

PART = "atmega328p"
Declare = Callable[..., tuple[str, FunctionType]]


@pytest.fixture(scope="module")
def toolchain() -> Toolchain:
    """The installed avr-gcc."""
    try:
        return find()
    except CompilerMissing:
        pytest.skip("avr-gcc is not installed (Debian: gcc-avr avr-libc)")


@pytest.fixture
def declared(toolchain: Toolchain, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Declare:
    """Reads a prototype in an empty folder, with a cache of the test's own."""
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    monkeypatch.setenv("CYCLERULE_CACHE", str(tmp_path / "cache"))

    def read(prototype: str, part_name: str = PART, **settings: object) -> tuple[str, FunctionType]:
        return declare(prototype, toolchain=toolchain, part_name=part_name, **settings)  # type: ignore[arg-type]

    return read


@pytest.mark.parametrize(
    ("prototype", "name", "spelled"),
    [
        ("float sin(float)", "sin", "float sin(float)"),
        ("float sin(float angle);", "sin", "float sin(float angle)"),
        ("double pow(double x, double y)", "pow", "double pow(double x, double y)"),
        ("extern int16_t f(void)", "f", "int16_t f(void)"),
        ("int f()", "f", "int f()"),
        ("int printf(const char *format, ...)", "printf", "int printf(const char *format, ...)"),
        ("bool f(int a[3], uint64_t b)", "f", "_Bool f(int *a, uint64_t b)"),
        ("uint8_t f(const __flash char *t, __uint24 n)", "f", "uint8_t f(const __flash char *t, __uint24 n)"),
        ("void (*on(int n, void (*f)(int)))(int)", "on", "void (*on(int n, void (*f)(int)))(int)"),
        ("int f(int x) __attribute__((const))", "f", "int f(int)"),
        ("static inline int f(int x)", "f", "int f(int x)"),
        ("int inline f(int x)", "f", "int f(int)"),
        ("static void f(size_t n)", "f", "void f(size_t n)"),
        ("int\nf(int a,\n  int b)\n", "f", "int f(int a, int b)"),
    ],
)
def test_a_prototype_gives_name_and_type(prototype: str, name: str, spelled: str, declared: Declare) -> None:
    """Written back as C, it is the same declaration (bool is _Bool, and an array parameter a pointer: C11 6.7.6.3)."""
    found, signature = declared(prototype)
    assert found == name
    assert type_text(signature, found) == spelled


def test_every_type_of_the_conventions_checks_is_understood(declared: Declare) -> None:
    """The made-up signatures of the calling convention's tests, from one header, equal their types written by hand."""
    Path("types.h").write_text(DECLARATIONS, encoding="utf-8")
    for case in cases(seed=7, count=12):
        if not case.prototyped:
            continue
        text = case.declaration.removeprefix("extern ")
        _, signature = declared(text, includes=["types.h"])
        assert [p.type for p in signature.parameters] == [p.type for p in case.signature.parameters]
        assert signature.returns == case.signature.returns
        assert signature.variadic == case.variadic


def test_a_prototype_and_a_function_with_a_body_have_the_same_type(declared: Declare, toolchain: Toolchain) -> None:
    """What the debug information of a program says about the same function, names of parameters included."""
    header = "#include <stdint.h>\nstruct frame { uint8_t id; int16_t t[2]; };\nenum mode { IDLE, SWARM = 300 };\n"
    Path("hive.h").write_text(header, encoding="utf-8")
    prototype = "struct frame f(struct frame *p, const enum mode m, float x, int (*g)(uint8_t), char c)"
    body = f'#include "hive.h"\n{prototype} {{ struct frame r = *p; r.id = g(c) + m + x; return r; }}\n'
    Path("a.c").write_text(body, encoding="utf-8")
    built = build_image(["a.c"], toolchain=toolchain, part_name=PART).functions["f"].signature
    assert declared(prototype, includes=["hive.h"]) == ("f", built)


def test_headers_of_the_user_are_found_and_their_changes_seen(declared: Declare) -> None:
    """In the working folder and where include_dirs says; the cache knows them by their contents."""
    Path("inc").mkdir()
    header = Path("inc/frame.h")
    header.write_text("struct frame { char a; };\n", encoding="utf-8")
    settings = {"includes": ["frame.h", "<avr/io.h>"], "include_dirs": ["inc"]}
    _, small = declared("struct frame f(void)", **settings)
    header.write_text("struct frame { char a; long b; };\n", encoding="utf-8")
    _, large = declared("struct frame f(void)", **settings)
    assert isinstance(small.returns, StructType)
    assert isinstance(large.returns, StructType)
    assert (small.returns.size_bytes, large.returns.size_bytes) == (1, 5)


def test_flags_that_change_types_count(declared: Declare) -> None:
    """-funsigned-char (GCC manual, "C Dialect Options") and macros."""
    _, plain = declared("char f(REAL x)", defines={"REAL": "float"})
    _, unsigned = declared("char f(REAL x)", defines={"REAL": "long"}, flags=["-funsigned-char"])
    assert plain.returns == INTEGERS["char"]
    assert plain.parameters[0].type == FLOATS["float"]
    assert unsigned.returns != plain.returns
    assert unsigned.parameters[0].type == INTEGERS["int32_t"]


def test_a_second_time_the_compiler_is_not_asked(declared: Declare, monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer is kept by its text."""
    first = declared("double atan2(double y, double x)")
    monkeypatch.setattr(Toolchain, "run", None)
    assert declared("double atan2(double y, double x)") == first


def test_a_part_without_a_start_up_file_will_do(declared: Declare) -> None:
    """Nothing is started: the prototype is linked alone. The reduced tiny part has no start-up code to offer."""
    assert declared("int f(int x)", part_name="attiny10")[0] == "f"


@pytest.mark.parametrize(
    ("prototype", "message"),
    [
        ("frame_t f(int)", "prototype 'frame_t f.int.' is not understood:\nprototype:1:1: error: unknown type name"),
        ("int f(int", "prototype:1:"),
        ("int &f(int)", "prototype:1:5: error: expected identifier"),
        ("class Bee f(int)", "unknown type name 'class'"),
        ("'", "missing terminating"),
        ("\\", "stray"),
        ("int x", "declares no function; one looks like 'float sin.float.'"),
        ("int", "declares no function"),
        ("typedef int f(int)", "declares no function"),
        ("int f(int), g(int)", "declares no function|not understood"),
        ("int f(int); int g(int)", "give one function as a header declares it"),
        ("int f(int x) { return x; }", "give one function as a header declares it"),
        ("#include <stdio.h>", "give one function as a header declares it"),
        ("", "give one function as a header declares it"),
    ],
)  # fmt: skip
def test_what_is_no_prototype_is_told_in_the_compilers_words(prototype: str, message: str, declared: Declare) -> None:
    """At the prototype's own text, not at that of a generated file."""
    with pytest.raises(ArgumentError, match=message) as caught:
        declared(prototype)
    assert "stdin" not in str(caught.value)
    assert "tmp" not in str(caught.value)


def test_an_unknown_part_is_named(declared: Declare) -> None:
    """With the nearest."""
    with pytest.raises(UnknownName, match="no part 'atmega238p'"):
        declared("int f(int)", part_name="atmega238p")
