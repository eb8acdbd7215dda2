"""What a call depended on besides its arguments, by the names that the source gives it."""

from collections.abc import Mapping

from cyclerule.firmware.image import Variable
from cyclerule.firmware.types import EnumType, IntegerType, PointerType
from cyclerule.measure.results import Held
from cyclerule.measure.stage import Stage

LARGEST_NUMBER = 8
"""Bytes up to which a variable of unknown type is shown as a number."""


def name_held(stage: Stage, first_reads: Mapping[int, int], before: bytes, stack_pointer: int) -> list[Held]:
    """Names what was read first: variables whole with the value before the call, I/O and CPU registers by their names.

    Constants of the program are left out, and so is the call's own part of the stack.
    """
    chip, image = stage.chip, stage.image
    variables = _variables_by_address(image.variables)
    found: dict[str, Held] = {}
    for address in sorted(first_reads):
        if address < 32:
            held = Held(f"r{address}", first_reads[address])
        elif address < chip.ram_start:
            if chip.bus.is_quiet(address):
                continue
            held = Held(chip.bus.name(address), first_reads[address])
        else:
            data_end = image.data_end
            if address <= stack_pointer and (data_end is None or address >= data_end):
                continue
            held_variable = _held_in_ram(stage, address, variables, before)
            if held_variable is None:
                continue
            held = held_variable
        found.setdefault(held.name, held)
    return list(found.values())


def _variables_by_address(variables: tuple[Variable, ...]) -> list[Variable]:
    return [variable for variable in variables if variable.space == "data" and variable.size_bytes]


def _held_in_ram(stage: Stage, address: int, variables: list[Variable], before: bytes) -> Held | None:
    for variable in variables:
        if variable.address <= address < variable.address + variable.size_bytes:
            if variable.type is not None and variable.type.is_const:
                return None
            data = before[variable.address : variable.address + variable.size_bytes]
            signed = isinstance(variable.type, IntegerType | EnumType) and variable.type.signed
            if isinstance(variable.type, IntegerType | EnumType | PointerType):
                return Held(variable.name, int.from_bytes(data, "little", signed=signed))
            return Held(variable.name, data)
    symbol = stage.image.symbol_at("data", address)
    if symbol is not None and symbol.size_bytes:
        data = before[symbol.address : symbol.address + symbol.size_bytes]
        value = int.from_bytes(data, "little") if len(data) <= LARGEST_NUMBER else data
        return Held(symbol.name, value)
    return Held(f"RAM at 0x{address:04x}", before[address])
