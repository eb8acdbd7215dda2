"""What can be given a value before a call: variables and their members, registers and their bits, pins."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.firmware.image import Image, Symbol, Variable
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
    type_text,
)
from cyclerule.firmware.values import Frame, bit_field_range, encode, member_bits, named_members
from cyclerule.measure.domain_text import LONGEST_LIST
from cyclerule.measure.domains import as_domain, every_value
from cyclerule.measure.io_settings import Kind, PinSetting, RegisterSetting
from cyclerule.measure.stage import Stage
from cyclerule.measure.variables import find_variable, variable_names
from cyclerule.parts.part import Part

KINDS: tuple[Kind, ...] = ("global", "register", "pin")

_STEP = re.compile(r"\.(?P<member>[A-Za-z_]\w*)|\[(?P<index>\d+)\]")
_PINS = re.compile(r"PIN(?P<letter>[A-L])")
_PIN = re.compile(r"P[A-L][0-7]")


class Setting(Protocol):
    """Something that can be given a value before a call; `type` is None where nothing tells it."""

    @property
    def name(self) -> str:
        """The name it was asked for by."""

    @property
    def kind(self) -> Kind:
        """What it is, for messages."""

    @property
    def type(self) -> Type | None:
        """The type of its values."""

    @property
    def addresses(self) -> range:
        """The data addresses whose whole content a value decides; none where it decides only a part."""

    def write(self, stage: Stage, value: object) -> None:
        """Gives it a value; raises ArgumentError for one that does not fit."""

    def check(self, value: object) -> None:
        """Raises ArgumentError for a number that does not fit, before anything runs."""


@dataclass(frozen=True)
class VariableSetting:
    """A variable in RAM, or one of its members or elements; `member` is set for a bit-field."""

    name: str
    variable: Variable
    type: Type | None
    address: int
    size_bytes: int
    member: Field | None = None
    kind: Kind = "global"

    @property
    def addresses(self) -> range:
        """The bytes that it has to itself."""
        if self.member is not None and (self.member.bit_offset or (self.member.bit_size or 0) % 8):
            return range(0)
        return range(self.address, self.address + self.size_bytes)

    @property
    def is_number(self) -> bool:
        """Whether a value is a number that fills whole bytes, and nothing that has to be placed first."""
        return self.member is None and isinstance(self.type, IntegerType | FloatType | EnumType)

    @property
    def subject(self) -> str:
        """Names it in a message."""
        return f"global {self.name}"

    def check(self, value: object) -> None:
        """Raises ArgumentError for a number that does not fit."""
        if self.is_number:
            self.bits(value)

    def bits(self, value: object) -> int:
        """Gives the bits of a number."""
        assert self.type is not None  # noqa: S101 - `is_number` holds
        frame = Frame(0, 0, None, 0, None)
        return int.from_bytes(encode(self.type, value, self.subject, frame), "little")

    def write(self, stage: Stage, value: object) -> None:
        """Puts a value into RAM; what a pointer leads to goes into the caller's frame, as for an argument."""
        data = stage.chip.data
        if self.member is not None:
            bits, ones = member_bits(self.member, value, self.subject, Frame(0, 0, None, 0, None), ())
            there = int.from_bytes(data[self.address : self.address + self.size_bytes], "little")
            content = (there & ~ones | bits).to_bytes(self.size_bytes, "little")
        else:
            content = self._bytes(stage, value)
        if len(content) > self.size_bytes:
            raise ArgumentError(f"{self.subject} has {self.size_bytes} bytes; {len(content)} given")
        data[self.address : self.address + len(content)] = content

    def _bytes(self, stage: Stage, value: object) -> bytes:
        if isinstance(value, bytes | bytearray) and not isinstance(self.type, PointerType):
            return bytes(value)
        if self.type is not None:
            chip = stage.chip
            frame = Frame(chip.stack_pointer, stage.flash_free, places(stage), stage.stack_end, 2 * stage.return_word)
            content = encode(self.type, value, self.subject, frame, self.name)
            frame.check(chip.core.pc_bytes)
            for address, data in frame.memory:
                chip.data[address : address + len(data)] = data
            stage.add_to_flash(frame.flash)
            chip.stack_pointer = frame.low
            return content
        if not isinstance(value, int):
            raise ArgumentError(f"{self.subject} has no type in the debug information; give an integer or bytes")
        try:
            return value.to_bytes(self.size_bytes, "little", signed=value < 0)
        except OverflowError:
            raise ArgumentError(f"{self.subject}: {value} does not fit its {self.size_bytes} bytes") from None


