"""Types as values: how they are written, compared and measured."""

import pickle
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
    strip,
    type_text,
)

INT = IntegerType("int", 2, signed=True)
UCHAR = IntegerType("unsigned char", 1, signed=False)
BYTE = replace(UCHAR, typedef="uint8_t")
CHAR = IntegerType("char", 1, signed=True, is_char=True)
CONST_BYTE = replace(BYTE, is_const=True)
CALLBACK = PointerType(FunctionType((Parameter("", INT),), INT, variadic=True))


def node(tag: str = "node") -> StructType:
    """Gives a struct that points to itself, as the debug information's reader makes one."""
    following = PointerType(VoidType())
    made = StructType(tag, 4, (Field("next", 0, following), Field("value", 2, INT)))
    object.__setattr__(following, "target", made)
    return made


# Expected texts are C declarations, which read the same aloud and back (C11, section 6.7.6).
TEXTS: list[tuple[Type, str, str]] = [
    (INT, "n", "int n"),
    (BYTE, "", "uint8_t"),
    (replace(BYTE, is_const=True, is_volatile=True), "status", "const volatile uint8_t status"),
    (PointerType(CHAR), "text", "char *text"),
    (PointerType(replace(CHAR, is_const=True)), "text", "const char *text"),
    (PointerType(CHAR, is_const=True), "cursor", "char *const cursor"),
    (PointerType(PointerType(CHAR)), "argv", "char **argv"),
    (PointerType(CHAR), "", "char *"),
    (PointerType(CONST_BYTE, address_space="flash"), "from", "const __flash uint8_t *from"),
    (PointerType(PointerType(BYTE), address_space="flash"), "where", "uint8_t *__flash *where"),
    (ArrayType(BYTE, 4), "name", "uint8_t name[4]"),
    (ArrayType(ArrayType(CONST_BYTE, 4), 2), "table", "const uint8_t table[2][4]"),
    (ArrayType(BYTE, None), "", "uint8_t[]"),
    (PointerType(ArrayType(BYTE, 4)), "row", "uint8_t (*row)[4]"),
    (ArrayType(PointerType(BYTE), 4), "rows", "uint8_t *rows[4]"),
    (CALLBACK, "cb", "int (*cb)(int, ...)"),
    (ArrayType(CALLBACK, 3), "table", "int (*table[3])(int, ...)"),
    (FunctionType((), INT), "main", "int main(void)"),
    (FunctionType((), INT, prototyped=False), "old", "int old()"),
    (FunctionType((Parameter("f", CALLBACK),), PointerType(VoidType())), "find", "void *find(int (*f)(int, ...))"),
    (FunctionType((), CALLBACK), "chosen", "int (*chosen(void))(int, ...)"),
    (ReferenceType(BYTE), "x", "uint8_t &x"),
    (StructType("frame", 9), "latest", "struct frame latest"),
    (StructType("hive::Sensor", 5, is_class=True), "", "class hive::Sensor"),
    (StructType("", 4, is_union=True), "either", "union {…} either"),
    (EnumType("mode", 2, signed=True, values={"ON": 1}), "mode", "enum mode mode"),
    (FloatType("float", 4), "kilograms", "float kilograms"),
    (replace(CALLBACK, typedef="callback_t"), "cb", "callback_t cb"),
]


@pytest.mark.parametrize(("given_type", "name", "text"), TEXTS, ids=[text for _, _, text in TEXTS])
def test_a_type_is_written_as_c_declares_it(given_type: Type, name: str, text: str) -> None:
    """C11 section 6.7.6: `[]` and `()` bind before `*`."""
    assert type_text(given_type, name) == text


def test_the_parameter_that_the_compiler_adds_is_not_written() -> None:
    """`this` stands in no declaration."""
    this = Parameter("this", PointerType(StructType("hive::Sensor", 5)), is_artificial=True)
    assert type_text(FunctionType((this, Parameter("n", BYTE)), INT), "read") == "int read(uint8_t n)"


