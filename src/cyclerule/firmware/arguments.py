"""Values for a call that Python has no type of its own for: output buffers, flash data, names of the program."""

import operator
from dataclasses import dataclass

from cyclerule.errors import ArgumentError


@dataclass(frozen=True)
class Out:
    """A buffer of zeros in the caller's frame, for the function to write to."""

    size_bytes: int


@dataclass(frozen=True)
class Flash:
    """Constant data that lies in program memory during the call, as PROGMEM and `__flash` data does."""

    data: bytes


@dataclass(frozen=True)
class Address:
    """The address of one of the program's own variables."""

    name: str


@dataclass(frozen=True)
class FunctionName:
    """One of the program's own functions, to be passed as a function pointer."""

    name: str


@dataclass(frozen=True)
class Sized:
    """A whole number of a stated size, for an argument in place of `...`, which has no type to tell it."""

    value: int
    size_bytes: int


def out(size_bytes: int) -> Out:
    """Makes an output buffer of so many bytes, zero before the call.

    Raises ArgumentError unless the size is a whole number from 0 on.
    """
    try:
        size = operator.index(size_bytes)
    except TypeError:
        size = -1
    if size < 0:
        raise ArgumentError(f"out({size_bytes!r}): the size of an output buffer is a number of bytes from 0 on")
    return Out(size)


def flash(data: object) -> Flash:
    """Makes data that lies in program memory during the call, from bytes or a text, which gains the NUL that ends it.

    Raises ArgumentError for anything but bytes and text.
    """
    if isinstance(data, str):
        return Flash(data.encode("utf-8") + b"\0")
    if not isinstance(data, bytes | bytearray | memoryview):
        raise ArgumentError(f"flash({data!r}): data for program memory is given as bytes or text")
    return Flash(bytes(data))


def address(name: str) -> Address:
    """Names one of the program's variables, to pass its address."""
    return Address(name)


def function(name: str) -> FunctionName:
    """Names one of the program's functions, to pass a pointer to it."""
    return FunctionName(name)


def sized(value: int, size_bytes: int) -> Sized:
    """Gives a whole number a size of 2, 4 or 8 bytes where it stands for `...`: `sized(1, 4)` is C's `1L`.

    Raises ArgumentError for another size, and for a value that neither reading of that size holds.
    """
    if size_bytes not in (2, 4, 8):
        raise ArgumentError(f"sized({value!r}, {size_bytes!r}): an argument in place of ... has 2, 4 or 8 bytes")
    if not -(1 << (8 * size_bytes - 1)) <= value < 1 << (8 * size_bytes):
        raise ArgumentError(f"sized({value!r}, {size_bytes!r}): the value does not fit {size_bytes} bytes")
    return Sized(value, size_bytes)