def find_setting(image: Image, part: Part, name: str, kinds: Sequence[Kind] = KINDS) -> Setting:
    """Finds what a name means: a variable, a register or a pin, in this order.

    Members and bits are named too: "cfg.gain", "table[3]", "UCSR0A.UDRE0". Of several variables "function.name",
    "file.c:name" or "name@file.c" is one. Raises UnknownName with the nearest names of these kinds, ArgumentError for
    what cannot be set.
    """
    if "global" in kinds:
        try:
            return _variable_setting(image, name)
        except UnknownName as error:
            if len(kinds) == 1 or error.kind != "global variable":
                raise
    found = None
    if "pin" in kinds:
        found = _pin_setting(part, name)
    if found is None and "register" in kinds:
        found = _register_setting(part, name)
    if found is not None:
        return found
    known = _known(image, part, kinds)
    if name in part.bits and "register" in kinds:
        raise ArgumentError(f"{name} is a bit; say of which register, for example TCCR1B.{name}, or set the register")
    raise UnknownName(kinds[0] if len(kinds) == 1 else "variable, register or pin", name, known)


def _known(image: Image, part: Part, kinds: Iterable[Kind]) -> list[str]:
    known: list[str] = []
    if "global" in kinds:
        known += variable_names(image)
    if "register" in kinds:
        known += part.registers
    if "pin" in kinds:
        known += [name for name in part.bits if _PIN.fullmatch(name)]
    return known


def _variable_setting(image: Image, name: str) -> Setting:
    """Finds a variable by the longest beginning of the name that is one, and the member by the rest."""
    try:
        variable, path = find_variable(image, name), ""
    except UnknownName as error:
        if error.kind != "global variable":
            raise
        cuts = [n for n, letter in enumerate(name) if letter in ".[" and n]
        for cut in reversed(cuts):
            try:
                variable, path = find_variable(image, name[:cut]), name[cut:]
                break
            except UnknownName as shorter:
                if shorter.kind != "global variable":
                    raise
        else:
            raise error from None
    if variable.space != "data":
        raise ArgumentError(f"global {variable.name} lies in {variable.space}; only variables in RAM can be set")
    if not path:
        return VariableSetting(name, variable, variable.type, variable.address, variable.size_bytes)
    return _member_setting(name, variable, path)


