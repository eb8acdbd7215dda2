"""Debug information of the real compiler, checked against the sources, the image's own bytes and avr-addr2line."""

import re
import shutil
import struct
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cyclerule.firmware.dwarf_entries import Entries
from cyclerule.firmware.dwarf_lines import SourceFiles
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.image import Function, Image, LineRow, LineTable
from cyclerule.firmware.types import (
    ArrayType,
    EnumType,
    Field,
    FunctionType,
    IntegerType,
    PointerType,
    ReferenceType,
    StructType,
    Type,
    size_of,
    strip,
    type_text,
)
from tests.firmware import handmade_dwarf as dw
from tests.firmware.hive_builds import BUILDS, PART, SOURCES, run
from tests.firmware.test_elf import read_or_refused

ElfOf = Callable[[str], Path]
ImageOf = Callable[[str], Image]

C_BUILDS = ["plain", "small", "fast", "dwarf 2", "link time", "collected"]
CPP_BUILDS = ["c++", "c++ link time"]
every_build = pytest.mark.parametrize("name", C_BUILDS + CPP_BUILDS)
every_c_build = pytest.mark.parametrize("name", C_BUILDS)


def line_of(file: str, text: str) -> int:
    """Gives the line of a source file that begins with a text."""
    lines = (SOURCES / file).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if line.strip().startswith(text))


def declared(function: Function) -> str | None:
    """Gives a function as C declares it."""
    return None if function.signature is None else type_text(function.signature, function.source_name)


def by_source_name(image: Image, name: str) -> list[Function]:
    """Gives all functions that the source calls so."""
    return [f for f in image.functions.values() if f.source_name == name]


# ----------------------------------------------------------------------------------------------------------- functions
# As the sources in hive/ declare them. `int16_t` and the like are typedefs, whose names are kept; `long` is the
# compiler's `long int`.
DECLARED = {
    "crc8": ("hive.c", "uint8_t crc8(", "uint8_t crc8(const uint8_t *bytes, uint8_t count)"),
    "crc8_step": ("frame.h", "static inline uint8_t crc8_step(", "uint8_t crc8_step(uint8_t crc, uint8_t byte)"),
    "warmest": ("hive.c", "int16_t warmest(", "int16_t warmest(const frame_t *first, enum mode mode)"),
    "mixed": ("hive.c", "static __attribute__((noinline)) uint8_t mixed(", "uint8_t mixed(uint8_t a, uint8_t b)"),
    "looked_up": (
        "hive.c",
        "__attribute__((noinline)) uint8_t looked_up(",
        "uint8_t looked_up(const __flash uint8_t *from, const __memx char *far, uint8_t index)",
    ),
    "outside": (
        "scale.c",
        "__attribute__((noinline)) static uint8_t outside(",
        "uint8_t outside(uint8_t (*step)(uint8_t, uint8_t), uint8_t byte)",
    ),
    "scaled": ("scale.c", "long scaled(", "long int scaled(int16_t reading, ...)"),
    "main": ("hive.c", "int main(", "int main(void)"),
    "__vector_13": ("hive.c", "ISR(TIMER1_OVF_vect)", "void __vector_13(void)"),
}


@every_c_build
def test_functions_have_the_signature_and_place_of_their_source(name: str, image_of: ImageOf) -> None:
    """hive/: names, parameters, result, file and line; DWARF 2 tells what DWARF 4 tells, and so does link time."""
    image = image_of(name)
    assert image.debug_problem is None
    for source_name, (file, start, text) in DECLARED.items():
        functions = by_source_name(image, source_name)
        assert functions, source_name
        for function in functions:
            assert str(function.place) == f"{file}:{line_of(file, start)}"
            assert function.absolute_file == str(SOURCES / file)
            assert declared(function) == (None if function.clone_of else text)


@every_c_build
def test_only_static_functions_are_static(name: str, image_of: ImageOf) -> None:
    """C11 section 6.2.2; at link time everything but `main` and handlers becomes local to the one unit."""
    functions = image_of(name).functions
    assert not functions["main"].is_static
    assert not functions["__vector_13"].is_static
    assert all(f.is_static for f in by_source_name(image_of(name), "limited"))
    assert name == "link time" or not functions["crc8"].is_static


def test_static_functions_of_one_name_are_told_apart_by_file(image_of: ImageOf) -> None:
    """hive.c limits to 1000 and scale.c to 50; both link symbols are `limited`."""
    functions = image_of("small").functions
    assert "limited" not in functions
    in_hive, in_scale = functions["limited@hive.c"], functions["limited@scale.c"]
    assert in_hive.symbol == in_scale.symbol == "limited"
    assert in_hive.address != in_scale.address
    assert (in_hive.file, in_scale.file) == ("hive.c", "scale.c")


def test_two_copies_of_a_function_from_a_header_are_told_apart_by_unit(image_of: ImageOf) -> None:
    """Without optimisation both units that include frame.h have a `crc8_step` of their own."""
    functions = image_of("plain").functions
    one, other = functions["crc8_step@hive.c"], functions["crc8_step@scale.c"]
    assert one.place == other.place
    assert one.address != other.address


