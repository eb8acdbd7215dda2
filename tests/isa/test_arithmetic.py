"""Arithmetic, logic and flags, exhaustively, against the instruction manual's own equations (see equations.py)."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from cyclerule.engines.reference import Reference
from cyclerule.isa.operations import FLAG_NAMES, C, T, Z
from cyclerule.isa.record import REGISTERED
from cyclerule.machine.chip import Chip
from cyclerule.parts import load_part
from cyclerule.toolchain import find
from tests.isa.arrays import Array, Arrays
from tests.isa.bench import Bench
from tests.isa.equations import FORMULAS, Inputs, Outcome

BY_MNEMONIC = {each.mnemonic: each for each in REGISTERED}

TWO_REGISTERS = ("ADD", "ADC", "SUB", "SBC", "CP", "CPC", "AND", "OR", "EOR")
WITH_CONSTANT = ("SUBI", "SBCI", "CPI", "ANDI", "ORI")
ONE_REGISTER = ("COM", "NEG", "INC", "DEC", "LSR", "ROR", "ASR", "SWAP")
ONE_BIT = ("BST", "BLD")
WORDS = ("ADIW", "SBIW")
PRODUCTS = ("MUL", "MULS", "MULSU", "FMUL", "FMULS", "FMULSU")

# Registers that every form takes: r16 to r23 for MULSU and its kin, r24 for ADIW.
D, R, PAIR = 16, 17, 24

BYTES = np.arange(256)
BOTH = np.array([0, 1])


def flags_before(**given: Any) -> dict[int, Any]:
    """C, Z and T as given; the others 0, which no instruction here reads."""
    flags: dict[int, Any] = dict.fromkeys(range(8), 0)
    flags.update({{"C": C, "Z": Z, "T": T}[letter]: value for letter, value in given.items()})
    return flags


def compare(machine: Arrays, outcome: Outcome, places: tuple[int, ...]) -> None:
    """The registers and flags written, and no others, have the values of the equations."""
    expected: dict[int, Array] = {}
    if outcome.result is not None:
        expected = {place: outcome.result // 256**n % 256 for n, place in enumerate(places)}
    assert set(machine.written) == set(expected)
    for place, value in expected.items():
        assert np.array_equal(np.broadcast_to(machine.written[place], np.shape(value)), value)
    assert {FLAG_NAMES[flag] for flag in machine.flags_written} == set(outcome.flags)
    for flag, found in machine.flags_written.items():
        value = outcome.flags[FLAG_NAMES[flag]]
        shape = np.broadcast_shapes(np.shape(found), np.shape(value))
        assert np.array_equal(np.broadcast_to(found, shape), np.broadcast_to(value, shape)), FLAG_NAMES[flag]


@pytest.mark.parametrize("mnemonic", TWO_REGISTERS)
def test_two_registers_give_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: all 256 × 256 values with both carries and both previous zero flags."""
    d, r, carry, zero = np.meshgrid(BYTES, BYTES, BOTH, BOTH, indexing="ij", sparse=True)
    machine = Arrays({D: d, R: r}, flags_before(C=carry, Z=zero))
    BY_MNEMONIC[mnemonic].meaning(machine, D, R)
    compare(machine, FORMULAS[mnemonic](Inputs(d, r, C=carry == 1, Z=zero == 1)), (D,))


@pytest.mark.parametrize("mnemonic", TWO_REGISTERS)
def test_a_register_with_itself_gives_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: one register as both operands, which LSL, ROL, TST and CLR stand for."""
    d, carry, zero = np.meshgrid(BYTES, BOTH, BOTH, indexing="ij", sparse=True)
    inputs = Inputs(d, d, C=carry == 1, Z=zero == 1)
    for formula in [mnemonic, *{"ADD": ["LSL"], "ADC": ["ROL"]}.get(mnemonic, [])]:
        machine = Arrays({D: d}, flags_before(C=carry, Z=zero))
        BY_MNEMONIC[mnemonic].meaning(machine, D, D)
        compare(machine, FORMULAS[formula](inputs), (D,))


@pytest.mark.parametrize("mnemonic", WITH_CONSTANT)
def test_a_register_and_a_constant_give_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: all 256 × 256 values with both carries and both previous zero flags."""
    d, carry, zero = np.meshgrid(BYTES, BOTH, BOTH, indexing="ij", sparse=True)
    for constant in range(256):
        machine = Arrays({D: d}, flags_before(C=carry, Z=zero))
        BY_MNEMONIC[mnemonic].meaning(machine, D, constant)
        compare(machine, FORMULAS[mnemonic](Inputs(d, K=constant, C=carry == 1, Z=zero == 1)), (D,))


@pytest.mark.parametrize("mnemonic", ONE_REGISTER)
def test_one_register_gives_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: all 256 values with both carries."""
    d, carry = np.meshgrid(BYTES, BOTH, indexing="ij", sparse=True)
    machine = Arrays({D: d}, flags_before(C=carry))
    BY_MNEMONIC[mnemonic].meaning(machine, D)
    compare(machine, FORMULAS[mnemonic](Inputs(d, C=carry == 1)), (D,))


@pytest.mark.parametrize("mnemonic", ONE_BIT)
def test_one_bit_of_a_register_gives_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: all 256 values, all bits, both values of T."""
    d, t = np.meshgrid(BYTES, BOTH, indexing="ij", sparse=True)
    for position in range(8):
        machine = Arrays({D: d}, flags_before(T=t))
        BY_MNEMONIC[mnemonic].meaning(machine, D, position)
        compare(machine, FORMULAS[mnemonic](Inputs(d, K=position, T=t == 1)), (D,))


