"""How fast the compiled engine is: three firmwares against QEMU on the same ELF, in one run.

Each firmware sends two bytes of checksum after each round of work. A round's time is that from one checksum to the
next: one untimed round, then the best of three. QEMU counts no cycles; the engine's are exact, events looked at. A
second build has a timer interrupt every 16,384 cycles; QEMU runs on another clock then, so only the engine runs it.
"""

import argparse
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import llvmlite
from figures import finish

from cyclerule.engines.engine import Stop
from cyclerule.engines.llvm.compile import host
from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.firmware.elf import read_elf
from cyclerule.machine.chip import Chip
from cyclerule.measure.stage import Stage
from cyclerule.parts import load_part
from cyclerule.toolchain import find

PART, CLOCK_HZ = "atmega328p", 16_000_000
ROUNDS = 3
FIRMWARE = Path(__file__).parent / "firmware"

# Passes that make a round long enough to time: about 1.6e9 cycles, a hundred seconds of the part's time.
PASSES = {"crc": 280_000, "matrix": 20_000, "floating": 12_000}


class Timed(Scalar):
    """A compiled engine that keeps how long it translated, and how many instructions."""

    def __init__(self, chip: Chip, *, level: int) -> None:
        super().__init__(chip, level=level)
        self.translation_seconds = 0.0
        self.translated_instructions = 0

    def translate(self, words: Iterable[int]) -> None:
        """Translates, and takes the time."""
        known = set(self._regions)
        start = time.perf_counter()
        super().translate(words)
        self.translation_seconds += time.perf_counter() - start
        self.translated_instructions += sum(
            len(list(region.instructions()))
            for word, region in self._regions.items()
            if region is not None and word not in known
        )


def build(name: str, folder: Path, *, ticks: bool) -> Path:
    """Builds a firmware and gives its ELF."""
    target = folder / f"{name}{'-ticks' if ticks else ''}.elf"
    options = [f"-mmcu={PART}", "-Os", f"-DPASSES={PASSES[name]}", *(["-DTICK"] if ticks else [])]
    subprocess.run(["avr-gcc", *options, "-o", str(target), str(FIRMWARE / f"{name}.c"), "-lm"], check=True)
    return target


def qemu_machine() -> tuple[str, str] | None:
    """Gives QEMU's version and its name for a machine with the part, found by what its help says."""
    program = shutil.which("qemu-system-avr")
    if program is None:
        return None
    listing = subprocess.run([program, "-M", "help"], capture_output=True, encoding="utf-8", check=True).stdout
    version = subprocess.run([program, "--version"], capture_output=True, encoding="utf-8", check=True).stdout
    names = [line.split()[0] for line in listing.splitlines() if re.search(rf"\b{PART}\b", line, re.IGNORECASE)]
    return (version.split("\n")[0], names[0]) if names else None


