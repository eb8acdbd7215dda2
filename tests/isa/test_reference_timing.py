"""The cycles that pass on the reference engine, each form run from flash, against the manual's table."""

import itertools

import pytest

from cyclerule.errors import NotModelled, UnknownInstruction
from cyclerule.isa.operations import Z
from cyclerule.isa.record import REGISTERED, Instruction
from cyclerule.machine.chip import Chip
from cyclerule.parts import load_part
from cyclerule.peripherals.catalogue import fit_devices
from cyclerule.toolchain import find
from tests.golden.tables import rows
from tests.isa.bench import Bench
from tests.isa.test_timing_table import RECORDS, ROWS, form_of, name

NARROW, WIDE = "atmega1284p", "atmega2560"
"""Parts with every instruction of AVRe+ that a program counter of 16 and of 22 bits allows."""

NOP, STS = (0x0000,), (0x9200, 0x0300)
RETURN_TO = 0x0123


def bench(part_name: str) -> Bench:
    """A chip with RAM behind every pointer, a return address on the stack and flags that take no branch."""
    chip = Chip(load_part(part_name, find()), b"")
    fit_devices(chip)
    made = Bench(chip)
    chip.data[26:32] = bytes.fromhex("000400040004")  # X, Y, Z: 0x0400 is RAM here, and a flash word that exists.
    chip.data[16:18] = b"\x01\xfc"
    made._push_return_address(RETURN_TO)
    return made


def usual_operands(instruction: Instruction) -> tuple[int, ...]:
    """Operands with which every form may be run: no branch taken, nothing skipped, RAM accessed."""
    chosen = {"R": 16, "P": 24, "K": 5, "b": 1, "s": Z, "A": 0x1E, "q": 3}
    values = []
    for letter, kind in instruction.operands.items():
        if kind.name.startswith("register r24"):
            value = chosen["P"]
        elif "register" in kind.name:
            value = 16 if letter == "d" else 18 if "even" in kind.name else 17
        elif kind.name.startswith("data address"):
            value = 0x0300
        elif kind.name == "flash word":
            value = 0x0200
        elif kind.name.startswith("distance"):
            value = 3
        else:
            value = chosen[letter]
        values.append(value)
    return tuple(values)


ON_AVRE = [row for row in ROWS if row["AVRe"] != "N/A"]


@pytest.mark.parametrize(("row", "part_name"), list(itertools.product(ON_AVRE, (NARROW, WIDE))), ids=name)
def test_a_form_takes_the_tables_cycles(row: dict[str, str], part_name: str) -> None:
    """DS40002198 sec. 5, AVRe, and its figures for a 22-bit program counter; no branch taken, nothing skipped."""
    instruction = RECORDS[form_of(row)]
    made = bench(part_name)
    if row["AVRe"] == "varies":
        # How long it takes is the memory controller's matter; without one it is refused.
        made.chip.stores_flash = None
        with pytest.raises(NotModelled, match="SPM at 0x0000 takes a time that depends on programming"):
            made.run_one(instruction, usual_operands(instruction))
        return
    if instruction.feature == "EIJMP_EICALL" and part_name == NARROW:
        with pytest.raises(UnknownInstruction):
            made.run_one(instruction, usual_operands(instruction))
        return
    made.chip.flags[Z] = 1 if instruction.mnemonic == "BRBC" else 0
    published = row["AVRe_pc22"] if part_name == WIDE and row["AVRe_pc22"] else row["AVRe"]
    operands = usual_operands(instruction)
    if instruction.mnemonic in ("SBRC", "SBIC"):
        made.chip.data[17] = 2
        made.chip.data[0x3E] = 2
    assert made.run_one(instruction, operands) == int(published)


@pytest.mark.parametrize("row", [row for row in ON_AVRE if row["AVRe_taken"]], ids=name)
def test_a_taken_branch_takes_the_tables_cycles(row: dict[str, str]) -> None:
    """DS40002198 sec. 5, AVRe: forwards, backwards, and to the very next instruction, which is taken none the less."""
    instruction = RECORDS[form_of(row)]
    made = bench(NARROW)
    for flag, distance in itertools.product(range(8), (-64, -2, 0, 63)):
        made.chip.flags[:] = [1 if instruction.mnemonic == "BRBS" else 0] * 8
        made.chip.interrupts.delivers = False
        assert made.run_one(instruction, (flag, distance)) == int(row["AVRe_taken"])
        assert made.chip.program_counter == (1 + distance) % made.chip.flash_words


@pytest.mark.parametrize("following", [NOP, STS])
@pytest.mark.parametrize("row", [row for row in ON_AVRE if row["AVRe_skip1"]], ids=name)
def test_a_skip_takes_the_tables_cycles(row: dict[str, str], following: tuple[int, ...]) -> None:
    """DS40002198 sec. 6, AVRe: over an instruction of one word and of two."""
    instruction = RECORDS[form_of(row)]
    made = bench(NARROW)
    made.chip.data[17] = 0 if instruction.mnemonic == "SBRC" else 0xFF
    made.chip.data[16] = made.chip.data[17]
    made.chip.data[0x3E] = 0 if instruction.mnemonic == "SBIC" else 0xFF
    words = len(following)
    assert made.run_one(instruction, usual_operands(instruction), *following) == int(row[f"AVRe_skip{words}"])
    assert made.chip.program_counter == 1 + words


def test_returns_take_the_tables_cycles_from_wherever_they_come() -> None:
    """DS40002198 sec. 6, RET and RETI, and the datasheets' response time: the pushed address comes back whole."""
    for part_name, address in ((NARROW, 0xABCD), (WIDE, 0x1ABCD)):
        for mnemonic in ("RET", "RETI"):
            made = bench(part_name)
            made._push_return_address(address)
            depth = made.chip.stack_pointer
            (instruction,) = [each for each in REGISTERED if each.mnemonic == mnemonic]
            published = next(row for row in ROWS if row["mnemonic"] == mnemonic)
            column = "AVRe_pc22" if part_name == WIDE else "AVRe"
            assert made.run_one(instruction, ()) == int(published[column])
            assert made.chip.program_counter == address
            assert made.chip.stack_pointer == depth + made.chip.core.pc_bytes


def test_interrupt_response_and_wake_up_are_the_datasheets() -> None:
    """ATmega328P datasheet sec. 7.7.1 and ATmega2560 datasheet sec. 7.8.1, by interrupt_timing.csv."""
    published = {row["item"]: row for row in rows("interrupt_timing.csv")}
    response = published["interrupt response (flag seen to first cycle of the vector instruction)"]
    wake = published["interrupt taken while asleep: extra"]
    for part_name, column in ((NARROW, "avre_pc16_cycles"), (WIDE, "avre_pc22_cycles")):
        interrupts = Chip(load_part(part_name, find()), b"").interrupts
        assert interrupts.response_cycles == int(response[column])
        assert interrupts.wake_cycles == int(wake[column])
