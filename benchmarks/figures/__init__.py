"""What every benchmark shares: how times are taken, what they were taken on, and how they are written down.

A figure is the best of several runs with the median beside it: what disturbs a run only makes it longer, and where the
two are far apart the machine was busy. Things that are compared run alternately.
"""

import argparse
import json
import os
import platform
import re
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cyclerule
from cyclerule.toolchain import find


@dataclass(frozen=True)
class Times:
    """Seconds that something took: the least, the median, and how often it was run."""

    best: float
    median: float
    runs: int

    def __str__(self) -> str:
        return f"{self.best:.3f} s (median {self.median:.3f} s of {self.runs})"


def alternately(runs: int, *actions: Callable[[], object]) -> list[Times]:
    """Runs each action so many times, in turn, and gives the times of each."""
    taken: list[list[float]] = [[] for _ in actions]
    for _ in range(runs):
        for seconds, action in zip(taken, actions, strict=True):
            began = time.perf_counter()
            action()
            seconds.append(time.perf_counter() - began)
    return [Times(min(each), statistics.median(each), runs) for each in taken]


def processor() -> str:
    """Names the host's processor as far as the system says."""
    information = Path("/proc/cpuinfo")
    if information.exists():
        found = re.search(r"^model name\s*: (.*)$", information.read_text("utf-8"), re.MULTILINE)
        if found:
            return f"{found[1]}, {os.cpu_count()} processors"
    return f"{platform.processor() or platform.machine()}, {os.cpu_count()} processors"


def about() -> dict[str, str]:
    """Gives the date, the machine and the versions."""
    return {
        "date": time.strftime("%Y-%m-%d", time.gmtime()),
        "processor": processor(),
        "system": platform.platform(),
        "python": platform.python_version(),
        "cyclerule": cyclerule.__version__,
        "compiler": find().version,
    }


def read_options(description: str | None) -> argparse.Namespace:
    """Reads the options that every benchmark has: where to write the figures as JSON, and how often to run."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--json", type=Path, help="file to write the figures to")
    parser.add_argument("--runs", type=int, help="how often each thing is run")
    return parser.parse_args()


def finish(figures: dict[str, Any], notes: Sequence[str], target: Path | None) -> None:
    """Prints the notes and what the figures were taken on, and writes both as JSON where asked."""
    information = about()
    print("\n".join([*notes, *(f"  {name}: {value}" for name, value in information.items()), ""]))
    if target is not None:
        text = json.dumps({**information, **figures}, indent=1, default=asdict)
        target.write_text(text + "\n", encoding="utf-8")
