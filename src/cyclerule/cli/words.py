"""The words of a command: which are files, which functions, which domains."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import ArgumentError

_ASSIGNMENT = re.compile(r"(?P<name>[A-Za-z_$][\w$]*)=(?P<text>.*)", re.DOTALL)
_FILE_LIKE = re.compile(
    r".*\.(c|cpp|cc|cxx|c\+\+|cp|i|ii|h|hpp|s|sx|asm|o|obj|a|elf|hex|ihex|ihx|out|ino|toml)|.*[/\\].*", re.IGNORECASE
)


@dataclass(frozen=True)
class Words:
    """What a command's words are; `functions` may have the file they are from behind an @."""

    files: tuple[Path, ...]
    functions: tuple[str, ...]
    assignments: dict[str, str]


def sort_words(words: Iterable[str]) -> Words:
    """Sorts words: one with `=` is a domain, an existing path a file, another one a function.

    Raises ArgumentError for a word that looks like a file that is not there, and for a name given twice.
    """
    files: list[Path] = []
    functions: list[str] = []
    assignments: dict[str, str] = {}
    for word in words:
        match = _ASSIGNMENT.fullmatch(word)
        if match is not None:
            if match["name"] in assignments:
                raise ArgumentError(f"{match['name']}= is given twice; give all its values at once, as in 1,5,9")
            assignments[match["name"]] = match["text"]
        elif Path(word).exists():
            files.append(Path(word))
        elif "@" in word and not word.startswith("@"):
            function, _, place = word.partition("@")
            if place.startswith("git:"):
                raise ArgumentError(f"{word}: functions of an earlier revision are not available yet")
            if not Path(place).is_file():
                raise ArgumentError(f"{word}: there is no file {place}")
            files.append(Path(place))
            functions.append(function)
        elif _FILE_LIKE.fullmatch(word):
            raise ArgumentError(f"there is no file {word}{_nearest_file(word)}")
        else:
            functions.append(word)
    return Words(tuple(dict.fromkeys(files)), tuple(functions), assignments)


def _nearest_file(word: str) -> str:
    from difflib import get_close_matches

    path = Path(word)
    if not path.parent.is_dir():
        return f"; there is no folder {path.parent}"
    names = sorted(each.name for each in path.parent.iterdir() if each.is_file())
    near = get_close_matches(path.name, names, n=3, cutoff=0.6)
    return "; nearest: " + ", ".join(str(path.parent / name) for name in near) if near else ""
