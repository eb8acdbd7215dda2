"""A toolchain: running its programs and asking what it knows of a part."""

import os
import re
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

from cyclerule.errors import BuildError, UnknownName

Tool = Literal["gcc", "g++", "ar", "gcc-ar", "objdump", "objcopy", "nm", "size"]

EXECUTABLE_SUFFIX = ".exe" if os.name == "nt" else ""

# "avr5" and "avrxmega3" are families; "avr128da48" is a part.
_FAMILY_NAME = re.compile(r"avr(?:\d{1,3}|tiny|xmega\d+)")
_PART_NAME = re.compile(r"[a-z][a-z0-9]*")
# `-###` writes an argument in quotes when it holds more than letters, digits and _-/. (gcc.c, execute).
_DRIVER_ARGUMENT = re.compile(r'"((?:[^"\\]|\\.)*)"|(\S+)')
# A dump of macros: an object-like definition (function-like ones are passed by), its end, the name of a file.
_DIRECTIVE = re.compile(r'^#(?:define (\w+)(?![\w$(])(.*)|undef (\w+)| \d+ "((?:[^"\\\n]|\\.)*)".*)$', re.MULTILINE)
_DATA_SPACE = 0x800000  # where the linker puts data space beside flash (avr-libc manual, "Memory Sections")


class Completed(NamedTuple):
    """What a program of the toolchain gave; `command` is what was run."""

    returncode: int
    stdout: str
    stderr: str
    command: tuple[str, ...]


class Definition(NamedTuple):
    """An object-like macro: its name, its text, and the file that defines it ("<built-in>" for the compiler's own)."""

    name: str
    text: str
    file: str


