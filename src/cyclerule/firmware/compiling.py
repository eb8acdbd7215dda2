"""One source at a time: how it is compiled, what it depends on, what the compiler says about it."""

import os
import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any

from cyclerule.errors import BuildError
from cyclerule.firmware.clock import ClockFound, clock_in_listing
from cyclerule.firmware.flags import Flags
from cyclerule.firmware.object_cache import Made, ObjectCache, Product
from cyclerule.firmware.sources import Source
from cyclerule.toolchain import Completed, Tool, Toolchain
from cyclerule.units import Hertz

DEBUG = "-gdwarf-4"
_FORMAT = "1"
"""Part of every request to the cache; a new one whenever what is kept, or how it is made, changes."""

_MESSAGES = ("-fno-diagnostics-show-caret", "-fdiagnostics-color=never")
# What else decides which files the compiler and the linker take (GCC manual, "Environment Variables").
_ENVIRONMENT = (
    "CPATH",
    "C_INCLUDE_PATH",
    "CPLUS_INCLUDE_PATH",
    "LIBRARY_PATH",
    "COMPILER_PATH",
    "GCC_EXEC_PREFIX",
    "SOURCE_DATE_EPOCH",
    "LDEMULATION",
)
# Files that no list of dependencies names, and a question whose answer is none.
_UNKNOWN_INPUT = re.compile(rb"\.incbin\b|\b__has_include|^\s*\.include\b", re.MULTILINE)
_CLOCK = re.compile(rb"#\s*define\s+F_CPU\b")
_OWN_DOING = re.compile(
    r"""In\ file\ included\ from\ <stdin>:\d+(:\d+)?:
      | .*\bwarning:\ command\ line\ option\ .*\ is\ valid\ for\ .*
      | .*\bwarning:\ "F_CPU"\ redefined.*
      | <command-line>:.*:\ note:\ this\ is\ the\ location\ of\ the\ previous\ definition
      | .*:\ (reference\ to|definition\ of)\ main
      | ld:\ link\ errors\ found,\ deleting\ executable\ .*
      | collect2:\ error:\ ld\ returned\ 1\ exit\ status""",
    re.VERBOSE,
)
# The chip has no C++ runtime; what a program then misses is called by names that tell a beginner nothing.
_ADVICE = {
    "__cxa_guard_": "static objects inside functions need the flag -fno-threadsafe-statics here",
    "__cxa_pure_virtual": 'pure virtual functions need an extern "C" void __cxa_pure_virtual() of your own',
    "__builtin_avr_delay_cycles expects a compile time integer constant": (
        "_delay_us and _delay_ms take a constant, and need optimization; with __DELAY_BACKWARD_COMPATIBLE__ defined "
        "they take a variable too, which costs floating-point arithmetic"
    ),
    "`operator new": "avr-gcc brings no operator new; define it, for instance by malloc",
    "`operator delete": "avr-gcc brings no operator delete; define it, for instance by free",
}


