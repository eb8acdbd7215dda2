"""Virtual calls: which function an object's own table leads to."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from cyclerule.errors import ArgumentError
from cyclerule.firmware.image import Function, VirtualFunction
from cyclerule.firmware.spelling import canonical
from cyclerule.firmware.types import StructType, Type
from cyclerule.measure.settings import places
from cyclerule.measure.stage import Stage


@dataclass(frozen=True)
class Dispatch:
    """A virtual call: the function as it was asked for, the object, and the function that its table leads to."""

    asked: str
    object_name: str
    function: Function


def find_virtual(virtual: Iterable[VirtualFunction], name: str) -> VirtualFunction | None:
    """Finds a virtual function by its class and name, with its types where there are several; None for none or many."""
    asked = canonical(name)
    found = [each for each in virtual if any(_is_called(spoken, asked) for spoken in _spoken(each))]
    return found[0] if len({(each.name, each.index) for each in found}) == 1 else None


def _spoken(function: VirtualFunction) -> list[str]:
    types = [each.type.spelling for each in function.signature.parameters if not each.is_artificial]
    return [canonical(function.name), canonical(f"{function.name}({', '.join(types)})")]


def _is_called(spoken: str, asked: str) -> bool:
    return spoken == asked or spoken.endswith(f"::{asked}")


def dispatch(stage: Stage, asked: VirtualFunction, object_name: str) -> Dispatch:
    """Follows an object's table, as the object stands in the starting state.

    Raises UnknownName for an object that does not exist, ArgumentError for one that is none of the class's, or whose
    table leads nowhere.
    """
    image, owner = stage.image, asked.name.rpartition("::")[0]
    place = places(stage)(object_name)
    kind = next((v.type for v in image.variables if v.address == place.address and v.space == "data"), None)
    if kind is not None and not _begins_with(kind, owner):
        raise ArgumentError(f"{asked.name}: {object_name} is {kind.spelling}, whose first base is not {owner}")
    memory = stage.saved.chip[0]
    table = int.from_bytes(memory[place.address : place.address + 2], "little")
    entry = table + 2 * asked.index
    word = int.from_bytes(memory[entry : entry + 2], "little") if stage.chip.ram_start <= table else 0
    function = image.function_at(2 * word) if word else None
    if function is None or function.address != 2 * word:
        raise ArgumentError(f"{asked.name}: {object_name} has no table of virtual functions; has it been constructed?")
    return Dispatch(asked.name, object_name, function)


def class_of(stage: Stage, object_name: str) -> str | None:
    """Gives the class of an object by the name of its table; None for one without, or whose table has no name.

    Link-time optimisation leaves out of the debug information which functions are virtual, but the tables keep their
    names: _ZTV8Humidity, _ZTVN4hive5ScaleE (Itanium C++ ABI, 5.1.4). An object points behind the first two words.
    """
    place = places(stage)(object_name)
    memory = stage.saved.chip[0]
    table = int.from_bytes(memory[place.address : place.address + 2], "little")
    symbol = stage.image.symbol_at("data", table - 2 * 2)
    match = None if symbol is None else re.fullmatch(r"_ZTV(?:N(?P<nested>\w+)E|(?P<plain>\d+\w+))", symbol.name)
    if match is None:
        return None
    rest, parts = match["nested"] or match["plain"], list[str]()
    while (length := re.match(r"\d+", rest)) is not None:
        start = length.end()
        parts.append(rest[start : start + int(length[0])])
        rest = rest[start + int(length[0]) :]
    return None if rest else "::".join(parts)


def _begins_with(kind: Type, owner: str) -> bool:
    """Whether a class is another one, or has it as its first base, which shares its table."""
    while isinstance(kind, StructType):
        if kind.name == owner:
            return True
        base = next((each for each in kind.fields if not each.name and each.offset == 0), None)
        if base is None:
            return False
        kind = base.type
    return False