def test_an_alias_is_listed_beside_the_function_it_names(image_of: ImageOf) -> None:
    """`second_name` is an alias of `never_called` in hive.c: one code, two link symbols."""
    functions = image_of("small").functions
    alias = functions["second_name"]
    assert alias.alias_of == "never_called"
    assert alias.address == functions["never_called"].address
    assert declared(alias) == "uint8_t second_name(uint8_t mask)"


def test_a_function_that_was_inlined_everywhere_is_kept_without_an_address(image_of: ImageOf) -> None:
    """Link-time optimisation puts `crc8` and `warmest`, each called once, into `main`."""
    functions = image_of("link time").functions
    for inlined in ("crc8", "warmest"):
        assert functions[inlined].address is None
        assert functions[inlined].size_bytes == 0
        assert functions[inlined].inlined_into == ("main",)


def test_a_function_that_is_also_inlined_has_an_address_and_says_where(image_of: ImageOf) -> None:
    """`crc8_step` is inlined in hive.c and called through a pointer in scale.c."""
    step = image_of("small").functions["crc8_step"]
    assert step.address is not None
    assert step.inlined_into == ("crc8",)


def test_a_function_that_the_linker_left_out_has_no_address(image_of: ImageOf) -> None:
    """`never_called` goes with --gc-sections; its entry then claims address 0, which is the reset vector."""
    image = image_of("collected")
    dropped = image.functions["never_called"]
    assert dropped.address is None
    assert dropped.inlined_into == ()
    assert declared(dropped) == "uint8_t never_called(uint8_t mask)"
    assert image.function_at(0) is None


@every_c_build
def test_a_clone_with_other_parameters_has_no_signature(name: str, image_of: ImageOf) -> None:
    """`mixed` is always called with 3, so gcc makes `mixed.constprop.N`, which takes one argument less."""
    image = image_of(name)
    clones = [f for f in image.functions.values() if f.symbol is not None and f.symbol.startswith("mixed.constprop.")]
    assert len(clones) == (0 if name == "plain" else 1)
    for clone in clones:
        assert clone.signature is None
        assert clone.clone_of == "mixed"
        assert image.functions["mixed"].address is None


def test_assembly_functions_have_the_line_of_their_label(image_of: ImageOf) -> None:
    """swap.S has lines and no entries for its functions; the first instruction stands after the label."""
    functions = image_of("small").functions
    assert str(functions["swapped"].place) == f"swap.S:{line_of('swap.S', 'swap r24')}"
    assert str(functions["doubled"].place) == f"swap.S:{line_of('swap.S', 'ldi r25, 1')}"


# -------------------------------------------------------------------------------------------------------- inlined calls
def test_an_inlined_call_knows_its_place_and_its_code(image_of: ImageOf) -> None:
    """In `crc8` the loop calls `crc8_step`; its code lies inside, and its lines are those of frame.h."""
    image = image_of("small")
    (call,) = [c for c in image.inlined if c.name == "crc8_step"]
    assert (call.inside, call.within) == ("crc8", "crc8")
    assert (call.call_file, call.call_line) == ("hive.c", line_of("hive.c", "crc = crc8_step(crc, *bytes++);"))
    (whole,) = image.functions["crc8"].ranges
    for start, end in call.ranges:
        assert whole[0] <= start < end <= whole[1]
        place = image.lines.place(start)
        assert place is not None
        assert place.file == "frame.h"


def test_an_inlined_call_inside_another_knows_both_functions(image_of: ImageOf) -> None:
    """With -O2 `crc8_step` stands inside `crc8` inside `main`."""
    image = image_of("fast")
    (call,) = [c for c in image.inlined if (c.name, c.inside) == ("crc8_step", "main")]
    assert call.within == "crc8"
    (around,) = [c for c in image.inlined if (c.name, c.inside) == ("crc8", "main")]
    for start, end in call.ranges:
        assert any(first <= start and end <= last for first, last in around.ranges)


@every_build
def test_every_name_in_an_inlined_call_is_a_function(name: str, image_of: ImageOf) -> None:
    """So that whoever reads them can look them up."""
    image = image_of(name)
    for call in image.inlined:
        assert {call.name, call.inside, call.within} <= image.functions.keys()
        assert image.function_at(call.ranges[0][0]) == image.functions[call.inside]
    for function in image.functions.values():
        assert set(function.inlined_into) <= image.functions.keys()
        assert function.clone_of is None or function.clone_of in image.functions


# --------------------------------------------------------------------------------------------------------------- types
def frame_type(image: Image) -> StructType:
    """Gives `struct frame` as the variable `latest` has it."""
    (latest,) = [v for v in image.variables if v.name == "latest"]
    assert isinstance(latest.type, StructType)
    return latest.type


def field_of(made: Type, name: str) -> Field:
    """Gives a member of a struct by name."""
    assert isinstance(made, StructType)
    return next(f for f in made.fields if f.name == name)


@pytest.mark.parametrize("name", ["plain", "small", "dwarf 2", "collected"])
def test_struct_layout_is_what_the_compiler_computed(name: str, image_of: ImageOf) -> None:
    """`layout` in hive.c holds sizeof and offsetof as the compiler sees them; its bytes are read from the image."""
    image = image_of(name)
    layout = image.symbol("layout")
    numbers = struct.unpack_from("<9H", image.flash, layout.address)
    frame = frame_type(image)
    members = ("next", "temperature", "weight", "name", "check", "at")
    assert numbers[0] == frame.size_bytes
    assert numbers[1:7] == tuple(field_of(frame, member).offset for member in members)
    assert numbers[7] == size_of(field_of(frame, "at").type)
    assert numbers[8] == size_of(EnumType("mode", 2, signed=True))


