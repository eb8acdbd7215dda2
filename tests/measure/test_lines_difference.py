"""Figures in place against the difference of two runs, of the program with the statement and without it."""

from functools import cache
from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.machine.chip import Chip
from cyclerule.measure.callers import instructions
from cyclerule.measure.pass_results import LinesRun

SOURCE = Path(__file__).parent / "programs" / "difference.c"
LINE = next(n for n, text in enumerate(SOURCE.read_text("utf-8").splitlines(), 1) if text.endswith("/* statement */"))
BUILDS: dict[str, tuple[str, tuple[str, ...]]] = {"-Os": ("s", ()), "-O2": ("2", ()), "link time": ("s", ("-flto",))}
END = "function:finish"

# Each works on volatile variables between two barriers, so that the code around has no reason to change.
STATEMENTS = {
    "a port bit": "PORTB |= 1",
    "an inlined function": "crc = step(crc, byte)",
    "a call": "crc = parity(byte)",
    "two calls": "crc = parity(byte) + parity(raw)",
    "a loop": "for (uint8_t n = raw; n & 7; n++) PORTB = n",
    "a wait": "while (raw & 3) raw++",
    "a choice": "if (raw & 4) crc = byte; else weight = raw",
    "a switch": "switch (raw & 3) { case 0: crc = 1; break; case 1: PORTB = 3; break; case 2: weight = 5; }",
    "a product of 32 bits": "grams = grams * 3",
    "a product of 64 bits": "total = total * raw",
    "floating point": "celsius = celsius * 1.5",
    "a division": "weight = weight / raw",
    "a delay": "_delay_us(20)",
    "a table in flash": "crc = pgm_read_byte(&humidity[raw & 7])",
    "a statement expression": "crc = GREATER(raw, byte)",
    "members": "cell.weight = cell.offset + cell.gain",
}
# Here the compiler lays out the loop around in another way.
CHANGED = {
    (STATEMENTS["a choice"], "-O2"),
    (STATEMENTS["a switch"], "-O2"),
    (STATEMENTS["a product of 64 bits"], "-O2"),
}
EVERY = pytest.mark.parametrize(
    ("statement", "build"),
    [pytest.param(text, build, id=f"{name} {build}") for name, text in STATEMENTS.items() for build in BUILDS],
)


@cache
def built(statement: str, build: str) -> cr.Firmware:
    """Gives the program with a statement."""
    level, flags = BUILDS[build]
    defines = {"STATEMENT": statement}
    return cr.build([SOURCE], part="atmega328p", clock="16 MHz", optimize=level, flags=flags, defines=defines)


def code_besides(firmware: cr.Firmware, run: LinesRun | None) -> list[str]:
    """Gives the instructions of `main` besides the statement's, without operands: registers may be others."""
    chip = Chip(firmware.part, firmware.image.flash)
    main = firmware.find_function("main")
    texts = []
    for start, end in main.ranges:
        for word, decoded in instructions(chip, start, end):
            place = firmware.image.lines.place(2 * word)
            inlined = any(
                a <= 2 * word < b and call.call_line == LINE for call in firmware.image.inlined for a, b in call.ranges
            )
            if decoded is None or (run is not None and (inlined or (place is not None and place.line == LINE))):
                continue
            texts.append(decoded.instruction.mnemonic)
    return texts


@cache
def cycles_of_main(firmware: cr.Firmware) -> int:
    """Gives the cycles from the entry of `main`, since the start-up code differs with the constants, to the end."""
    return firmware.run(until=END).cycles - firmware.run(until="function:main").cycles


@EVERY
def test_passes_take_what_the_program_takes_longer_with_the_statement(statement: str, build: str) -> None:
    """Both runs end where `finish` begins; everything else of `main` is the same code.

    What the compiler took out of the loop is the first pass's, and what ran up to the loop is counted apart.
    """
    with_it, without = built(statement, build), built("", build)
    run = with_it.time_lines(f"difference.c:{LINE}", until=END)
    assert run.count == 5
    is_same = code_besides(with_it, run) == code_besides(without, None)
    assert is_same is ((statement, build) not in CHANGED)
    if not is_same:
        return
    assert all(each.other_cycles == 0 for each in run.passes[1:])
    main = [
        firmware.run(until=END).cycles - firmware.run(until="function:main").cycles for firmware in (with_it, without)
    ]
    assert run.total == main[0] - main[1]


@pytest.mark.parametrize("statement", STATEMENTS.values(), ids=STATEMENTS)
def test_every_engine_sees_the_same_passes(statement: str) -> None:
    """To the cycle."""
    firmware = built(statement, "-Os")
    one, other = (
        firmware.time_lines(f"difference.c:{LINE}", until=END, engine=name) for name in ("reference", "scalar")
    )
    assert one.passes == other.passes
