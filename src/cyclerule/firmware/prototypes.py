"""Prototypes of functions that have no debug information (libraries, assembly), read by the compiler itself."""

import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from cyclerule.cache import cache_folder
from cyclerule.errors import ArgumentError, FirmwareError
from cyclerule.firmware.compiling import DEBUG, Compiling, dependencies
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.flags import read_flags
from cyclerule.firmware.image import Image
from cyclerule.firmware.object_cache import Made, ObjectCache
from cyclerule.firmware.types import FunctionType, PointerType
from cyclerule.toolchain import Completed, Toolchain

_HEADERS = ("stdbool.h", "stddef.h", "stdint.h")
_FILE = "prototype"
_POINTER = "cyclerule_declared"
# `-aux-info` lists every function that is declared, with its file (GCC manual, "C Dialect Options").
_LISTED = re.compile(rf'/\* "?{_FILE}"?:\d+:\w+ \*/ .*?(\w+) \((?!\*)')


def declare(
    prototype: str,
    *,
    toolchain: Toolchain,
    part_name: str,
    includes: Sequence[str] = (),
    include_dirs: Iterable[str | Path] = (),
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    cache: bool = True,
) -> tuple[str, FunctionType]:
    """Reads a C prototype such as "uint8_t crc8(const uint8_t *frame, uint8_t n)": the function's name and its type.

    The types of <stdint.h>, <stddef.h> and <stdbool.h> are known, and what the headers in `includes` declare.
    Parameters have the names that the prototype gives them.

    Raises ArgumentError with the compiler's own words for what is no prototype, UnknownName for an unknown part.
    """
    text = prototype.strip().removesuffix(";").strip()
    if not text or re.search(r"[;{}#]", text):
        raise ArgumentError(f"prototype {prototype!r}: give one function as a header declares it: 'float sin(float)'")
    # Of no meaning for a function that is elsewhere, and with a body the compiler would drop it.
    text = re.sub(r"^(?:(?:static|inline)\s+)+", "", text)
    compiling = Compiling(
        toolchain,
        part_name,
        None,
        read_flags("1", flags, defines or {}, include_dirs),
        ObjectCache(cache_folder("objects") if cache else None),
    )
    options = [*compiling.head, *compiling.flags.compile("C"), DEBUG]
    head = "".join(f"#include <{name}>\n" for name in _HEADERS)
    head += "".join(f'#include "{name.strip("<>")}"\n' for name in includes) + f'# 1 "{_FILE}"\n'
    request = [*compiling.surroundings, "declare", *options, head, text]
    product = compiling.cache.product(request, lambda: _compiled(compiling, options, head, text))
    name = str(product.notes["name"])
    return name, _signature(read_elf(_FILE, product.data), name, text)


def _compiled(compiling: Compiling, options: list[str], head: str, text: str) -> Made:
    with tempfile.TemporaryDirectory(prefix="cyclerule-") as name:
        folder = Path(name)
        program, rule, listing = folder / "declared.elf", folder / "declared.d", folder / "declared.txt"
        # A library's own functions may be declared otherwise than the compiler thinks: they are not its own here.
        own = ["-w", "-fno-builtin", "-fno-lto", "-fno-diagnostics-show-caret", "-x", "c", "-"]
        listed = ["-MD", "-MF", str(rule), "-MT", "declared"]
        linked = ["-nostdlib", "-nostartfiles", "-o", str(program)]

        def run(unit: str, *what: str) -> Completed:
            return compiling.toolchain.run("gcc", [*options, *own, *what], stdin=head + unit)

        # Given a body, the function itself is in the debug information, with its parameters' names. Where one has no
        # name, or the form takes no body, a pointer to the function has its type.
        done = run(f"{text}\n{{ for (;;); }}\n", *listed, *linked)
        declared = _defined_name(program) if done.returncode == 0 else None
        if declared is None:
            done = run(f"{text};\n", "-c", "-o", str(folder / "checked.o"), "-aux-info", str(listing))
            names = _LISTED.findall(listing.read_text("utf-8", "replace")) if done.returncode == 0 else []
            if len(names) == 1:
                declared = names[0]
                pointer = f"__typeof__({declared}) *{_POINTER} = (__typeof__({declared}) *)2;"
                done = run(f"{text};\n{pointer}\n", *listed, *linked)
        if done.returncode != 0:
            raise ArgumentError(str(compiling.refusal(f"prototype {text!r} is not understood", done)))
        if declared is None:
            raise ArgumentError(f"prototype {text!r} declares no function; one looks like 'float sin(float)'")
        depends = dependencies(rule.read_text("utf-8", "surrogateescape"))
        return Made(program.read_bytes(), inputs=tuple(depends), notes={"name": declared})


def _defined_name(program: Path) -> str | None:
    """Gives the function that the prototype's line defines; None where the compiler left it out."""
    try:
        functions = read_elf(program).functions.values()
    except FirmwareError:  # nothing was compiled, as for `inline`
        return None
    names = [f.source_name for f in functions if f.file is not None and Path(f.file).name == _FILE]
    return names[0] if len(names) == 1 else None


def _signature(image: Image, name: str, text: str) -> FunctionType:
    function = image.functions.get(name)
    if function is not None and function.signature is not None:
        return function.signature
    for variable in image.variables:
        if variable.name == _POINTER and isinstance(variable.type, PointerType):
            target = variable.type.target
            if isinstance(target, FunctionType):
                return target
    raise ArgumentError(
        f"prototype {text!r}: the debug information of {name} is not understood ({image.debug_problem})"
    )
