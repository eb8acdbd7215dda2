"""What a call depended on besides its arguments, by the names that the source gives it."""

from collections.abc import Container, Iterable, Iterator, Mapping
from itertools import pairwise
from typing import NamedTuple

from cyclerule.engines.tracking import EEPROM_PLACE
from cyclerule.firmware.image import Image, Symbol, Variable
from cyclerule.firmware.types import ArrayType, EnumType, IntegerType, PointerType, StructType, Type, size_of
from cyclerule.firmware.values import named_members
from cyclerule.measure.results import Held
from cyclerule.measure.stage import Stage
from cyclerule.measure.variables import own_name

LARGEST_NUMBER = 8
"""Bytes up to which a variable of unknown type is shown as a number."""

_LINKER_PLACES = frozenset(
    {
        "__data_start",
        "__data_end",
        "__bss_start",
        "__bss_end",
        "__heap_start",
        "_edata",
        "_end",
        "__DATA_REGION_ORIGIN__",
    }
)
"""Labels in data space of avr-libc's linker scripts: places between variables, not variables."""


def name_held(
    stage: Stage,
    first_reads: Mapping[int, int],
    before: bytes,
    own_stack: range,
    given: Container[int] = (),
) -> list[Held]:
    """Names what was read first: variables whole with the value before the call, I/O and CPU registers by their names.

    Left out are constants of the program, `own_stack`, the data addresses of the call's own stack, and status register
    and stack pointer, which compiled code reads to save them and to make its frame. `given` are data addresses that are
    set anew for each call: of a variable that they are a part of, only the other members are named.
    """
    chip, image = stage.chip, stage.image
    variables = [variable for variable in image.variables if variable.space == "data" and variable.size_bytes]
    found: dict[tuple[int, int], Held] = {}
    unnamed: list[int] = []
    eeprom = {address - EEPROM_PLACE for address in first_reads if address >= EEPROM_PLACE}
    # What EEDR is read for is what lies in EEPROM.
    passed_on = chip.bus.address("EEDR") if eeprom else None
    for address in sorted(address for address in first_reads if address < EEPROM_PLACE and address != passed_on):
        if address < 32:
            found[address, 0] = Held(f"r{address}", first_reads[address])
        elif address < chip.ram_start:
            if not chip.bus.is_quiet(address):
                found[address, 0] = Held(chip.bus.name(address), first_reads[address])
        elif address not in own_stack:
            variable = _variable_at(image, variables, address)
            if variable is None:
                unnamed.append(address)
            elif _is_vtable(variable):
                continue
            elif variable.type is None or not variable.type.is_const:
                name = own_name(variable, variables)
                whole = _Part(name, variable.type, variable.address, variable.size_bytes)
                for part in _parts(whole, address, given):
                    found[part.address, part.shift] = Held(part.name, part.value(before))
    return [*found.values(), *_held_bytes(image, unnamed, before), *_held_eeprom(stage, eeprom)]


def _held_eeprom(stage: Stage, places: Iterable[int]) -> Iterator[Held]:
    """Names what was read of EEPROM: variables whole, with the value before the call, and bytes without a name."""
    device, named = stage.devices.system.eeprom, set[str]()
    for place in sorted(places) if device is not None else ():
        symbol = stage.image.symbol_at("eeprom", place)
        begin, size = (place, 1) if symbol is None else (symbol.address, max(symbol.size_bytes, 1))
        name = f"EEPROM 0x{place:03x}" if symbol is None else f"EEPROM {symbol.name}"
        if name in named or device is None:
            continue
        named.add(name)
        variable = next((v for v in stage.image.variables if v.space == "eeprom" and v.address == begin), None)
        data = device.content_before[begin : begin + size]
        yield Held(name, data[0] if size == 1 else _shown(None if variable is None else variable.type, data))


def _is_vtable(variable: Variable) -> bool:
    """Whether it is a class's table of virtual functions, a constant in RAM (Itanium C++ ABI, 5.1.4, for the names)."""
    return variable.type is None and (variable.symbol or "").startswith(("_ZTV", "_ZTT"))


def without_set_pins(held: Held, names: Iterable[str]) -> Held:
    """Leaves the pins that are set for each row, of these names, out of a port that was read whole."""
    pins = [name for name in names if name[:-1] == f"P{held.name.removeprefix('PIN')}"]
    if not pins or not isinstance(held.value, int):
        return held
    others = held.value & ~sum(1 << int(pin[-1]) for pin in pins)
    return Held(f"{held.name} but for {', '.join(pins)}", others)