@pytest.mark.parametrize("name", ["plain", "small", "dwarf 2", "collected"])
@pytest.mark.parametrize(("constant", "member"), [("only_count", "count"), ("only_wide", "wide")])
def test_bit_fields_are_where_the_compiler_puts_ones(name: str, constant: str, member: str, image_of: ImageOf) -> None:
    """A constant with all bits of one bit-field set shows in the image's bytes where they are."""
    image = image_of(name)
    frame, symbol = frame_type(image), image.symbol(constant)
    field = field_of(frame, member)
    assert field.bit_size is not None
    assert field.bit_offset is not None
    assert 0 <= field.bit_offset < 8
    shown = int.from_bytes(image.flash[symbol.address : symbol.address + frame.size_bytes], "little")
    assert shown == ((1 << field.bit_size) - 1) << (8 * field.offset + field.bit_offset)


@every_c_build
def test_types_are_told_down_to_the_last_member(name: str, image_of: ImageOf) -> None:
    """The frame of frame.h, through typedef, union, array, callback and nested structs without a name."""
    frame = frame_type(image_of(name))
    assert (frame.name, frame.spelling, frame.typedef) == ("frame", "frame_t", "frame_t")
    texts = {f.name: type_text(f.type, f.name) for f in frame.fields}
    assert texts == {
        "next": "struct frame *next",
        "kind": "uint8_t kind",
        "count": "uint8_t count",
        "wide": "uint16_t wide",
        "temperature": "int16_t temperature",
        "weight": "union {…} weight",
        "name": "char name[4]",
        "check": "uint8_t (*check)(const struct frame *, uint8_t)",
        "at": "struct {…} at[2]",
    }
    weight, at, text = (field_of(frame, member).type for member in ("weight", "at", "name"))
    assert isinstance(weight, StructType)
    assert weight.is_union
    assert [(f.name, f.offset, size_of(f.type)) for f in weight.fields] == [("kilograms", 0, 4), ("raw", 0, 4)]
    assert isinstance(at, ArrayType)
    assert [(f.name, f.offset) for f in at.element.fields] == [("hour", 0), ("minute", 1)]  # type: ignore[attr-defined]
    assert isinstance(text, ArrayType)
    assert isinstance(text.element, IntegerType)
    assert (text.element.is_char, text.element.signed) == (True, True)  # avr-gcc's char is signed
    kind = field_of(frame, "kind").type
    assert isinstance(kind, IntegerType)
    assert (kind.name, kind.signed, kind.is_char, kind.size_bytes) == ("unsigned char", False, False, 1)


def test_a_struct_that_points_to_itself_is_the_same_struct(image_of: ImageOf) -> None:
    """`next` leads to frames for ever, and one callback takes a frame."""
    frame = frame_type(image_of("small"))
    following = field_of(frame, "next").type
    assert isinstance(following, PointerType)
    assert following.target == strip(frame)
    again = field_of(following.target, "next").type
    assert isinstance(again, PointerType)
    assert again.target is following.target
    check = field_of(frame, "check").type
    assert isinstance(check, PointerType)
    assert isinstance(check.target, FunctionType)
    taken = check.target.parameters[0].type
    assert isinstance(taken, PointerType)
    assert taken.target.is_const
    assert field_of(taken.target, "next").type == following


def test_enumerators_have_their_values(image_of: ImageOf) -> None:
    """The modes of frame.h: 0, 5 and -1, so it is signed; without -fshort-enums it has the size of an int."""
    signature = image_of("small").functions["warmest"].signature
    assert signature is not None
    mode = signature.parameters[1].type
    assert isinstance(mode, EnumType)
    assert (mode.values, mode.signed, mode.size_bytes) == ({"ASLEEP": 0, "WEIGHING": 5, "SWARMING": -1}, True, 2)


def test_pointers_into_program_memory_are_told_by_their_address_space(image_of: ImageOf) -> None:
    """avr-gcc manual, named address spaces: `__flash` pointers have 16 bits, `__memx` pointers 24."""
    signature = image_of("small").functions["looked_up"].signature
    assert signature is not None
    flash, far, index = (p.type for p in signature.parameters)
    assert isinstance(flash, PointerType)
    assert isinstance(far, PointerType)
    assert (flash.address_space, flash.size_bytes, flash.target.is_const) == ("flash", 2, True)
    assert (far.address_space, far.size_bytes, far.target.is_const) == ("memx", 3, True)
    assert isinstance(index, IntegerType)


def test_every_address_space_has_its_own_name(tmp_path: Path) -> None:
    """avr-gcc manual: `__flash` to `__flash5` and `__memx`, as far as the part's flash has 64 KB segments."""
    spaces = ["flash", "flash1", "flash2", "flash3", "memx"]
    source = "".join(f"char read_{s}(const __{s} char *p) {{ return *p; }}\n" for s in spaces) + "int main(void) { }"
    elf = tmp_path / "spaces.elf"
    run("avr-gcc", "-mmcu=atmega2560", "-Os", "-gdwarf-4", "-xc", "-", "-o", str(elf), given=source)
    functions = read_elf(elf).functions
    for space in spaces:
        assert declared(functions[f"read_{space}"]) == f"char read_{space}(const __{space} char *p)"