@dataclass(frozen=True)
class Compiling:
    """The settings of a build, and what can be done with one source under them."""

    toolchain: Toolchain
    part_name: str
    clock: Hertz | None
    flags: Flags
    cache: ObjectCache

    def compile(self, source: Source, unit: str | None = None, extra: Sequence[str] = ()) -> Product:
        """Compiles a source, or the unit that takes its place; an object or library is read as it is.

        The notes are for `messages` and `clock_noted`. Raises BuildError with the compiler's words.
        """
        if not source.is_compiled:
            return Product(source.path.read_bytes(), {}, was_made=False)
        options = [*self.options(source), *extra]
        request = [*self.surroundings, "compile", *options, source.name, unit or ""]
        return self.cache.product(request, lambda: self._object(source, options, unit))

    def probe(self, source: Source, unit: str, extra: Sequence[str] = ()) -> tuple[bytes, str]:
        """Compiles a unit for its symbols alone: the object, empty if the compiler refuses, and then its words."""
        options = [*self.options(source), *extra, "-fno-lto"]
        refusal = ""

        def make() -> Made:
            nonlocal refusal
            try:
                return self._object(source, options, unit)
            except BuildError as error:
                refusal = str(error)
                return Made(b"", is_repeatable=False)

        request = [*self.surroundings, "compile", *options, source.name, unit]
        return self.cache.product(request, make).data, refusal

    def remarks(self, source: Source, unit: str, options: Sequence[str]) -> str:
        """Gives what the compiler remarks on a unit when these options ask it to."""
        language = "c++" if source.language == "C++" else "c"
        asked = [*self.options(source), *options, *_MESSAGES, "-fsyntax-only", "-x", language, "-"]
        return self._run(source, asked, unit).stderr

    def assembly(self, source: Source, unit: str) -> tuple[str, str]:
        """Gives the assembly that a unit is compiled to, without link-time optimization, and the assembler's words."""
        with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
            written, made = Path(folder) / "unit.s", Path(folder) / "unit.o"
            language = "c++" if source.language == "C++" else "c"
            options = [*self.options(source), "-fno-lto", "-S", "-o", str(written), "-x", language, "-"]
            if self._run(source, options, unit).returncode != 0:
                return "", ""
            text = written.read_text("utf-8", "replace")
            done = self.toolchain.run("gcc", [*self.head, "-c", "-o", str(made), str(written)])
            return text, done.stderr

    def own_clock(self, source: Source) -> ClockFound | None:
        """Finds the F_CPU that a source defines itself; None also where it cannot be preprocessed."""
        done = self._run(source, ["-E", "-dD", *self.options(source), source.name])
        own = None if self.clock is None else f"{self.clock}UL"
        return clock_in_listing(done.stdout, own) if done.returncode == 0 else None

    def options(self, source: Source) -> list[str]:
        """Gives all that a source is compiled with and that can change its code."""
        language = ["-x", "assembler-with-cpp"] if source.path.suffix.lower() == ".asm" else []
        # The debug format stands last, where no flag counts any more that would choose another.
        return [*self.head, *self.flags.compile(source.language), DEBUG, *language]

    @cached_property
    def head(self) -> list[str]:
        """Part and clock as the compiler takes them."""
        clock = [] if self.clock is None else [f"-DF_CPU={self.clock}UL"]
        return [f"-mmcu={self.part_name}", *clock]

    @cached_property
    def identity(self) -> list[str]:
        """What tells this compiler from any other, in requests to the cache."""
        compiler = self.toolchain.program("gcc").resolve()
        status = compiler.stat()
        return [_FORMAT, str(compiler), self.toolchain.version, str(status.st_size), str(status.st_mtime_ns)]

    @cached_property
    def surroundings(self) -> list[str]:
        """What besides its command line decides what the compiler makes, in requests to the cache."""
        environment = [f"{name}={os.environ[name]}" for name in _ENVIRONMENT if name in os.environ]
        named_files = []
        for text in {part for flag in self.flags.listed for part in re.split(r"[,=]", flag)}:
            path = Path(re.sub(r"^(@|-T)", "", text))
            if path.is_file():
                named_files.append(f"{path} {sha256(path.read_bytes()).hexdigest()}")
        return [*self.identity, str(Path.cwd()), *environment, *sorted(named_files)]

    def refusal(self, what: str, done: Completed) -> BuildError:
        """Gives the error for what the compiler refused.

        Raises UnknownName where the reason is a part that it does not know.
        """
        self.toolchain.check_part(self.part_name)
        words = own_words(done.stderr) or f"exit status {done.returncode}, without a word"
        advice = [text for sign, text in _ADVICE.items() if sign in words]
        return BuildError("\n".join([f"{what}:", words, *advice]), command=done.command)

    def _object(self, source: Source, options: Sequence[str], unit: str | None) -> Made:
        with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
            made, listed = Path(folder) / "object.o", Path(folder) / "object.d"
            text = [source.name] if unit is None else ["-x", "c++" if source.language == "C++" else "c", "-"]
            own = [*_MESSAGES, "-MD", "-MF", str(listed), "-MT", "object", "-c", "-o", str(made)]
            done = self._run(source, [*options, *own, *text], unit)
            if done.returncode != 0:
                raise self.refusal(f"{source.name} does not compile", done)
            # Assembly that is not preprocessed has no list.
            rule = listed.read_text("utf-8", "surrogateescape") if listed.is_file() else ""
            data = made.read_bytes()
        own_file = () if source.is_generated else (source.name,)
        depends = list(dict.fromkeys((*own_file, *dependencies(rule))))
        user_files = [path for path in depends if not self._is_of_toolchain(path)]
        texts = [Path(path).read_bytes() for path in user_files]
        notes: dict[str, Any] = {"messages": done.stderr}
        clock = self.own_clock(source) if own_file and self._may_have_clock(texts) else None
        if clock is not None:
            notes["clock"] = [clock.hertz, clock.text, clock.file, clock.line]
        return Made(
            data,
            inputs=tuple(depends),
            absent=_that_would_be_included(
                depends, [*(Path(f).parent for f in user_files), *self.flags.search_folders]
            ),
            notes=notes,
            is_repeatable=not any(_UNKNOWN_INPUT.search(text) for text in texts),
        )

    def _run(self, source: Source, arguments: Sequence[str], stdin: str | None = None) -> Completed:
        tool: Tool = "g++" if source.language == "C++" else "gcc"
        return self.toolchain.run(tool, arguments, stdin=stdin)

    def _may_have_clock(self, texts: Iterable[bytes]) -> bool:
        # The preprocessor is asked only then: it takes as long as a small compilation.
        return any("F_CPU" in flag for flag in self.flags.listed) or any(_CLOCK.search(text) for text in texts)

    def _is_of_toolchain(self, path: str) -> bool:
        return any(Path(path).resolve().is_relative_to(folder) for folder in self._toolchain_folders)

    @cached_property
    def _toolchain_folders(self) -> tuple[Path, ...]:
        root = self.toolchain.program("gcc").resolve().parent.parent
        return tuple(root / name for name in ("lib", "libexec", "avr"))