def time_qemu(image: Path, machine: str) -> tuple[list[float], list[bytes]]:
    """Gives the seconds and the checksum of each timed round in QEMU."""
    command = ["qemu-system-avr", "-M", machine, "-bios", str(image), "-display", "none", "-monitor", "none"]
    process = subprocess.Popen([*command, "-serial", "stdio"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
    assert process.stdout is not None  # noqa: S101 - for the type checker
    received = bytearray()
    times: list[float] = []
    try:
        while len(times) < ROUNDS + 2:
            data = os.read(process.stdout.fileno(), 64)
            if not data:
                sys.exit(f"QEMU ended after {len(received)} bytes")
            received += data
            times += [time.perf_counter()] * (len(received) // 2 - len(times))
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    return _differences(times), [bytes(received[2 * n : 2 * n + 2]) for n in range(2, ROUNDS + 2)]


def _differences(times: list[float]) -> list[float]:
    """Gives the lengths of the timed rounds: all but the first."""
    return [after - before for before, after in pairwise(times[1:])]


def time_engine(image: Path, level: int) -> dict[str, Any]:
    """Gives the best seconds of a round in the compiled engine, what was executed in it, and all checksums."""
    stage = Stage.at_reset(read_elf(str(image), image.read_bytes()), load_part(PART, find()))
    chip, serial = stage.chip, stage.devices.serial
    chip.interrupts.keeps_log = False
    assert serial is not None  # noqa: S101 - for the type checker
    engine = Timed(chip, level=level)
    serial.on_sent = lambda sent: engine.request_stop() if len(serial.sent) % 2 == 0 else None
    rounds: list[tuple[float, int, int]] = []
    while len(rounds) < ROUNDS + 2:
        if engine.run(1 << 62) is not Stop.REQUESTED:
            sys.exit(f"{image.name} stopped by itself")
        rounds.append((time.perf_counter(), chip.cycle, engine.instructions))
        engine.instructions = 0
    sent = bytes(byte.value for byte in serial.sent)
    seconds = _differences([at for at, _, _ in rounds])
    best = seconds.index(min(seconds))
    cycles, instructions = rounds[best + 2][1] - rounds[best + 1][1], rounds[best + 2][2]
    return {
        "checksums": [sent[2 * n : 2 * n + 2] for n in range(2, ROUNDS + 2)],
        "seconds": seconds[best],
        "cycles": cycles,
        "instructions": instructions,
        "cycles_per_second": cycles / seconds[best],
        "instructions_per_second": instructions / seconds[best],
        "times_real_time": cycles / seconds[best] / CLOCK_HZ,
        "translated_instructions": engine.translated_instructions,
        "translation_ms_per_1000": 1e6 * engine.translation_seconds / max(1, engine.translated_instructions),
    }


def measure(name: str, folder: Path, machine: str | None, level: int) -> dict[str, Any]:
    """Measures one firmware everywhere; stops when QEMU and the engine do not compute the same."""
    plain = build(name, folder, ticks=False)
    found: dict[str, Any] = {"firmware": name, "engine": time_engine(plain, level)}
    checksums = found["engine"].pop("checksums")
    if machine is not None:
        seconds, theirs = time_qemu(plain, machine)
        if theirs != checksums:
            sys.exit(f"{name}: QEMU computes {theirs}, the engine {checksums}")
        best = min(seconds)
        found["qemu"] = {
            "seconds": best,
            "instructions_per_second": found["engine"]["instructions"] / best,
            "times_real_time": found["engine"]["cycles"] / best / CLOCK_HZ,
        }
        found["ratio"] = best / found["engine"]["seconds"]
    found["ticking"] = time_engine(build(name, folder, ticks=True), level)
    del found["ticking"]["checksums"]
    found["kept_with_ticks"] = found["ticking"]["cycles_per_second"] / found["engine"]["cycles_per_second"]
    return found


def peak_memory_bytes() -> int | None:
    """Gives the most memory that this process had; None where the system does not say."""
    try:
        import resource
    except ImportError:
        return None
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else 1024 * most


def main() -> None:
    """Prints the figures, and writes them as JSON where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path, help="file to write the figures to")
    parser.add_argument("--level", type=int, default=2, choices=range(4), help="optimisation level (default 2)")
    parser.add_argument("firmware", nargs="*", default=list(PASSES), help="which firmwares (default: all)")
    options = parser.parse_args()
    qemu = qemu_machine()
    with tempfile.TemporaryDirectory() as folder:
        rows = [measure(name, Path(folder), qemu[1] if qemu else None, options.level) for name in options.firmware]
    print(f"{'':10}{'instr/s':>9}{'cycles/s':>10}{'x real':>8}{'QEMU':>7}{'ratio':>7}{'ticking':>9}{'ms/1000':>9}")
    for row in rows:
        engine = row["engine"]
        theirs = f"{row['qemu']['times_real_time']:7.0f}{row['ratio']:7.2f}" if "qemu" in row else f"{'-':>7}{'-':>7}"
        print(
            f"{row['firmware']:10}{engine['instructions_per_second']:9.2e}{engine['cycles_per_second']:10.2e}"
            f"{engine['times_real_time']:8.0f}{theirs}{row['kept_with_ticks']:9.0%}{engine['translation_ms_per_1000']:9.0f}"
        )
    ratios = [row["ratio"] for row in rows if "ratio" in row]
    mean = statistics.geometric_mean(ratios) if ratios else None
    peak = peak_memory_bytes()
    print(f"geometric mean {mean:.2f} x QEMU" if mean else "QEMU with the part is not installed: no ratios")
    print(f"peak memory {peak / 1e6:.0f} MB" if peak else "peak memory: the system does not say")
    notes = [f"  llvmlite: {llvmlite.__version__}, level {options.level}", f"  qemu: {qemu[0] if qemu else 'none'}"]
    figures = {
        "llvmlite": llvmlite.__version__,
        "qemu": qemu[0] if qemu else None,
        "level": options.level,
        "host": host(),
        "geometric_mean": mean,
        "peak_memory_bytes": peak,
        "rows": rows,
    }
    finish(figures, notes, options.json)


if __name__ == "__main__":
    main()