# What a C function can take and give back, each as declared and as the debug information must tell it.
UNUSUAL = {
    "_Accum fixed(_Accum a, unsigned short _Fract b)": "return a * b;",
    "__int24 wide(__int24 a, __uint24 b)": "return a + b;",
    "int64_t long_long(int64_t a, uint64_t b)": "return a + b;",
    "_Bool truth(_Bool a, _Bool *b)": "return a && *b;",
    "complex float conjugated(complex float a)": "return ~a;",
    "struct pair by_value(struct pair p, uint8_t k)": "p.a += k; return p;",
    "point_t typedef_of_struct(const point_t *p, volatile point_t q)": "q = *p; return q;",
    "uint16_t flexible(struct flex *f)": "return f->data[f->n];",
    "uint8_t opaque(struct unknown *o, const void *v)": "return o == v;",
    "uint8_t array(uint8_t *r, crow_t *c, uint8_t (*m)[4])": "return r[0] + (*c)[1] + m[1][2];",
    "enum tiny packed(enum tiny t)": "return t == T0 ? T255 : T0;",
    "double widest(double d, long double l)": "return d + l;",
    "char *(*pointers(int (*a)[3], void (**t)(void)))(char)": "t[0](); return (char *(*)(char))(*a)[0];",
    "int unprototyped()": "return 3;",
}
UNUSUAL_TYPES = """
#include <stdint.h>
#define complex _Complex
struct pair { uint8_t a; uint32_t b; };
struct flex { uint8_t n; uint16_t data[]; };
struct unknown;
typedef uint8_t row_t[4];
typedef const row_t crow_t;
typedef struct { int8_t x, y; } point_t;
enum __attribute__((packed)) tiny { T0, T255 = 255 };
int main(void) { return 0; }
"""


def test_unusual_types_are_told_as_they_were_declared(tmp_path: Path) -> None:
    """Each declaration, compiled, reads back as written."""
    source = UNUSUAL_TYPES + "".join(f"{declaration} {{ {body} }}\n" for declaration, body in UNUSUAL.items())
    elf = tmp_path / "unusual.elf"
    run("avr-gcc", f"-mmcu={PART}", "-std=gnu99", "-Os", "-gdwarf-4", "-xc", "-", "-o", str(elf), given=source)
    image = read_elf(elf)
    assert image.debug_problem is None
    told = {text for f in image.functions.values() if (text := declared(f)) is not None}
    assert told == UNUSUAL.keys() | {"int main(void)"}
    packed = image.functions["packed"].signature
    assert packed is not None
    assert isinstance(packed.returns, EnumType)
    assert (packed.returns.size_bytes, packed.returns.signed, packed.returns.values["T255"]) == (1, False, 255)
    flexible = image.functions["flexible"].signature
    assert flexible is not None
    pointed = flexible.parameters[0].type
    assert isinstance(pointed, PointerType)
    data = field_of(pointed.target, "data").type
    assert isinstance(data, ArrayType)
    assert data.count is None


# ----------------------------------------------------------------------------------------------------------- variables
@pytest.mark.parametrize("name", C_BUILDS)
def test_variables_are_those_of_the_source_at_the_addresses_of_avr_nm(
    name: str, elf_of: ElfOf, image_of: ImageOf
) -> None:
    """hive.c; avr-nm gives address and size. The part's I/O registers, which the start-up file describes, are none."""
    expected = {
        "in_ram": ("data", "const uint8_t in_ram[3]"),
        "overflows": ("data", "volatile uint8_t overflows"),
        "latest": ("data", "frame_t latest"),
        "cursor": ("data", "uint8_t *const volatile cursor"),
        "bytes": ("data", "uint8_t bytes[5]"),
        "serial_number": ("eeprom", "uint16_t serial_number"),
        "table": ("flash", "const uint8_t table[2][4]"),
        "layout": ("flash", "const uint16_t layout[9]"),
        "only_count": ("flash", "const frame_t only_count"),
        "only_wide": ("flash", "const frame_t only_wide"),
    }
    if name == "link time":  # nothing in the program reads them
        expected = {n: e for n, e in expected.items() if n not in {"layout", "only_count", "only_wide"}}
    printed = re.findall(
        r"^([0-9a-f]{8}) ([0-9a-f]{8}) \w (\S+)$", run("avr-nm", "-S", str(elf_of(name))), re.MULTILINE
    )
    places = {symbol: (int(address, 16), int(size, 16)) for address, size, symbol in printed}
    variables = {v.name: v for v in image_of(name).variables}
    assert variables.keys() == expected.keys() | {"in_flash"}
    for variable in variables.values():
        assert variable.symbol is not None
        address, size = places[variable.symbol]
        assert variable.address + {"flash": 0, "data": 0x800000, "eeprom": 0x810000}[variable.space] == address
        assert variable.size_bytes == size
    for source_name, (space, text) in expected.items():
        variable = variables[source_name]
        assert variable.type is not None
        assert (variable.space, type_text(variable.type, source_name)) == (space, text)
        assert variable.file == "hive.c"
    assert variables["in_flash"].type is None  # gcc 5 describes an array in a named address space as `const void`
    assert variables["bytes"].function == "main"
    assert variables["in_ram"].type is not None
    assert variables["in_ram"].type.is_const
    assert variables["table"].is_static


