"""Values as memory holds them: the bytes of numbers, structures, buffers and pointers, checked against their types."""

import operator
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from numbers import Real
from typing import Literal

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.firmware.arguments import Address, Flash, FunctionName, Out, Sized
from cyclerule.firmware.image import Symbol
from cyclerule.firmware.types import (
    ArrayType,
    EnumType,
    Field,
    FloatType,
    FunctionType,
    IntegerType,
    Parameter,
    PointerType,
    ReferenceType,
    StructType,
    Type,
    VoidType,
    size_of,
    type_text,
)

_MEMX_IN_RAM = 0x80_0000
"""Bit 23 of a `__memx` address says RAM; GCC manual, section "AVR Named Address Spaces"."""

Bytes = bytes | bytearray | memoryview

NOT_PLAIN = (
    "the class declares how it is copied or destroyed; unless by `= default`, which the debug information does not "
    "tell, callers then pass a hidden reference instead; call a function that takes a pointer or a reference"
)


@dataclass(frozen=True)
class Buffer:
    """Memory that an argument points to: data-space address, or flash byte address for the kind "flash"."""

    address: int
    size: int
    kind: Literal["in", "out", "result", "flash"]


@dataclass
class Frame:
    """The caller's frame while arguments are being placed; `low` is the next free byte below it.

    `memory` and `flash` collect what is to be written where, `buffers` what it is known by afterwards.
    """

    low: int
    flash_low: int
    symbols: Callable[[str], Symbol] | None
    ram_start: int
    flash_end: int | None
    memory: list[tuple[int, bytes]] = field(default_factory=list)
    flash: list[tuple[int, bytes]] = field(default_factory=list)
    buffers: dict[str | int, Buffer] = field(default_factory=dict)
    top: int = 0

    def __post_init__(self) -> None:
        self.top = self.low

    def allocate(self, data: bytes) -> int:
        """Puts bytes below what is there already and gives their address."""
        self.low -= len(data)
        if data:
            self.memory.append((self.low + 1, data))
        return self.low + 1

    def buffer(self, data: bytes, kind: Literal["in", "out", "result"], *keys: str | int) -> int:
        """Makes a buffer that is known afterwards by the keys."""
        address = self.allocate(data)
        self.buffers.update((key, Buffer(address, len(data), kind)) for key in keys if key != "")
        return address

    def flash_buffer(self, data: bytes, subject: str, *keys: str | int) -> int:
        """Puts bytes into free program memory."""
        address = self.flash_low
        self.flash_low += len(data)
        if self.flash_end is not None and self.flash_low > self.flash_end:
            raise ArgumentError(
                f"{subject}: {len(data)} bytes do not fit into program memory; {self.flash_end - address} are free"
            )
        if data:
            self.flash.append((address, data))
        self.buffers.update((key, Buffer(address, len(data), "flash")) for key in keys if key != "")
        return address

    def find(self, name: str, subject: str) -> Symbol:
        """Finds a variable or function of the program."""
        if self.symbols is None:
            raise ArgumentError(f"{subject}: a name of the program has no place here; give a number")
        return self.symbols(name)

    def check(self, return_address_bytes: int) -> None:
        """Raises ArgumentError if the frame and a return address reach below the part's RAM."""
        if self.low + 1 - return_address_bytes < self.ram_start:
            raise ArgumentError(
                f"buffers and stack arguments take {self.top - self.low} bytes and the return address "
                f"{return_address_bytes}; the stack has only {max(self.top + 1 - self.ram_start, 0)} bytes of RAM"
            )


class _NoFrame(Frame):
    """The frame of a plain number, which needs none."""

    def allocate(self, data: bytes) -> int:
        raise ArgumentError("a buffer has no place here; give a number")

    def flash_buffer(self, data: bytes, subject: str, *keys: str | int) -> int:
        raise ArgumentError(f"{subject}: data in program memory has no place here; give a number")


NO_FRAME = _NoFrame(0, 0, None, 0, None)


def scalar_range(given: IntegerType | EnumType | PointerType) -> tuple[int, int]:
    """Gives the least and the greatest whole number that a type holds."""
    match given:
        case IntegerType(is_bool=True):
            return 0, 1
        case IntegerType(size_bytes=size, signed=True) | EnumType(size_bytes=size, signed=True):
            return -(1 << (8 * size - 1)), (1 << (8 * size - 1)) - 1
        case IntegerType(size_bytes=size) | EnumType(size_bytes=size) | PointerType(size_bytes=size):
            return 0, (1 << (8 * size)) - 1


