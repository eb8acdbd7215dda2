"""How long the first `cyclerule time` of a small function takes, with nothing cached, against the compiler's own time.

The compiler compiles the same file and links it, with the same options. Goal: at most twice that and half a second.
A second `time`, of what the first one left in the cache, stands beside it.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from figures import alternately, finish, read_options

SOURCE = Path(__file__).parents[1] / "examples" / "hive" / "crc.c"
FUNCTION, PART = "crc8_step_table", "atmega328p"
GOAL_FACTOR, GOAL_SECONDS = 2.0, 0.5


def main() -> None:
    """Prints the times and their relation, and writes the figures as JSON where asked."""
    options = read_options(__doc__)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        count = 0

        def measure(cache: Path) -> None:
            command = [sys.executable, "-m", "cyclerule", "time", str(SOURCE), FUNCTION, "--part", PART]
            environment = {**os.environ, "CYCLERULE_CACHE": str(cache)}
            inputs = ["crc=0x31", "byte=0x5A"]
            subprocess.run([*command, *inputs], check=True, stdout=subprocess.DEVNULL, env=environment)

        def measure_first() -> None:
            nonlocal count
            count += 1
            measure(folder / f"cache{count}")

        def compile_and_link() -> None:
            common = [f"-mmcu={PART}", "-Os", "-gdwarf-4"]
            compiled, linked = str(folder / "crc.o"), str(folder / "crc.elf")
            subprocess.run(["avr-gcc", *common, "-c", str(SOURCE), "-o", compiled], check=True)
            subprocess.run(["avr-gcc", *common, compiled, "-Wl,--defsym=main=exit", "-o", linked], check=True)

        measure(folder / "filled")
        first, again, compiler = alternately(
            options.runs or 11, measure_first, lambda: measure(folder / "filled"), compile_and_link
        )
    goal = GOAL_FACTOR * compiler.best + GOAL_SECONDS
    notes = [
        f"first time of {FUNCTION} {first}",
        f"once more                      {again}",
        f"avr-gcc, compile and link      {compiler}",
        f"{first.best / goal:.0%} of the goal, twice the compiler's time + {GOAL_SECONDS} s = {goal:.3f} s",
    ]
    figures = {"first": first, "again": again, "compile_and_link": compiler, "goal_seconds": goal}
    finish(figures, notes, options.json)


if __name__ == "__main__":
    main()
