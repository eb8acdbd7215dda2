"""Which pin an alternate function has, by part; the facts and their sources stand in pinout.toml beside this file."""

import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

from cyclerule.parts.part import Part

# The datasheets of parts with one unit of a kind leave its number or letter out: TXD, ICP, OC2.
_OTHER_NAMES = (
    (re.compile(r"(TXD|RXD|XCK)0"), r"\1"),
    (re.compile(r"(TXD|RXD|XCK)"), r"\g<1>0"),
    (re.compile(r"ICP"), "ICP1"),
    (re.compile(r"(OC\d)A"), r"\1"),
    (re.compile(r"(OC\d)"), r"\1A"),
)


def pin_of(part: Part, function: str) -> str | None:
    """Gives the pin of a function by its datasheet name ("OC1A", "PCINT5", "RXD0"); None where it is not known.

    The number of an only unit may be left out or added: "TXD" and "TXD0", "OC2" and "OC2A", "ICP" and "ICP1".
    """
    functions = _functions(part.name)
    found = functions.get(function)
    for pattern, other in _OTHER_NAMES:
        if found is None and pattern.fullmatch(function):
            found = functions.get(pattern.sub(other, function))
    return found if found is not None and _has_pin(part, found) else None


def functions_of(part: Part, pin: str) -> tuple[str, ...]:
    """Gives the functions of a pin in the order of the datasheet, as far as they are known."""
    return tuple(name for name, place in _functions(part.name).items() if place == pin) if _has_pin(part, pin) else ()


def has_pinout(part: Part) -> bool:
    """Tells whether anything is known about the part's pins."""
    return bool(_functions(part.name))


def _has_pin(part: Part, pin: str) -> bool:
    # Parts of one group in smaller packages lack whole ports.
    return f"PORT{pin[1]}" in part.registers or f"PIN{pin[1]}" in part.registers


@cache
def _functions(part_name: str) -> Mapping[str, str]:
    for pattern, functions in _groups():
        if pattern.fullmatch(part_name):
            return functions
    return {}


@cache
def _groups() -> tuple[tuple[re.Pattern[str], Mapping[str, str]], ...]:
    text = files("cyclerule.peripherals").joinpath("pinout.toml").read_text(encoding="utf-8")
    groups = tomllib.loads(text)["group"]
    return tuple((re.compile(group.pop("parts")), _by_function(group)) for group in groups)


def _by_function(group: Mapping[str, str]) -> Mapping[str, str]:
    rows = ((pin, functions) for pin, functions in group.items() if pin != "source")
    return {function: pin for pin, functions in rows for function in functions.split()}
