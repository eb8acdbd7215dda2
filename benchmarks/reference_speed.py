"""How fast the reference engine is: instructions and cycles a second on three firmwares, whole programs from reset.

It is the engine that others are held against, so only its own figures are recorded. That the compiled engine sends the
same bytes up to the same cycle is checked on the way.
"""

import sys
from pathlib import Path
from typing import Any

from figures import alternately, finish, read_options

import cyclerule as cr

PART, CLOCK_HZ = "atmega328p", 16_000_000
FIRMWARE = Path(__file__).parent / "firmware"
CYCLES = 3_000_000


def measure(name: str, runs: int) -> dict[str, Any]:
    """Gives the times of a firmware's first three million cycles, and what was executed in them."""
    firmware = cr.build([FIRMWARE / f"{name}.c"], part=PART, clock=CLOCK_HZ)
    found = [firmware.run(until=f"cycles:{CYCLES}", engine=engine) for engine in ("reference", "scalar")]
    if len({(run.cycles, run.instructions, run.serial) for run in found}) > 1:
        sys.exit(f"{name}: the engines differ: {found}")
    (times,) = alternately(runs, lambda: firmware.run(until=f"cycles:{CYCLES}", engine="reference"))
    run = found[0]
    return {
        "firmware": name,
        "seconds": times,
        "cycles": run.cycles,
        "instructions": run.instructions,
        "instructions_per_second": run.instructions / times.best,
        "cycles_per_second": run.cycles / times.best,
        "times_real_time": run.cycles / times.best / CLOCK_HZ,
    }


def main() -> None:
    """Prints a line for each firmware, and writes the figures as JSON where asked."""
    options = read_options(__doc__)
    rows = [measure(name, options.runs or 5) for name in ("crc", "matrix", "floating")]
    notes = [f"{'reference engine':18}{'instr/s':>10}{'cycles/s':>10}{'x real':>8}  {CYCLES:,} cycles"]
    notes += [
        f"{row['firmware']:18}{row['instructions_per_second']:10.2e}{row['cycles_per_second']:10.2e}"
        f"{row['times_real_time']:8.2f}  {row['seconds']}"
        for row in rows
    ]
    finish({"rows": rows}, notes, options.json)


if __name__ == "__main__":
    main()
