"""Objects to a program: the link, a `main` that stands in for a missing one, and whether the part can hold it all."""

import os
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import BuildError
from cyclerule.firmware.compiling import DEBUG, Compiling
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.image import Image
from cyclerule.firmware.object_cache import Made, Product
from cyclerule.firmware.sources import Source
from cyclerule.parts import load_part

_STAND_IN = "int main(void) { for (;;); }\n"
_STAND_IN_NAME = "no_main"
_STAND_IN_TAKEN = re.compile(rf"{_STAND_IN_NAME}\.a\b.*: definition of main$", re.MULTILINE)
_TOO_LARGE = re.compile(r"will not fit in region|overflowed by \d+ bytes|is not within region")
# To link a program that is too large all the same, and see by how much.
_LIFTED_LIMITS = ("-Wl,--defsym=__TEXT_REGION_LENGTH__=0x800000", "-Wl,--defsym=__DATA_REGION_LENGTH__=0xffa0")


@dataclass(frozen=True)
class Linked:
    """A linked program as an ELF file; `has_own_main` unless the stand-in was taken."""

    product: Product
    has_own_main: bool


def link(compiling: Compiling, objects: Sequence[tuple[Source, Product]], undefined: Sequence[str]) -> Linked:
    """Links what the sources became; `undefined` are names to leave in though nothing refers to them.

    Raises BuildError with the linker's words, and one that says by how much when the part's memories are too small.
    """
    stand_in = _stand_in(compiling)
    arguments = link_arguments(compiling, undefined)
    inputs = [text for source, product in objects for text in (source.name, product.digest)]
    request = [*compiling.surroundings, "link", *arguments[0], *arguments[1], *inputs]
    product = compiling.cache.product(request, lambda: _program(compiling, objects, arguments, stand_in))
    return Linked(product, not _STAND_IN_TAKEN.search(str(product.notes["messages"])))


def link_arguments(compiling: Compiling, undefined: Sequence[str]) -> tuple[list[str], list[str]]:
    """Gives what the linker is called with before the objects and after them."""
    before, after = compiling.flags.link()
    named = [f"-Wl,--undefined={name}" for name in undefined]
    return [f"-mmcu={compiling.part_name}", *before, DEBUG], [*after, *named]


def check_size(compiling: Compiling, image: Image) -> None:
    """Raises BuildError, saying by how much, for a program that the part's memories do not hold."""
    part = load_part(compiling.part_name, compiling.toolchain)
    flash = max((end for _, end in image.flash_used), default=0)
    if flash > part.flash_bytes:
        raise BuildError(
            f"the program is too large for {part.name}: it takes {flash} bytes of flash, "
            f"{flash - part.flash_bytes} more than the {part.flash_bytes} there are"
        )
    ram = 0 if image.data_end is None else image.data_end - part.ram_start
    if ram > part.ram_bytes > 0:
        raise BuildError(
            f"the variables are too large for {part.name}: they take {ram} bytes of RAM, "
            f"{ram - part.ram_bytes} more than the {part.ram_bytes} there are"
        )


def _program(
    compiling: Compiling,
    objects: Sequence[tuple[Source, Product]],
    arguments: tuple[list[str], list[str]],
    stand_in: Product,
) -> Made:
    with tempfile.TemporaryDirectory(prefix="cyclerule-") as name:
        folder = Path(name)
        names = {}
        for number, (source, product) in enumerate(objects):
            suffix = ".a" if source.language == "library" else ".o"
            place = folder / f"{number}-{source.path.stem}{suffix}"
            place.write_bytes(product.data)
            names[str(place)] = source.name
        archive, program = folder / f"{_STAND_IN_NAME}.a", folder / "program.elf"
        archive.write_bytes(stand_in.data)
        before, after = arguments
        # Behind the user's own libraries, any of which may bring a main.
        after = [*after, str(archive), "-lm", "-o", str(program)]
        trace = ["-Wl,--trace", "-Wl,--trace-symbol=main"]
        done = compiling.toolchain.run("gcc", [*before, *trace, *names, *after])
        messages = _with_names(done.stderr, names, folder)
        if done.returncode != 0:
            if _TOO_LARGE.search(messages):
                lifted = compiling.toolchain.run("gcc", [*before, *_LIFTED_LIMITS, *names, *after])
                if lifted.returncode == 0:
                    check_size(compiling, read_elf(program))
            if "crt" in messages:
                compiling.toolchain.check_startup(compiling.part_name)
            raise compiling.refusal("the program does not link", done._replace(stderr=messages))
        taken = _files_taken(done.stdout, folder)
        return Made(program.read_bytes(), inputs=taken, notes={"messages": messages})


def _stand_in(compiling: Compiling) -> Product:
    """Gives the library whose only member is a `main` that does nothing; the linker takes it in lack of another."""

    def make() -> Made:
        with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
            made, archive = Path(folder) / f"{_STAND_IN_NAME}.o", Path(folder) / f"{_STAND_IN_NAME}.a"
            # Without debug information: these are no lines of the user's.
            options = [f"-mmcu={compiling.part_name}", "-Os", "-x", "c", "-", "-c", "-o", str(made)]
            done = compiling.toolchain.run("gcc", options, stdin=_STAND_IN)
            if done.returncode == 0:
                done = compiling.toolchain.run("ar", ["rcsD", archive, made])
            if done.returncode != 0:
                raise compiling.refusal(f"nothing compiles for {compiling.part_name}", done)
            return Made(archive.read_bytes())

    return compiling.cache.product([*compiling.identity, "stand-in", compiling.part_name], make)


def _with_names(messages: str, names: Mapping[str, str], folder: Path) -> str:
    """Puts the user's names where the linker speaks of the files that the build made of them."""
    for place, name in names.items():
        messages = messages.replace(place, name)
    messages = messages.replace(f"{folder}{os.sep}", "")
    return re.sub(r"^\S*[/\\]((?:ld|collect2)(?:\.exe)?: )", r"\1", messages, flags=re.MULTILINE)


def _files_taken(listing: str, folder: Path) -> tuple[str, ...]:
    """Gives the files of the toolchain, and libraries named by -l, that a link took something from."""
    found: dict[str, None] = {}
    for line in listing.splitlines():
        # Old linkers write "(library)member", new ones "library(member)" or "-lname (library)".
        for name in re.split(r"[()]", line):
            path = Path(name.strip())
            if path.is_absolute() and path.is_file() and not path.is_relative_to(folder):
                found[str(path)] = None
    return tuple(found)