# ----------------------------------------------------------------------------------------------------------------- C++
def test_members_have_their_class_in_their_name(image_of: ImageOf) -> None:
    """sensor.cpp: methods defined outside their class, a constructor under two link symbols, a static member."""
    image = image_of("c++")
    functions = {f.source_name: f for f in image.functions.values() if not f.alias_of}
    read = functions["hive::Sensor::read"]
    assert read.name == "_ZNK4hive6Sensor4readEv"
    assert str(read.place) == f"sensor.cpp:{line_of('sensor.cpp', 'int16_t Sensor::read() const')}"
    assert declared(functions["hive::Sensor::mean"]) == (
        "int16_t hive::Sensor::mean(const int16_t &other, enum hive::Colour colour)"
    )
    made = functions["hive::Sensor::Sensor"]
    assert image.functions["_ZN4hive6SensorC1Eh"].alias_of == made.name == "_ZN4hive6SensorC2Eh"
    assert declared(functions["tripled"]) == "uint16_t tripled(uint16_t value)"
    (count,) = [v for v in image.variables if v.name == "hive::Sensor::count"]
    assert (count.symbol, count.space) == ("_ZN4hive6Sensor5countE", "data")


@pytest.mark.parametrize("name", CPP_BUILDS)
def test_instances_of_a_template_are_told_apart(name: str, image_of: ImageOf) -> None:
    """`median` for bytes and for 16-bit integers (Itanium C++ ABI: `h` is unsigned char, `i` int)."""
    functions = image_of(name).functions
    for symbol, element in (
        ("_ZN4hive6medianIhEET_S1_S1_S1_", "unsigned char"),
        ("_ZN4hive6medianIiEET_S1_S1_S1_", "int"),
    ):
        signature = functions[symbol].signature
        assert signature is not None
        assert [p.type.spelling for p in signature.parameters] == [element] * 3
        assert signature.returns.spelling == element
        assert functions[symbol].address is not None


def test_a_method_takes_its_object_first(image_of: ImageOf) -> None:
    """Itanium C++ ABI: `this` is passed before the parameters; a const method's points to const."""
    functions = image_of("c++").functions
    signature = functions["_ZNK4hive6Sensor4readEv"].signature
    assert signature is not None
    (this,) = signature.parameters
    assert (this.name, this.is_artificial) == ("this", True)
    assert isinstance(this.type, PointerType)
    assert this.type.target.is_const
    sensor = this.type.target
    assert isinstance(sensor, StructType)
    assert (sensor.name, sensor.is_class) == ("hive::Sensor", True)


def test_a_class_has_its_base_its_members_and_no_static_ones(image_of: ImageOf) -> None:
    """hive::Device is a pointer to the table of virtual functions and one byte; Sensor adds a nested struct."""
    signature = image_of("c++").functions["_ZN4hive6SensorC2Eh"].signature
    assert signature is not None
    this = signature.parameters[0].type
    assert isinstance(this, PointerType)
    sensor = this.target
    assert isinstance(sensor, StructType)
    assert sensor.size_bytes == 5
    assert [(f.name, f.offset, f.type.spelling) for f in sensor.fields] == [
        ("", 0, "class hive::Device"),
        ("last", 3, "struct hive::Sensor::Last"),
    ]
    device = sensor.fields[0].type
    assert isinstance(device, StructType)
    assert [(f.name, f.offset) for f in device.fields] == [("_vptr.Device", 0), ("pin", 2)]


def test_references_and_scoped_enumerations_are_told(image_of: ImageOf) -> None:
    """`const int16_t &other, Colour colour`: a reference is passed as a pointer, the enumeration as one byte."""
    signature = image_of("c++").functions["_ZN4hive6Sensor4meanERKiNS_6ColourE"].signature
    assert signature is not None
    _, other, colour = (p.type for p in signature.parameters)
    assert isinstance(other, ReferenceType)
    assert (other.size_bytes, other.target.is_const) == (2, True)
    assert isinstance(colour, EnumType)
    assert (colour.name, colour.size_bytes, colour.values) == ("hive::Colour", 1, {"red": 0, "green": 1})


def test_parameters_lost_at_link_time_are_not_made_up(image_of: ImageOf) -> None:
    """`once(uint8_t, bool)` is inlined before link time, and gcc 5 then writes it down without any parameter."""
    (at_link_time,) = by_source_name(image_of("c++ link time"), "once")
    assert at_link_time.signature is None
    assert at_link_time.inlined_into == ("main",)
    (once,) = by_source_name(image_of("c++"), "once")
    assert declared(once) == "uint8_t once(uint8_t byte, bool twice)"