def test_a_typedef_is_another_name_for_the_same_type() -> None:
    """C11 section 6.7.8: a typedef introduces a synonym."""
    assert BYTE == UCHAR
    assert hash(BYTE) == hash(UCHAR)
    assert PointerType(BYTE) == PointerType(UCHAR)
    assert BYTE.spelling == "uint8_t"
    assert UCHAR.spelling == "unsigned char"


def test_qualified_types_are_different_types() -> None:
    """C11 section 6.2.5: qualified and unqualified versions are distinct types."""
    assert CONST_BYTE != BYTE
    assert PointerType(CONST_BYTE) != PointerType(BYTE)
    assert PointerType(BYTE) != PointerType(BYTE, address_space="flash")
    assert PointerType(BYTE) != ReferenceType(BYTE)
    assert PointerType(BYTE) != PointerType(INT)


def test_strip_leaves_what_a_type_is_made_of() -> None:
    """Typedef and qualifiers go, of an array's elements too; what a pointer points to keeps its own."""
    assert strip(CONST_BYTE) == UCHAR
    assert strip(CONST_BYTE).spelling == "unsigned char"
    assert strip(ArrayType(CONST_BYTE, 4)) == ArrayType(UCHAR, 4)
    pointer = strip(PointerType(CONST_BYTE, is_const=True))
    assert isinstance(pointer, PointerType)
    assert not pointer.is_const
    assert pointer.target.is_const


def test_an_array_of_const_elements_is_const() -> None:
    """C11 section 6.7.3: a qualifier of an array belongs to its elements."""
    assert ArrayType(CONST_BYTE, 4).is_const
    assert not ArrayType(BYTE, 4).is_const


def test_a_struct_that_points_to_itself_can_be_compared_written_and_copied() -> None:
    """Linked lists are the everyday case; none of this may go round for ever."""
    one, other = node(), node()
    assert one == other
    assert hash(one) == hash(other)
    assert one != node("other")
    assert type_text(one.fields[0].type, "next") == "struct node *next"
    assert "node" in repr(one)
    assert strip(replace(one, is_const=True)) == other
    assert pickle.loads(pickle.dumps(one)) == other  # noqa: S301 (our own bytes)


def test_structs_of_one_name_and_other_layout_differ() -> None:
    """Two units may each have their own `struct state`."""
    assert StructType("state", 2, (Field("n", 0, INT),)) != StructType("state", 2, (Field("n", 0, BYTE),))
    assert PointerType(StructType("state", 2)) != PointerType(StructType("state", 3))


def test_sizes_are_those_of_sizeof() -> None:
    """C11 section 6.5.3.4; void, functions and incomplete types have no size."""
    assert size_of(ArrayType(ArrayType(INT, 4), 3)) == 24
    assert size_of(PointerType(ArrayType(INT, 4))) == 2
    assert size_of(StructType("frame", 9)) == 9
    for unsized in (VoidType(), FunctionType((), INT), ArrayType(INT, None), StructType("x", 0, is_complete=False)):
        assert size_of(unsized) is None


LEAVES = st.sampled_from([INT, BYTE, CHAR, FloatType("float", 4), VoidType(), node()])
ANY_TYPE: st.SearchStrategy[Type] = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.builds(PointerType, inner, is_const=st.booleans(), address_space=st.sampled_from(["data", "flash", "memx"])),
        st.builds(ArrayType, inner, st.integers(0, 9)),
        st.builds(FunctionType, st.lists(st.builds(Parameter, st.just("p"), inner), max_size=3).map(tuple), inner),
    ),
    max_leaves=8,
)


@given(ANY_TYPE)
def test_every_type_equals_its_copy_and_is_written_with_balanced_brackets(made: Type) -> None:
    """Whatever types are put together, they compare, hash, pickle and print."""
    copy = pickle.loads(pickle.dumps(made))  # noqa: S301 (our own bytes)
    assert copy == made
    assert hash(copy) == hash(made)
    text = type_text(made, "it")
    assert text.count("(") == text.count(")")
    assert text.count("[") == text.count("]")
    assert "it" in text
