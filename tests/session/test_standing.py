"""What becomes of functions of many kinds at -Os, at -O2 and with link-time optimisation, and what is then timed."""

import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

from cyclerule.errors import UnknownName
from cyclerule.project.settings import read_settings
from cyclerule.session.in_place import run_in_place
from cyclerule.session.opening import Program, open_program
from cyclerule.session.survey import own_functions, spoken_name
from cyclerule.toolchain import find

PROGRAMS = Path(__file__).parent / "programs" / "standing"
BUILDS: dict[str, tuple[str, tuple[str, ...]]] = {"-Os": ("s", ()), "-O2": ("2", ()), "link time": ("s", ("-flto",))}
HERE, INLINED, CLONED, REMOVED, FOLDED = "as built", "inlined", "cloned", "removed", "folded"

# The function, what it shows, how often the program runs it by itself, in place or as a clone, and what becomes of it
# at -Os, at -O2 and with link-time optimisation, as avr-gcc 5.4.0's own symbol tables and debug entries have it.
C: dict[str, tuple[str, int, tuple[str, str, str]]] = {
    "frame_sum": ("exported, called with one array", 3, (HERE, HERE, CLONED)),
    "parity": ("static, called once", 3, (INLINED, INLINED, INLINED)),
    "gray": ("always_inline, called twice", 6, (INLINED, INLINED, INLINED)),
    "damped": ("static inline", 3, (INLINED, INLINED, INLINED)),
    "forgotten": ("static, never called", 0, (REMOVED, REMOVED, REMOVED)),
    "spare": ("exported, never called", 0, (HERE, HERE, REMOVED)),
    "bees_below": ("recursion", 11, (HERE, HERE, HERE)),
    # A jump back from `is_odd` within the same activation is no call of its own.
    "is_even": ("mutual tail calls", 3, (HERE, HERE, HERE)),
    "is_odd": ("mutual tail calls", 2, (HERE, HERE, HERE)),
    "spread": ("an argument that is the same in all calls: .constprop", 6, (CLONED, CLONED, CLONED)),
    "tared": ("a structure by its members: .isra", 6, (CLONED, CLONED, CLONED)),
    "seldom": ("a test and much work: .part", 9, (INLINED, INLINED, INLINED)),
    "celsius": ("the same code as another", 3, (HERE, HERE, HERE)),
    "percent": ("the same code as another", 3, (HERE, HERE, FOLDED)),
    "pulse": ("naked", 3, (HERE, HERE, HERE)),
    "TIMER1_OVF": ("a handler", 1, (HERE, HERE, HERE)),
    "sum_of": ("variadic", 3, (HERE, HERE, CLONED)),
    "squared": ("64 bits", 3, (HERE, HERE, HERE)),
    "read_scale": ("a small structure returned", 3, (HERE, HERE, HERE)),
    "count_bees": ("a large structure returned", 3, (HERE, HERE, HERE)),
    "humidity_of": ("a table in flash", 3, (HERE, HERE, HERE)),
    "open_gate": ("called by a function pointer", 2, (HERE, HERE, HERE)),
    "scaled": ("made by a macro", 3, (HERE, HERE, HERE)),
    "warmer": ("a GNU statement expression", 3, (INLINED, INLINED, INLINED)),
    "depth_of": ("a recursion that became a loop", 3, (INLINED, INLINED, INLINED)),
}
CPP: dict[str, tuple[str, int, tuple[str, str, str]]] = {
    "hive::Sensor::read": ("a member", 3, (HERE, HERE, HERE)),
    "hive::Sensor::count": ("a static member", 3, (HERE, HERE, HERE)),
    "hive::Sensor::tare": ("a member defined outside", 3, (HERE, HERE, HERE)),
    "hive::Sensor::channel": ("a member defined inside", 3, (INLINED, INLINED, INLINED)),
    "_ZN4hive5scaleEh": ("an overload", 3, (HERE, HERE, HERE)),
    "_ZN4hive5scaleEj": ("an overload", 3, (HERE, HERE, HERE)),
    "hive::offset": ("static in a namespace", 3, (INLINED, INLINED, INLINED)),
    "_ZN4hive7doubledIhEET_S1_": ("an instance of a template", 3, (HERE, HERE, HERE)),
    "_ZN4hive7doubledIjEET_S1_": ("an instance of a template", 3, (HERE, HERE, HERE)),
    "hive::Flap::open": ("a virtual member", 1, (HERE, HERE, HERE)),
}
pytestmark = pytest.mark.skipif(
    "5.4.0" not in find().version,
    reason="what becomes of the functions is that of avr-gcc 5.4.0",
)
CASES = [
    pytest.param(source, build, name, standings[number], runs, id=f"{name} {build}: {shows}")
    for source, functions in (("apart.c", C), ("apart.cpp", CPP))
    for name, (shows, runs, standings) in functions.items()
    for number, build in enumerate(BUILDS)
]
LENGTH = 100_000
"""Cycles of the program's own run: all turns, and one overflow of the timer."""