# --------------------------------------------------------------------------------------------------------------- lines
@pytest.mark.parametrize("name", [n for n in BUILDS if n not in {"collected", "without debug"}])
def test_lines_are_those_of_avr_addr2line(name: str, elf_of: ElfOf, image_of: ImageOf) -> None:
    """For every instruction word of the program, those without a line included."""
    image = image_of(name)
    addresses = range(0, image.code[-1][1], 2)
    printed = run("avr-addr2line", "-e", str(elf_of(name)), given="\n".join(map(hex, addresses))).splitlines()
    assert sum(not line.startswith("??") for line in printed) > 50
    for address, line in zip(addresses, printed, strict=True):
        place = image.lines.place(address)
        shown = ":?" if place is None else f"{image.lines.paths[place.file]}:{place.line}"
        # "_exit.o:?" for what the symbol table alone tells of.
        assert re.sub(r" \(discriminator \d+\)$|^.*(?=:[0?]$)", "", line).replace(":0", ":?") == shown
        assert image.place(address) == (f"0x{address:04x}" if place is None else str(place))


def test_code_that_the_linker_left_out_has_no_lines(image_of: ImageOf) -> None:
    """Each instruction of a function lies between its first line and the next function's, or in the header.

    avr-addr2line is no judge here: it gives the lines of `never_called`, which is gone, for code of others.
    """
    image = image_of("collected")
    starts = sorted(f.line for f in image.functions.values() if f.file == "hive.c" and f.line is not None)
    checked = 0
    for function in image.functions.values():
        if function.file != "hive.c" or function.address is None or function.line is None:
            continue
        following = next((line for line in starts if line > function.line), 10_000)
        for address in range(function.address, function.address + function.size_bytes, 2):
            place = image.lines.place(address)
            assert place is not None
            # Of the function's attributes the compiler takes the line of its name.
            assert place.file == "frame.h" or function.line <= place.line < following
            checked += 1
    assert checked > 100
    assert image.lines.place(0) is None


def test_rows_keep_their_order_and_columns_and_statements(image_of: ImageOf) -> None:
    """avr-objdump's decoded table lists the same rows: file, line, address (end rows excepted)."""
    rows = image_of("small").lines.rows
    stretches = [[]]  # type: list[list[LineRow]]
    for row in rows:
        stretches[-1].append(row)
        if row.end_sequence:
            stretches.append([])
    assert stretches.pop() == []
    assert [s[0].address for s in stretches] == sorted(s[0].address for s in stretches)
    for stretch in stretches:
        assert [r.address for r in stretch] == sorted(r.address for r in stretch)
        assert any(r.is_statement for r in stretch)


@every_c_build
def test_the_line_table_lists_what_avr_objdump_decodes(name: str, elf_of: ElfOf, image_of: ImageOf) -> None:
    """Every row of avr-objdump --dwarf=decodedline, but those of functions that were left out."""
    printed = run("avr-objdump", "--dwarf=decodedline", str(elf_of(name)))
    decoded = re.findall(r"^(\S+\.[chS])\s+(\d+)\s+(0x[0-9a-f]+|0)", printed, re.MULTILINE)
    listed = [(Path(r.file).name, r.line, r.address) for r in image_of(name).lines.rows if not r.end_sequence]
    expected = [(file, int(line), int(address, 16)) for file, line, address in decoded if int(address, 16) > 0]
    assert sorted(set(listed)) == sorted(set(expected))


def test_files_are_named_as_the_user_gave_them(tmp_path: Path) -> None:
    """Relative to where the compiler ran, or absolute; both give the same absolute path."""
    folder = tmp_path / "src"
    shutil.copytree(SOURCES, folder)
    for given_name, seen in (("src/hive.c", "src/hive.c"), (str(folder / "hive.c"), str(folder / "hive.c"))):
        elf = tmp_path / "hive.elf"
        command = [
            "avr-gcc",
            f"-mmcu={PART}",
            "-Os",
            "-gdwarf-4",
            "-std=gnu99",
            given_name,
            "src/scale.c",
            "src/swap.S",
        ]
        run(*command, "-lm", "-o", str(elf), folder=tmp_path)
        image = read_elf(elf)
        crc8 = image.functions["crc8"]
        assert (crc8.file, crc8.absolute_file) == (seen, str(folder / "hive.c"))
        assert image.lines.paths[seen] == str(folder / "hive.c")
        assert crc8.address is not None
        assert image.place(crc8.address).startswith(f"{seen}:")


def test_an_address_between_two_stretches_has_no_line() -> None:
    """A stretch ends before its last row, and another may begin right there."""

    def row(address: int, line: int, end: bool = False) -> LineRow:
        return LineRow(address, "hive.c", line, 0, is_statement=True, end_sequence=end)

    table = LineTable([row(10, 1), row(10, 2), row(14, 3), row(20, 3, True), row(20, 7), row(22, 7, True)])
    found = [(a, place.line if (place := table.place(a)) else None) for a in (8, 10, 12, 14, 18, 20, 21, 22, 99)]
    assert found == [(8, None), (10, 2), (12, 2), (14, 3), (18, 3), (20, 7), (21, 7), (22, None), (99, None)]


# ------------------------------------------------------------------------------------------------- damaged or hostile
UNIT = dw.Die("unit", dw.COMPILE_UNIT, [dw.name("odd.c")], has_children=True)
BYTE = dw.Die("byte", dw.BASE, [dw.name("unsigned char"), (dw.SIZE, dw.DATA1, 1), (dw.ENCODING, dw.DATA1, 8)])


