"""C and C++ types as the debug information tells them: sizes, fields, signatures and how they were spelled.

Qualifiers and typedef names are attributes of a type, not wrappers around it, so `isinstance(t, IntegerType)` holds
for `const volatile uint8_t` too. Two types are equal when they mean the same; the typedef name plays no part in it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

AddressSpace = Literal["data", "flash", "flash1", "flash2", "flash3", "flash4", "flash5", "memx"]
"""What a pointer points into: RAM and I/O, or program memory through one of the compiler's named address spaces."""


@dataclass(frozen=True, kw_only=True)
class Type:
    """A C or C++ type: the name it was declared by, None without a typedef, and its outermost qualifiers."""

    typedef: str | None = field(default=None, compare=False)
    is_const: bool = False
    is_volatile: bool = False

    @property
    def spelling(self) -> str:
        """The type as the source spells it: "uint8_t", "const char *", "struct frame"."""
        return type_text(self)


@dataclass(frozen=True)
class VoidType(Type):
    """The type `void`, or one that the compiler did not describe."""


@dataclass(frozen=True)
class IntegerType(Type):
    """An integer of 1 to 8 bytes; `name` is the compiler's own ("long int").

    `is_char` marks `char` itself and C++'s character types, whose values are text, and not `uint8_t` or `int8_t`.
    """

    name: str
    size_bytes: int
    signed: bool
    is_bool: bool = False
    is_char: bool = False


@dataclass(frozen=True)
class FloatType(Type):
    """A floating-point number; on AVR 4 bytes in IEEE 754 single precision, whatever its name."""

    name: str
    size_bytes: int


@dataclass(frozen=True)
class EnumType(Type):
    """An enumeration: its tag, empty without one, and its enumerators."""

    name: str
    size_bytes: int
    signed: bool
    values: Mapping[str, int] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, eq=False)
class PointerType(Type):
    """A pointer: `target.is_const` says whether it only reads, `address_space` where it points."""

    target: Type
    size_bytes: int = 2
    address_space: AddressSpace = "data"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, PointerType) and _pointer_meaning(self) == _pointer_meaning(other)

    def __hash__(self) -> int:
        return hash(_pointer_meaning(self))


@dataclass(frozen=True, eq=False)
class ReferenceType(PointerType):
    """A C++ reference; it is passed as a pointer."""


@dataclass(frozen=True)
class ArrayType(Type):
    """An array of `count` elements, None where the length is not known; an array of const elements is itself const."""

    element: Type
    count: int | None

    def __post_init__(self) -> None:
        if self.element.is_const and not self.is_const:
            object.__setattr__(self, "is_const", True)


@dataclass(frozen=True)
class Field:
    """A member of a struct, union or class, `offset` bytes from its start.

    A base class and a member that is itself a struct without a name have an empty name. A bit-field has `bit_size`
    bits, the first of them bit `bit_offset` (0 to 7, 0 the least significant) of the byte at `offset`, going on into
    the following bytes; other members have None in both.
    """

    name: str
    offset: int
    type: Type
    bit_offset: int | None = None
    bit_size: int | None = None


@dataclass(frozen=True)
class StructType(Type):
    """A struct, union or class: its tag (in C++ with its namespaces), empty without one, and its members.

    One that was declared and never defined has `is_complete` False, no fields and size 0. `is_plain` is False for a
    class that declares how it is copied or destroyed, or has a part that does: a copy of it may be more than its bytes.
    """

    name: str
    size_bytes: int
    fields: tuple[Field, ...] = ()
    is_union: bool = False
    is_class: bool = False
    is_complete: bool = True
    is_plain: bool = True


@dataclass(frozen=True)
class Parameter:
    """A parameter of a function: its name, empty where the declaration has none, and its type.

    `is_artificial` marks one that the compiler added, such as `this` of a member function.
    """

    name: str
    type: Type
    is_artificial: bool = False


@dataclass(frozen=True)
class FunctionType(Type):
    """A function's parameters and result: `variadic` if it ends in `...`, not `prototyped` if declared as C's `f()`."""

    parameters: tuple[Parameter, ...]
    returns: Type
    variadic: bool = False
    prototyped: bool = True