class _Part(NamedTuple):
    """A variable or a part of it; a bit-field has `bits`, the first of them `shift` bits above the lowest."""

    name: str
    type: Type | None
    address: int
    size_bytes: int
    shift: int = 0
    bits: int | None = None

    def value(self, memory: bytes) -> int | bytes:
        """Gives its value in a memory."""
        data = memory[self.address : self.address + self.size_bytes]
        if self.bits is None:
            return _shown(self.type, data)
        return int.from_bytes(data, "little") >> self.shift & (1 << self.bits) - 1


def _parts(whole: _Part, read: int, given: Container[int]) -> Iterator[_Part]:
    """Gives the largest part of a variable with an address that was read and none that is set for each call."""
    name, kind, address, size_bytes = whole[:4]
    if not address <= read < address + size_bytes:
        return
    if not any(each in given for each in range(address, address + size_bytes)):
        yield whole
        return
    if isinstance(kind, StructType):
        for member in named_members(kind):
            shift, bits, size = member.bit_offset or 0, member.bit_size, size_of(member.type) or 0
            if bits is not None:
                size = (shift + bits + 7) // 8
            part = _Part(f"{name}.{member.name}", member.type, address + member.offset, size, shift, bits)
            yield from _parts(part, read, given)
    elif isinstance(kind, ArrayType) and kind.count:
        size = size_bytes // kind.count
        number = (read - address) // size
        yield from _parts(_Part(f"{name}[{number}]", kind.element, address + number * size, size), read, given)


def _variable_at(image: Image, variables: Iterable[Variable], address: int) -> Variable | None:
    for variable in variables:
        if variable.address <= address < variable.address + variable.size_bytes:
            return variable
    symbol = image.symbol_at("data", address)
    if symbol is None or not symbol.size_bytes:
        return None
    return Variable(symbol.name, symbol.address, None, size_bytes=symbol.size_bytes, symbol=symbol.name)


def _shown(given: Type | None, data: bytes) -> int | bytes:
    is_number = isinstance(given, IntegerType | EnumType | PointerType) or (
        given is None and len(data) <= LARGEST_NUMBER
    )
    if not is_number:
        return data
    return int.from_bytes(data, "little", signed=isinstance(given, IntegerType | EnumType) and given.signed)


def _held_bytes(image: Image, addresses: list[int], before: bytes) -> list[Held]:
    """Names RAM that no variable covers, neighbours together: from the label before it, else by its address."""
    labels = [s for s in image.symbols if s.space == "data" and not s.size_bytes and s.name not in _LINKER_PLACES]
    named = [
        (address, label) for address in addresses if not _is_literal(image, address, label := _label(labels, address))
    ]
    starts = [n for n, (left, right) in enumerate(pairwise(named), 1) if left[0] + 1 != right[0] or left[1] != right[1]]
    found = []
    for begin, end in pairwise([0, *starts, len(named)] if named else []):
        address, label = named[begin]
        data = before[address : named[end - 1][0] + 1]
        if label is None:
            # Neighbours need not belong together, so several bytes are no number.
            found.append(Held(f"RAM at 0x{address:04x}", data[0] if len(data) == 1 else data))
        else:
            name = label.name if address == label.address else f"{label.name}+{address - label.address}"
            found.append(Held(name, _shown(None, data)))
    return found


def _label(labels: Iterable[Symbol], address: int) -> Symbol | None:
    return max((label for label in labels if label.address <= address), key=lambda label: label.address, default=None)


def _is_literal(image: Image, address: int, label: Symbol | None) -> bool:
    """Whether the compiler put this byte among the variables without a name: a string or a table it made itself.

    Its own labels are not in the symbol table. A label of assembly names what follows it, up to the next variable.
    """
    places = {s.name: s.address for s in image.symbols if s.name in _LINKER_PLACES}
    if "__data_start" not in places or "__data_end" not in places:
        return False
    if not places["__data_start"] <= address < places["__data_end"]:
        return False
    between = (
        []
        if label is None
        else [s for s in image.symbols if s.space == "data" and label.address < s.address <= address]
    )
    return label is None or any(s.size_bytes for s in between)
