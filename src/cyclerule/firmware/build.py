"""Builds sources to a linked image with the real compiler, and adds nothing that would change the code."""

import os
import time
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from cyclerule.cache import cache_folder
from cyclerule.errors import BuildError
from cyclerule.firmware.clock import ClockFound, conflicts
from cyclerule.firmware.compiling import DEBUG, Compiling, clock_noted, own_words
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.flags import read_flags
from cyclerule.firmware.image import Image
from cyclerule.firmware.kept import KeptUnit, kept_units
from cyclerule.firmware.linking import check_size, link, link_arguments
from cyclerule.firmware.object_cache import ObjectCache, Product
from cyclerule.firmware.sources import Source, read_sources
from cyclerule.firmware.statement_text import FILE
from cyclerule.firmware.statements import IMAGE_KIND, TABLE, StatementsUnit
from cyclerule.toolchain import Toolchain
from cyclerule.units import parse_clock


@dataclass(frozen=True)
class BuildRecord:
    """How an image was built.

    `flags` are all that change code, in order, as one would type them. `commands` repeat the build; a source "-" stands
    for a text of `generated`, in the same order. `warnings` are those about clocks, then the compiler's, a text for
    each source. `clocks` are the F_CPU that sources define themselves. `has_own_main` is False where a main that does
    nothing stands in. `compiled` names the sources that were compiled this time, not taken from the cache; `linked`
    says the same of the program.
    """

    compiler: str
    flags: tuple[str, ...]
    commands: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]
    clocks: tuple[ClockFound, ...]
    has_own_main: bool
    kept: tuple[str, ...]
    generated: tuple[str, ...]
    compiled: tuple[str, ...]
    linked: bool
    began: float = 0.0
    """When the build began, in seconds of the system's clock: sources that were written later are others."""


@dataclass(frozen=True)
class BuiltImage(Image):
    """An image together with the record of its build; its path is a name for messages, not a file."""

    build: BuildRecord = field(kw_only=True, compare=False)


def build_image(
    sources: Iterable[str | Path],
    *,
    toolchain: Toolchain,
    part_name: str,
    clock: str | int | None = None,
    optimize: str = "s",
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    keep: Sequence[str] = (),
    asked: Sequence[str] = (),
    include_dirs: Iterable[str | Path] = (),
    cache: bool = True,
    statements: StatementsUnit | None = None,
) -> BuiltImage:
    """Compiles and links C, C++, assembly, objects and libraries for a part.

    `clock` defines F_CPU; without one nothing does. `keep` names functions that are to stand by themselves even where
    the compiler would inline or drop them (see `kept.kept_units`); the image is then a kept copy. `asked` are link
    symbols of functions that link-time optimization or --gc-sections is to leave in though nothing calls them. Where
    nothing defines `main`, one that does nothing stands in. `statements` is a unit that takes the place of its source,
    or comes before the sources where it has none. With `cache`, what did not change since an earlier build is
    neither compiled nor linked again. Paths are as the compiler takes them, from the working folder; nothing is
    written there.

    Raises ArgumentError for files and settings that do not fit, UnknownName for a part or a kept function that does not
    exist, BuildError with the compiler's own words when it refuses, and when the program is too large for the part.
    """
    began = time.time()
    given = _with_statements(sources, statements)
    compiling = compiling_with(
        toolchain, part_name, clock, optimize, flags=flags, defines=defines, include_dirs=include_dirs, cache=cache
    )
    keep = tuple(dict.fromkeys(keep))
    units = kept_units(compiling, given, keep) if keep else {}
    drops = compiling.flags.drops_unused
    if statements is not None:
        path = (statements.source or given[0]).path
        text = statements.text + (statements.table if drops else "")
        if path in units:
            # What is kept of the same file has it included already.
            text = units[path].text + text.partition("\n")[2]
        kept = units.get(path, KeptUnit("", ()))
        units[path] = KeptUnit(text, (*kept.undefined, TABLE), kept.options)
    products = _compile_all(compiling, given, units)
    undefined = [*(name for unit in units.values() for name in unit.undefined), *dict.fromkeys(asked)] if drops else []
    linked = link(compiling, list(zip(given, products, strict=True)), undefined)
    image = read_elf(f"{given[0].path.stem}.elf", linked.product.data)
    check_size(compiling, image)
    clocks = tuple(dict.fromkeys(c for product in products if (c := clock_noted(product.notes)) is not None))
    said = [own_words(str(product.notes.get("messages", ""))) for product in (*products, linked.product)]
    record = BuildRecord(
        compiler=toolchain.version,
        flags=(*compiling.head, *compiling.flags.listed, DEBUG),
        commands=_commands(compiling, given, units, undefined),
        warnings=(*conflicts(clocks, compiling.clock), *filter(None, said)),
        clocks=clocks,
        has_own_main=linked.has_own_main,
        kept=keep,
        generated=tuple(unit.text for unit in units.values()),
        compiled=tuple(s.name for s, product in zip(given, products, strict=True) if product.was_made),
        linked=linked.product.was_made,
        began=began,
    )
    image = replace(
        image,
        part=image.part or part_name,
        kind=IMAGE_KIND if statements else "kept copy" if keep else "as built",
        compiler=toolchain.version,
        flags=compiling.flags.listed,
    )
    return BuiltImage(**{f.name: getattr(image, f.name) for f in fields(image) if f.init}, build=record)


