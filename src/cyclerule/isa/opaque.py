"""Operations on values that cannot be looked into: they prove that an instruction keeps to the vocabulary.

A machine value here has a width and a history but no number. Whatever would need one (`if value`,
`value + 1`, `value == 0`, indexing with it) is refused where it stands, and so is an operation on a
value of the wrong width. What remains of a run is the list of operations it asked for, in order.
"""

import inspect
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

from cyclerule.isa.record import Instruction

BIT, BYTE, WORD = 1, 8, 16

_NAMES = {BIT: "Bit", BYTE: "Byte", WORD: "Word"}


class MeaningError(TypeError):
    """An instruction's meaning does what the vocabulary does not allow; the message begins with file and line."""


class Value:
    """A machine value: `width` in bits, the operation that gave it, and which one of its results it is."""

    __slots__ = ("result", "step", "width")

    def __init__(self, width: int, step: "Step", result: int = 0) -> None:
        self.width, self.step, self.result = width, step, result

    def __repr__(self) -> str:
        return f"<{_NAMES[self.width]} of {self.step.operation}>"


def _refusal(what: str) -> Callable[..., NoReturn]:
    def refuse(self: Value, *_others: object) -> NoReturn:
        raise _error(
            f"{what} of {self!r} is known to one engine only; use an operation of the vocabulary, select or branch"
        )

    return refuse


# Python looks these up on the class, so each has to be there by name.
for _what, _methods in {
    "the truth": ("bool",),
    "the number": ("int", "index", "float", "complex", "round", "trunc", "floor", "ceil", "hash", "format"),
    "equality": ("eq", "ne"),
    "the order": ("lt", "le", "gt", "ge"),
    "the contents": ("len", "iter", "getitem", "contains", "call"),
    "host arithmetic": ("neg", "pos", "abs", "invert"),
}.items():
    for _method in _methods:
        setattr(Value, f"__{_method}__", _refusal(_what))
for _method in ("add", "sub", "mul", "truediv", "floordiv", "mod", "divmod", "pow", "matmul"):
    for _side in ("", "r", "i"):
        setattr(Value, f"__{_side}{_method}__", _refusal("host arithmetic"))
for _method in ("lshift", "rshift", "and", "or", "xor"):
    for _side in ("", "r", "i"):
        setattr(Value, f"__{_side}{_method}__", _refusal("host logic"))


@dataclass(frozen=True, eq=False)
class Step:
    """One operation that was asked for: its name and what was handed to it, values and host integers."""

    operation: str
    given: tuple[Any, ...]


