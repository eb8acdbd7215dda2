"""Loading a part by its name, and listing all of a toolchain's, both kept in the user's cache."""

import contextlib
import hashlib
import os
import re
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, TypeVar

import msgspec

from cyclerule.cache import cache_folder, write_atomically
from cyclerule.errors import BuildError, UnknownName
from cyclerule.parts.header import architecture, family, is_described, read_memory, read_part
from cyclerule.parts.part import Part, PartSummary
from cyclerule.toolchain import Toolchain

# To be raised with every change to what is read from a header or how it is written to the cache.
_SCHEMA = 2
_NAME = re.compile(r"[a-z][a-z0-9]*")


class Stamp(NamedTuple):
    """A file or folder that something was read from, as it was then."""

    path: str
    changed_ns: int
    size_bytes: int


@dataclass(frozen=True)
class _KeptPart:
    files: list[Stamp]
    part: Part


@dataclass(frozen=True)
class _KeptList:
    files: list[Stamp]
    parts: list[PartSummary]


Kept = TypeVar("Kept", _KeptPart, _KeptList)


def load_part(name: str, toolchain: Toolchain, *, cache: bool = True) -> Part:
    """Gives a part by the compiler's name for it; capitals do not matter ("ATmega328P").

    With `cache` it is taken from the user's cache where the compiler and the headers are still the same files.
    Raises UnknownName for a part the compiler does not know, BuildError for one it has no device header for.
    """
    name = name.lower()
    if not _NAME.fullmatch(name):
        toolchain.check_part(name)
    path = _cache_file(f"{name}-", toolchain)
    if cache:
        kept = _kept(path, _KeptPart)
        if kept is not None and kept.part.name == name:
            return kept.part
    definitions = toolchain.definitions(name)
    macros = {definition.name: definition.text for definition in definitions}
    if not is_described(macros):
        toolchain.check_part(name)  # the compiler takes its own families' names too
        raise toolchain.missing_pack(name, "no device header")
    try:
        part = read_part(name, definitions, lambda: toolchain.data_start(name))
    except ValueError as error:
        raise BuildError(f"the device header of {name} in {toolchain.version} is not understood: {error}") from error
    if cache:
        with contextlib.suppress(OSError):  # a cache that cannot be written costs time only
            _keep(path, _KeptPart(_stamps(definition.file for definition in definitions), part))
    return part


def list_parts(toolchain: Toolchain, *, cache: bool = True) -> list[PartSummary]:
    """Gives every part that the compiler knows, by name, those without a device header or start-up file too."""
    path = _cache_file("", toolchain)
    if cache:
        kept = _kept(path, _KeptList)
        if kept is not None:
            return kept.parts
    startups = toolchain.startup_names()
    # The compiler does the work in processes of its own, so threads are enough to use every core.
    with ThreadPoolExecutor(max_workers=(os.cpu_count() or 1) + 1) as threads:
        found = list(threads.map(lambda name: _summary(name, toolchain, startups), toolchain.part_names()))
    summaries = [summary for summary, _ in found if summary is not None]
    # Without any header there is no C library yet, and no file that would change when it comes.
    if cache and any(summary.flash_bytes is not None for summary in summaries):
        files = {file for _, files in found for file in files} | _pack_folders(toolchain)
        with contextlib.suppress(OSError):
            _keep(path, _KeptList(_stamps(files), summaries))
    return summaries


def _summary(name: str, toolchain: Toolchain, startups: frozenset[str]) -> tuple[PartSummary | None, set[str]]:
    """Gives a part's summary, None where the compiler refuses its name after all, and the files it was read from."""
    for headers in (("avr/io.h",), ()):  # where there is no avr/io.h the compiler still knows the CPU
        with contextlib.suppress(BuildError, UnknownName):
            definitions = toolchain.definitions(name, headers)
            break
    else:
        return None, set()
    macros = {definition.name: definition.text for definition in definitions}
    try:
        memory = read_memory(macros, lambda: toolchain.data_start(name))
    except ValueError:
        memory = None
    summary = PartSummary(
        name=name,
        family=family(name, macros),
        architecture=architecture(macros),
        flash_bytes=memory.flash_bytes if memory else None,
        ram_bytes=memory.ram_end - memory.ram_start + 1 if memory else None,
        eeprom_bytes=memory.eeprom_bytes if memory else None,
        has_startup=name in startups or toolchain.has_startup(name),
        assembler_only="__AVR_ASM_ONLY__" in macros,
    )
    return summary, {definition.file for definition in definitions}


def _pack_folders(toolchain: Toolchain) -> set[str]:
    """Gives the folders whose content changes when a device pack is added: the compiler's specs, the start-up files."""
    specs = Path(toolchain.run("gcc", ["-print-file-name=device-specs"]).stdout.strip())
    library = Path(toolchain.run("gcc", ["-print-file-name=libc.a"]).stdout.strip()).parent
    folders = [specs, library, *(entry for entry in library.glob("*") if entry.is_dir())]
    return {str(folder) for folder in folders if folder.is_absolute()}


def _cache_file(prefix: str, toolchain: Toolchain) -> Path:
    compiler = toolchain.program("gcc").resolve()
    identity = (str(compiler), *_stamp_of(compiler), toolchain.version, _SCHEMA)
    digest = hashlib.sha256(repr(identity).encode("utf-8")).hexdigest()[:20]
    return cache_folder("parts") / f"{prefix}{digest}.json"


def _stamp_of(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_mtime_ns, status.st_size if path.is_file() else 0


def _stamps(files: Iterable[str]) -> list[Stamp]:
    # "<built-in>" and the like are no files, and the compiler is part of the cache file's name.
    return [Stamp(file, *_stamp_of(Path(file))) for file in sorted(set(files)) if Path(file).is_absolute()]


def _keep(path: Path, kept: _KeptPart | _KeptList) -> None:
    write_atomically(path, msgspec.json.encode(kept))


def _kept(path: Path, kind: type[Kept]) -> Kept | None:
    """Gives what the cache file holds; None where there is none, it is damaged, or a file it was made from changed."""
    try:
        kept = msgspec.json.decode(path.read_bytes(), type=kind)
        return kept if kept.files == _stamps(stamp.path for stamp in kept.files) else None
    except (OSError, ValueError, RecursionError):  # msgspec's errors are ValueErrors
        return None
