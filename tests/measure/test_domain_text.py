"""Domains as one types them: values, ranges with both ends, lists, `every`, buffers."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cyclerule.errors import ArgumentError, CycleruleError, DomainTooLarge, UnknownName
from cyclerule.firmware.arguments import Address, Flash, FunctionName, Out
from cyclerule.firmware.types import (
    EnumType,
    FloatType,
    FunctionType,
    IntegerType,
    PointerType,
    ReferenceType,
    StructType,
    Type,
    VoidType,
)
from cyclerule.measure.domain_text import domain_text, example_word, read_domain, read_value, whole_domain

BYTE = IntegerType("unsigned char", 1, signed=False)
SIGNED = IntegerType("signed char", 1, signed=True)
WORD = IntegerType("unsigned int", 2, signed=False)
LONG = IntegerType("unsigned long", 4, signed=False)
BOOL = IntegerType("_Bool", 1, signed=False, is_bool=True)
FLOAT = FloatType("float", 4)
TYPED = st.text() | st.text("0123456789.,:-+exhotuy' ", max_size=8)
SWARM = EnumType("mode", 1, signed=False, values={"IDLE": 0, "NORMAL": 1, "SWARM": 9})
TEXT = PointerType(IntegerType("char", 1, signed=True, is_char=True, is_const=True))
BYTES = PointerType(BYTE)


@pytest.mark.parametrize(
    ("given_type", "text", "values"),
    [
        (BYTE, "49", [49]),
        (BYTE, "0x31", [0x31]),
        (BYTE, "0b101", [5]),
        (BYTE, "0o17", [15]),
        (BYTE, "'1'", [0x31]),
        (SIGNED, "-5", [-5]),
        (BYTE, "0..255", list(range(256))),
        (WORD, "0..1000:10", list(range(0, 1001, 10))),
        (WORD, "0..1005:10", list(range(0, 1001, 10))),
        (SIGNED, "-3..3", [-3, -2, -1, 0, 1, 2, 3]),
        (WORD, "0x10..0x12", [16, 17, 18]),
        (BYTE, "1,5,9", [1, 5, 9]),
        (BYTE, "0..2, 7 ,250..252:2", [0, 1, 2, 7, 250, 252]),
        (BYTE, "5..5", [5]),
        (BYTE, "every", list(range(256))),
        (SIGNED, "every", list(range(-128, 128))),
        (BOOL, "true,false", [1, 0]),
        (BOOL, "every", [0, 1]),
        (SWARM, "SWARM", [9]),
        (SWARM, "IDLE,NORMAL", [0, 1]),
        (SWARM, "every", [0, 1, 9]),
        (SWARM, "3", [3]),
        (FLOAT, "2.5", [2.5]),
        (FLOAT, "-1e-3", [-0.001]),
        (FLOAT, "inf", [float("inf")]),
        (FLOAT, "0..1:0.25", [0.0, 0.25, 0.5, 0.75, 1.0]),
        (FLOAT, "1.5..2.5:0.5,7", [1.5, 2.0, 2.5, 7.0]),
        (BYTES, "hex:021cb8", [b"\x02\x1c\xb8"]),
        (BYTES, "hex:02 1c,hex:", [b"\x02\x1c", b""]),
        (BYTES, "out:4", [Out(4)]),
        (BYTES, "0x100", [0x100]),
        (BYTES, "address:crc_table", [Address("crc_table")]),
        (BYTES, "flash:hex:0102", [Flash(b"\x01\x02")]),
        (TEXT, "text:hello, bees", ["hello, bees"]),
        (TEXT, "flash:text:hi", [Flash(b"hi\0")]),
        (PointerType(FunctionType((), VoidType())), "function:on_tick", [FunctionName("on_tick")]),
        (ReferenceType(BYTE), "1..3", [1, 2, 3]),
    ],
)
def test_a_text_gives_its_values(given_type: Type, text: str, values: list[object]) -> None:
    """Both ends of a range count; the order is the one typed."""
    assert list(read_domain("x", given_type, text)) == values


def test_a_float_range_is_exact_in_its_steps() -> None:
    """0.1 is no binary fraction: eleven values all the same, the last one exactly 1."""
    values = read_domain("x", FLOAT, "0..1:0.1")
    assert len(values) == 11
    assert values[-1] == 1.0
    assert values[3] == 0.3


def test_a_large_range_is_not_written_out() -> None:
    """4,294,967,296 values are a range object, not a list."""
    assert read_domain("n", LONG, "every") == range(1 << 32)
    assert read_domain("n", LONG, "0..4294967295") == range(1 << 32)


@pytest.mark.parametrize(
    ("given_type", "text", "message"),
    [
        (BYTE, "", "x= needs a value; type for example x=0..255"),
        (BYTE, "five", "'five' is no whole number"),
        (BYTE, "2.5", "'2.5' is no whole number"),
        (BYTE, "012", "012 begins with 0, which C reads in base 8; write 12 or 0o12"),
        (BYTE, "1,,2", "nothing before or after a comma"),
        (BYTE, "1..", "a range has both its ends"),
        (BYTE, "..5", "a range has both its ends"),
        (BYTE, "9..1", "9 is above 1; a range runs upwards"),
        (BYTE, "0..9:0", "the step is a whole number above 0"),
        (BYTE, "0..9:-1", "the step is a whole number above 0"),
        (BYTE, "0..9:x", "the step is a whole number above 0"),
        (FLOAT, "0..1", "needs a step above 0"),
        (FLOAT, "a..b:1", "is written 0..1:0.1"),
        (FLOAT, "0..1e999999999:1", "is written 0..1:0.1"),
        (FLOAT, "2..1:1", "runs upwards"),
        (FLOAT, "abc", "'abc' is no number"),
        (FLOAT, "every", "no set of all values"),
        (BYTES, "hex:0", "each byte is two digits"),
        (BYTES, "hex:zz", "is not hexadecimal"),
        (BYTES, "out:many", "write how many bytes"),
        (BYTES, "out:-1", "from 0 on"),
        (BYTES, "flash:021c", "write flash:text:hello or flash:hex:021cb8"),
        (StructType("reading", 4), "5", "x=hex:00000000"),
    ],
)
def test_a_text_that_is_no_domain_is_told_with_an_example(given_type: Type, text: str, message: str) -> None:
    """One message each, with what to type."""
    with pytest.raises(ArgumentError) as refused:
        read_domain("x", given_type, text)
    assert message in str(refused.value)


def test_an_enumerator_that_does_not_exist_gets_the_nearest() -> None:
    """Of the parameter's own enumeration."""
    with pytest.raises(UnknownName, match="no enumerator 'SWRM'; nearest: SWARM"):
        read_domain("m", SWARM, "SWRM")