def compiling_with(
    toolchain: Toolchain,
    part_name: str,
    clock: str | int | None,
    optimize: str,
    *,
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    include_dirs: Iterable[str | Path] = (),
    cache: bool = True,
) -> Compiling:
    """Gives the settings of a build as what compiles one source; errors as `read_flags` and `parse_clock`."""
    return Compiling(
        toolchain,
        part_name,
        parse_clock(clock),
        read_flags(optimize, flags, defines or {}, include_dirs),
        ObjectCache(cache_folder("objects") if cache else None),
    )


def clock_in_sources(
    sources: Iterable[str | Path],
    *,
    toolchain: Toolchain,
    part_name: str,
    clock: str | int | None = None,
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    include_dirs: Iterable[str | Path] = (),
) -> tuple[ClockFound, ...]:
    """Finds the F_CPU that each source defines itself, as the preprocessor sees it when `clock` is asked for.

    One that gives way to a definition from outside (#ifndef F_CPU) is found only without a clock. A source that cannot
    be preprocessed has none. Errors as `build_image`, those of the compiler aside.
    """
    given = read_sources(sources)
    settings = read_flags("s", flags, defines or {}, include_dirs)
    compiling = Compiling(toolchain, part_name, parse_clock(clock), settings, ObjectCache(None))
    found = [compiling.own_clock(source) for source in given if source.is_compiled]
    return tuple(dict.fromkeys(one for one in found if one is not None))


def _with_statements(sources: Iterable[str | Path], statements: StatementsUnit | None) -> tuple[Source, ...]:
    if statements is None or statements.source is not None:
        return read_sources(sources)
    own = Source(Path(FILE), statements.language, is_generated=True)
    others = list(sources)
    return (own, *(read_sources(others) if others else ()))


def _compile_all(compiling: Compiling, sources: Sequence[Source], units: Mapping[Path, KeptUnit]) -> list[Product]:
    def compile_one(source: Source) -> Product | BuildError:
        unit = units.get(source.path)
        try:
            if unit is None:
                return compiling.compile(source)
            return compiling.compile(source, unit.text, unit.options)
        except BuildError as error:
            return error

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        done = list(pool.map(compile_one, sources))
    refused = [one for one in done if isinstance(one, BuildError)]
    if refused:
        # What is wrong with all of them at once, as a user who mends them wants it.
        raise BuildError("\n".join(dict.fromkeys(map(str, refused))), command=refused[0].command)
    return [one for one in done if isinstance(one, Product)]


def _commands(
    compiling: Compiling, sources: Sequence[Source], units: Mapping[Path, KeptUnit], undefined: Sequence[str]
) -> tuple[tuple[str, ...], ...]:
    """Gives the commands that repeat the build by hand, without what serves messages and the cache only."""
    commands: list[tuple[str, ...]] = []
    objects = []
    stems = [source.path.stem for source in sources]
    for number, source in enumerate(sources):
        if not source.is_compiled:
            objects.append(source.name)
            continue
        # Two folders may each have a source of that name.
        distinction = f"-{number}" if stems.count(source.path.stem) > 1 else ""
        objects.append(f"{source.path.stem}{distinction}.o")
        language = "c++" if source.language == "C++" else "c"
        text = (*units[source.path].options, "-x", language, "-") if source.path in units else (source.name,)
        tool = "avr-g++" if source.language == "C++" else "avr-gcc"
        commands.append((tool, "-c", *compiling.options(source), "-o", objects[-1], *text))
    before, after = link_arguments(compiling, undefined)
    return (*commands, ("avr-gcc", *before, *objects, *after, "-lm", "-o", f"{sources[0].path.stem}.elf"))
