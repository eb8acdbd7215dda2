"""What interrupts and a busy serial port cost the compiled engine: the same work with and without them, in one run.

The program computes without end. Beside that, in turn: nothing; a timer interrupt each millisecond; the same and a
serial port that sends without a gap from its interrupt, at 9600 and at 115,200 baud; and one that receives too. The
figure is how much of the speed in cycles a second is kept. At 16 MHz; runs of the five take turns, the best one counts.
"""

import subprocess
import tempfile
import time
from pathlib import Path

from figures import finish, read_options

from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.firmware.elf import read_elf
from cyclerule.measure.stage import Stage
from cyclerule.parts import load_part
from cyclerule.toolchain import find

PART, CLOCK_HZ = "atmega328p", 16_000_000
SOURCE = Path(__file__).parent / "firmware" / "busy.c"

KINDS: dict[str, tuple[str, ...]] = {
    "alone": (),
    "1 kHz": ("TICK",),
    "1 kHz, 9600 baud": ("TICK", "UBRR=103"),
    "1 kHz, 115,200 baud": ("TICK", "UBRR=8"),
    "1 kHz, 9600 baud both ways": ("TICK", "UBRR=103", "RECEIVE"),
}


class Bench:
    """One kind of program on the compiled engine, past its first pass."""

    def __init__(self, kind: str, folder: Path) -> None:
        self.kind = kind
        image = folder / "busy.elf"
        defines = [f"-D{each}" for each in KINDS[kind]]
        subprocess.run(["avr-gcc", f"-mmcu={PART}", "-Os", *defines, "-o", str(image), str(SOURCE)], check=True)
        stage = Stage.at_reset(read_elf(str(image), image.read_bytes()), load_part(PART, find()))
        self.stage = stage
        stage.chip.interrupts.keeps_log = False
        self.engine = Scalar(stage.chip, level=2)
        self.speeds: list[float] = []
        self.engine.run(CLOCK_HZ // 10)

    def run(self, cycles: int) -> None:
        """Runs for so many cycles and keeps the speed in cycles a second."""
        chip, serial = self.stage.chip, self.stage.devices.serial
        if serial is not None and "RECEIVE" in KINDS[self.kind]:
            serial.receiver.feed_bytes([0x55] * (cycles // 16_640), chip.cycle)
        began = time.perf_counter()
        self.engine.run(chip.cycle + cycles)
        self.speeds.append(cycles / (time.perf_counter() - began))


def main() -> None:
    """Prints the figures, and writes them as JSON where asked."""
    options = read_options(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        benches = [Bench(kind, Path(folder)) for kind in KINDS]
    for _ in range(options.runs or 3):
        for bench in benches:
            bench.run(10 * CLOCK_HZ)
    best = {bench.kind: max(bench.speeds) for bench in benches}
    alone = best["alone"]
    notes = [f"{kind:28}{speed / CLOCK_HZ:8.1f} x real time{speed / alone:8.0%}" for kind, speed in best.items()]
    figures = {"cycles_per_second": best, "kept": {kind: speed / alone for kind, speed in best.items()}}
    finish(figures, notes, options.json)


if __name__ == "__main__":
    main()