class Opaque:
    """The vocabulary over opaque values; `steps` keeps what was asked, in order.

    A plain integer stands for a constant where its width allows; registers, flags, positions,
    I/O addresses and distances are always plain integers.
    """

    def __init__(self) -> None:
        self.steps: list[Step] = []

    def run(self, instruction: Instruction, operands: Iterable[int]) -> list[Step]:
        """Runs one instruction's meaning and gives its steps; raises MeaningError where it breaks a rule."""
        self.steps = []
        instruction.meaning(self, *operands)
        return self.steps

    def flags_set(self) -> frozenset[int]:
        """Gives the flags that the last run set."""
        return frozenset(step.given[0] for step in self.steps if step.operation == "set_flag")

    # Registers and flags.

    def read(self, register: int) -> Value:
        return self._one(BYTE, "read", _number("register", register, 32))

    def write(self, register: int, value: Any) -> None:
        self._none("write", _number("register", register, 32), _machine(value, BYTE))

    def flag(self, flag: int) -> Value:
        return self._one(BIT, "flag", _number("flag", flag, 8))

    def set_flag(self, flag: int, value: Any) -> None:
        self._none("set_flag", _number("flag", flag, 8), _machine(value, BIT))

    # Arithmetic.

    def add_with_carry(self, left: Any, right: Any, carry: Any) -> tuple[Value, Value, Value, Value]:
        return self._sum("add_with_carry", left, right, carry)

    def subtract_with_borrow(self, left: Any, right: Any, borrow: Any) -> tuple[Value, Value, Value, Value]:
        return self._sum("subtract_with_borrow", left, right, borrow)

    def _sum(self, operation: str, left: Any, right: Any, carry: Any) -> tuple[Value, Value, Value, Value]:
        step = self._step(operation, _machine(left, BYTE), _machine(right, BYTE), _machine(carry, BIT))
        return Value(BYTE, step), Value(BIT, step, 1), Value(BIT, step, 2), Value(BIT, step, 3)

    def add_words(self, left: Any, right: Any) -> Value:
        return self._one(WORD, "add_words", _machine(left, WORD), _machine(right, WORD))

    def subtract_words(self, left: Any, right: Any) -> Value:
        return self._one(WORD, "subtract_words", _machine(left, WORD), _machine(right, WORD))

    def multiply(self, left: Any, right: Any, left_signed: bool, right_signed: bool) -> Value:
        signs = _known("left_signed", left_signed), _known("right_signed", right_signed)
        return self._one(WORD, "multiply", _machine(left, BYTE), _machine(right, BYTE), *signs)

    # Logic.

    def both(self, left: Any, right: Any) -> Value:
        return self._alike("both", left, right)

    def either(self, left: Any, right: Any) -> Value:
        return self._alike("either", left, right)

    def differ(self, left: Any, right: Any) -> Value:
        return self._alike("differ", left, right)

    def complement(self, value: Any) -> Value:
        return self._one(BYTE, "complement", _machine(value, BYTE))

    def negate(self, bit: Any) -> Value:
        return self._one(BIT, "negate", _machine(bit, BIT))

    # Parts of values.

    def bit(self, value: Any, position: int) -> Value:
        width = _width("bit", value, (BYTE, WORD))
        return self._one(BIT, "bit", value, _number("bit position", position, width))

    def with_bit(self, value: Any, position: int, bit: Any) -> Value:
        position = _number("bit position", position, 8)
        return self._one(BYTE, "with_bit", _machine(value, BYTE), position, _machine(bit, BIT))

    def is_zero(self, value: Any) -> Value:
        _width("is_zero", value, (BYTE, WORD))
        return self._one(BIT, "is_zero", value)

    def shift_right(self, value: Any, high: Any) -> Value:
        return self._one(BYTE, "shift_right", _machine(value, BYTE), _machine(high, BIT))

    def swap_halves(self, value: Any) -> Value:
        return self._one(BYTE, "swap_halves", _machine(value, BYTE))

    def double(self, value: Any) -> Value:
        return self._one(WORD, "double", _machine(value, WORD))

    def join(self, high: Any, low: Any) -> Value:
        return self._one(WORD, "join", _machine(high, BYTE), _machine(low, BYTE))

    def low(self, value: Any) -> Value:
        return self._one(BYTE, "low", _machine(value, WORD))

    def high(self, value: Any) -> Value:
        return self._one(BYTE, "high", _machine(value, WORD))

    def select(self, condition: Any, if_one: Any, if_zero: Any) -> Value:
        return self._alike("select", if_one, if_zero, _machine(condition, BIT))

    # Memory.

    def load(self, address: Any) -> Value:
        return self._one(BYTE, "load", _machine(address, WORD))

    def store(self, address: Any, value: Any) -> None:
        self._none("store", _machine(address, WORD), _machine(value, BYTE))

    def push(self, value: Any) -> None:
        self._none("push", _machine(value, BYTE))

    def pop(self) -> Value:
        return self._one(BYTE, "pop")

    def load_flash(self, page: Any, address: Any) -> Value:
        return self._one(BYTE, "load_flash", _machine(page, BYTE), _machine(address, WORD))

    def io_read(self, address: int) -> Value:
        return self._one(BYTE, "io_read", _number("I/O address", address, 64))

    def io_write(self, address: int, value: Any) -> None:
        self._none("io_write", _number("I/O address", address, 64), _machine(value, BYTE))

    def io_read_bit(self, address: int, position: int) -> Value:
        address = _number("I/O address", address, 64)
        return self._one(BIT, "io_read_bit", address, _number("bit position", position, 8))

    def io_write_bit(self, address: int, position: int, bit: int) -> None:
        address, position = _number("I/O address", address, 64), _number("bit position", position, 8)
        self._none("io_write_bit", address, position, _number("bit", bit, 2))

    def flash_page(self) -> Value:
        return self._one(BYTE, "flash_page")

    def set_flash_page(self, value: Any) -> None:
        self._none("set_flash_page", _machine(value, BYTE))

    def jump_page(self) -> Value:
        return self._one(BYTE, "jump_page")

    # Flow.

    def branch(self, condition: Any, offset: int) -> None:
        self._none("branch", _machine(condition, BIT), _distance(offset))

    def skip(self, condition: Any) -> None:
        self._none("skip", _machine(condition, BIT))

    def jump_by(self, offset: int) -> None:
        self._none("jump_by", _distance(offset))

    def jump_to(self, word: int) -> None:
        self._none("jump_to", _number("flash word", word, 1 << 22))

    def jump_indirect(self, page: Any, word: Any) -> None:
        self._none("jump_indirect", _machine(page, BYTE), _machine(word, WORD))

    def call_by(self, offset: int) -> None:
        self._none("call_by", _distance(offset))

    def call_to(self, word: int) -> None:
        self._none("call_to", _number("flash word", word, 1 << 22))

    def call_indirect(self, page: Any, word: Any) -> None:
        self._none("call_indirect", _machine(page, BYTE), _machine(word, WORD))

    def return_from_call(self) -> None:
        self._none("return_from_call")

    def return_from_interrupt(self) -> None:
        self._none("return_from_interrupt")

    # Control of the chip.

    def sleep(self) -> None:
        self._none("sleep")

    def reset_watchdog(self) -> None:
        self._none("reset_watchdog")

    def stop_for_debugger(self) -> None:
        self._none("stop_for_debugger")

    def store_flash(self, advance: bool) -> None:
        self._none("store_flash", _known("advance", advance))

    def encrypt_round(self, number: int) -> None:
        self._none("encrypt_round", _number("round", number, 16))

    # What was asked.

    def _step(self, operation: str, *given: Any) -> Step:
        step = Step(operation, given)
        self.steps.append(step)
        return step

    def _none(self, operation: str, *given: Any) -> None:
        self._step(operation, *given)

    def _one(self, width: int, operation: str, *given: Any) -> Value:
        return Value(width, self._step(operation, *given))

    def _alike(self, operation: str, left: Any, right: Any, *more: Any) -> Value:
        widths = [each.width for each in (left, right) if isinstance(each, Value)]
        if not widths:
            raise _error(f"{operation}: {left!r} and {right!r} are both constants, so the width is not known")
        return self._one(widths[0], operation, _machine(left, widths[0]), _machine(right, widths[0]), *more)