@pytest.mark.parametrize(("given_type", "text"), [(LONG, "0..4294967295,5"), (FLOAT, "0..1e30:1")])
def test_a_list_is_not_made_longer_than_memory(given_type: Type, text: str) -> None:
    """What has to be kept one by one has a limit."""
    with pytest.raises(DomainTooLarge):
        read_domain("n", given_type, text)


@given(st.sampled_from([BYTE, SIGNED, BOOL, FLOAT, SWARM, BYTES, TEXT, StructType("reading", 4)]), TYPED)
def test_no_text_brings_anything_but_values_or_a_message(given_type: Type, text: str) -> None:
    """Whatever is typed."""
    with suppress(CycleruleError):
        assert len(read_domain("x", given_type, text)) >= 1


@given(st.lists(st.integers(-128, 127), min_size=1, max_size=8))
def test_a_list_is_written_as_it_is_read(values: list[int]) -> None:
    """What is shown can be typed."""
    assert read_domain("x", SIGNED, domain_text(values)) == values


@given(st.integers(0, 100), st.integers(1, 100), st.integers(1, 9))
def test_a_range_is_written_as_it_is_read(first: int, count: int, step: int) -> None:
    """What is shown can be typed, though the end may be another that means the same."""
    domain = range(first, first + count * step, step)
    assert list(read_domain("x", WORD, domain_text(domain))) == list(domain)


def test_one_value_is_wanted_where_several_have_no_place() -> None:
    """A variable is set to one value."""
    assert read_value("mode", BYTE, "7") == 7
    with pytest.raises(ArgumentError, match="one value is wanted here, not 3"):
        read_value("mode", BYTE, "1,2,3")


def test_whole_domains_end_at_sixteen_bits() -> None:
    """Larger ones are tried when they are asked for only."""
    assert whole_domain(WORD) == range(1 << 16)
    assert whole_domain(SWARM) == [0, 1, 9]
    assert whole_domain(LONG) is None
    assert whole_domain(FLOAT) is None
    assert whole_domain(BYTES) is None


@pytest.mark.parametrize(
    "given_type",
    [BYTE, SIGNED, WORD, LONG, BOOL, FLOAT, SWARM, TEXT, BYTES, StructType("reading", 4), PointerType(WORD)],
)
def test_every_example_is_a_domain_itself(given_type: Type) -> None:
    """What a message says to type can be typed."""
    name, _, text = example_word("x", given_type).partition("=")
    assert name == "x"
    assert len(read_domain(name, given_type, text)) >= 1