def value_of(given: Type, data: bytes) -> int | float | bytes:
    """Reads the value of a type from its bytes in memory: a number, or the bytes themselves for anything larger."""
    match given:
        case FloatType(size_bytes=4):
            return float(struct.unpack("<f", data)[0])
        case FloatType(size_bytes=8):
            return float(struct.unpack("<d", data)[0])
        case IntegerType(signed=signed) | EnumType(signed=signed):
            return int.from_bytes(data, "little", signed=signed)
        case PointerType():
            return int.from_bytes(data, "little")
        case _:
            return bytes(data)


def encode_parameter(parameter: Parameter, position: int, value: object, frame: Frame, *, promotes: bool) -> bytes:
    """Encodes the argument for a parameter; without a prototype it is promoted first."""
    subject = subject_text(parameter.name, position, parameter.type)
    if isinstance(parameter.type, StructType) and not parameter.type.is_plain:
        raise ArgumentError(f"{subject} cannot be passed by value: {NOT_PLAIN}")
    data = encode(decayed(parameter.type), value, subject, frame, parameter.name, position)
    if promotes and len(data) == 1 and isinstance(parameter.type, IntegerType | EnumType):
        # Without a prototype the caller passes int, also where it ends up on the stack (C11 6.5.2.2).
        return int.from_bytes(data, "little", signed=parameter.type.signed).to_bytes(2, "little", signed=True)
    return data


def encode_variadic(position: int, value: object, frame: Frame) -> bytes:
    """Encodes an argument that stands for `...`, by what C's default promotions make of such a value."""
    subject = f"argument {position + 1} (in place of ...)"
    if isinstance(value, Sized):
        return (value.value % (1 << (8 * value.size_bytes))).to_bytes(value.size_bytes, "little")
    if isinstance(value, float):
        return _float_bytes(FloatType("double", 4), value, subject)
    whole = _whole(value)
    if whole is None:
        pointer = PointerType(VoidType())
        if isinstance(value, str):
            pointer = PointerType(IntegerType("char", 1, True, is_char=True))
        return encode(pointer, value, subject, frame, "", position)
    for size in (2, 4, 8):
        if -(1 << (8 * size - 1)) <= whole < 1 << (8 * size):
            return (whole % (1 << (8 * size))).to_bytes(size, "little")
    raise ArgumentError(f"{subject}: {whole} does not fit 8 bytes")


def encode(given: Type, value: object, subject: str, frame: Frame, *keys: str | int) -> bytes:
    """Gives a value's bytes as memory of that type holds them, lowest first."""
    match given:
        case FloatType():
            return _float_bytes(given, value, subject)
        case IntegerType() | EnumType():
            return _integer_bytes(given, value, subject, frame)
        case PointerType():
            return _pointer_bytes(given, value, subject, frame, keys)
        case StructType():
            return _struct_bytes(given, value, subject, frame, keys)
        case ArrayType():
            return _array_bytes(given, value, subject, frame, keys)
        case _:
            raise ArgumentError(
                f"{subject}: its type is not known from the debug information; declare the function's prototype"
            )


def subject_text(name: str, position: int, given: Type) -> str:
    """Names a parameter in a message."""
    return f"parameter {name or position + 1!r} ({type_text(given)})"


def _whole(value: object) -> int | None:
    """Gives a whole number as int, None for what is none."""
    if isinstance(value, int):
        return int(value)
    try:
        return operator.index(value)  # type: ignore[arg-type]  # numpy's integers
    except TypeError:
        pass
    if isinstance(value, Real):
        number = float(value)
        return int(number) if number.is_integer() else None
    return None


def little_endian(value: int, size: int) -> bytes:
    """Gives a number's bytes, lowest first."""
    return value.to_bytes(size, "little")


def _float_bytes(given: FloatType, value: object, subject: str) -> bytes:
    if not isinstance(value, Real):
        raise ArgumentError(f"{subject} takes a number; {value!r} given")
    try:
        return struct.pack("<f" if given.size_bytes == 4 else "<d", float(value))
    except OverflowError:
        raise ArgumentError(f"{subject} takes numbers up to ±3.4028234663852886e38; {value!r} given") from None