@pytest.mark.parametrize("mnemonic", WORDS)
def test_a_word_and_a_constant_give_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: all 65,536 words with all 64 constants."""
    word = np.arange(65536, dtype=np.int32)
    for constant in range(64):
        machine = Arrays({PAIR: word % 256, PAIR + 1: word // 256}, flags_before())
        BY_MNEMONIC[mnemonic].meaning(machine, PAIR, constant)
        compare(machine, FORMULAS[mnemonic](Inputs(word, K=constant)), (PAIR, PAIR + 1))


@pytest.mark.parametrize("mnemonic", PRODUCTS)
def test_a_product_has_the_manuals_result_and_flags(mnemonic: str) -> None:
    """DS40002198 sec. 6: all 256 × 256 pairs; the product goes to r1:r0."""
    d, r = np.meshgrid(BYTES, BYTES, indexing="ij", sparse=True)
    machine = Arrays({D: d, R: r}, flags_before())
    BY_MNEMONIC[mnemonic].meaning(machine, D, R)
    compare(machine, FORMULAS[mnemonic](Inputs(d, r)), (0, 1))


def test_every_arithmetic_instruction_is_compared_here() -> None:
    """An instruction that changes a flag by a result, or combines registers, must not be left out of this file."""
    compared = {*TWO_REGISTERS, *WITH_CONSTANT, *ONE_REGISTER, *ONE_BIT, *WORDS, *PRODUCTS}
    group = {each.mnemonic for each in REGISTERED if each.meaning.__module__.endswith("arithmetic_and_logic")}
    assert group - {"DES"} <= compared
    assert {each.mnemonic for each in REGISTERED if each.flags} - {"BSET", "BCLR", "RETI"} <= compared


@pytest.fixture(scope="module")
def engine() -> Reference:
    """The reference engine on an ATmega2560, which has every instruction."""
    return Reference(Chip(load_part("atmega2560", find()), b""))


def test_the_reference_engines_sums_are_the_equations_for_all_inputs(engine: Reference) -> None:
    """DS40002198 sec. 6, ADC and SBC: all 131,072 inputs of the operations that engines compute in their own ways."""
    d, r, carry = (each.ravel() for each in np.meshgrid(BYTES, BYTES, BOTH, indexing="ij"))
    for operation, mnemonic in ((engine.add_with_carry, "ADC"), (engine.subtract_with_borrow, "SBC")):
        found = np.array([operation(*each) for each in zip(d.tolist(), r.tolist(), carry.tolist(), strict=True)])
        outcome = FORMULAS[mnemonic](Inputs(d, r, C=carry == 1, Z=np.asarray(True)))
        expected = [outcome.result, outcome.flags["H"], outcome.flags["V"], outcome.flags["C"]]
        for column, value in enumerate(expected):
            assert value is not None
            assert np.array_equal(found[:, column], value)


def samples(mnemonic: str, count: int = 600) -> Iterator[tuple[tuple[int, ...], Inputs]]:
    """Operands and what they find, drawn at random and of edge values; the same in every run."""
    choose = np.random.default_rng(sum(mnemonic.encode()))
    edges = [0x00, 0x01, 0x0F, 0x10, 0x7F, 0x80, 0x81, 0xFE, 0xFF]

    def byte() -> int:
        return int(choose.integers(256) if choose.integers(3) else choose.choice(edges))

    for _ in range(count):
        flags = {name: np.asarray(bool(choose.integers(2))) for name in "CZT"}
        if mnemonic in TWO_REGISTERS or mnemonic in PRODUCTS:
            yield (D, R), Inputs(np.asarray(byte()), np.asarray(byte()), **flags)
        elif mnemonic in WORDS:
            word, constant = np.asarray(byte() * 256 + byte()), int(choose.integers(64))
            yield (PAIR, constant), Inputs(word, K=constant, **flags)
        elif mnemonic in ONE_REGISTER:
            yield (D,), Inputs(np.asarray(byte()), **flags)
        else:
            constant = byte() % (8 if mnemonic in ONE_BIT else 256)
            yield (D, constant), Inputs(np.asarray(byte()), K=constant, **flags)


@pytest.mark.parametrize("mnemonic", [*TWO_REGISTERS, *WITH_CONSTANT, *ONE_REGISTER, *ONE_BIT, *WORDS, *PRODUCTS])
def test_the_reference_engine_computes_what_the_manual_says(mnemonic: str) -> None:
    """DS40002198 sec. 6: encoded, decoded and run from flash; nothing but the named register and flags changes."""
    chip = Chip(load_part("atmega2560", find()), b"")
    bench = Bench(chip)
    instruction = BY_MNEMONIC[mnemonic]
    places = (PAIR, PAIR + 1) if mnemonic in WORDS else (0, 1) if mnemonic in PRODUCTS else (D,)
    for operands, inputs in samples(mnemonic):
        before = bytearray(0xA0 + n for n in range(32))
        before[R] = int(inputs.Rr)
        for n, place in enumerate((PAIR, PAIR + 1) if mnemonic in WORDS else (D,)):
            before[place] = int(inputs.Rd) // 256**n % 256
        chip.data[:32] = before
        flags = [int(inputs.C), int(inputs.Z), 1, 0, 1, 0, int(inputs.T), 0]
        chip.flags[:] = flags
        bench.run_one(instruction, operands)
        outcome = FORMULAS[mnemonic](inputs)
        if outcome.result is not None:
            for n, place in enumerate(places):
                before[place] = int(outcome.result) // 256**n % 256
        for letter, value in outcome.flags.items():
            flags[FLAG_NAMES.index(letter)] = int(value)
        assert chip.data[:32] == before, (operands, inputs)
        assert list(chip.flags) == flags, (operands, inputs)
