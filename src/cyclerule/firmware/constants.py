"""Constants of a program's sources by name: macros, enumerators and what else the compiler folds, as it has them."""

import re
import struct
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cyclerule.cache import cache_folder
from cyclerule.firmware.compiling import Compiling
from cyclerule.firmware.flags import read_flags
from cyclerule.firmware.object_cache import ObjectCache
from cyclerule.firmware.sources import Source, read_sources
from cyclerule.toolchain import Toolchain
from cyclerule.units import Hertz

_WORD = re.compile(r"[A-Za-z_]\w*(?:::[A-Za-z_]\w*)*")
_SECTION = ".cyclerule"
_LAYOUT = struct.Struct("<qfbb")

# What the unit's constant holds: the value as a whole number and as a float, and which of the two it is. A conversion
# of 0.5 to the value's own type is zero where that is an integer, one of -1 is positive where that is unsigned.
_UNIT = """\
#include "{file}"
#line 1 "<constant>"
extern char cyclerule_is_constant[__builtin_constant_p({word}) ? 1 : -1];
static const struct {{ long long whole; float real; char is_real, is_unsigned; }} __attribute__((packed))
cyclerule_constant __attribute__((used, section("{section}"))) = {{
    (long long) ({word}), (float) ({word}),
    (__typeof__(({word}) + 0)) 0.5 != 0, (__typeof__(({word}) + 0)) -1 > 0
}};
"""


@dataclass(frozen=True)
class Constants:
    """Looks constants up in the context of sources; one that the compiler does not fold has no value."""

    compiling: Compiling
    sources: tuple[Source, ...]
    _found: dict[str, int | float | None] = field(default_factory=dict, repr=False)

    def __call__(self, word: str) -> int | float | None:
        """Gives the value of a name such as "LIMIT" or "hive::LIMIT"; None for one that is no constant of a source."""
        if not _WORD.fullmatch(word):
            return None
        if word not in self._found:
            values = (self._value(source, word) for source in self.sources)
            self._found[word] = next((value for value in values if value is not None), None)
        return self._found[word]

    def _value(self, source: Source, word: str) -> int | float | None:
        unit = _UNIT.format(file=source.path.as_posix(), word=word, section=_SECTION)
        data, _ = self.compiling.probe(source, unit)
        if not data:
            return None
        with tempfile.TemporaryDirectory(prefix="cyclerule-") as folder:
            made, content = Path(folder) / "constant.o", Path(folder) / "constant.bin"
            made.write_bytes(data)
            self.compiling.toolchain.run(
                "objcopy", ["-O", "binary", "-j", _SECTION, "--set-section-flags", f"{_SECTION}=alloc", made, content]
            )
            held = content.read_bytes() if content.is_file() else b""
        if len(held) != _LAYOUT.size:
            return None
        whole, real, is_real, is_unsigned = _LAYOUT.unpack(held)
        if is_real:
            return float(real)
        return int(whole) & (1 << 64) - 1 if is_unsigned else int(whole)


def constants_of(
    sources: Sequence[str | Path],
    *,
    toolchain: Toolchain,
    part_name: str,
    clock: Hertz | None,
    optimize: str,
    flags: Sequence[str],
    defines: Mapping[str, object] | None,
) -> Constants:
    """Gives what looks constants up under the settings of a build."""
    compiling = Compiling(
        toolchain,
        part_name,
        clock,
        read_flags(optimize, flags, defines or {}, ()),
        ObjectCache(cache_folder("objects")),
    )
    return Constants(compiling, tuple(s for s in read_sources(sources) if s.language in ("C", "C++")))
