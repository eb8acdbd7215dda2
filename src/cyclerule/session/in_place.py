"""A function that does not stand by itself, timed where it stands in the program's own run."""

from pathlib import Path

from cyclerule.firmware.standing import Standing
from cyclerule.measure.pass_results import LinesRun
from cyclerule.measure.slices import CycleProgress
from cyclerule.session.opening import Program
from cyclerule.units import parse_duration

IN_PLACE_PASSES = 1_000
"""Passes after which the run ends unless another number is asked for; the kept copy tells of all inputs."""


def run_in_place(
    program: Program,
    name: str,
    standing: Standing,
    *,
    length: str | None = None,
    until: str | None = None,
    max_passes: int | None = None,
    engine: str = "auto",
    signals: Path | None = None,
    progress: CycleProgress | None = None,
) -> LinesRun | None:
    """Runs the program from reset and times a function where it is inlined and as clones.

    `length` is a time, "20ms", or a count of cycles, one second unless given, `signals` a file of what comes from
    outside. None where it stands by itself or nowhere, and where the files have no main, so that nothing of theirs
    runs. Raises what `Firmware.time_in_place` raises.
    """
    if standing.kind not in ("inlined", "cloned") or not program.has_own_main:
        return None
    firmware = program.firmware
    return firmware.time_in_place(
        standing.key or name,
        until=until,
        max_cycles=None if length is None else parse_duration(length, firmware.clock),
        max_passes=IN_PLACE_PASSES if max_passes is None else max_passes,
        engine=engine,
        signals=signals,
        progress=progress,
    )
