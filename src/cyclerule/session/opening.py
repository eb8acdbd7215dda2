"""Opening what a user names: sources to build or a linked file, with the settings of the project."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cyclerule.errors import ArgumentError, BuildError, UnknownName
from cyclerule.firmware.arguments import Address
from cyclerule.firmware.image import Function
from cyclerule.firmware.spelling import is_constructor, lambda_line
from cyclerule.firmware.standing import AS_BUILT, Standing, standing_of
from cyclerule.measure.dispatch import find_virtual
from cyclerule.project.settings import COMMON_PARTS, Settings
from cyclerule.session.firmware import Firmware, build, load
from cyclerule.units import parse_clock

LINKED = (".elf", ".hex", ".ihex", ".ihx", ".out")
"""Suffixes of linked programs."""

SOURCES = (".c", ".cpp", ".cc", ".cxx", ".S", ".s", ".asm")
"""Suffixes of sources that may define what a file needs."""

# Where every avr-gcc has its C library's headers and its own, in whatever folder it is unpacked.
_TOOLCHAIN_HEADER = re.compile(r"[/\\](?:avr[/\\]include|lib[/\\]gcc)[/\\]")


@dataclass(frozen=True)
class Target:
    """A function and the firmware to measure it in; `notes` say why that is not the program's own build.

    `standing` is what became of it in that build.
    """

    name: str
    function: Function
    firmware: Firmware
    notes: tuple[str, ...] = ()
    standing: Standing = AS_BUILT


@dataclass
class Program:
    """What a user named: files, settings and prototypes, and the firmware made of them as it is built."""

    files: tuple[Path, ...]
    settings: Settings
    prototypes: tuple[str, ...]
    firmware: Firmware
    _kept: dict[tuple[str, ...], Firmware] = field(default_factory=dict, repr=False)

    @property
    def is_linked(self) -> bool:
        """Whether it is an ELF or HEX file, which cannot be built again."""
        return is_linked(self.files)

    @property
    def has_own_main(self) -> bool:
        """Whether `main` is the user's, and not one that the build adds because there is none."""
        record = getattr(self.firmware.image, "build", None)
        return True if record is None else bool(record.has_own_main)

    @property
    def names(self) -> list[str]:
        """The names of the functions that can be asked for."""
        own = [each for each in self.firmware.functions.values() if each.file is not None and not is_of_toolchain(each)]
        own = own or [each for each in self.firmware.functions.values() if not each.is_label]
        return [each.source_name for each in own if each.source_name != "main" or self.has_own_main]

    def target(self, name: str, file: Path | None = None, *, apart: bool = False, this: str | None = None) -> Target:
        """Finds a function, and the firmware it is measured in: as built where it stands by itself, else a kept copy.

        `file` says which of several functions of a name is meant; with `apart` it is a kept copy in any case. A virtual
        function is the one that the table of the object `this` leads to, "&humidity". Raises UnknownName with the
        nearest names, ArgumentError where a kept copy is needed of a file that is linked already.
        """
        dispatched = self._dispatched(name, this)
        if dispatched is not None:
            return dispatched
        try:
            function = self._find(name, file)
        except UnknownName as error:
            return self._dropped(name, error)
        standing = standing_of(self.firmware.image, function, name)
        if function.address is not None and not apart:
            notes = (standing.text,) if standing.text else ()
            return Target(_key(self.firmware, name, function), function, self.firmware, notes, standing)
        if self.is_linked:
            became = "a kept copy needs a build of its own" if apart else standing.text
            raise ArgumentError(f"{name}: {became}, and {self.files[0]} is linked already; give the sources instead")
        is_told_apart = lambda_line(name) is not None or "(" in name
        asked = name if is_told_apart else function.source_name
        firmware = self.kept_copy((asked,))
        found = firmware.find_function(name if is_constructor(asked) else asked)
        notes = () if function.address is not None else (f"{standing.text}; {KEPT}",)
        return Target(_key(firmware, name, found), found, firmware, notes, standing)

    def standing(self, name: str, file: Path | None = None) -> Standing:
        """Says what became of a function in the program's own build.

        Raises UnknownName where neither that build nor any of its symbols knows the name.
        """
        try:
            function = self._find(name, file)
        except UnknownName:
            found = standing_of(self.firmware.image, None, name)
            if found.kind == "removed":
                raise
            return found
        return standing_of(self.firmware.image, function, name)

    def _dispatched(self, name: str, this: str | None) -> Target | None:
        word = None if this is None else re.fullmatch(r"(?:&|address:)?([A-Za-z_]\w*(?:(?:::|\.)\w+|\[\d+\])*)", this)
        called = (
            None
            if word is None or word[1] in ("out", "null", "NULL", "nullptr")
            else self.firmware.dispatched(name, Address(word[1]))
        )
        if called is None:
            return None
        own = called.function.source_name
        note = (
            f"{called.asked} is virtual, and the table of {called.object_name} leads to {own}; the call through "
            "the table belongs to the caller"
        )
        key = _key(self.firmware, own, called.function)
        return Target(key, called.function, self.firmware, (note,))

    def kept_copy(self, names: tuple[str, ...]) -> Firmware:
        """Gives a second build in which functions of these names stand by themselves."""
        if names not in self._kept:
            self._kept[names] = _open(self.files, self.settings, self.prototypes, keep=names)
        return self._kept[names]

    def _find(self, name: str, file: Path | None) -> Function:
        if file is None:
            try:
                return self.firmware.find_function(name)
            except UnknownName as error:
                if error.kind != "function" or not self.firmware.image.symbols:
                    raise
                # Here a function that does not stand by itself can be named too.
                hint = "" if self.names else f"there is none in {', '.join(map(str, self.files))}"
                raise UnknownName("function", name, self.names, hint=hint) from None
        there = {
            key: function
            for key, function in self.firmware.functions.items()
            if function.file is not None
            and (function.file == file.as_posix() or function.absolute_file == str(file.resolve()))
        }
        found = [function for function in there.values() if name in (function.source_name, function.name)]
        if not found:
            raise UnknownName("function", name, [each.source_name for each in there.values()], hint=f"in {file}")
        return found[0]

    def _dropped(self, name: str, unknown: UnknownName) -> Target:
        """Tries a kept copy of a function that the image knows nothing of: removed, or left in clones only."""
        virtual = find_virtual(self.firmware.image.virtual, name)
        if virtual is not None:
            last = virtual.name.rpartition("::")[2]
            others = [
                each.name
                for each in self.firmware.image.virtual
                if each.index == virtual.index and each.name.endswith(f"::{last}") and each.name != virtual.name
            ]
            raise ArgumentError(
                f"{name} is virtual and has no code of its own: give an object whose table is followed, this=OBJECT, "
                f"or name what overrides it: {', '.join(sorted(set(others))) or 'nothing does'}"
            )
        if self.is_linked or unknown.kind != "function":
            raise unknown
        for whole in self._whole_names(name):
            try:
                firmware = self.kept_copy((whole,))
                found = firmware.find_function(name)
            except (UnknownName, ArgumentError, BuildError):
                continue
            if found.address is not None:
                standing = standing_of(self.firmware.image, None, name)
                notes = (f"{standing.text}; {KEPT}",)
                return Target(_key(firmware, name, found), found, firmware, notes, standing)
        raise unknown from None

    def _whole_names(self, name: str) -> list[str]:
        """Gives what a name may be in full: with each of the namespaces and classes that the program has."""
        if not re.fullmatch(r"[A-Za-z_~$][\w$:~<>, *]*(?:\([^()]*\))?|lambda:\d+|.*\boperator\b.*", name):
            return []
        scopes = {each.source_name.rpartition("::")[0] for each in self.firmware.functions.values()}
        scopes |= {each.name.rpartition("::")[0] for each in self.firmware.image.variables}
        whole = {scope.rpartition("::")[0] for scope in scopes} | scopes
        written = [scope for scope in sorted(whole) if scope and "<" not in scope and not name.startswith(f"{scope}::")]
        is_plain = name.isidentifier() or name.startswith("lambda:")
        return [name, *([] if is_plain else [f"{scope}::{name}" for scope in written[:MOST_SCOPES]])]


