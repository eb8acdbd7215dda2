"""Input domains: which values a parameter takes in a sweep."""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import SupportsIndex

from cyclerule.errors import ArgumentError, DomainTooLarge
from cyclerule.firmware.arguments import Address, Flash, FunctionName
from cyclerule.firmware.types import EnumType, FunctionType, IntegerType, Parameter, PointerType, Type
from cyclerule.firmware.values import decayed, scalar_range

_FIXED = re.compile(r"(?:std::)?(u?)int(8|16|32|64)_t")
_NAMED = {
    "bool": (0, 1),
    "_Bool": (0, 1),
    "char": (-128, 127),
    "signed char": (-128, 127),
    "unsigned char": (0, 255),
    "short": (-(1 << 15), (1 << 15) - 1),
    "unsigned short": (0, (1 << 16) - 1),
    "int": (-(1 << 15), (1 << 15) - 1),
    "unsigned int": (0, (1 << 16) - 1),
    "unsigned": (0, (1 << 16) - 1),
    "long": (-(1 << 31), (1 << 31) - 1),
    "unsigned long": (0, (1 << 32) - 1),
    "size_t": (0, (1 << 16) - 1),
}


def every(type_name: str) -> range:
    """Gives all values of an integer type of avr-gcc, from the least to the greatest, as in `every("uint8_t")`.

    Raises ArgumentError for a type that is not one of the compiler's integers.
    """
    name = " ".join(type_name.split())
    match = _FIXED.fullmatch(name)
    if match:
        bits = int(match[2])
        low, high = (0, (1 << bits) - 1) if match[1] else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
    elif name in _NAMED:
        low, high = _NAMED[name]
    else:
        raise ArgumentError(
            f"every({type_name!r}): not an integer type; try 'uint8_t', 'int16_t', 'bool' or 'unsigned long'"
        )
    return range(low, high + 1)


def every_value(given: Type) -> Sequence[int]:
    """Gives every value of a type: a range, or an enumeration's own values; ArgumentError for types without."""
    if isinstance(given, EnumType) and given.values:
        return sorted(set(given.values.values()))
    if isinstance(given, IntegerType | EnumType | PointerType):
        low, high = scalar_range(given)
        return range(low, high + 1)
    raise ArgumentError(f"a parameter of type {given.spelling} has no set of all values to go through; give its values")


def as_domain(name: str, given: object) -> Sequence[object]:
    """Gives a domain as a sequence: a range or list as it is, a single value (text, bytes, a structure) as one of one.

    Raises ArgumentError for an empty domain, DomainTooLarge for one with more values than can be counted through.
    """
    if isinstance(given, str | bytes | bytearray | Mapping) or not isinstance(given, Iterable):
        return (given,)
    domain: Sequence[object] = given if isinstance(given, Sequence) else list(given)
    try:
        size = len(domain)
    except OverflowError:
        raise DomainTooLarge(f"the domain of {name} has more than 2^63 values; give a part of it") from None
    if not size:
        raise ArgumentError(f"the domain of {name} is empty; a..b includes both ends and a may not be above b")
    return domain


def are_numbers(signature: FunctionType, domains: Mapping[str, Sequence[object]]) -> bool:
    """Tells whether every value is a number by itself, and none a buffer or a name that is to be placed first."""
    return all(
        isinstance(domain, range) or all(_is_number(parameter.type, value) for value in domain)
        for parameter, domain in zip(signature.parameters, in_order(signature, domains), strict=True)
    )


def _is_number(given: Type, value: object) -> bool:
    if isinstance(decayed(given), PointerType):
        return value is None or isinstance(value, SupportsIndex)
    return not isinstance(value, Address | FunctionName | Flash)


def parameter_key(parameter: Parameter, number: int) -> str:
    """Gives the name that sweeps know a parameter by; one without a name is "argument 1" and so on."""
    return parameter.name or f"argument {number + 1}"


def in_order(signature: FunctionType, domains: Mapping[str, Sequence[object]]) -> list[Sequence[object]]:
    """Gives the domains in the order of a function's parameters."""
    return [domains[parameter_key(parameter, number)] for number, parameter in enumerate(signature.parameters)]


def input_at(domains: Mapping[str, Sequence[object]], row: int) -> dict[str, object]:
    """Gives the input of a row by its number, the last domain varying fastest."""
    found: dict[str, object] = {}
    for name in reversed(tuple(domains)):
        row, place = divmod(row, len(domains[name]))
        found[name] = domains[name][place]
    return {name: found[name] for name in domains}


def count_rows(domains: Iterable[Sequence[object]]) -> int:
    """Gives how many inputs a set of domains makes."""
    count = 1
    for domain in domains:
        count *= len(domain)
    return count
