"""Values that debug information knows of parameters at compile time: those of an inlined call's constants."""

from typing import TYPE_CHECKING, Any

from cyclerule.firmware.dwarf_entries import Entries, Entry
from cyclerule.firmware.types import FloatType, IntegerType, Type
from cyclerule.firmware.values import value_of

if TYPE_CHECKING:
    from collections.abc import Sequence

# DWARF 4, section 7.7.1: operations of location expressions.
_CONSTANTS = {0x08: (1, False), 0x09: (1, True), 0x0A: (2, False), 0x0B: (2, True), 0x0C: (4, False), 0x0D: (4, True)}
_LITERAL_0, _LITERAL_31 = 0x30, 0x4F
_IMPLICIT_VALUE, _STACK_VALUE = 0x9E, 0x9F


def constant_of(entries: Entries, entry: Entry, kind: Type) -> float | int | None:
    """Gives the value of a parameter that is the same wherever it is; None where that is not known."""
    data = _bytes_of(entries, entry, _size(kind))
    if data is None or not isinstance(kind, FloatType | IntegerType) or len(data) < kind.size_bytes:
        return None
    value = value_of(kind, data[: kind.size_bytes])
    return value if isinstance(value, int | float) else None


def _size(kind: Type) -> int:
    return kind.size_bytes if isinstance(kind, FloatType | IntegerType) else 0


def _bytes_of(entries: Entries, entry: Entry, size: int) -> bytes | None:
    if entry.has("DW_AT_const_value"):
        block, number = entry.block("DW_AT_const_value"), entry.number("DW_AT_const_value")
        return bytes(block) if block is not None else _as_bytes(number, size)
    expression = entry.block("DW_AT_location")
    if expression is not None:
        return _implicit(expression, size)
    offset = entry.number("DW_AT_location")
    if offset is None or entries.info is None:
        return None
    lists = entries.info.location_lists()
    if lists is None:
        return None
    rows: list[Any] = lists.get_location_list_at_offset(offset)
    found = {_implicit(row.loc_expr, size) for row in rows if hasattr(row, "loc_expr")}
    return found.pop() if len(found) == 1 else None


def _implicit(expression: "Sequence[int]", size: int) -> bytes | None:
    """Reads a location expression that says a value instead of a place."""
    if not expression:
        return None
    operation, rest = expression[0], bytes(expression[1:])
    if operation == _IMPLICIT_VALUE and rest and len(rest) == rest[0] + 1:
        return rest[1:]
    if not rest or rest[-1] != _STACK_VALUE:
        return None
    if _LITERAL_0 <= operation <= _LITERAL_31 and len(rest) == 1:
        return _as_bytes(operation - _LITERAL_0, size)
    length, signed = _CONSTANTS.get(operation, (0, False))
    if length and len(rest) == length + 1:
        return _as_bytes(int.from_bytes(rest[:length], "little", signed=signed), size)
    return None


def _as_bytes(number: int | None, size: int) -> bytes | None:
    return None if number is None else (number & (1 << 8 * size) - 1).to_bytes(size, "little")
