"""How soon the compiled engine gives its first result of a two-hundred-instruction function, from a finished ELF.

The part is in the cache. Goal: within three times what it takes to import the two heavy libraries alone; once the
compiled code is in the cache too, within twice that.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from figures import alternately, finish, read_options

SOURCE, PART = Path(__file__).parent / "firmware" / "two_hundred.c", "atmega328p"
GOAL_FIRST, GOAL_AGAIN = 3.0, 2.0

PROGRAM = """
import sys, cyclerule
firmware = cyclerule.load(sys.argv[1], part=sys.argv[2])
call = firmware.call("unpack", bytes(range(8)), cyclerule.out(9), engine="scalar")
print(call.cycles, call.instructions)
"""


def main() -> None:
    """Prints the times and their relation, and writes the figures as JSON where asked."""
    options = read_options(__doc__)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        image, filled = folder / "two_hundred.elf", folder / "filled"
        # As it is after an installation, Python's own code is cached.
        installed = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        command = ["avr-gcc", f"-mmcu={PART}", "-Os", "-gdwarf-4", "-Wl,--defsym=main=exit", "-o", str(image)]
        subprocess.run([*command, str(SOURCE)], check=True)

        def result(cache: Path) -> str:
            environment = {**installed, "CYCLERULE_CACHE": str(cache)}
            run = [sys.executable, "-c", PROGRAM, str(image), PART]
            return subprocess.run(run, check=True, stdout=subprocess.PIPE, env=environment, encoding="utf-8").stdout

        def first() -> None:
            result(caches.pop())

        def import_alone() -> None:
            subprocess.run([sys.executable, "-c", "import llvmlite, numpy"], check=True, env=installed)

        found = result(filled).split()
        runs = options.runs or 11
        caches = []
        for count in range(runs + 2):
            # The part is known, nothing is compiled.
            caches.append(folder / f"cache{count}")
            shutil.copytree(filled, caches[-1])
            shutil.rmtree(caches[-1] / "code")
        made, again, importing = alternately(runs, first, lambda: result(filled), import_alone)
    notes = [
        f"unpack: {found[0]} cycles, {found[1]} instructions",
        f"first result        {made}",
        f"from the cache      {again}",
        f"import of libraries {importing}",
        f"{made.best / importing.best:.2f} times the import first, goal {GOAL_FIRST:g}",
        f"{again.best / importing.best:.2f} times the import from the cache, goal {GOAL_AGAIN:g}",
    ]
    finish({"first": made, "again": again, "import": importing}, notes, options.json)


if __name__ == "__main__":
    main()