MOST_SCOPES = 8
"""Namespaces and classes in which a name that is not found as it stands is looked for."""

KEPT = "kept apart it stands by itself, in a second build"


def open_program(files: Sequence[Path], settings: Settings, prototypes: Sequence[str] = ()) -> Program:
    """Builds or loads what the files are; without any, the sources that the settings name.

    Raises what `build` and `load` raise, and ArgumentError without files, without a part, and for a linked file
    together with others.
    """
    chosen = tuple(files) or settings.sources
    if not chosen:
        raise ArgumentError(
            "there is no file to look at; give source files, an ELF or a HEX file, "
            'or name them in cyclerule.toml, sources = ["hive.c"]'
        )
    return Program(chosen, settings, tuple(prototypes), _open(chosen, settings, prototypes))


def files_for_lines(files: Sequence[Path], file: str, settings: Settings) -> tuple[Path, ...]:
    """Gives the files of the program that lines of a file are part of: those given, the settings', or that file alone.

    A source among the settings' is no reason to build it alone, a header is none to be built, and with a linked file
    the lines are those that it tells of.
    """
    place = Path(file)
    if is_linked(files):
        return tuple(files)
    named = {source.resolve() for source in settings.sources}
    if not files and place.resolve() in named:
        return settings.sources
    if place.suffix not in SOURCES:
        return tuple(files)
    is_given = place.resolve() in {each.resolve() for each in files}
    return tuple(files) if is_given else (*files, place)


