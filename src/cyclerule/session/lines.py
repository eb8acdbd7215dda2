"""Lines of the unedited program, and functions that stand inside others, timed in the program's own run."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from os.path import normpath
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.firmware.build import BuiltImage
from cyclerule.firmware.image import Image
from cyclerule.firmware.loops import Loop, read_loops
from cyclerule.firmware.standing import Standing
from cyclerule.measure.frames import find_lines
from cyclerule.measure.pass_results import LinesRun
from cyclerule.measure.passes import MOST_PASSES, run_passes
from cyclerule.measure.results import Measured
from cyclerule.measure.slices import CycleProgress
from cyclerule.measure.stage import Stage
from cyclerule.measure.stretch import Stretch, stretches_in_place, stretches_of_lines
from cyclerule.measure.until import Until
from cyclerule.toolchain import Toolchain

_LINES = re.compile(r"(?P<file>.+):(?P<first>\d+)(?:-(?P<last>\d+))?")

ASSEMBLY = (".S", ".s", ".asm", ".sx")
"""Suffixes of files without loop statements."""


def read_lines(text: str) -> tuple[str, int, int]:
    """Reads "hive.c:41-48" or "hive.c:41"; raises ArgumentError for another form."""
    match = _LINES.fullmatch(text)
    if match is None:
        raise ArgumentError(f"{text!r} names no lines; write them as hive.c:41-48, or as hive.c:41 for one")
    return match["file"], int(match["first"]), int(match["last"] or match["first"])


@dataclass(frozen=True)
class ProgramRun:
    """A run of the whole program that is to be made: from reset on a fresh stage, until an end."""

    image: Image
    toolchain: Toolchain | None
    stage: Stage
    measured: Measured
    until: Until
    max_cycles: int
    max_passes: int | None
    progress: CycleProgress | None = None
    _texts: dict[tuple[str, ...], Mapping[str, Sequence[Loop]]] = field(default_factory=dict)

    def time_lines(self, text: str) -> LinesRun:
        """Times the passes through lines that a text names; see `Firmware.time_lines`."""
        lines = find_lines(self.image, *read_lines(text))
        return self._timed(str(lines), stretches_of_lines(self.image, self.stage.chip, lines, self._loops))

    def time_in_place(self, name: str, standing: Standing) -> LinesRun:
        """Times a function where its body stands inside others or as clones; see `Firmware.time_in_place`."""
        stretches = stretches_in_place(self.image, self.stage.chip, standing, self._loops)
        if not stretches:
            raise ArgumentError(f"{name} is inlined nowhere in {self.image.path}, and has no clones there")
        return self._timed(name, stretches)

    def _timed(self, what: str, stretches: Sequence[Stretch]) -> LinesRun:
        if self.max_passes is not None and self.max_passes <= 0:
            raise ArgumentError(
                f"max_passes={self.max_passes}: give a number above 0, or leave it out for {MOST_PASSES:,}"
            )
        if isinstance(self.image, BuiltImage) and not self.image.build.has_own_main:
            raise ArgumentError(
                f"{what}: the files have no main, so the program's own run comes to nothing of theirs; give all files "
                "of the program"
            )
        return run_passes(
            self.stage,
            replace(self.measured, function=what),
            what,
            stretches,
            self.until,
            max_cycles=self.max_cycles,
            max_passes=MOST_PASSES if self.max_passes is None else self.max_passes,
            progress=self.progress,
        )

    def _loops(self, file: str) -> Sequence[Loop] | None:
        """Gives the loop statements of a file that code is from: as the preprocessor sees it, else as it is written."""
        if Path(file).suffix in ASSEMBLY:
            return ()
        place = Path(self.image.lines.paths.get(file, file))
        try:
            # What was written after the program was built is not what it was built from.
            if place.stat().st_mtime > self._built:
                return None
            text = place.read_text("utf-8", "replace")
        except OSError:
            return None
        if isinstance(self.image, BuiltImage):
            for command in self.image.build.commands:
                if command[1] == "-c" and command[-1] != "-":
                    for name, found in self._preprocessed(command).items():
                        if normpath(name) == normpath(file):
                            return found
        return read_loops(text, file).get(file, ())

    @property
    def _built(self) -> float:
        """When the program was built, in seconds of the system's clock."""
        return self.image.build.began if isinstance(self.image, BuiltImage) else self.image.path.stat().st_mtime

    def _preprocessed(self, command: tuple[str, ...]) -> Mapping[str, Sequence[Loop]]:
        if command not in self._texts:
            tool, _, *options = command
            place = options.index("-o")
            del options[place : place + 2]
            found: Mapping[str, Sequence[Loop]] = {}
            if self.toolchain is not None:
                done = self.toolchain.run("g++" if tool == "avr-g++" else "gcc", ["-E", *options])
                found = read_loops(done.stdout, "") if done.returncode == 0 else {}
            self._texts[command] = found
        return self._texts[command]
