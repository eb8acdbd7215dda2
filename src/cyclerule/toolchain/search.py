"""Finding an avr-gcc: named by the user, on PATH, or unpacked in a folder where applications keep such things."""

import os
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from cyclerule.errors import BuildError, CompilerMissing
from cyclerule.toolchain.compiler import EXECUTABLE_SUFFIX, Toolchain, start

ENVIRONMENT_NAME = "CYCLERULE_TOOLCHAIN"
_COMPILER = f"avr-gcc{EXECUTABLE_SUFFIX}"
_NAMES = "avr-gcc itself, its bin folder or the folder that holds bin"
_INSTALL = (
    "install one: `apt install gcc-avr avr-libc binutils-avr` on Debian and Ubuntu; elsewhere unpack an avr-gcc "
    "toolchain and put its bin folder on PATH"
)
# Below a folder that keeps applications' data: the application (or toolchain) first, then how deep toolchains lie in
# it. Common practice, no source: package managers of development environments use packages/ and tools/, with a
# vendor, a name and a version.
_PATTERNS = (
    "{any}/bin",
    "{any}/*/bin",
    "{any}/packages/*/bin",
    "{any}/packages/*/tools/*/*/bin",
    "{any}/tools/*/*/bin",
    "{any}/toolchains/*/bin",
    "{any}/hardware/tools/*/bin",
)


def find(explicit: str | os.PathLike[str] | None = None) -> Toolchain:
    """Finds the toolchain: `explicit`, else the environment's CYCLERULE_TOOLCHAIN, else PATH, else an unpacked one.

    A named place is an avr-gcc, its bin folder or the folder that holds bin; when it has no compiler, no other place
    is looked at. Of unpacked ones the newest version is taken. Raises CompilerMissing, which says where it looked.
    """
    if explicit is not None and str(explicit):
        return _opened(_named(Path(explicit), "named"))
    chosen = os.environ.get(ENVIRONMENT_NAME, "")
    if chosen:
        return _opened(_named(Path(chosen), f"named by {ENVIRONMENT_NAME}"))
    on_path = shutil.which("avr-gcc")
    if on_path:
        return _opened(Path(on_path).absolute())
    unpacked = [toolchain for compiler in unpacked_compilers() if (toolchain := _opened_or_none(compiler))]
    if unpacked:
        return max(unpacked, key=_version_numbers)
    places = ", ".join(str(place) for place, _ in application_folders())
    raise CompilerMissing(
        f"no avr-gcc was found: none on PATH, {ENVIRONMENT_NAME} is not set, none unpacked below {places}; {_INSTALL}, "
        f"or set {ENVIRONMENT_NAME} to the {_NAMES}"
    )


def _named(place: Path, how: str) -> Path:
    place = place.expanduser().absolute()
    if place.is_file():
        if place.name.removesuffix(".exe") == "avr-gcc":
            return place
        looked = "that file is none"
    else:
        candidates = [place / _COMPILER, place / "bin" / _COMPILER]
        for candidate in candidates:
            if candidate.is_file():
                return candidate
        looked = f"looked for {candidates[0]} and {candidates[1]}"
    raise CompilerMissing(f"no avr-gcc at {place}, the toolchain {how}: {looked}; name the {_NAMES}, or {_INSTALL}")


def unpacked_compilers() -> Iterator[Path]:
    """Gives every avr-gcc that is unpacked where applications keep tools, each once."""
    seen = set()
    for place, any_application in application_folders():
        for pattern in _PATTERNS:
            for compiler in sorted(place.glob(f"{pattern.format(any=any_application)}/{_COMPILER}")):
                real = compiler.resolve()
                if real not in seen and os.access(compiler, os.X_OK):
                    seen.add(real)
                    yield compiler


def application_folders() -> list[tuple[Path, str]]:
    """Gives the folders in which applications keep data and tools, each with the pattern of an application's folder."""
    try:
        home = Path.home()
    except RuntimeError:
        personal = []
    else:
        personal = [(home, ".*"), (home / ".local" / "share", "*"), (home / "opt", "*"), (home / "tools", "*")]
        if sys.platform == "darwin":
            personal += [(home / "Library", "*"), (home / "Library" / "Application Support", "*")]
    return [(place, pattern) for place, pattern in [*personal, *_shared_folders()] if place.is_dir()]


def _shared_folders() -> list[tuple[Path, str]]:
    if sys.platform == "win32":
        names = ("LOCALAPPDATA", "APPDATA", "PROGRAMFILES", "PROGRAMFILES(X86)", "SYSTEMDRIVE")
        return [(Path(os.environ[name] + os.sep), "*") for name in names if os.environ.get(name)]
    if sys.platform == "darwin":
        return [(Path("/Applications"), "*/Contents/*"), (Path("/opt"), "*"), (Path("/usr/local"), "*")]
    return [(Path("/opt"), "*"), (Path("/usr/local"), "*")]


def _opened(compiler: Path) -> Toolchain:
    """Asks a compiler for its version; raises CompilerMissing where it does not start or is no avr-gcc."""
    # Newer compilers shorten -dumpversion; those that do not know the first option answer the second.
    try:
        done = start([str(compiler), "-dumpfullversion", "-dumpversion"])
    except BuildError as error:
        raise CompilerMissing(f"{error}; {_INSTALL}", command=error.command) from error
    number = done.stdout.strip()
    if done.returncode != 0 or not re.fullmatch(r"\d+(\.\d+)*", number):
        said = (done.stderr or done.stdout).strip() or f"nothing, exit status {done.returncode}"
        raise CompilerMissing(
            f"{compiler} does not answer as an avr-gcc; asked for its version it said: {said}; {_INSTALL}",
            command=done.command,
        )
    return Toolchain(compiler.parent, f"avr-gcc {number}")


def _opened_or_none(compiler: Path) -> Toolchain | None:
    try:
        return _opened(compiler)
    except CompilerMissing:
        return None


def _version_numbers(toolchain: Toolchain) -> tuple[int, ...]:
    return tuple(int(number) for number in toolchain.version.removeprefix("avr-gcc ").split("."))