def _integer_bytes(given: IntegerType | EnumType, value: object, subject: str, frame: Frame) -> bytes:
    size = given.size_bytes
    if isinstance(given, IntegerType) and not is_supported(given):
        raise ArgumentError(f"{subject}: numbers of this type are not supported")
    if isinstance(value, Address | FunctionName | Flash) and size >= 2:
        return little_endian(_named_place(value, size, subject, frame, ()), size)
    if isinstance(value, str):
        value = _named_value(given, value, subject)
    whole = _whole(value)
    low, high = scalar_range(given)
    if whole is None:
        raise ArgumentError(f"{subject} takes a whole number from {low} to {high}; {value!r} given")
    if not low <= whole <= high:
        raise ArgumentError(f"{subject} takes {low} to {high}; {whole} given")
    return whole.to_bytes(size, "little", signed=low < 0)


def _named_value(given: IntegerType | EnumType, text: str, subject: str) -> int:
    if isinstance(given, EnumType):
        if text in given.values:
            return given.values[text]
        raise UnknownName("enumerator", text, given.values, hint=f"for {subject}")
    if given.size_bytes == 1 and not given.is_bool and len(text) == 1 and text.isascii():
        return ord(text)
    raise ArgumentError(f"{subject} takes a whole number; {text!r} given")


def _named_place(
    value: Address | FunctionName | Flash, size: int, subject: str, frame: Frame, keys: tuple[str | int, ...]
) -> int:
    """Gives the number that stands for a variable, a function or data in flash where `size` bytes hold it."""
    match value:
        case Flash(data=data):
            place = frame.flash_buffer(data, subject, *keys)
            if place + len(data) > 1 << (8 * min(size, 4)):
                raise ArgumentError(
                    f"{subject}: the free program memory begins at 0x{place:x}, which a pointer of {size} bytes "
                    "does not reach"
                )
            return place
        case Address(name=name):
            symbol = frame.find(name, subject)
            if symbol.space not in ("data", "flash", "eeprom"):
                raise ArgumentError(f"{subject}: {name} is no variable with an address")
            if size == 3 and symbol.space == "data":
                return symbol.address | _MEMX_IN_RAM
            if symbol.address >= 1 << (8 * size):
                raise ArgumentError(
                    f"{subject}: {name} is at 0x{symbol.address:x}, which a pointer of {size} bytes does not reach"
                )
            return symbol.address
        case FunctionName(name=name):
            symbol = frame.find(name, subject)
            if symbol.space != "flash":
                raise ArgumentError(f"{subject}: {name} is no function")
            word = symbol.address // 2
            if word > 0xFFFF:
                # UNVERIFIED: a pointer to a function beyond 128 KB is the address of a jump stub that the linker makes
                # only for addresses taken in the program; a stub found in the image's .trampolines would settle it.
                raise ArgumentError(
                    f"{subject}: {name} lies beyond 128 KB of program memory, where a pointer of 2 bytes does not reach"
                )
            return word


def _pointer_bytes(given: PointerType, value: object, subject: str, frame: Frame, keys: tuple[str | int, ...]) -> bytes:
    size, target = given.size_bytes, given.target
    if isinstance(value, Address) and isinstance(target, FunctionType):
        # &f is f (C11 6.3.2.1): what is passed counts words, and not bytes as the address of data in flash does.
        value = FunctionName(value.name)
    if isinstance(value, FunctionName | Address):
        return little_endian(_named_place(value, size, subject, frame, keys), size)
    if isinstance(value, Flash):
        if given.address_space not in ("data", "flash", "memx"):
            raise ArgumentError(
                f"{subject}: data cannot be placed for a pointer into __{given.address_space}; give the address"
            )
        return little_endian(_named_place(value, size, subject, frame, keys), size)
    is_reference = isinstance(given, ReferenceType)
    if value is None and not is_reference:
        return bytes(size)
    whole = _whole(value)
    if whole is not None and not is_reference:
        if not 0 <= whole < 1 << (8 * size):
            raise ArgumentError(f"{subject} takes an address from 0 to 0x{(1 << (8 * size)) - 1:x}; {whole} given")
        return little_endian(whole, size)
    if isinstance(target, FunctionType):
        raise ArgumentError(f"{subject} is a function pointer; give function('name') or an address, not {value!r}")
    # A number for a reference is what it refers to; for a pointer it is an address.
    content = (
        encode(target, value, subject, frame)
        if is_reference and isinstance(value, Real)
        else _content(target, value, subject, frame, keys)
    )
    return _buffer_pointer(given, content, subject, frame, keys, is_output=isinstance(value, Out))


