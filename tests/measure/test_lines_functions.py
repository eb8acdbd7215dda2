"""All lines of a function, pass by pass, against its calls as the run follows them by return address and stack."""

from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.firmware.image import Function, Image

PROGRAMS = Path(__file__).parent / "programs"
HIVE = Path(__file__).parents[2] / "examples" / "hive"
SOURCES = {
    "lines": [PROGRAMS / "lines.c"],
    "hive": [HIVE / f"{name}.c" for name in ("hive", "climate", "crc", "frame", "median", "serial")],
}
BUILDS = {"-Os": ("s", ()), "-O2": ("2", ()), "link time": ("s", ("-flto",))}
CYCLES = 40_000


def whole_lines(image: Image, function: Function) -> str | None:
    """Gives all lines of a function; None where it is inlined too, or other code is from these lines."""
    if function.file is None or function.line is None or function.inlined_into or function.alias_of is not None:
        return None
    begins = [each.line for each in image.functions.values() if each.file == function.file and each.line is not None]
    following = min((line for line in begins if line > function.line), default=1 << 30)
    inside: set[int] = set()
    outside: set[int] = set()
    for row in image.lines.rows:
        if row.file == function.file and function.line <= row.line < following and not row.end_sequence:
            is_inside = any(start <= row.address < end for start, end in function.ranges)
            (inside if is_inside else outside).add(row.line)
    last = max(inside, default=function.line)
    return None if any(line <= last for line in outside) else f"{function.file}:{function.line}-{last}"


@pytest.mark.parametrize("build", BUILDS)
@pytest.mark.parametrize("program", SOURCES)
def test_every_function_takes_by_its_lines_what_its_calls_take(program: str, build: str) -> None:
    """Begin and length of each, interrupt handlers inside included; handlers are functions too."""
    optimize, flags = BUILDS[build]
    firmware = cr.build(SOURCES[program], part="atmega328p", optimize=optimize, flags=flags, defines={"TICKING": "1"})
    functions = {
        name: text
        for name, function in firmware.functions.items()
        if function.address is not None and function.source_name != "main"
        if (text := whole_lines(firmware.image, function)) is not None
    }
    run = firmware.run(max_cycles=CYCLES, calls=list(functions), engine="reference")
    for name, text in functions.items():
        timed = firmware.time_lines(text, max_cycles=run.cycles, engine="reference")
        calls = [(row.start_cycle, row.cycles) for row in run.calls[name].rows]
        assert [(each.start_cycle, each.elapsed_cycles) for each in timed.passes] == calls, name
    assert sum(stats.count > 0 for stats in run.calls.values()) >= 2
