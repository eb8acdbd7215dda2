"""Kept copies: a second build in which functions stand by themselves that the compiler inlined or dropped.

A generated unit takes a source's place. It includes the user's file and then puts the address of each function into
flash, so that the compiler has to make one. Functions and lines stay those of the user's file; what calls a kept
function may be inlined otherwise than in the program's own build (tests/firmware/test_build.py shows both).
"""

import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from cyclerule.errors import ArgumentError, BuildError, UnknownName
from cyclerule.firmware.compiling import Compiling
from cyclerule.firmware.sources import Source
from cyclerule.firmware.spelling import canonical, is_constructor, lambda_line, without_arguments

_ARGUMENTS = r"(?:<[^;{}]*>)?"
_NAME = re.compile(rf"[A-Za-z_$~][\w$]*{_ARGUMENTS}(?:::[A-Za-z_$~][\w$]*{_ARGUMENTS})*")
_TYPED = re.compile(rf"[A-Za-z_$~][\w$]*{_ARGUMENTS}(?:::[A-Za-z_$~][\w$]*{_ARGUMENTS})*\s*\([^();]*\)(?:\s*const)?")
_OPERATOR = re.compile(r"\boperator\b")
_KEEPS_INLINE = "-fkeep-inline-functions"
# For what no symbol tells the linker of: it goes or stays with the rest of its file.
_STAYS_WHOLE = ("-fno-lto", "-fno-function-sections")
_INSTANTIATION = re.compile(r"template\s[^;]*?(?P<name>[A-Za-z_$][\w$:]*)\s*<[^;]*\([^;]*\)[^;]*")
_PROTOTYPE = re.compile(r"(?P<returns>[^();]*[\s*&])(?P<name>[A-Za-z_$][\w$:]*)\s*\((?P<parameters>[^();]*)\)")
_BODY = re.compile(rb"\b([A-Za-z_]\w*)\s*\([^;{}()]*\)\s*\{")
# No warning about what follows is to mix with those about the user's text: declaring twice is on purpose.
_MARKER = '#line 1 "<kept functions>"\n#pragma GCC diagnostic ignored "-Wredundant-decls"'
_OVERLOADED = re.compile(r"overloaded|is unknown")
_STATEMENTS = {"if", "for", "while", "switch"}


@dataclass(frozen=True)
class KeptUnit:
    """The text of a generated unit, and the names that a link which drops sections has to be told of.

    `options` are for the compiler, besides those of its source.
    """

    text: str
    undefined: tuple[str, ...]
    options: tuple[str, ...] = ()


def kept_units(compiling: Compiling, sources: Sequence[Source], names: Sequence[str]) -> dict[Path, KeptUnit]:
    """Gives, for each source that defines functions to keep, the unit that takes its place.

    A name is a function's ("crc8", "hive::Sensor::read"), one of C++'s overloaded ones with its types
    ("int scale(int)"), an instantiation ("average<int>", "template int scale<int>(int)"), a constructor
    ("hive::Sensor::Sensor"), or a lambda by its line ("lambda:41").

    Raises UnknownName for a function that none of the sources defines, ArgumentError for what is no name, BuildError
    when a source does not compile.
    """
    chosen: dict[Path, list[_Kept]] = {}
    for name in names:
        for source, symbols in _defining(compiling, sources, name):
            chosen.setdefault(source.path, []).append(_Kept(name, symbols))
    units: dict[Path, KeptUnit] = {}
    first = 0
    for source in sources:
        if source.path in chosen:
            units[source.path] = _unit(compiling, source, chosen[source.path], first)
            first += len(chosen[source.path])
    return units


class _Kept(NamedTuple):
    """A name to keep, and its link symbols where those are what it is kept by."""

    name: str
    symbols: tuple[str, ...]


def _defining(compiling: Compiling, sources: Sequence[Source], name: str) -> list[tuple[Source, tuple[str, ...]]]:
    """Gives the sources that define a function, and its symbols where it is told of by them."""
    plain = _last(name)
    word = re.compile(rb"\b" + re.escape(plain.lstrip("~")).encode() + rb"\b")
    candidates = [source for source in sources if source.language in ("C", "C++")]
    if _has_no_address(name):
        candidates = [source for source in candidates if source.language == "C++"]
    mentioning = [source for source in candidates if word.search(source.path.read_bytes())]
    refusals: list[str] = []
    defining: list[tuple[Source, tuple[str, ...]]] = []
    # One that no source mentions may be in a header of theirs.
    for source in mentioning or candidates:
        if not _is_told_by_symbols(name):
            probe, words = compiling.probe(source, _text(compiling, source, [name])[0], _options(source, [name]))
            if _symbols(compiling, probe, plain):
                defining.append((source, ()))
                continue
            refusals += [words] if words else []
            if _OVERLOADED.search(words):
                continue
        symbols = _matching(compiling, source, name) if source.language == "C++" else ()
        defining += [(source, symbols)] if symbols else []
    if defining:
        return defining
    # Should a source as it is not compile, that is what the user has to hear.
    for source in candidates:
        compiling.compile(source)
    if any(map(_OVERLOADED.search, refusals)):
        raise ArgumentError(
            f"there are several functions {name}; say which by its types: keep a prototype such as 'int {name}(int)', "
            "or an instantiation such as 'template int scale<int>(int)'"
        )
    unknown = re.compile(r"undeclared|not (been )?declared|is not a member|is not a class or namespace")
    for words in refusals:
        if not unknown.search(words):
            raise BuildError(f"{name} cannot be kept: {words}")
    bodies = {match.decode() for source in candidates for match in _BODY.findall(source.path.read_bytes())}
    raise UnknownName("function", name, bodies - _STATEMENTS, hint="no C or C++ source given defines it")