def _buffer_pointer(
    given: PointerType, content: bytes, subject: str, frame: Frame, keys: tuple[str | int, ...], *, is_output: bool
) -> bytes:
    """Puts a buffer where the pointer can point and gives the pointer's bytes."""
    if given.address_space in ("data", "memx"):
        address = frame.buffer(content, "out" if is_output else "in", *keys)
        return little_endian(address | (_MEMX_IN_RAM if given.address_space == "memx" else 0), given.size_bytes)
    if is_output:
        raise ArgumentError(f"{subject} points into program memory, which a function cannot write to")
    return _pointer_bytes(given, Flash(content), subject, frame, keys)


def _content(target: Type, value: object, subject: str, frame: Frame, keys: tuple[str | int, ...]) -> bytes:
    """Gives what a buffer holds that a pointer to `target` leads to."""
    if isinstance(value, Out):
        return _with_table(target, bytes(value.size_bytes), subject, frame)
    if isinstance(value, Bytes):
        return bytes(value)
    if isinstance(value, str):
        if isinstance(target, VoidType) or size_of(target) == 1 or _is_char_array(target):
            return value.encode("utf-8") + b"\0"
        raise ArgumentError(f"{subject} does not point to characters; {value!r} given")
    member_keys = tuple(key for key in keys if isinstance(key, str))
    if isinstance(value, Mapping):
        return _with_table(target, encode(target, value, subject, frame, *member_keys), subject, frame)
    listed = _listed(value)
    if listed is None:
        raise ArgumentError(
            f"{subject} takes a buffer (bytes, text, a list of numbers, out(bytes), flash(bytes)), address('name') "
            f"or an address; {value!r} given"
        )
    if isinstance(target, ArrayType):
        return _array_bytes(target, value, subject, frame, member_keys)
    if isinstance(target, VoidType) or size_of(target) is None:
        raise ArgumentError(f"{subject} does not say what it points to; give its contents as bytes")
    return b"".join(
        encode(target, item, f"{subject}, element {index}", frame, *_member(member_keys, f"[{index}]"))
        for index, item in enumerate(listed)
    )


def _with_table(target: Type, data: bytes, subject: str, frame: Frame) -> bytes:
    """Gives an object of a class with virtual functions its table, as its constructor would.

    The pointer to it is the first member of the first base, and what it points to begins behind two words (Itanium C++
    ABI, 2.5.2), here of 2 bytes.
    """
    first: Type = target
    while isinstance(first, StructType) and first.fields and not first.fields[0].name:
        first = first.fields[0].type
    has_table = isinstance(first, StructType) and bool(first.fields) and first.fields[0].name.startswith("_vptr")
    if not isinstance(target, StructType) or not has_table or frame.symbols is None or any(data[:2]):
        return data
    parts = "".join(f"{len(part)}{part}" for part in target.name.split("::"))
    try:
        table = frame.symbols(f"_ZTVN{parts}E" if "::" in target.name else f"_ZTV{parts}")
    except UnknownName:
        raise ArgumentError(
            f"{subject}: {target.name} has virtual functions, and the program has no table of them for an object made "
            "here; name one of its objects, &NAME, or give all bytes, hex:…"
        ) from None
    return little_endian(table.address + 4, 2) + data[2:] if len(data) >= target.size_bytes else data


def _listed(value: object) -> list[object] | None:
    """Gives the items of a list, a tuple or a numpy array; None for what is no list."""
    to_list = getattr(value, "tolist", None)
    if to_list is not None:
        value = to_list()
    return list(value) if isinstance(value, Sequence) and not isinstance(value, str | Bytes) else None


def _is_char_array(target: Type) -> bool:
    return isinstance(target, ArrayType) and size_of(target.element) == 1


def _member(keys: tuple[str | int, ...], name: str) -> tuple[str, ...]:
    joint = "" if name.startswith("[") else "."
    return tuple(f"{key}{joint}{name}" for key in keys if isinstance(key, str) and key)


