"""Opening what a user names: sources to build or a linked file, with the settings of the project."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.firmware.image import Function
from cyclerule.project.settings import COMMON_PARTS, Settings
from cyclerule.session.firmware import Firmware, build, load

LINKED = (".elf", ".hex", ".ihex", ".ihx", ".out")
"""Suffixes of linked programs."""


@dataclass
class Program:
    """What a user named: files, settings and prototypes, and the firmware made of them.

    `firmware` is as built; `apart` gives one that has a function standing by itself.
    """

    files: tuple[Path, ...]
    settings: Settings
    prototypes: tuple[str, ...]
    firmware: Firmware
    _apart: dict[tuple[str, ...], Firmware] = field(default_factory=dict)

    @property
    def is_linked_file(self) -> bool:
        """Whether it is an ELF or HEX file, that cannot be built again."""
        return _is_linked(self.files)

    def find(self, name: str) -> Function:
        """Gives a function by name; UnknownName with the nearest."""
        return self.firmware.find_function(name)

    def firmware_for(self, name: str, *, apart: bool = False) -> Firmware:
        """Gives the firmware to measure a function in: as built where it stands by itself there, else a kept copy.

        With `apart` it is a kept copy in any case. Raises ArgumentError when that needs a build and there is
        only a linked file.
        """
        function = self.find(name)
        if function.address is not None and not apart:
            return self.firmware
        if self.is_linked_file:
            if apart:
                raise ArgumentError(
                    f"{self.files[0]} is linked already, and a kept copy needs a build of its own; give the sources"
                )
            return self.firmware
        key = (function.source_name,)
        if key not in self._apart:
            self._apart[key] = _open(self.files, self.settings, self.prototypes, keep=key)
        return self._apart[key]


def open_program(files: Sequence[Path], settings: Settings, prototypes: Sequence[str] = ()) -> Program:
    """Builds or loads what the files are; without any, the sources that the settings name.

    Raises what `build` and `load` raise, ArgumentError without files, without a part, and for linked files and
    sources together.
    """
    chosen = tuple(files) or settings.sources
    if not chosen:
        raise ArgumentError("there is no file to look at; give source files, an ELF or a HEX file")
    return Program(chosen, settings, tuple(prototypes), _open(chosen, settings, prototypes))


def _is_linked(files: Sequence[Path]) -> bool:
    return any(path.suffix.lower() in LINKED for path in files)


def _open(files: Sequence[Path], settings: Settings, prototypes: Sequence[str], keep: Sequence[str] = ()) -> Firmware:
    if _is_linked(files):
        if len(files) > 1:
            linked = next(path for path in files if path.suffix.lower() in LINKED)
            raise ArgumentError(f"{linked} is linked already; give it alone, or only sources")
        try:
            firmware = load(files[0], part=settings.part, clock=settings.clock)
        except ArgumentError as error:
            if settings.part is None and "which part" in str(error):
                raise ArgumentError(f"{files[0]} does not say which part it is for. {how_to_give_part()}") from None
            raise
    else:
        if settings.part is None:
            raise ArgumentError(f"no part is given, so nothing can be built. {how_to_give_part()}")
        firmware = build(
            files,
            part=settings.part,
            clock=settings.clock,
            optimize=settings.optimize,
            flags=settings.flags,
            defines=settings.defines,
            keep=keep,
            toolchain=settings.toolchain,
        )
    for prototype in prototypes:
        firmware.declare(prototype)
    return firmware


def how_to_give_part() -> str:
    """Says how to give a part, with the most common ones."""
    return (
        f"Say which microcontroller it is for: --part {COMMON_PARTS[0]} "
        f"(others often met: {', '.join(COMMON_PARTS[1:])}; `cyclerule parts` lists all), "
        'or CYCLERULE_PART in the environment, or part = "…" in cyclerule.toml'
    )