def _is_told_by_symbols(name: str) -> bool:
    """Whether a name has the types of its parameters and no result, or is a constructor, which has no address."""
    is_typed = _TYPED.fullmatch(name) is not None or _OPERATOR.search(name) is not None
    return is_constructor(name) or (is_typed and lambda_line(name) is None)


def _matching(compiling: Compiling, source: Source, name: str) -> tuple[str, ...]:
    """Gives the link symbols of the one function that a name means in a source, all its inline functions included.

    All constructors of a class, where no types say which. Raises UnknownName for several other functions.
    """
    include = f'#include "{source.path.as_posix()}"\n'
    probe, _ = compiling.probe(source, include, (*_options(source, [name]), _KEEPS_INLINE))
    asked, found = canonical(name), dict[str, list[str]]()
    for symbol, spoken in _functions_of(compiling, probe):
        written = canonical(spoken)
        # An operator has brackets in its name: operator()(int).
        plain = (written.partition("(")[0], written[: written.rfind("(")])
        if any(each == asked or each.endswith(f"::{asked}") for each in (written, *plain)):
            found.setdefault(written, []).append(symbol)
    if len(found) > 1 and is_constructor(name):
        return tuple(symbol for symbols in found.values() for symbol in symbols)
    if len(found) > 1:
        listed = "; ".join(found)
        raise UnknownName("single function", name, (), hint=f"several have that name, so give one of {listed}")
    return tuple(next(iter(found.values()), ()))


def _options(source: Source, names: Iterable[str]) -> tuple[str, ...]:
    """Gives the options that let a unit of C++ refer to private members, and make those that cannot be referred to.

    No address can be taken of a constructor, nor of a lambda from outside: each inline function then gets a body (GCC
    manual, "Optimize Options", -fkeep-inline-functions).
    """
    if source.language != "C++":
        return ()
    lines = any(lambda_line(name) is not None for name in names)
    return ("-fno-access-control", *([_KEEPS_INLINE, *_STAYS_WHOLE] if lines else []))


def _has_no_address(name: str) -> bool:
    return _is_told_by_symbols(name) or lambda_line(name) is not None


def _last(name: str) -> str:
    """Gives the last part of what is to be kept, as the list of an object's symbols has it."""
    if lambda_line(name) is not None:
        return "operator()"
    return without_arguments(_plain(name)).rpartition("::")[2]


def _plain(name: str) -> str:
    """Gives the function's name, with its namespaces, out of what is to be kept."""
    if _OPERATOR.search(name):
        return "operator"
    if _is_told_by_symbols(name):
        return name.partition("(")[0].strip()
    for form in (_INSTANTIATION, _PROTOTYPE):
        match = form.fullmatch(name)
        if match:
            return match["name"]
    if not _NAME.fullmatch(name):
        raise ArgumentError(
            f"{name!r} cannot be kept: give a function's name (crc8, hive::Sensor::read), its prototype where there "
            "are several of the name (int scale(int)), or an instantiation (template int scale<int>(int))"
        )
    return name


def _unit(compiling: Compiling, source: Source, kept: list[_Kept], first: int) -> KeptUnit:
    names = [each.name for each in kept if not each.symbols]
    told = [symbol for each in kept for symbol in each.symbols]
    text, references = _text(compiling, source, names, first)
    options = (*_options(source, names), *([_KEEPS_INLINE] if told else []))
    if not compiling.flags.drops_unused:
        return KeptUnit(text, (), options)
    # The name that the linker knows an instantiation by comes from the compiler.
    probe, _ = compiling.probe(source, text, options)
    instantiated = [_last(name) for name in names if _INSTANTIATION.fullmatch(name)]
    symbols = [symbol for plain in instantiated for symbol in _symbols(compiling, probe, plain)]
    return KeptUnit(text, (*references, *symbols, *told), options)