def _machine(value: Any, width: int) -> Any:
    """Gives the value back when it is a machine value of that width or a constant that fits it."""
    if isinstance(value, Value):
        if value.width != width:
            raise _error(f"{value!r} where a {_NAMES[width]} belongs")
    elif not isinstance(value, int) or not 0 <= value < 1 << width:
        raise _error(f"{value!r} is no constant for a {_NAMES[width]}")
    return value


def _width(operation: str, value: Any, allowed: tuple[int, ...]) -> int:
    if not isinstance(value, Value) or value.width not in allowed:
        raise _error(f"{operation} of {value!r}, which takes a {' or '.join(_NAMES[width] for width in allowed)}")
    return value.width


def _number(what: str, value: Any, count: int) -> int:
    """Gives the value back when it is a host integer from 0 to below `count`."""
    if isinstance(value, Value) or not isinstance(value, int) or not 0 <= value < count:
        raise _error(f"{value!r} is no {what}: a plain integer from 0 to {count - 1}")
    return value


def _distance(value: Any) -> int:
    if isinstance(value, Value) or not isinstance(value, int):
        raise _error(f"{value!r} is no distance: a plain integer, in words")
    return value


def _known(what: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise _error(f"{value!r} is not known beforehand, as {what} has to be: True or False")
    return value


def _error(message: str) -> MeaningError:
    """Makes the error with the place in the instruction's own source, innermost first."""
    frame: FrameType | None = inspect.currentframe()
    places = []
    while frame is not None and frame.f_code is not Opaque.run.__code__:
        path = Path(frame.f_code.co_filename)
        if path != Path(__file__):
            places.append(f"{path.name}:{frame.f_lineno}")
        frame = frame.f_back
    if frame is None:
        # Called outside `run`: only the innermost line is known to belong to the instruction.
        places = places[:1]
    return MeaningError(f"{', from '.join(places)}: {message}")