def main_taking(label: str) -> list[dw.Die | None]:
    """Gives `main` at address 0 with one parameter of a type."""
    attributes = [dw.name("main"), (dw.LOW, dw.ADDRESS, 0), (dw.HIGH, dw.DATA4, 4), (dw.EXTERNAL, dw.FLAG, None)]
    return [
        dw.Die("main", dw.SUBPROGRAM, attributes, has_children=True),
        dw.Die("parameter", dw.PARAMETER, [dw.name("p"), dw.kind(label)]),
        None,
    ]


def test_handmade_debug_information_is_read(tmp_path: Path) -> None:
    """The writer of the next tests' files writes what the reader understands."""
    pointer = dw.Die("pointer", dw.POINTER, [(dw.SIZE, dw.DATA1, 2), dw.kind("byte")])
    image = read_elf(dw.linked(tmp_path, [UNIT, BYTE, pointer, *main_taking("pointer"), None]))
    assert image.debug_problem is None
    assert declared(image.functions["main"]) == "void main(unsigned char *p)"


LOOPS: dict[str, list[dw.Die | None]] = {
    "a typedef of itself": [dw.Die("it", dw.TYPEDEF, [dw.name("it"), dw.kind("it")])],
    "two typedefs of each other": [
        dw.Die("it", dw.TYPEDEF, [dw.name("it"), dw.kind("that")]),
        dw.Die("that", dw.TYPEDEF, [dw.name("that"), dw.kind("it")]),
    ],
    "a pointer to itself": [dw.Die("it", dw.POINTER, [dw.kind("it")])],
    "a pointer to a const pointer to itself": [
        dw.Die("it", dw.POINTER, [dw.kind("that")]),
        dw.Die("that", dw.CONST, [dw.kind("it")]),
    ],
    "an array of itself": [dw.Die("it", dw.ARRAY, [dw.kind("it")])],
    "a struct that holds itself": [
        dw.Die("it", dw.STRUCT, [dw.name("it"), (dw.SIZE, dw.DATA1, 4)], has_children=True),
        dw.Die("member", dw.MEMBER, [dw.name("inner"), dw.kind("it")]),
        None,
    ],
    "a function that returns itself": [dw.Die("it", dw.SUBROUTINE, [dw.kind("it")])],
    "a pointer to a function that returns that pointer": [
        dw.Die("it", dw.POINTER, [dw.kind("function")]),
        dw.Die("function", dw.SUBROUTINE, [dw.kind("it"), (dw.PROTOTYPED, dw.FLAG, None)]),
    ],
    "a type that is not there": [dw.Die("it", dw.TYPEDEF, [dw.name("it"), (dw.TYPE, dw.REFERENCE, 0x7FFFFFFF)])],
    "a number of no bytes": [dw.Die("it", dw.BASE, [dw.name("it"), (dw.SIZE, dw.DATA1, 0)])],
    "a struct of 4 GB": [dw.Die("it", dw.STRUCT, [dw.name("it"), (dw.SIZE, dw.DATA4, 0xFFFFFFFF)])],
}


@pytest.mark.parametrize("odd", LOOPS)
def test_a_type_that_makes_no_sense_costs_only_the_signature(odd: str, tmp_path: Path) -> None:
    """No compiler writes these; the function stays, and what is wrong is said."""
    image = read_elf(
        dw.linked(tmp_path, [UNIT, BYTE, *LOOPS[odd], *main_taking("it"), *main_taking("byte")[1:2], None])
    )
    main = image.functions["main"]
    assert (main.address, main.signature) == (0, None)
    assert image.debug_problem is not None
    assert "main" in image.debug_problem


@pytest.mark.parametrize("attribute", [dw.ORIGIN, 0x47])  # DW_AT_abstract_origin, DW_AT_specification
def test_functions_that_are_copies_of_each_other_are_told(attribute: int, tmp_path: Path) -> None:
    """References between entries that go round in circles."""
    one = dw.Die("one", dw.SUBPROGRAM, [(attribute, dw.REFERENCE, "other")])
    other = dw.Die("other", dw.SUBPROGRAM, [(attribute, dw.REFERENCE, "one")])
    inlined = dw.Die("inlined", dw.INLINED, [(dw.ORIGIN, dw.REFERENCE, "inlined")])
    dies = [UNIT, BYTE, one, other, *main_taking("byte")[:-1], inlined, None, None]
    image = read_elf(dw.linked(tmp_path, dies))
    assert declared(image.functions["main"]) == "void main(unsigned char p)"
    assert image.debug_problem is not None
    assert "refers to itself" in image.debug_problem


def test_a_variable_without_a_sensible_place_is_left_out(tmp_path: Path) -> None:
    """Beyond all memories, or with an address that is cut short."""
    places = {"far": b"\x03\xff\xff\xff\xff", "short": b"\x03\x00\x01", "good": b"\x03\x00\x01\x80\x00"}
    dies = [
        dw.Die(label, dw.VARIABLE, [dw.name(label), dw.kind("byte"), (dw.LOCATION, dw.EXPRESSION, place)])
        for label, place in places.items()
    ]
    image = read_elf(dw.linked(tmp_path, [UNIT, BYTE, *dies, None]))
    assert [(v.name, v.space, v.address) for v in image.variables] == [("good", "data", 0x100)]


