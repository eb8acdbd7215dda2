"""The user's compiler flags: which step each goes to, and those that the build has to keep to itself."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import ArgumentError

LEVELS = ("0", "1", "2", "3", "s", "g", "fast")
"""Optimization levels: what may stand behind -O."""

_OWN = {
    "-c": "what is built is always linked",
    "-S": "what is built is always linked",
    "-E": "what is built is always linked",
    "-M": "what is built is always linked",
    "-MM": "what is built is always linked",
    "-r": "what is built is always linked",
    "-s": "it takes out the names that functions are found by",
    "-Wl,-s": "it takes out the names that functions are found by",
    "-Wl,--strip-all": "it takes out the names that functions are found by",
    "-Wl,-S": "it takes out the debug information that lines are found by",
    "-Wl,--strip-debug": "it takes out the debug information that lines are found by",
}
_OWN_BEGINNINGS = {
    "-mmcu": "the part is given by its own option",
    "-save-temps": "it leaves files beside the sources",
    "-x": "the language follows from the file's suffix",
    "-o": "where the image is kept is not a question of flags",
}
# Left out: another kind of debug information (-gdwarf-4 is the one that counts), and what only writes files besides
# the object (dependencies, listings, maps): makefiles are full of them.
_WITHOUT_EFFECT = re.compile(
    r"-g(\d|gdb\d?|stabs\+?\d?|coff\d?|dwarf(-\d)?)?|-MM?D|-MP|-M[FTQ].*|-Wa,-a[a-z]*=[^,]*|-Wl,-Map(=|,)[^,]*"
)
_INCLUDED = ("-include", "-imacros", "-isystem", "-iquote", "-idirafter", "-isysroot", "-iprefix")
_LINK_ONLY = ("-Wl,", "-L", "-l", "-T", "-u", "-Xlinker", "-z")
_LINK_ONLY_WORDS = ("-nostdlib", "-nostartfiles", "-nodefaultlibs", "-static")
_COMPILE_ONLY = ("-D", "-U", "-I", *_INCLUDED, "-Xassembler", "-Xpreprocessor", "-Wa,", "-Wp,", "-std=", "-ansi")
_WITH_ARGUMENT = frozenset(
    ("-D", "-U", "-I", *_INCLUDED, "-Xassembler", "-Xpreprocessor", *_LINK_ONLY[1:], "--param", "-MF", "-MT", "-MQ")
)
_C_STANDARD = re.compile(r"-std=(c|gnu|iso)\d[\w:]*|-ansi")
_CPP_STANDARD = re.compile(r"-std=(c|gnu)\+\+.*")
_CPP_ONLY = re.compile(
    r"-f(no-)?(rtti|permissive|threadsafe-statics|exceptions|implicit-templates|visibility-inlines-hidden|use-cxa-atexit)"
)
_SEARCHED = ("-I", "-iquote", "-isystem", "-idirafter")
_MACRO_NAME = re.compile(r"[A-Za-z_$][\w$]*(\([^()]*\))?")


@dataclass(frozen=True)
class Flags:
    """Everything a build passes to the compiler besides files, part, clock and debug format, in the user's order.

    `level` is what stands behind -O; a -O among the user's flags counts, as it does for the compiler.
    """

    level: str
    defines: tuple[str, ...]
    includes: tuple[str, ...]
    words: tuple[tuple[str, ...], ...]

    @property
    def listed(self) -> tuple[str, ...]:
        """All of them as one would type them."""
        return (f"-O{self.level}", *self.defines, *self.includes, *(w for word in self.words for w in word))

    @property
    def has_lto(self) -> bool:
        """Whether the program is optimized as a whole when it is linked."""
        chosen = [word[0] for word in self.words if word[0].startswith("-flto") or word[0] == "-fno-lto"]
        return bool(chosen) and chosen[-1] != "-fno-lto"

    @property
    def drops_unused(self) -> bool:
        """Whether the link leaves out what nothing refers to."""
        return self.has_lto or any("--gc-sections" in text for word in self.words for text in word)

    @property
    def search_folders(self) -> tuple[Path, ...]:
        """Where the user's own flags look for headers."""
        found = [text[2:] for text in self.includes]
        for word in self.words:
            option = next((o for o in _SEARCHED if word[0].startswith(o)), None)
            if option is not None:
                found.append(word[1] if len(word) > 1 else word[0].removeprefix(option))
        return tuple(Path(text) for text in found)

    def compile(self, language: str) -> list[str]:
        """Gives what a source of a language is compiled with."""
        chosen = [f"-O{self.level}", *self.defines, *self.includes]
        for word in self.words:
            if not _is_for_link_only(word[0]) and _suits(word[0], language):
                chosen += word
        return chosen

    def link(self) -> tuple[list[str], list[str]]:
        """Gives what the linker is called with: before the objects, and after them, where libraries belong."""
        before, after = [f"-O{self.level}"], list[str]()
        for word in self.words:
            if _is_for_link_only(word[0]):
                after += word
            elif not word[0].startswith(_COMPILE_ONLY):
                before += word
        return before, after


def read_flags(
    optimize: str,
    flags: Sequence[str],
    defines: Mapping[str, object],
    include_dirs: Iterable[str | Path] = (),
) -> Flags:
    """Checks and sorts the settings of a build.

    Raises ArgumentError for a level that is none, a macro name that is none, and a flag that would take away what
    the build is for.
    """
    level = str(optimize).removeprefix("-O")
    if level not in LEVELS:
        raise ArgumentError(f"optimization level {optimize!r} is none of {', '.join(LEVELS)}")
    words = []
    for word in _words(flags):
        if word[0].startswith("-O"):
            level = word[0][2:] or "1"
        elif not _WITHOUT_EFFECT.fullmatch(word[0]):
            words.append(word)
    macros = tuple(_define(name, text) for name, text in defines.items())
    return Flags(level, macros, tuple(f"-I{folder}" for folder in include_dirs), tuple(words))


def _words(flags: Sequence[str]) -> list[tuple[str, ...]]:
    if isinstance(flags, str):
        raise ArgumentError(f"flags are a list of words, not one text: {flags.split()!r}")
    words: list[tuple[str, ...]] = []
    left = list(flags)
    while left:
        flag = left.pop(0)
        if not flag.startswith("-"):
            raise ArgumentError(f"flag {flag!r} does not begin with '-'; files are given as sources")
        _check_own(flag)
        if flag in _WITH_ARGUMENT:
            if not left:
                raise ArgumentError(f"flag {flag!r} needs a word after it")
            words.append((flag, left.pop(0)))
        else:
            words.append((flag,))
    return words


def _check_own(flag: str) -> None:
    reason = _OWN.get(flag)
    if reason is None:
        reason = next((why for start, why in _OWN_BEGINNINGS.items() if flag.startswith(start)), None)
    if reason is not None:
        raise ArgumentError(f"flag {flag!r} cannot be used here: {reason}; leave it out")


def _define(name: str, text: object) -> str:
    if not _MACRO_NAME.fullmatch(name):
        raise ArgumentError(f"{name!r} is no name of a macro")
    if text is None:
        return f"-D{name}"
    return f"-D{name}={int(text) if isinstance(text, bool) else text}"


def _is_for_link_only(flag: str) -> bool:
    return flag.startswith(_LINK_ONLY) or flag in _LINK_ONLY_WORDS


def _suits(flag: str, language: str) -> bool:
    if _C_STANDARD.fullmatch(flag):
        return language == "C"
    if _CPP_STANDARD.fullmatch(flag) or _CPP_ONLY.fullmatch(flag):
        return language == "C++"
    return True