def _text(compiling: Compiling, source: Source, names: Sequence[str], first: int = 0) -> tuple[str, list[str]]:
    """Writes the unit, and gives the constants in it that refer to the functions, numbered from `first` on."""
    include = f'#include "{source.path.as_posix()}"'
    lines, references = [include, _MARKER], []
    for number, name in enumerate(names, first):
        if _INSTANTIATION.fullmatch(name):
            lines.append(f"{name};")
            continue
        reference = f"cyclerule_kept_{number}"
        if lambda_line(name) is not None:
            # With this the linker keeps the section that it shares with the lambda.
            lines.append(f'extern "C" __attribute__((used)) void {reference}(void) {{}}')
            references.append(reference)
            continue
        if _has_no_address(name):
            continue
        if _is_instance(name):
            lines += _taken(reference, name)
            references.append(reference)
            continue
        declared = _reference(reference, name, is_c=source.language == "C")
        if source.language == "C":
            probe, _ = compiling.probe(source, f"{include}\n{_MARKER}\n{declared}\n")
            if probe and not _symbols(compiling, probe, name):
                # C's plain `inline` makes no function for an address; declaring it once more without `inline` does
                # (C11 6.7.4). Where it is from is then told by that declaration, so it is given the place of the first.
                lines += _declared_again(compiling, source, include, name)
        lines.append(declared)
        references.append(reference)
    return "\n".join(lines) + "\n", references


def _is_instance(name: str) -> bool:
    return name.endswith(">") and "(" not in without_arguments(name)


def _taken(reference: str, name: str) -> list[str]:
    """Writes a function that takes the address of a template's instance, whose type no declaration could tell."""
    return [
        f"template <class F> static inline __attribute__((always_inline)) void {reference}_take(F *function)",
        '{ __asm__ __volatile__("" :: "r"(function)); }',
        f'extern "C" __attribute__((used)) void {reference}(void) {{ {reference}_take(&{name}); }}',
    ]


def _declared_again(compiling: Compiling, source: Source, include: str, name: str) -> list[str]:
    declaration = f"extern __typeof__({name}) {name};"
    probe, _ = compiling.probe(source, f"{include}\n{_MARKER}\n{declaration}\n")
    with _as_file(probe) as place:
        listing = compiling.toolchain.run("objdump", ["-d", "-l", place]).stdout
    # "<name>:", "name():", "folder/file:line".
    found = re.search(rf"<{re.escape(name)}>:\n(?:.*\(\):\n)?(?P<file>.+):(?P<line>\d+)", listing)
    if found is None:
        return [declaration]
    file = Path(found["file"])
    if file.is_relative_to(Path.cwd()):
        file = file.relative_to(Path.cwd())
    return [f'#line {found["line"]} "{file.as_posix()}"', declaration, _MARKER]


def _reference(reference: str, name: str, *, is_c: bool) -> str:
    """Writes a constant in flash that holds the function's address: a reference that no linker overlooks."""
    prototype = _PROTOTYPE.fullmatch(name)
    if prototype:
        name = prototype["name"]
        declared = f"{prototype['returns']}(*const {reference})({prototype['parameters']})"
    else:
        declared = f"__typeof__(&{name}) const {reference}"
    # Declared first: a constant of C++ would otherwise be known in this file only, and the linker is to keep it.
    declaration = f"""extern {declared} __attribute__((section(".progmem.data.kept")));
{declared} __attribute__((used)) = &{name};"""
    return declaration if is_c else f'extern "C" {{\n{declaration}\n}}'


def _symbols(compiling: Compiling, probe: bytes, plain: str) -> list[str]:
    """Gives the link symbols of the functions of that name that an object defines."""
    defined = re.compile(rf"(?:.*[\s:&*])?{re.escape(plain)}(?:[(<].*)?")
    return [symbol for symbol, spoken in _functions_of(compiling, probe) if defined.fullmatch(spoken)]


def _functions_of(compiling: Compiling, probe: bytes) -> list[tuple[str, str]]:
    """Gives the functions that an object defines: link symbol, and name as the source has it."""
    if not probe:
        return []
    with _as_file(probe) as place:
        listed = compiling.toolchain.run("nm", ["-p", place]).stdout.splitlines()
        spoken = compiling.toolchain.run("nm", ["-p", "-C", place]).stdout.splitlines()
    defined = re.compile(r"[0-9a-f]+ [tTwW] (?P<name>.*)")
    rows = ((row.split()[-1], defined.fullmatch(words)) for row, words in zip(listed, spoken, strict=True))
    return [(symbol, match["name"]) for symbol, match in rows if match is not None]


@contextmanager
def _as_file(data: bytes) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
        place = Path(folder) / "probe.o"
        place.write_bytes(data)
        yield place