@dataclass(frozen=True)
class Toolchain:
    """An avr-gcc and its sister programs; `directory` holds them, `version` is "avr-gcc 5.4.0"."""

    directory: Path
    version: str

    def program(self, tool: Tool) -> Path:
        """Gives the path of one program; raises BuildError when it is not beside the compiler."""
        name = f"avr-{tool}{EXECUTABLE_SUFFIX}"
        for folder in self._folders():
            if (folder / name).is_file():
                return folder / name
        raise BuildError(
            f"no {name} beside the compiler in {self.directory}; the toolchain is not complete: "
            "install binutils for AVR (`apt install binutils-avr`) or the whole toolchain again"
        )

    def _folders(self) -> tuple[Path, ...]:
        # A lone link to the compiler has its sisters where it leads to.
        compiler = (self.directory / f"avr-gcc{EXECUTABLE_SUFFIX}").resolve()
        return (self.directory, compiler.parent)

    def run(
        self, tool: Tool, arguments: Sequence[str | Path], *, cwd: Path | None = None, stdin: str | None = None
    ) -> Completed:
        """Runs a program to its end and gives its exit status and texts; nothing is raised for a status above 0.

        Messages are in English and read as UTF-8, bytes that are none replaced. Without `stdin` there is no input.
        Raises BuildError when the program cannot be started.
        """
        return start([str(self.program(tool)), *map(str, arguments)], cwd=cwd, stdin=stdin)

    def part_names(self) -> tuple[str, ...]:
        """Gives the names of all parts that the compiler knows, sorted, as `-mmcu=` takes them; families are left out.

        A compiler from version 5 on has one file a part in its folder of device specs; for an older one it is the
        list of `--target-help`, which may hold names that only its assembler knows.
        """
        folder = Path(self.run("gcc", ["-print-file-name=device-specs"]).stdout.strip())
        if folder.is_dir():
            names = {entry.name.removeprefix("specs-") for entry in folder.glob("specs-*")}
        else:
            described = self.run("gcc", ["--target-help"]).stdout
            names = set(described.partition("Known MCU names:")[2].partition("\n\n")[0].split())
        return tuple(sorted(n for n in names if _PART_NAME.fullmatch(n) and not _FAMILY_NAME.fullmatch(n)))

    def macros(
        self, part: str, headers: Sequence[str] = ("avr/io.h",), defines: Mapping[str, str] | Sequence[str] = ()
    ) -> dict[str, str]:
        """Gives name and text of every object-like macro that stands at the end of the headers, the compiler's own too.

        `defines` are names, or names with texts, defined before. `constants.integer` gives the value of a text.
        Raises UnknownName for a part the compiler does not know, BuildError with the compiler's words when a header
        is not found or does not compile.
        """
        listing = self._preprocessed(part, "-dM", headers, defines)
        return {name: text for name, text, _ in _definitions(listing)}

    def definitions(self, part: str, headers: Sequence[str] = ("avr/io.h",)) -> tuple[Definition, ...]:
        """Gives the same macros in the order of their definition, each with the file it is from; errors as `macros`."""
        found = _definitions(self._preprocessed(part, "-dD", headers, ()))
        if all(definition.name != "__AVR_ARCH__" for definition in found):
            # GCC's manual ("Preprocessor Options", -dD) leaves the compiler's own macros out; some versions list them.
            own = (Definition(name, text, "<built-in>") for name, text in self.macros(part, headers=()).items())
            found = [*own, *found]
        return tuple(found)

    def _preprocessed(
        self, part: str, dump: str, headers: Sequence[str], defines: Mapping[str, str] | Sequence[str]
    ) -> str:
        named = [f"{k}={v}" for k, v in defines.items()] if isinstance(defines, Mapping) else list(defines)
        source = "".join(f"#include <{header}>\n" for header in headers)
        options = [f"-mmcu={part}", *(f"-D{define}" for define in named), "-E", dump, "-x", "c", "-"]
        done = self.run("gcc", options, stdin=source)
        if done.returncode == 0:
            return done.stdout
        self.check_part(part)
        missing = " (is avr-libc installed?)" if "avr/io.h" in done.stderr else ""
        raise BuildError(
            f"{self.version} cannot read {', '.join(headers)} for {part}{missing}:\n{done.stderr.strip()}",
            command=done.command,
        )

    def check_part(self, part: str) -> None:
        """Raises UnknownName, with the nearest names, for a part that the compiler does not know."""
        names = self.part_names()
        if part not in names:
            raise UnknownName("part", part, names, hint=f"`cyclerule parts` lists what {self.version} knows")

    def startup_file(self, part: str) -> Path | None:
        """Gives the start-up object that the compiler links into a program for the part; None where it has none."""
        done = self.run("gcc", [f"-mmcu={part}", "-###", "-x", "assembler", "-", "-o", "unused"])
        for quoted, plain in _DRIVER_ARGUMENT.findall(done.stderr):
            argument = Path(re.sub(r"\\(.)", r"\1", quoted) if quoted else plain)
            # One that was not found stands there by its bare name.
            if argument.name.startswith("crt") and argument.suffix == ".o" and argument.is_absolute():
                return argument if argument.is_file() else None
        return None

    def has_startup(self, part: str) -> bool:
        """Says whether the toolchain has the part's start-up file, without which no program can be linked for it."""
        return self.startup_file(part) is not None

    def startup_names(self) -> frozenset[str]:
        """Gives the parts whose start-up files lie beside the C library; `has_startup` may find others elsewhere."""
        library = Path(self.run("gcc", ["-print-file-name=libc.a"]).stdout.strip())
        if not library.is_absolute():
            return frozenset()
        return frozenset(file.stem.removeprefix("crt") for file in library.parent.rglob("crt*.o"))

    def check_startup(self, part: str) -> None:
        """Raises BuildError, naming the missing device pack, for a known part without a start-up file.

        Raises UnknownName for a part that the compiler does not know at all.
        """
        if not self.has_startup(part):
            self.check_part(part)
            raise self.missing_pack(part, f"no start-up file crt{part}.o")

    def missing_pack(self, part: str, lack: str) -> BuildError:
        """Gives the error for a part that the compiler knows by name but whose device pack is not there."""
        return BuildError(
            f"{self.version} in {self.directory} knows the name {part} but has {lack} for it: the device pack of "
            f"{part} is missing; install an avr-libc or a device pack that covers {part}, name a toolchain that does, "
            "or take a part that `cyclerule parts` shows as ready"
        )

    def data_start(self, part: str) -> int | None:
        """Gives the data address where the linker puts the first variable; None where the part has no RAM to link for.

        It is found by linking one variable: the compiler's default (`-Tdata` in its device specs) decides.
        """
        source = ".data\n.global first_variable\nfirst_variable:\n.byte 0\n"
        with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
            linked = Path(folder) / "variable.elf"
            options = [f"-mmcu={part}", "-nostdlib", "-nostartfiles", "-x", "assembler", "-", "-o", str(linked)]
            if self.run("gcc", options, stdin=source).returncode != 0:
                return None
            listing = self.run("nm", [str(linked)]).stdout
        address = re.search(r"^([0-9a-fA-F]+) \w first_variable$", listing, re.MULTILINE)
        return int(address[1], 16) - _DATA_SPACE if address else None


def start(command: Sequence[str], *, cwd: Path | None = None, stdin: str | None = None) -> Completed:
    """Runs a program by its path, without a shell; raises BuildError when it cannot be started. See `Toolchain.run`."""
    try:
        done = subprocess.run(
            command,
            cwd=cwd,
            input=stdin or "",  # never the caller's own: a program that reads must not wait for a keyboard
            capture_output=True,
            check=False,
            encoding="utf-8",
            errors="replace",
            env={**os.environ, "LC_ALL": "C", "LANGUAGE": "C"},
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except OSError as error:
        raise BuildError(f"{command[0]} cannot be run: {error.strerror or error}", command=tuple(command)) from error
    return Completed(done.returncode, done.stdout, done.stderr, tuple(command))


def _definitions(listing: str) -> list[Definition]:
    """Reads the object-like macros out of a `-dD` or `-dM` listing, in order; one that was undefined is gone."""
    file = ""
    found: dict[str, Definition] = {}
    for name, text, undefined, marked in _DIRECTIVE.findall(listing):
        if name:
            found.pop(name, None)  # one that is defined again takes the later place
            found[name] = Definition(name, text.strip(), file)
        elif undefined:
            found.pop(undefined, None)
        else:
            file = re.sub(r"\\(.)", r"\1", marked)
    return list(found.values())
