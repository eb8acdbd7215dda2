"""The calling convention of avr-gcc: where a caller puts arguments and where it finds the result.

Source: gcc.gnu.org/wiki/avr-gcc, sections "Calling Convention" and "Register Layout", for all families but the reduced
tiny one. What the page leaves open was tried with avr-gcc 5.4.0; tests/firmware/test_convention.py shows it: arguments
on the stack take their own size, without rounding; in a function with `...` all arguments, the hidden address of a
large result among them, are on the stack.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from cyclerule.errors import ArgumentError
from cyclerule.firmware.image import Symbol
from cyclerule.firmware.types import (
    EnumType,
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
from cyclerule.firmware.values import (
    NO_FRAME,
    NOT_PLAIN,
    Buffer,
    Bytes,
    Frame,
    decayed,
    encode,
    encode_parameter,
    encode_variadic,
    is_supported,
    known_size,
    little_endian,
    subject_text,
    value_of,
)

_AFTER_LAST_ARGUMENT_REGISTER = 26
_FIRST_ARGUMENT_REGISTER = 8
_LARGEST_RESULT_IN_REGISTERS = 8


@dataclass(frozen=True)
class Placement:
    """What a caller has set up when it is about to execute its call instruction.

    `memory` is to be written to data space, `flash` to program memory, as (address, bytes). `stack_pointer` is SP
    before the call pushes its return address: the address of the next free byte. `buffers` are by parameter name and by
    position from 0 on; what a structure's own pointer leads to is under "parameter.member", a result that
    the caller makes room for under "return".
    """

    registers: Mapping[int, int]
    memory: tuple[tuple[int, bytes], ...]
    flash: tuple[tuple[int, bytes], ...]
    stack_pointer: int
    buffers: Mapping[str | int, Buffer]
    argument_registers: frozenset[int]


@dataclass(frozen=True)
class ResultPlace:
    """Where a result is after the return: `registers`, lowest byte first, or memory that the caller provided.

    `address` is that memory where it is known; without it the address is read from r25:r24, where the
    function leaves it.
    """

    type: Type
    registers: tuple[int, ...] = ()
    in_memory: bool = False
    address: int | None = None

    def read(
        self, register: Callable[[int], int] | Bytes, memory: Callable[[int, int], bytes] | None = None
    ) -> int | float | bytes | None:
        """Reads the result from the registers, or through `memory(address, size)`; structures come as bytes."""
        if isinstance(self.type, VoidType):
            return None
        register = register if callable(register) else register.__getitem__
        if self.in_memory:
            if memory is None:
                raise ArgumentError(f"a result of type {type_text(self.type)} is in memory; give a way to read that")
            address = register(24) | register(25) << 8 if self.address is None else self.address
            return bytes(memory(address, known_size(self.type, "the result")))
        return value_of(self.type, bytes(register(number) for number in self.registers))


def place_arguments(
    signature: FunctionType,
    values: Sequence[object],
    *,
    stack_pointer: int,
    flash_free: int,
    symbols: Callable[[str], Symbol],
    pc_bytes: int = 2,
    architecture: str | None = None,
    ram_start: int = 0,
    flash_end: int | None = None,
    name: str = "the function",
) -> Placement:
    """Places the arguments of a call as a caller compiled by avr-gcc would.

    Buffers go into the caller's frame, right below `stack_pointer` (the next free byte), arguments that found no
    register below them. `flash_free` is the flash byte address from which on data may lie, `flash_end` one past the
    last. `symbols` finds a variable or function of the program by name; `pc_bytes` is what the call will push. The
    upper register that an 8-bit argument leaves open is not set. r1 is set to 0, as compiled code expects it.

    Raises ArgumentError for a wrong count, a value that does not fit its type, or buffers that do not fit above
    `ram_start`; UnknownName for an enumerator, member or symbol that does not exist.
    """
    check_architecture(architecture)
    _check_result(signature)
    _check_count(signature, values, name)
    frame = Frame(stack_pointer, flash_free, symbols, ram_start, flash_end)
    parts: list[bytes] = []
    if _is_in_memory(signature.returns):
        size = known_size(signature.returns, f"the result of {name}")
        parts.append(little_endian(frame.buffer(bytes(size), "result", "return"), 2))
    for position, value in enumerate(values):
        if position < len(signature.parameters):
            parameter = signature.parameters[position]
            parts.append(encode_parameter(parameter, position, value, frame, promotes=not signature.prototyped))
        else:
            parts.append(encode_variadic(position, value, frame))
    registers = {1: 0}
    pushed: list[bytes] = []
    for data, numbers in zip(parts, _registers_of_sizes([len(p) for p in parts], signature.variadic), strict=True):
        if numbers is None:
            pushed.append(data)
        else:
            registers.update(zip(numbers, data, strict=True))
    stack = b"".join(pushed)
    if stack:
        frame.allocate(stack)
    frame.check(pc_bytes)
    return Placement(
        registers=MappingProxyType(registers),
        memory=tuple(frame.memory),
        flash=tuple(frame.flash),
        stack_pointer=frame.low,
        buffers=MappingProxyType(frame.buffers),
        argument_registers=frozenset(registers) - {1},
    )


def result_place(signature: FunctionType, placement: Placement | None = None) -> ResultPlace:
    """Tells where the result of a call is after the return.

    Up to 8 bytes are in registers that end with r25 (1 and 2 bytes from r24 on, 3 and 4 from r22, 5 to 8 from r18);
    larger ones in memory whose address the caller gave, known where `placement` is that of the call.
    """
    returns = signature.returns
    _check_result(signature)
    if isinstance(returns, VoidType):
        return ResultPlace(returns)
    size = known_size(returns, "the result")
    if _is_in_memory(returns):
        buffer = None if placement is None else placement.buffers.get("return")
        return ResultPlace(returns, in_memory=True, address=None if buffer is None else buffer.address)
    rounded = next(n for n in (2, 4, 8) if size <= n)
    first = _AFTER_LAST_ARGUMENT_REGISTER - rounded
    return ResultPlace(returns, tuple(range(first, first + size)))


def scalar_plan(signature: FunctionType) -> list[tuple[str, list[tuple[int, int]]]] | None:
    """Tells for each parameter which register gets which byte of its value (0 the lowest), for sweeps.

    None when anything needs more than registers: a structure, a reference, `...`, an argument on the stack or
    a result in memory. The bytes of a value are those of `scalar_bits`.
    """
    scalars = IntegerType | FloatType | EnumType | PointerType
    _check_result(signature)
    if signature.variadic or _is_in_memory(signature.returns):
        return None
    types = [decayed(p.type) for p in signature.parameters]
    if not all(isinstance(t, scalars) and not isinstance(t, ReferenceType) for t in types):
        return None
    sizes = [known_size(t, p.name) for t, p in zip(types, signature.parameters, strict=True)]
    plan: list[tuple[str, list[tuple[int, int]]]] = []
    for parameter, numbers in zip(signature.parameters, _registers_of_sizes(sizes, False), strict=True):
        if numbers is None:
            return None
        plan.append((parameter.name, [(number, byte) for byte, number in enumerate(numbers)]))
    return plan


def scalar_bits(parameter: Parameter, value: object) -> int:
    """Gives the bits of a number as a parameter of that type holds it, checked like an argument of a call."""
    subject = subject_text(parameter.name, 0, parameter.type)
    data = encode(decayed(parameter.type), value, subject, NO_FRAME, parameter.name)
    return int.from_bytes(data, "little")


def check_architecture(architecture: str | None) -> None:
    """Raises ArgumentError for the compiler family whose calling convention is another one."""
    if architecture == "avrtiny":
        raise ArgumentError(
            "functions of reduced tiny parts (family avrtiny) cannot be called: their calling convention, with "
            "arguments in r25 to r20, is not supported"
        )


def _registers_of_sizes(sizes: Sequence[int], variadic: bool) -> list[tuple[int, ...] | None]:
    """Gives each argument's registers, lowest byte first, or None for the stack."""
    next_free = _FIRST_ARGUMENT_REGISTER if variadic else _AFTER_LAST_ARGUMENT_REGISTER
    places: list[tuple[int, ...] | None] = []
    for size in sizes:
        start = next_free - (size + 1) // 2 * 2
        # Once an argument finds no room, those after it go to the stack too, however small.
        if start < _FIRST_ARGUMENT_REGISTER:
            next_free = _FIRST_ARGUMENT_REGISTER
            places.append(None)
        else:
            next_free = start
            places.append(tuple(range(start, start + size)))
    return places


def _check_count(signature: FunctionType, values: Sequence[object], name: str) -> None:
    wanted = len(signature.parameters)
    if len(values) == wanted or (signature.variadic and len(values) > wanted):
        return
    listed = ", ".join(type_text(p.type, p.name) for p in signature.parameters) or "none"
    at_least = "at least " if signature.variadic else ""
    plural = "" if wanted == 1 else "s"
    raise ArgumentError(f"{name} takes {at_least}{wanted} argument{plural} ({listed}); {len(values)} given")


def _check_result(signature: FunctionType) -> None:
    returns = signature.returns
    if isinstance(returns, StructType) and not returns.is_plain:
        raise ArgumentError(f"the result of type {type_text(returns)} is not supported: {NOT_PLAIN}")
    if isinstance(returns, IntegerType) and not is_supported(returns):
        raise ArgumentError(f"a result of type {type_text(returns)} is not supported")


def _is_in_memory(returns: Type) -> bool:
    size = size_of(returns)
    return size is not None and size > _LARGEST_RESULT_IN_REGISTERS
