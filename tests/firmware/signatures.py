"""Made-up C functions with arguments, for checks of the calling convention: as C text and as types, side by side."""

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from cyclerule.firmware.arguments import sized
from cyclerule.firmware.types import (
    ArrayType,
    EnumType,
    Field,
    FloatType,
    FunctionType,
    IntegerType,
    Parameter,
    PointerType,
    StructType,
    Type,
    VoidType,
)

CHAR = IntegerType("char", 1, True, is_char=True)
CONST_CHAR = IntegerType("char", 1, True, is_const=True, is_char=True)
UINT8 = IntegerType("unsigned char", 1, False, typedef="uint8_t")
INTEGERS = {
    "bool": IntegerType("_Bool", 1, False, is_bool=True),
    "char": CHAR,
    "int8_t": IntegerType("signed char", 1, True),
    "uint8_t": UINT8,
    "int16_t": IntegerType("int", 2, True),
    "uint16_t": IntegerType("unsigned int", 2, False),
    "__int24": IntegerType("__int24", 3, True),
    "__uint24": IntegerType("__uint24", 3, False),
    "int32_t": IntegerType("long int", 4, True),
    "uint32_t": IntegerType("long unsigned int", 4, False),
    "int64_t": IntegerType("long long int", 8, True),
    "uint64_t": IntegerType("long long unsigned int", 8, False),
    "enum level": EnumType("level", 2, True, {"LOW": -1, "HIGH": 300}),
    "enum packed": EnumType("packed", 1, False, {"OFF": 0, "ON": 200}),
}
FLOATS = {"float": FloatType("float", 4), "double": FloatType("double", 4)}
POINTERS = {
    "char *": PointerType(CHAR),
    "const __flash char *": PointerType(CONST_CHAR, address_space="flash"),
    "const __memx char *": PointerType(CONST_CHAR, 3, address_space="memx"),
    "function_pointer": PointerType(FunctionType((), VoidType())),
}
STRUCT_SIZES = (*range(21), 33)
STRUCTS = {f"struct s{n}": StructType(f"s{n}", n, (Field("b", 0, ArrayType(UINT8, n)),)) for n in STRUCT_SIZES}
STRUCTS["struct s0"] = StructType("s0", 0)
_HALF = FloatType("float", 4)
STRUCTS["_Complex float"] = StructType("complex float", 8, (Field("real", 0, _HALF), Field("imaginary", 4, _HALF)))
TYPES: dict[str, Type] = {**INTEGERS, **FLOATS, **POINTERS, **STRUCTS}

DECLARATIONS = """
#include <stdint.h>
#include <stdbool.h>
#include <stdarg.h>
enum level { LOW = -1, HIGH = 300 };
enum __attribute__((packed)) packed { OFF = 0, ON = 200 };
typedef void (*function_pointer)(void);
struct s0 {};
""" + "".join(f"struct s{n} {{ uint8_t b[{n}]; }};\n" for n in STRUCT_SIZES if n)


@dataclass(frozen=True)
class Case:
    """A function, the arguments of one call as Python values and as C expressions."""

    number: int
    returns: str
    parameters: tuple[str, ...]
    values: tuple[object, ...]
    expressions: tuple[str, ...]
    variadic: bool = False
    prototyped: bool = True
    signature: FunctionType = field(init=False)

    def __post_init__(self) -> None:
        names = [Parameter(f"p{i}", TYPES[t]) for i, t in enumerate(self.parameters)]
        returns = VoidType() if self.returns == "void" else TYPES[self.returns]
        object.__setattr__(self, "signature", FunctionType(tuple(names), returns, self.variadic, self.prototyped))

    @property
    def declaration(self) -> str:
        """The function as the caller knows it."""
        inside = ", ".join((*self.parameters, "...") if self.variadic else self.parameters) or "void"
        return f"extern {self.returns} callee_{self.number}({inside if self.prototyped else ''});"

    @property
    def caller(self) -> str:
        """A function that calls it with the arguments as constants."""
        return f"void caller_{self.number}(void) {{ callee_{self.number}({', '.join(self.expressions)}); }}"


def value(random: Random, name: str) -> tuple[object, str]:
    """Chooses a value of a type: for Python and as a C expression."""
    kind = TYPES[name]
    match kind:
        case IntegerType() | EnumType() | PointerType():
            size = kind.size_bytes
            bits = random.getrandbits(1 if isinstance(kind, IntegerType) and kind.is_bool else 8 * size)
            signed = isinstance(kind, IntegerType | EnumType) and kind.signed
            chosen = int.from_bytes(bits.to_bytes(size, "little"), "little", signed=signed)
            return chosen, f"({name}){'(__uint24)' if size == 3 else ''}0x{bits:x}ULL"
        case FloatType():
            number = struct.unpack("<f", struct.pack("<f", random.uniform(-1e6, 1e6)))[0]
            return number, f"({name}){number.hex()}"
        case StructType(name="complex float"):
            parts = [struct.unpack("<f", struct.pack("<f", random.uniform(-9, 9)))[0] for _ in range(2)]
            expression = f"__builtin_complex({', '.join(f'{part.hex()}f' for part in parts)})"
            return struct.pack("<ff", *parts), expression
        case StructType(size_bytes=size):
            data = random.randbytes(size)
            return data, f"({name}){{{{{', '.join(map(str, data))}}}}}" if size else f"({name}){{}}"
        case _:
            raise AssertionError(name)


def cases(seed: int, count: int) -> Sequence[Case]:
    """Makes functions of every kind: few and many arguments, prototyped and not, variadic, with every result size."""
    random = Random(seed)
    made = []
    for number in range(count):
        kind = random.choice(["plain"] * 6 + ["variadic", "unprototyped"])
        # Half of them of small types only, so that many find a register and the last register is met exactly.
        pool = list(TYPES) if number % 2 else [t for t in TYPES if t not in STRUCTS or t in ("struct s1", "struct s3")]
        if kind == "unprototyped":
            pool = [t for t in pool if t != "float"]
        at_least = 1 if kind == "variadic" else 0
        parameters = tuple(random.choice(pool) for _ in range(random.randint(at_least, 9)))
        chosen = [value(random, name) for name in parameters]
        if kind == "variadic":
            chosen += [_variadic_value(random) for _ in range(random.randint(0, 4))]
        returns = random.choice(["void", *TYPES]) if random.random() < 0.5 else "void"
        made.append(
            Case(
                number,
                returns,
                parameters,
                tuple(v for v, _ in chosen),
                tuple(e for _, e in chosen),
                variadic=kind == "variadic",
                prototyped=kind != "unprototyped",
            )
        )
    return made


def _variadic_value(random: Random) -> tuple[object, str]:
    match random.choice(["int", "long", "sized", "long long", "double"]):
        case "int":
            number = random.randint(-0x8000, 0x7FFF)
            return number, f"(int){number}"
        case "long":
            number = random.randint(0x10000, 0x7FFFFFFF)
            return number, f"{number}L"
        case "sized":
            number = random.randint(-0x8000, 0x7FFF)
            return sized(number, 4), f"(long){number}"
        case "long long":
            number = random.randint(-(1 << 62), -(1 << 32))
            return number, f"{number}LL"
        case _:
            return value(random, "double")