@cache
def opened(source: str, build: str) -> Program:
    """Gives a program, built once for each way."""
    level, flags = BUILDS[build]
    standard = ("-std=gnu++11",) if source.endswith(".cpp") else ()
    settings = read_settings(
        part="atmega328p", clock="16MHz", optimize=level, flags=(*flags, *standard), folder=PROGRAMS, environment={}
    )
    return open_program([PROGRAMS / source], settings)


@cache
def plainly_built(source: str, build: str) -> bytes:
    """Gives the flash contents of the same program, built by the compiler alone, without debug information."""
    level, flags = BUILDS[build]
    compiler = ("avr-g++", "-std=gnu++11") if source.endswith(".cpp") else ("avr-gcc",)
    with tempfile.TemporaryDirectory() as folder:
        elf, contents = Path(folder) / "plain.elf", Path(folder) / "plain.bin"
        options = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", f"-O{level}", *flags]
        subprocess.run([*compiler, *options, str(PROGRAMS / source), "-o", str(elf)], check=True)
        subprocess.run(["avr-objcopy", "-O", "binary", "-R", ".eeprom", str(elf), str(contents)], check=True)
        return contents.read_bytes()


@cache
def counted_calls(source: str, build: str) -> dict[str, int]:
    """Gives how often each function that stands by itself is called in the program's own run, by its own name."""
    firmware = opened(source, build).firmware
    names = [name for name in (C if source == "apart.c" else CPP) if standing(source, build, name) in (HERE, FOLDED)]
    run = firmware.run(max_cycles=LENGTH, calls=names)
    return {name: run.calls[firmware.find_function(name).name].count for name in names}


def standing(source: str, build: str, name: str) -> str:
    """Says what became of a function."""
    try:
        return opened(source, build).standing(name).kind
    except UnknownName:
        # The image knows nothing of it, and no clone.
        return REMOVED


@pytest.mark.parametrize(("source", "build", "name", "expected", "runs"), CASES)
def test_each_function_is_timed_where_it_stands(source: str, build: str, name: str, expected: str, runs: int) -> None:
    """The label, the image that the figures are of, and as many passes as the program's text has calls.

    Where the image is the program's own, its bytes are those that the compiler alone makes.
    """
    program = opened(source, build)
    assert standing(source, build, name) == expected
    assert program.firmware.image.kind == "as built"
    assert program.firmware.image.flash == plainly_built(source, build)
    if expected in (HERE, FOLDED):
        target = program.target(name)
        assert (target.standing.kind, target.firmware) == (expected, program.firmware)
        shares = build == "link time" and name in ("celsius", "percent")
        assert counted_calls(source, build)[name] == (2 * runs if shares else runs)
        assert run_in_place(program, name, target.standing) is None
    elif expected == REMOVED:
        target = program.target(name)
        assert (target.standing.kind, target.firmware.image.kind) == (REMOVED, "kept copy")
    else:
        run = run_in_place(program, name, program.standing(name), length=str(LENGTH))
        assert run is not None
        assert (run.measured.image, run.count) == ("as built", runs)
        assert run.measured.image_sha256 == program.firmware.image.sha256


KEPT = [
    ("apart.c", name, build)
    for name, (_, _, kinds) in C.items()
    for build, kind in zip(BUILDS, kinds, strict=True)
    if kind in (INLINED, CLONED)
]


@pytest.mark.parametrize(("source", "name", "build"), KEPT)
def test_what_does_not_stand_by_itself_has_a_kept_copy(source: str, name: str, build: str) -> None:
    """Beside the figures in place; it has the function's own parameters."""
    target = opened(source, build).target(name)
    assert target.firmware.image.kind == "kept copy"
    assert target.function.address is not None
    assert target.function.signature is not None
    assert target.notes[0].startswith(
        "as built it is inlined into " if target.standing.into else "as built there is only "
    )


def test_a_survey_lists_a_cloned_function_once() -> None:
    """By its own name, with what became of it; its clones are no functions of the source."""
    names = {each.source_name: each for each in own_functions(opened("apart.c", "-Os"))}
    assert names["spread"].address is None
    assert names["spread"].clone_of is None
    assert [spoken_name(opened("apart.c", "-Os").firmware, names[name]) for name in ("spread", "tared", "seldom")] == [
        *("spread", "tared", "seldom"),
    ]


def test_sixty_cases_and_more_are_built() -> None:
    """An empty list would hold nothing."""
    assert len(CASES) >= 60
