"""Running the whole program as it is asked for in words."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.measure.results import Run
from cyclerule.measure.run import Sent
from cyclerule.measure.slices import CycleProgress
from cyclerule.session.opening import Program
from cyclerule.units import Cycles, parse_duration

ONE_SECOND = "1s"


@dataclass(frozen=True)
class Ran:
    """A run, and what it was made of: `until` and `length` as they were asked for.

    `wall_seconds` is how long the simulation took on this machine: no two are alike.
    """

    program: Program
    run: Run
    until: str | None
    length: Cycles | None
    wall_seconds: float

    @property
    def is_met(self) -> bool:
        """Whether the run came to where it was to end; without an end of its own it always did."""
        return self.until is None or self.run.stopped in ("until", "interrupted")


def run_whole(
    program: Program,
    *,
    until: str | None = None,
    length: str | None = None,
    calls: Sequence[str] = (),
    watch: Sequence[str] = (),
    engine: str = "auto",
    signals: Path | None = None,
    pins: bool = False,
    progress: CycleProgress | None = None,
    sent: Sent | None = None,
) -> Ran:
    """Runs a program from reset, for a `length` as "20ms" or "16000000" (cycles): one second unless told otherwise.

    `signals` is a file of what comes from outside; with `pins` all pins are recorded. Ctrl-C ends the run with what
    there is. Raises what `Firmware.run` raises, and ArgumentError for files without a `main`, and where neither a
    length in cycles nor a clock is known.
    """
    firmware = program.firmware
    if not program.has_own_main:
        files = ", ".join(map(str, program.files))
        raise ArgumentError(f"{files}: there is no main, so there is no program to run; give all files of the program")
    is_counted = until is not None and until.startswith("cycles:")
    cycles: Cycles | None = None
    if length is not None or not is_counted:
        if length is None and firmware.clock is None:
            raise ArgumentError(
                "how long? One second cannot be told in cycles, as no clock is known; give the clock, for example "
                "--clock 16MHz, or a length in cycles, --for 16000000"
            )
        cycles = parse_duration(ONE_SECOND if length is None else length, firmware.clock)
    began = time.perf_counter()
    run = firmware.run(
        until,
        cycles,
        calls,
        watch,
        engine,
        pins=pins,
        signals=signals,
        progress=progress,
        sent=sent,
        keeps_interrupted=True,
    )
    return Ran(program, run, until, cycles, time.perf_counter() - began)