def own_words(messages: str) -> str:
    """Gives the compiler's words about the user's text, without those about what the build itself does."""
    messages = re.sub(r",\n\s+from <stdin>:\d+(:\d+)?:$", ":", messages, flags=re.MULTILINE)
    return "\n".join(line for line in messages.splitlines() if not _OWN_DOING.fullmatch(line)).strip()


def clock_noted(notes: Mapping[str, Any]) -> ClockFound | None:
    """Gives the F_CPU that a compiled source defines itself."""
    if "clock" not in notes:
        return None
    hertz, text, file, line = notes["clock"]
    return ClockFound(None if hertz is None else Hertz(hertz), text, file, line)


def dependencies(rule: str) -> list[str]:
    """Gives the files of a rule that the preprocessor wrote for make, such as "object: hive.c hive.h", unquoted."""
    _, _, listed = rule.partition(":")
    names = re.findall(r"(?:\\[ \t#]|\$\$|\\(?!\r?\n)|[^\s\\])+", listed)
    return [re.sub(r"\\([ \t#])", r"\1", name).replace("$$", "$") for name in names]


def _that_would_be_included(depends: Sequence[str], folders: Iterable[Path]) -> tuple[str, ...]:
    """Gives files that are not there and might be included, if they were, in place of one that is."""
    found: dict[str, None] = {}
    for folder in dict.fromkeys(folders):
        for depend in depends:
            parts = Path(depend).parts
            # As written in an include directive: hive.h, hive/hive.h, lib/hive/hive.h.
            for depth in range(1, min(3, len(parts)) + 1):
                place = folder.joinpath(*parts[-depth:])
                if not place.exists():
                    found[str(place)] = None
    return tuple(found)