def is_linked(files: Sequence[Path]) -> bool:
    """Whether one of the files is a linked program."""
    return any(path.suffix.lower() in LINKED for path in files)


def _open(files: Sequence[Path], settings: Settings, prototypes: Sequence[str], keep: Sequence[str] = ()) -> Firmware:
    parse_clock(settings.clock)
    if not is_linked(files):
        if settings.part is None:
            raise ArgumentError(f"no part is given, so nothing can be built. {HOW_TO_GIVE_A_PART}")
        firmware = _build(files, settings, settings.part, keep)
    elif len(files) > 1:
        linked = next(path for path in files if path.suffix.lower() in LINKED)
        raise ArgumentError(f"{linked} is linked already; give it alone, or give sources only")
    else:
        firmware = _load(files[0], settings)
    firmware.start_up = settings.start_up
    for prototype in prototypes:
        firmware.declare(prototype)
    return firmware


def _build(files: Sequence[Path], settings: Settings, part: str, keep: Sequence[str]) -> Firmware:
    try:
        return build(
            files,
            part=part,
            clock=settings.clock,
            optimize=settings.optimize,
            flags=settings.flags,
            defines=settings.defines,
            keep=keep,
            toolchain=settings.toolchain,
        )
    except BuildError as error:
        beside = _sources_beside(files) if "undefined reference" in str(error) else []
        if not beside:
            raise
        hint = f"give the files that define them too; beside {files[0].name} are {', '.join(beside)}"
        raise BuildError(f"{error}\n{hint}", command=error.command) from None


def _sources_beside(files: Sequence[Path]) -> list[str]:
    """Gives the other sources in the folder of the first file."""
    given = {file.resolve() for file in files}
    beside = (each for each in files[0].resolve().parent.iterdir() if each.suffix in SOURCES and each not in given)
    return sorted(each.name for each in beside)


def _load(file: Path, settings: Settings) -> Firmware:
    """Loads a linked file; what it says of its part comes before a setting that is meant for a folder's sources."""
    given = settings.part if settings.origins["part"] == "option" else None
    for part in (given, settings.part):
        try:
            return load(file, part=part, clock=settings.clock, toolchain=settings.toolchain)
        except ArgumentError:
            # The clock is known to be good: what can still be missing is the part.
            if part is not None:
                raise
    raise ArgumentError(f"{file} does not say which part it is for. {HOW_TO_GIVE_A_PART}")


HOW_TO_GIVE_A_PART = (
    f"Say which microcontroller the code is for, for example --part {COMMON_PARTS[0]} (others often met: "
    f"{', '.join(COMMON_PARTS[1:])}; `cyclerule parts` lists all), or set CYCLERULE_PART in the environment, or write "
    f'part = "{COMMON_PARTS[0]}" into cyclerule.toml'
)


def handled_vector(firmware: Firmware, function: Function) -> str | None:
    """Gives the interrupt that a function handles, by the name of its vector; None for one that is no handler."""
    number = function.name.removeprefix("__vector_")
    return firmware.part.vector_name(int(number)) if number != function.name and number.isdigit() else None


def is_of_toolchain(function: Function) -> bool:
    """Whether a function is from a header of avr-libc or of the compiler, such as `_delay_ms` of util/delay.h."""
    return _TOOLCHAIN_HEADER.search(function.absolute_file or "") is not None


def _key(firmware: Firmware, name: str, function: Function) -> str:
    """Gives the name as asked where that finds the function, else the one that only it has."""
    try:
        return name if firmware.find_function(name) == function else function.name
    except UnknownName:
        return function.name
