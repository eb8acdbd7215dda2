"""Which files of the user's own a build is made of: its sources and the headers that they include."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from cyclerule.firmware.compiling import Compiling, dependencies
from cyclerule.firmware.flags import read_flags
from cyclerule.firmware.object_cache import ObjectCache
from cyclerule.firmware.sources import read_sources
from cyclerule.toolchain import Tool, Toolchain
from cyclerule.units import parse_clock


def files_of_build(
    sources: Iterable[str | Path],
    *,
    toolchain: Toolchain,
    part_name: str,
    clock: str | int | None = None,
    optimize: str = "s",
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
) -> list[Path]:
    """Gives the sources and their headers, those of the toolchain left out, as the preprocessor lists them (-MM).

    Of a source that cannot be preprocessed, because a header is not there, it is all that is in its folder.
    """
    compiling = Compiling(
        toolchain, part_name, parse_clock(clock), read_flags(optimize, flags, defines or {}, ()), ObjectCache(None)
    )
    found: dict[Path, None] = {}
    for source in read_sources(sources):
        found[source.path] = None
        if source.is_compiled:
            tool: Tool = "g++" if source.language == "C++" else "gcc"
            done = toolchain.run(tool, [*compiling.options(source), "-MM", "-MT", "object", source.name])
            names = [Path(name) for name in dependencies(done.stdout)] if done.returncode == 0 else []
            found |= dict.fromkeys(names or files_beside([source.path]))
    return list(found)


def files_beside(paths: Iterable[Path]) -> list[Path]:
    """Gives every file in the folders of these, for when what they include is not known."""
    folders = dict.fromkeys(path.resolve().parent for path in paths)
    try:
        return [each for folder in folders for each in sorted(folder.iterdir()) if each.is_file()]
    except OSError:
        return []