def _member_setting(name: str, variable: Variable, path: str) -> Setting:
    given, address, done = variable.type, variable.address, variable.name
    member: Field | None = None
    while path:
        step = _STEP.match(path)
        if step is None or member is not None:
            raise ArgumentError(f"global {name}: write a member as cfg.gain and an element as table[3]")
        match given:
            case StructType() if step["member"]:
                members = {each.name: each for each in named_members(given)}
                found = members.get(step["member"])
                if found is None:
                    raise UnknownName("member", step["member"], members, hint=f"of global {done}")
                given, address = found.type, address + found.offset
                member = found if found.bit_size is not None else None
            case ArrayType(element=element, count=count) if step["index"]:
                index = int(step["index"])
                if count is None or index >= count:
                    last = "" if count is None else f", the last of which is {done}[{count - 1}]"
                    raise ArgumentError(f"global {done} has {count or 'no known number of'} elements{last}")
                given, address = element, address + index * (size_of(element) or 0)
            case _:
                what = "nothing tells its type" if given is None else f"it is {type_text(given)}"
                raise ArgumentError(f"global {done} has no {step[0]}: {what}")
        done, path = done + step[0], path[step.end() :]
    if member is not None:
        bits = (member.bit_offset or 0) + (member.bit_size or 0)
        return VariableSetting(name, variable, given, address, (bits + 7) // 8, member)
    size = None if given is None else size_of(given)
    if size is None:
        raise ArgumentError(f"global {name}: its size is not known from the debug information")
    return VariableSetting(name, variable, given, address, size)


def _register_setting(part: Part, name: str) -> Setting | None:
    whole, dot, bit_name = name.partition(".")
    register = part.registers.get(whole)
    if register is None:
        return None
    if whole in ("SP", "SPL", "SPH"):
        raise ArgumentError(f"{name} is set by the call itself: the stack begins where the program's own is")
    if not dot:
        if register.size_bytes > 2:
            raise ArgumentError(f"{name} has {register.size_bytes} bytes; set its bytes one by one")
        return RegisterSetting(name, register.address, register.size_bytes)
    bit = int(bit_name) if re.fullmatch("[0-7]", bit_name) else part.bits.get(bit_name)
    if bit is None:
        raise UnknownName("bit", bit_name, part.bits, hint=f"of {whole}")
    return RegisterSetting(name, register.address, 1, bit)


def _pin_setting(part: Part, name: str) -> Setting | None:
    port = _PINS.fullmatch(name)
    if port is not None and name in part.registers:
        bits = tuple(n for n in range(8) if _has_pin(part, f"P{port['letter']}{n}"))
        address = part.registers[name].address
        return PinSetting(name, tuple(f"P{port['letter']}{n}" for n in bits), bits, range(address, address + 1))
    if _PIN.fullmatch(name) and _has_pin(part, name):
        return PinSetting(name, (name,), (0,))
    return None


def _has_pin(part: Part, name: str) -> bool:
    return f"PIN{name[1]}" in part.registers and (name in part.bits or f"PORT{name[1:]}" in part.bits)


def setting_domain(setting: Setting, given: object) -> Sequence[object]:
    """Gives the values that something is to be set to: for an array or a structure, a list of numbers is one value."""
    if isinstance(setting.type, ArrayType | StructType | PointerType) or setting.type is None:
        is_one = isinstance(given, Sequence) and not any(isinstance(each, bytes | Sequence | Mapping) for each in given)
        if is_one or not isinstance(given, Iterable):
            return (given,)
    return as_domain(setting.name, given)


def every_setting(setting: Setting) -> Sequence[object]:
    """Gives every value that something can be set to; ArgumentError where nothing tells them."""
    if isinstance(setting, VariableSetting) and setting.member is not None:
        low, high = bit_field_range(setting.member)
        return range(low, high + 1)
    if setting.type is None:
        raise ArgumentError(f"{setting.kind} {setting.name} has no type in the debug information; give its values")
    return every_value(setting.type)


def has_every_value(setting: Setting, domain: Sequence[object]) -> bool:
    """Tells whether something can be set to no other value than those of a domain."""
    try:
        every = every_setting(setting)
    except ArgumentError:
        return False
    if isinstance(every, range) and (isinstance(domain, range) or every[-1] - every[0] >= LONGEST_LIST):
        return domain == every
    return len(domain) >= len(every) and set(domain) == set(every)


def split_settings(
    settings: Iterable[tuple[Setting, Sequence[object]]],
) -> tuple[list[tuple[Setting, object]], list[tuple[Setting, Sequence[object]]]]:
    """Parts what is set to one value from what takes several."""
    given = list(settings)
    return [(each, values[0]) for each, values in given if len(values) == 1], [
        (each, values) for each, values in given if len(values) > 1
    ]


def places(stage: Stage) -> Callable[[str], Symbol]:
    """Gives what finds the place of a name for a pointer: a variable, a member of one, a function, an I/O register."""
    image, part = stage.image, stage.chip.part

    def place(name: str) -> Symbol:
        try:
            variable = find_variable(image, name)
            return Symbol(name, variable.space, variable.address, variable.size_bytes, "object", "global")
        except UnknownName as error:
            if error.kind == "single variable":
                raise
        named = [f for f in image.functions.values() if f.source_name == name and f.address is not None]
        if len(named) == 1 and named[0].address is not None:
            return Symbol(name, "flash", named[0].address, named[0].size_bytes, "function", "global")
        try:
            return image.symbol(name)
        except UnknownName as error:
            register = part.registers.get(name)
            if register is not None:
                return Symbol(name, "data", register.address, register.size_bytes, "object", "global")
            if not any(letter in name for letter in ".["):
                raise
            member = _variable_setting(image, name)
            if not isinstance(member, VariableSetting) or member.member is not None:
                raise ArgumentError(f"{name} is a bit-field, which has no address") from error
            return Symbol(name, "data", member.address, member.size_bytes, "object", "global")

    return place


def write_all(stage: Stage, settings: Sequence[tuple[Setting, object]]) -> None:
    """Sets pins first, since that takes time, then registers, then variables."""
    for kind in ("pin", "register", "global"):
        for setting, value in settings:
            if setting.kind == kind:
                setting.write(stage, value)
    for setting, value in settings:
        if isinstance(setting, PinSetting):
            setting.confirm(stage, value)