def _array_bytes(given: ArrayType, value: object, subject: str, frame: Frame, keys: tuple[str | int, ...]) -> bytes:
    """Encodes an array inside a structure; as in C, what is left out is zero."""
    size = size_of(given)
    element_size = size_of(given.element)
    if size is None or element_size is None or given.count is None:
        raise ArgumentError(f"{subject}: the length of {type_text(given)} is not known; give the whole as bytes")
    if isinstance(value, str) and element_size == 1:
        # C lets the NUL of a text that fills the array fall away (C11 6.7.9).
        data = value.encode("utf-8")
    elif isinstance(value, Bytes):
        data = bytes(value)
    else:
        listed = _listed(value)
        if listed is None:
            raise ArgumentError(f"{subject} takes a list of {given.count} values; {value!r} given")
        data = b"".join(
            encode(given.element, item, f"{subject}, element {index}", frame, *_member(keys, f"[{index}]"))
            for index, item in enumerate(listed)
        )
    if len(data) > size:
        raise ArgumentError(
            f"{subject} takes {size // max(element_size, 1)} elements ({size} bytes); {len(data)} bytes given"
        )
    return data.ljust(size, b"\0")


def _struct_bytes(given: StructType, value: object, subject: str, frame: Frame, keys: tuple[str | int, ...]) -> bytes:
    size = known_size(given, subject)
    if isinstance(value, Bytes):
        if len(value) != size:
            raise ArgumentError(f"{subject} takes {size} bytes; {len(value)} given")
        return bytes(value)
    if not isinstance(value, Mapping):
        names = ", ".join(member.name for member in named_members(given))
        raise ArgumentError(f"{subject} takes its members by name ({names}), or {size} bytes; {value!r} given")
    members = {member.name: member for member in named_members(given)}
    bits = taken = 0
    for key, item in value.items():
        member = members.get(str(key))
        if member is None:
            raise UnknownName("member", str(key), members, hint=f"of {subject}")
        inner = f"{subject}, member {member.name}"
        own_bits, ones = member_bits(member, item, inner, frame, _member(keys, member.name))
        if taken & ones << (8 * member.offset):
            raise ArgumentError(f"{inner} shares its memory with another one that was given; give one of them")
        bits |= own_bits << (8 * member.offset)
        taken |= ones << (8 * member.offset)
    # A bit-field's storage unit may be larger than the structure that ends within it.
    return little_endian(bits, size)


def member_bits(member: Field, value: object, subject: str, frame: Frame, keys: tuple[str, ...]) -> tuple[int, int]:
    """Gives a member's bits, and as many ones, both counted from the lowest bit of the byte at its offset."""
    if member.bit_size is None:
        data = encode(member.type, value, subject, frame, *keys)
        return int.from_bytes(data, "little"), (1 << (8 * len(data))) - 1
    if not isinstance(member.type, IntegerType | EnumType):
        raise ArgumentError(f"{subject} is a bit-field of a type that is not known; give the whole as bytes")
    whole = _named_value(member.type, value, subject) if isinstance(value, str) else _whole(value)
    ones = (1 << member.bit_size) - 1
    low, high = bit_field_range(member)
    if whole is None or not low <= whole <= high:
        raise ArgumentError(
            f"{subject} is a bit-field of {member.bit_size} bits that takes {low} to {high}; {value!r} given"
        )
    shift = member.bit_offset or 0
    return (whole & ones) << shift, ones << shift


def bit_field_range(member: Field) -> tuple[int, int]:
    """Gives the least and the greatest number that a bit-field holds."""
    ones = (1 << (member.bit_size or 0)) - 1
    is_signed = isinstance(member.type, IntegerType | EnumType) and member.type.signed
    return (-(ones // 2) - 1, ones // 2) if is_signed else (0, ones)


def named_members(given: StructType) -> list[Field]:
    """Gives all members that have a name, those of base classes and unnamed members included, at their full offset."""
    found: list[Field] = []
    for member in given.fields:
        if member.name:
            found.append(member)
        elif isinstance(member.type, StructType):
            found += [
                Field(m.name, member.offset + m.offset, m.type, m.bit_offset, m.bit_size)
                for m in named_members(member.type)
            ]
    return found


def decayed(given: Type) -> Type:
    """Gives the type that a parameter really has: arrays and functions are passed as pointers (C11 6.7.6.3)."""
    match given:
        case ArrayType(element=element):
            return PointerType(element)
        case FunctionType():
            return PointerType(given)
        case _:
            return given


def is_supported(given: IntegerType) -> bool:
    """Whether it is an ordinary number: GCC's complex integers are none."""
    return given.size_bytes <= 8 and not given.name.startswith("complex ")


def known_size(given: Type, subject: str) -> int:
    """Gives `sizeof`, or raises ArgumentError where it is not known."""
    size = size_of(given)
    if size is None:
        raise ArgumentError(f"{subject}: the size of {type_text(given)} is not known from the debug information")
    return size
