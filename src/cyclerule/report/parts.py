"""The view of the parts that a toolchain can build for."""

from collections.abc import Sequence
from dataclasses import dataclass

from cyclerule.errors import UnknownName
from cyclerule.machine.chip import MODELLED_FAMILIES
from cyclerule.parts.part import PartSummary
from cyclerule.report.wording import counted
from cyclerule.toolchain import Toolchain


@dataclass(frozen=True)
class PartView:
    """One part; sizes are None where the toolchain has no device header for it. `problem` says why it is of no use."""

    name: str
    family: str
    flash_bytes: int | None
    ram_bytes: int | None
    eeprom_bytes: int | None
    problem: str | None


@dataclass(frozen=True)
class PartsView:
    """The parts of a toolchain whose name contains what was asked for, all without that."""

    compiler: str
    directory: str
    asked: str
    parts: list[PartView]


def view_parts(toolchain: Toolchain, parts: Sequence[PartSummary], asked: str = "") -> PartsView:
    """Makes the view of a toolchain's parts; raises UnknownName when none has the asked word in its name."""
    wanted = [part for part in parts if asked.lower() in part.name]
    if not wanted:
        raise UnknownName("part", asked, [part.name for part in parts], hint="`cyclerule parts` lists all")
    return PartsView(toolchain.version, str(toolchain.directory), asked, [_view(part) for part in wanted])


def parts_sentence(view: PartsView) -> str:
    """Says in words how many parts there are."""
    usable = sum(each.problem is None for each in view.parts)
    named = f" whose name has {view.asked!r} in it" if view.asked else ""
    text = f"{view.compiler} knows {counted(len(view.parts), 'part')}{named}"
    return text if usable == len(view.parts) else f"{text}; code for {usable:,} of them can be timed"


def _view(part: PartSummary) -> PartView:
    problem = None
    if part.flash_bytes is None:
        problem = "no device header"
    elif not part.has_startup:
        problem = "no start-up file"
    elif part.family not in MODELLED_FAMILIES:
        problem = "CPU not modelled yet"
    elif part.assembler_only:
        problem = "assembly only"
    return PartView(part.name, part.family, part.flash_bytes, part.ram_bytes, part.eeprom_bytes, problem)
