"""What can be built: the files a user gives, by their language."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from cyclerule.errors import ArgumentError

Language = Literal["C", "C++", "assembly", "object", "library"]

# The suffixes that the compiler itself knows (GCC manual, "Overall Options"), and .asm.
_LANGUAGES: dict[str, Language] = {
    **dict.fromkeys((".c", ".i"), "C"),
    **dict.fromkeys((".cpp", ".cc", ".cxx", ".C", ".c++", ".cp", ".CPP", ".ii"), "C++"),
    **dict.fromkeys((".S", ".sx", ".s", ".asm"), "assembly"),
    **dict.fromkeys((".o", ".obj"), "object"),
    ".a": "library",
}
_HEADERS = (".h", ".hh", ".hpp", ".hxx", ".h++", ".H", ".inc")
_PROGRAM_TABS = (".ino", ".pde")
_LINKED = (".elf", ".hex", ".ihex", ".ihx", ".out")
_KNOWN = "C (.c), C++ (.cpp .cc .cxx .C), assembly (.S .s .asm), objects (.o) and libraries (.a)"


@dataclass(frozen=True)
class Source:
    """A file to build, under the name the user gave it; one that `is_generated` is a name only, its text a unit."""

    path: Path
    language: Language
    is_generated: bool = False

    @property
    def name(self) -> str:
        """The path as the compiler and its messages have it; one that looks like a flag begins with "./"."""
        text = str(self.path)
        return f"./{text}" if text.startswith("-") else text

    @property
    def is_compiled(self) -> bool:
        """Whether it is source text."""
        return self.language in ("C", "C++", "assembly")


def read_sources(paths: Iterable[str | Path]) -> tuple[Source, ...]:
    """Sorts files by their language, each once; nothing is compiled yet.

    Raises ArgumentError for a file that is not there, a folder, or a file of another kind.
    """
    found: dict[Path, Source] = {}
    for given in paths:
        path = Path(given)
        if path.is_dir():
            raise ArgumentError(f"{path} is a folder; give the source files in it")
        if not path.is_file():
            raise ArgumentError(f"source file {path} does not exist")
        found.setdefault(path.resolve(), Source(path, _language(path)))
    if not found:
        raise ArgumentError(f"there is nothing to build; give files: {_KNOWN}")
    return tuple(found.values())


def _language(path: Path) -> Language:
    suffix = path.suffix
    language = _LANGUAGES.get(suffix) or _LANGUAGES.get(suffix.lower())
    if language is not None:
        return language
    if suffix in _HEADERS:
        raise ArgumentError(f"{path} is a header; give the source file that includes it")
    if suffix.lower() in _PROGRAM_TABS:
        raise ArgumentError(f"{path} belongs to a setup()/loop() program; give the program's folder")
    if suffix.lower() in _LINKED:
        raise ArgumentError(f"{path} is linked already; load it instead of building it")
    kind = f"files ending in {suffix}" if suffix else "files without a suffix"
    raise ArgumentError(f"{path}: {kind} are not built; known are {_KNOWN}")
