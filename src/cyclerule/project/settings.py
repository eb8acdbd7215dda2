"""How a build is set up: from the option, else the environment, else cyclerule.toml, else the default."""

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from cyclerule.errors import ArgumentError, UnknownName

FILE_NAME = "cyclerule.toml"
ENVIRONMENT_PREFIX = "CYCLERULE_"
OPTIMIZE = "s"

COMMON_PARTS = ("atmega328p", "atmega2560", "atmega32u4", "attiny85")
"""The parts of the most common boards, as examples in a message."""

_KINDS: Mapping[str, str] = {
    "part": "a part's name in quotes",
    "clock": 'a clock in quotes, "16 MHz", or hertz as a number',
    "optimize": 'a level in quotes, "s", "0", "1", "2", "3", "fast" or "g"',
    "flags": "a list of compiler flags, each in quotes",
    "defines": "a table of names and values",
    "sources": "a list of files, each in quotes",
    "start_up": "the cycles in which the clock starts after sleep, a number: 16384 for a crystal, 6 for others",
}
_IN_ENVIRONMENT = ("part", "clock", "optimize")


class Setting(NamedTuple):
    """A setting's value and its origin: "option", "environment CYCLERULE_PART", "cyclerule.toml" or "default"."""

    name: str
    value: object
    origin: str


@dataclass(frozen=True)
class Settings:
    """Everything a build needs to know besides the code; `origins` says where each came from.

    `option_flags` and `option_defines` are those of `flags` and `defines` that were given as options.
    """

    part: str | None
    clock: str | int | None
    optimize: str
    flags: tuple[str, ...]
    defines: Mapping[str, str]
    sources: tuple[Path, ...]
    toolchain: Path | None
    origins: Mapping[str, str]
    option_flags: tuple[str, ...] = ()
    option_defines: Mapping[str, str] = field(default_factory=dict)
    start_up: int | None = None

    def as_options(self) -> list[str]:
        """Gives the options that another command needs to build the same: those that were given as options."""
        words: list[str] = []
        for name in ("part", "clock", "optimize"):
            if self.origins[name] == "option":
                words += [f"--{name}", str(getattr(self, name))]
        words += [f"--flag={flag}" for flag in self.option_flags]
        words += [f"--define={name}={value}" for name, value in self.option_defines.items()]
        if self.toolchain is not None and self.origins["toolchain"] == "option":
            words += ["--toolchain", str(self.toolchain)]
        return words

    def listed(self) -> list[Setting]:
        """Gives every setting with its origin, in the order of this class."""
        names = ("part", "clock", "optimize", "flags", "defines", "sources", "start_up", "toolchain")
        return [Setting(name, getattr(self, name), self.origins[name]) for name in names]


def read_settings(
    *,
    part: str | None = None,
    clock: str | int | None = None,
    optimize: str | None = None,
    flags: Sequence[str] = (),
    defines: Mapping[str, str] | None = None,
    toolchain: Path | None = None,
    folder: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Settings:
    """Puts the settings together; None or nothing stands for an option that was not given.

    Flags and defines of the file and of options add up, the options' behind the file's. `folder` is where
    cyclerule.toml may stand, by default the working folder. Raises ArgumentError for a file that is no TOML or
    holds a value of a wrong kind, UnknownName for a setting that does not exist.
    """
    environment = os.environ if environment is None else environment
    path = (folder or Path()) / FILE_NAME
    filed = read_file(path) if path.is_file() else {}
    options: dict[str, Any] = {"part": part, "clock": clock, "optimize": optimize}
    values: dict[str, Any] = {}
    origins: dict[str, str] = {}
    for name in ("part", "clock", "optimize"):
        variable = ENVIRONMENT_PREFIX + name.upper()
        if options[name] is not None:
            values[name], origins[name] = options[name], "option"
        elif environment.get(variable):
            values[name], origins[name] = environment[variable], f"environment {variable}"
        elif name in filed:
            values[name], origins[name] = filed[name], FILE_NAME
        else:
            values[name], origins[name] = OPTIMIZE if name == "optimize" else None, "default"
    for name, given in (("flags", tuple(flags)), ("defines", dict(defines or {}))):
        places = [place for place, there in ((FILE_NAME, filed.get(name)), ("option", given)) if there]
        origins[name] = " and ".join(places) or "default"
    for name in ("sources", "start_up"):
        origins[name] = FILE_NAME if name in filed else "default"
    variable = ENVIRONMENT_PREFIX + "TOOLCHAIN"
    origins["toolchain"] = (
        "option" if toolchain else f"environment {variable}" if environment.get(variable) else "default"
    )
    return Settings(
        part=values["part"],
        clock=values["clock"],
        optimize=str(values["optimize"]),
        flags=(*filed.get("flags", ()), *flags),
        defines={**filed.get("defines", {}), **(defines or {})},
        sources=tuple(path.parent / each for each in filed.get("sources", ())),
        toolchain=toolchain or (Path(environment[variable]) if environment.get(variable) else None),
        origins=origins,
        option_flags=tuple(flags),
        option_defines=dict(defines or {}),
        start_up=filed.get("start_up"),
    )


def read_file(path: Path) -> dict[str, Any]:
    """Reads a cyclerule.toml; raises ArgumentError and UnknownName as `read_settings`."""
    try:
        found = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise ArgumentError(f"{path}: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise ArgumentError(f"{path}: it is not text in UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ArgumentError(f"{path}: {error}") from None
    for name, value in found.items():
        if name not in _KINDS:
            raise UnknownName("setting", name, _KINDS, hint=f"in {path}")
        if not _is_of_kind(name, value):
            raise ArgumentError(f"{path}: {name} is {value!r}; it takes {_KINDS[name]}")
    if "defines" in found:
        found["defines"] = {name: str(value) for name, value in found["defines"].items()}
    return found


def _is_of_kind(name: str, value: object) -> bool:
    match name:
        case "flags" | "sources":
            return isinstance(value, list) and all(isinstance(each, str) for each in value)
        case "defines":
            return isinstance(value, dict) and all(
                isinstance(each, str | int | float) and not isinstance(each, bool) for each in value.values()
            )
        case "part":
            return isinstance(value, str)
        case "start_up":
            return isinstance(value, int) and not isinstance(value, bool) and value >= 0
        case _:
            return isinstance(value, str | int) and not isinstance(value, bool)
