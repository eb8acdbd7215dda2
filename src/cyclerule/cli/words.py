"""The words of a command: which are files, which functions, which domains."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import ArgumentError

_ASSIGNMENT = re.compile(r"(?P<name>[A-Za-z_$][\w$.]*|\d+)=(?P<text>.*)", re.DOTALL)
_SETTING = re.compile(r"(?P<name>[^=\s]+)=(?P<text>.*)", re.DOTALL)
# "crc8.part.0" and "crc8.cold" are names that the compiler gives to parts of functions.
_FILE_LIKE = re.compile(r"[^:]*\.(?!cold)[a-z]\w{0,3}(\+\+)?(:\d+(-\d+)?)?|.*[/\\].*", re.IGNORECASE)

_LINES = re.compile(r"(?P<file>[^@]*\.[^@]*):(?P<lines>\d+(?:-\d+)?)")


@dataclass(frozen=True)
class Words:
    """What a command's words are; a function has the file it is from, where that was given behind an @."""

    files: tuple[Path, ...]
    functions: tuple[tuple[str, Path | None], ...]
    assignments: dict[str, str]
    lines: tuple[tuple[str, str], ...] = ()
    """A file as it was written, and lines of it, "41-48" or "41"."""


def sort_words(words: Iterable[str]) -> Words:
    """Sorts words: one with `=` is a domain, an existing path a file, another one a function.

    Raises ArgumentError for a word that looks like a file that is not there, and for a name given twice.
    """
    files: list[Path] = []
    functions: list[tuple[str, Path | None]] = []
    assigned: list[str] = []
    lines: list[tuple[str, str]] = []
    for word in words:
        function, at, place = word.partition("@")
        if _ASSIGNMENT.fullmatch(word):
            assigned.append(word)
        elif Path(word).exists():
            files.append(Path(word))
        elif at and function and _FILE_LIKE.fullmatch(place):
            if not Path(place).is_file():
                raise ArgumentError(f"{word}: there is no file {place}{nearest_file(place)}")
            files.append(Path(place))
            functions.append((function, Path(place)))
        elif (placed := _LINES.fullmatch(word)) is not None:
            lines.append((placed["file"], placed["lines"]))
        elif _FILE_LIKE.fullmatch(word):
            raise ArgumentError(f"there is no file {word}{nearest_file(word)}")
        else:
            functions.append((word, None))
    return Words(tuple(dict.fromkeys(files)), tuple(functions), read_assignments("", assigned), tuple(lines))


def read_assignments(option: str, words: Iterable[str]) -> dict[str, str]:
    """Reads words of the form name=text; raises ArgumentError for another form and for a name given twice.

    Behind an option the name may be a part of something: "cfg.gain", "table[3]", "scale.c:mode", "hive::mode".
    """
    found: dict[str, str] = {}
    for word in words:
        match = (_SETTING if option else _ASSIGNMENT).fullmatch(word)
        if match is None:
            raise ArgumentError(f"{option} {word}: write it as name=value")
        if match["name"] in found:
            raise ArgumentError(f"{match['name']}= is given twice; give all its values at once, as in 1,5,9")
        found[match["name"]] = match["text"]
    return found


def one_function(command: str, words: Words) -> tuple[str, Path | None]:
    """Gives the one function that a command is about; raises ArgumentError when there is none or several."""
    if not words.functions:
        listing = " ".join(["cyclerule", *map(str, words.files)])
        raise ArgumentError(f"which function? give its name behind the files; `{listing}` lists those that are there")
    if len(words.functions) > 1:
        named = ", ".join(name for name, _ in words.functions)
        folder = next((path for path in words.files if path.is_dir()), None)
        hint = "" if folder is None else f" ({folder} is a folder)"
        raise ArgumentError(f"{command} takes one function, but there are {len(words.functions)}: {named}{hint}")
    return words.functions[0]


def program_files(command: str, words: Words) -> tuple[Path, ...]:
    """Gives the files of a command that is about a whole program; raises ArgumentError for other words."""
    if words.assignments:
        name, text = next(iter(words.assignments.items()))
        raise ArgumentError(f"{command} takes a whole program, and no values such as {name}={text}")
    if words.functions:
        word = words.functions[0][0]
        raise ArgumentError(
            f"there is no file {word}; {command} takes the files of a whole program. If it is a function whose calls "
            f"are to be timed: --calls {word}"
        )
    return words.files


def lines_to_time(words: Words) -> tuple[str, str]:
    """Gives the one stretch of lines that is to be timed; raises ArgumentError for words that do not go with lines."""
    listed = [f"{file}:{lines}" for file, lines in words.lines]
    if len(listed) > 1:
        raise ArgumentError(f"time takes the lines of one place, but there are {len(listed)}: {', '.join(listed)}")
    if words.functions:
        raise ArgumentError(
            f"{listed[0]} and {words.functions[0][0]}: give lines or a function, not both; lines are timed in the "
            "program's own run"
        )
    if words.assignments:
        name = next(iter(words.assignments))
        raise ArgumentError(
            f"{name}= is for a function: lines are timed in the program's own run, with the values that it has there"
        )
    return words.lines[0]


def nearest_file(word: str) -> str:
    """Gives what to say of a file that is not there: files of nearly that name, or that its folder is not there."""
    from difflib import get_close_matches

    path = Path(word)
    if not path.parent.is_dir():
        return f"; there is no folder {path.parent}"
    names = sorted(each.name for each in path.parent.iterdir() if each.is_file())
    near = get_close_matches(path.name, names, n=3, cutoff=0.6)
    return "; nearest: " + ", ".join(str(path.parent / name) for name in near) if near else ""


def only_files(words: Words) -> tuple[Path, ...]:
    """Gives the files of a listing; raises ArgumentError for other words, with the nearest command."""
    from difflib import get_close_matches

    from cyclerule.cli.overview import COMMANDS

    if words.assignments:
        name, text = next(iter(words.assignments.items()))
        raise ArgumentError(f"{name}={text} is for a function: cyclerule time FILE… FUNCTION {name}={text}")
    if words.functions:
        word = words.functions[0][0]
        if word in COMMANDS:
            raise ArgumentError(f"{word} is a command; it comes first: cyclerule {word} …")
        near = get_close_matches(word, COMMANDS, n=1, cutoff=0.6)
        if near:
            raise ArgumentError(f"{word} is neither a command nor a file; nearest command: {near[0]}")
        files = " ".join(map(str, words.files)) or "FILE…"
        raise ArgumentError(
            f"{word} is neither a command nor a file; if it is a function: cyclerule time {files} {word}"
        )
    return words.files