def test_entries_nested_too_deep_are_refused(tmp_path: Path) -> None:
    """A chain of ten thousand lexical blocks."""
    block = dw.Die("block", 0x0B, has_children=True)
    image = read_elf(dw.linked(tmp_path, [UNIT, BYTE, *main_taking("byte")[:-1], *[block] * 10_000]))
    assert image.functions["main"].address == 0
    assert image.debug_problem is not None
    assert "nested" in image.debug_problem


def test_a_small_file_cannot_make_much_work(tmp_path: Path) -> None:
    """Sixty thousand entries of one byte, each of thirty thousand attributes that take no byte at all."""
    shape = dw.uleb(dw.VARIABLE) + b"\0" + b"".join(dw.uleb(0x2000 + n) + b"\x19" for n in range(30_000)) + b"\0\0"
    abbreviations = b"\x01" + dw.uleb(dw.COMPILE_UNIT) + b"\x01\0\0" + b"\x02" + shape + b"\0"
    body = b"\x01" + b"\x02" * 60_000
    information = struct.pack("<IHIB", len(body) + 7, 4, 0, 4) + body
    elf = dw.linked_sections(tmp_path, abbreviations, information)
    began = time.process_time()
    image = read_elf(elf)
    assert image.functions["main"].address == 0
    assert time.process_time() - began < 20
    assert image.debug_problem is not None
    assert "more work than its size explains" in image.debug_problem


@every_build
def test_real_files_need_half_of_the_reading_they_may(name: str, elf_of: ElfOf) -> None:
    """So that no real program is taken for a bad one; the allowance without its fixed part is 2 reads a byte."""
    entries = Entries(elf_of(name).read_bytes())
    SourceFiles(entries).lines()
    assert entries.problems == []
    assert entries.meter.spent < (entries.meter.allowed - 50_000) / 2


def test_compressed_debug_sections_are_told_from_damaged_ones(elf_of: ElfOf, tmp_path: Path) -> None:
    """avr-objcopy can compress them; the image is whole without them, and the message says what to do."""
    elf = tmp_path / "compressed.elf"
    run("avr-objcopy", "--compress-debug-sections", str(elf_of("small")), str(elf))
    image = read_elf(elf)
    assert image.functions["crc8"].address is not None
    assert image.functions["crc8"].signature is None
    assert image.debug_problem is not None
    assert "link without -gz" in image.debug_problem


@cache
def debug_sections(elf: Path) -> dict[str, tuple[int, int]]:
    """Gives offset and size of each debug section in the file, as avr-readelf prints them."""
    rows = re.findall(r"(\.debug_\w+)\s+PROGBITS\s+\w+ (\w+) (\w+)", run("avr-readelf", "-SW", str(elf)))
    return {section: (int(offset, 16), int(size, 16)) for section, offset, size in rows}


@pytest.mark.parametrize("section", [".debug_info", ".debug_abbrev", ".debug_str", ".debug_line", ".debug_ranges"])
def test_an_image_is_whole_without_usable_debug_information(section: str, elf_of: ElfOf, image_of: ImageOf) -> None:
    """A debug section overwritten with 0xFF: memories, symbols and functions stay, and what is wrong is said."""
    elf = elf_of("small")
    start, size = debug_sections(elf)[section]
    contents = bytearray(elf.read_bytes())
    contents[start : start + size] = b"\xff" * size
    image, whole = read_elf(elf, bytes(contents)), image_of("small")
    assert (image.flash, image.symbols) == (whole.flash, whole.symbols)
    assert image.debug_problem is not None
    addresses = {f.address for f in image.functions.values() if f.address is not None}
    assert addresses == {f.address for f in whole.functions.values() if f.address is not None}


@settings(max_examples=80)
@given(data=st.data())
def test_changed_debug_information_never_does_more_than_spoil_itself(data: st.DataObject, elf_of: ElfOf) -> None:
    """A few bytes of the debug sections become others: the flash contents and symbols are what they were."""
    elf = elf_of(data.draw(st.sampled_from(["small", "link time", "c++", "dwarf 2"])))
    contents = bytearray(elf.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        start, size = data.draw(st.sampled_from(sorted(debug_sections(elf).values())))
        contents[start + data.draw(st.integers(0, size - 1))] = data.draw(st.integers(0, 255))
    read_or_refused(bytes(contents))
    assert read_elf(elf, bytes(contents)).flash == read_elf(elf).flash


def test_a_local_with_the_value_of_a_global_is_no_variable_of_its_own(tmp_path: Path) -> None:
    """avr-gcc 5 says of such a local that it lies where the global does; a static one has a place of its own."""
    source = tmp_path / "brood.c"
    source.write_text(
        "unsigned weight;\n"
        "unsigned char day(void) { static unsigned char count; return ++count; }\n"
        'void look(void) { unsigned now = weight; __asm__ volatile("" :: "r"(now)); }\n'
        "int main(void) { for (;;) { look(); day(); } }\n",
        "utf-8",
    )
    made = tmp_path / "brood.elf"
    run("avr-gcc", f"-mmcu={PART}", "-Os", "-gdwarf-4", str(source), "-o", str(made))
    told = {(v.name, v.function) for v in read_elf(made).variables if v.file and v.file.endswith("brood.c")}
    assert told == {("weight", None), ("count", "day")}
