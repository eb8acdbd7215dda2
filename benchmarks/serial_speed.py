"""What interrupts and a busy serial port cost the compiled engine: the same work with and without them, in one run.

The program computes without end. Beside that, in turn: nothing; a timer interrupt each millisecond; the same and a
serial port that sends without a gap from its interrupt, at 9600 and at 115,200 baud; and one that receives too. The
figure is how much of the speed in cycles a second is kept, at 16 MHz, for two kinds of work: a checksum, of which
compiled code makes very little, so that each interrupt weighs, and readings of sensors in floating point. Runs of the
five take turns and the best counts; the time is that of the processor, so that what else runs disturbs less.
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


WORK: dict[str, tuple[str, ...]] = {"checksum": (), "readings": ("READINGS",)}


class Bench:
    """One kind of program on the compiled engine, past its first pass."""

    def __init__(self, work: str, kind: str, folder: Path) -> None:
        self.work, self.kind = work, kind
        image = folder / "busy.elf"
        defines = [f"-D{each}" for each in (*WORK[work], *KINDS[kind])]
        subprocess.run(["avr-gcc", f"-mmcu={PART}", "-Os", *defines, "-o", str(image), str(SOURCE), "-lm"], check=True)
        stage = Stage.at_reset(read_elf(str(image), image.read_bytes()), load_part(PART, find()))
        self.stage = stage
        stage.chip.interrupts.keeps_log = False
        self.engine = Scalar(stage.chip, level=2)
        self.speeds: list[float] = []
        # Long enough for all code that interrupts can come to to be compiled.
        self.engine.run(60 * CLOCK_HZ)

    def run(self, cycles: int) -> None:
        """Runs for so many cycles and keeps the speed in cycles a second."""
        chip, serial = self.stage.chip, self.stage.devices.serial
        if serial is not None and "RECEIVE" in KINDS[self.kind]:
            serial.receiver.feed_bytes([0x55] * (cycles // 16_640), chip.cycle)
        began = time.process_time()
        self.engine.run(chip.cycle + cycles)
        self.speeds.append(cycles / (time.process_time() - began))


def main() -> None:
    """Prints the figures, and writes them as JSON where asked."""
    options = read_options(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        benches = [Bench(work, kind, Path(folder)) for work in WORK for kind in KINDS]
    for _ in range(options.runs or 3):
        for bench in benches:
            bench.run(10 * CLOCK_HZ)
    figures, notes = {}, []
    for work in WORK:
        best = {bench.kind: max(bench.speeds) for bench in benches if bench.work == work}
        alone = best["alone"]
        notes.append(f"{work}:")
        notes += [f"  {kind:28}{speed / CLOCK_HZ:8.1f} x real time{speed / alone:8.0%}" for kind, speed in best.items()]
        kept = {kind: speed / alone for kind, speed in best.items()}
        figures[work] = {"cycles_per_second": best, "kept": kept}
    finish(figures, notes, options.json)


if __name__ == "__main__":
    main()
