"""Bytes of memory as one reads them: numbers, texts, the members of structures."""

from cyclerule.firmware.types import (
    ArrayType,
    EnumType,
    Field,
    FloatType,
    IntegerType,
    PointerType,
    StructType,
    Type,
    size_of,
)
from cyclerule.firmware.values import named_members, value_of

LISTED_ELEMENTS = 16
"""The most elements of an array that are written out."""


def pointed_text(target: Type, data: bytes) -> str | None:
    """Writes what a pointer to a type led to; None where the bytes themselves say as much."""
    size = size_of(target)
    if isinstance(target, ArrayType | StructType):
        is_one = size == len(data)
        return value_text(target, data) if is_one else _elements(target, data, size or 0)
    if isinstance(target, IntegerType) and target.is_char:
        return _text(data)
    if isinstance(target, IntegerType) and target.size_bytes == 1:
        return None
    return _elements(target, data, size or 0)


def value_text(given: Type, data: bytes) -> str | None:
    """Writes a value of a type: {id: 3, crc: {poly: 7}}, [1, 2, 3]; None where nothing tells what the bytes are."""
    match given:
        case StructType(is_union=False) if named_members(given):
            texts = [(member.name, _member_text(member, data)) for member in named_members(given)]
            return f"{{{', '.join(f'{name}: {text}' for name, text in texts)}}}"
        case ArrayType(element=element):
            if isinstance(element, IntegerType) and element.is_char and (text := _text(data)) is not None:
                return text
            return _elements(element, data, size_of(element) or 0)
        case EnumType(values=values):
            number = value_of(given, data)
            return next((name for name, value in values.items() if value == number), str(number))
        case PointerType():
            return f"0x{int.from_bytes(data, 'little'):04x}"
        case FloatType():
            return f"{float(value_of(given, data)):.9g}"
        case IntegerType():
            return str(value_of(given, data))
        case _:
            return None


def _member_text(member: Field, data: bytes) -> str:
    if member.bit_size is not None:
        bits = int.from_bytes(data[member.offset :], "little") >> (member.bit_offset or 0)
        value = bits & (1 << member.bit_size) - 1
        is_signed = isinstance(member.type, IntegerType) and member.type.signed
        return str(value - (1 << member.bit_size) if is_signed and value >> (member.bit_size - 1) else value)
    size = size_of(member.type) or 0
    own = data[member.offset : member.offset + size]
    return value_text(member.type, own) or own.hex(" ")


def _elements(element: Type, data: bytes, size: int) -> str | None:
    if not size or len(data) % size:
        return None
    count = len(data) // size
    texts = [value_text(element, data[n * size : (n + 1) * size]) for n in range(min(count, LISTED_ELEMENTS))]
    if None in texts:
        return None
    more = [f"… ({count} in all)"] if count > LISTED_ELEMENTS else []
    return f"[{', '.join([*filter(None, texts), *more])}]"


def _text(data: bytes) -> str | None:
    """Writes characters up to the NUL that ends them; None where some cannot be printed or something follows it."""
    text, _, rest = data.partition(b"\0")
    if any(rest) or not all(0x20 <= each < 0x7F for each in text):
        return None
    return '"' + text.decode("ascii").replace("\\", "\\\\").replace('"', '\\"') + '"'