def strip(given: Type) -> Type:
    """Gives the type without its typedef name and outermost qualifiers; an array's elements lose theirs too."""
    if isinstance(given, ArrayType):
        return replace(given, element=strip(given.element), typedef=None, is_const=False, is_volatile=False)
    if given.typedef is None and not given.is_const and not given.is_volatile:
        return given
    return replace(given, typedef=None, is_const=False, is_volatile=False)


def size_of(given: Type) -> int | None:
    """Gives what `sizeof` gives, in bytes; None for void, a function, or what has no known length."""
    match given:
        case ArrayType(element=element, count=count):
            size = size_of(element)
            return None if size is None or count is None else size * count
        case StructType(is_complete=False):
            return None
        case IntegerType() | FloatType() | EnumType() | PointerType() | StructType():
            return given.size_bytes
        case _:
            return None


def type_text(given: Type, name: str = "") -> str:
    """Writes a type as C spells it, or with `name` the declaration of something of that type.

    >>> byte = IntegerType("unsigned char", 1, False, typedef="uint8_t")
    >>> reads = PointerType(IntegerType("char", 1, True, is_const=True))
    >>> type_text(FunctionType((Parameter("text", reads), Parameter("n", byte)), byte), "crc8")
    'uint8_t crc8(const char *text, uint8_t n)'
    """
    declarator, space = name, ""
    # From the inside out, as C's declarations are read: `[]` and `()` bind before `*`. The address space belongs to
    # what a pointer points to, so it waits for the next word or star.
    while given.typedef is None:
        match given:
            case PointerType(target=target):
                star = "&" if isinstance(given, ReferenceType) else "*"
                declarator = _join(star + _words(_qualifiers(given), space), declarator, tight=True)
                space = "" if given.address_space == "data" else f"__{given.address_space}"
                if target.typedef is None and isinstance(target, ArrayType | FunctionType):
                    declarator = f"({declarator})"
                given = target
            case ArrayType(element=element, count=count):
                declarator += f"[{'' if count is None else count}]"
                given = element
            case FunctionType(returns=returns):
                declarator += f"({_parameters_text(given)})"
                given = returns
            case _:
                break
    return _join(_words(_qualifiers(given), space, given.typedef or _base_name(given)), declarator)


def _parameters_text(function: FunctionType) -> str:
    texts = [type_text(p.type, p.name) for p in function.parameters if not p.is_artificial]
    if function.variadic:
        texts.append("...")
    return ", ".join(texts) or ("void" if function.prototyped else "")


def _base_name(given: Type) -> str:
    match given:
        case IntegerType(name=name) | FloatType(name=name):
            return name
        case EnumType(name=name):
            return f"enum {name or '{…}'}"
        case StructType(name=name, is_union=is_union, is_class=is_class):
            return f"{'union' if is_union else 'class' if is_class else 'struct'} {name or '{…}'}"
        case _:
            return "void"


def _qualifiers(given: Type) -> str:
    return _words("const" if given.is_const else "", "volatile" if given.is_volatile else "")


def _words(*words: str) -> str:
    return " ".join(word for word in words if word)


def _join(left: str, declarator: str, *, tight: bool = False) -> str:
    """Puts a blank between two parts unless they read better, or as C is written, without."""
    if not declarator or declarator.startswith("[") or (tight and left in {"*", "&"}):
        return left + declarator
    return f"{left} {declarator}"


def _pointer_meaning(pointer: PointerType) -> tuple[object, ...]:
    """Gives what equal pointers share; a struct counts by name and layout only, since it may point to itself."""
    meaning: object = strip(pointer.target)
    if isinstance(meaning, StructType):
        meaning = (meaning.name, meaning.size_bytes, tuple((f.name, f.offset) for f in meaning.fields))
    is_reference = isinstance(pointer, ReferenceType)
    qualifiers = (pointer.is_const, pointer.is_volatile, pointer.target.is_const, pointer.target.is_volatile)
    return (is_reference, pointer.size_bytes, pointer.address_space, qualifiers, meaning)
