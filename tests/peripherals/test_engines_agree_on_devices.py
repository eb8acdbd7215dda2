"""Random instructions on the registers of all devices: compiled and reference engine give the same, to the cycle."""

from random import Random
from typing import Any

import pytest

from cyclerule.engines.engine import Engine
from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.engines.reference import Reference
from cyclerule.errors import CycleruleError
from cyclerule.machine.bus import IoWrite
from cyclerule.machine.chip import Chip, StartUp
from cyclerule.peripherals.catalogue import Devices, fit_devices
from tests.peripherals.fitted import part

PARTS = ["atmega328p", "atmega2560", "atmega16", "attiny85"]
SEI, CLI, WDR, SLEEP, RETI, NOP = 0x9478, 0x94F8, 0x95A8, 0x9588, 0x9518, 0x0000
LENGTH, CYCLES = 60, 12_000


def program(chip: Chip, random: Random) -> None:
    """Puts a loop of random instructions behind a table of vectors, each of which returns at once."""
    flash = chip.flash
    words = chip.part.vector_bytes // 2
    for vector in range(1, chip.part.vector_count):
        flash[2 * vector * words : 2 * vector * words + 2] = RETI.to_bytes(2, "little")
    bus = chip.bus
    quiet = {0x5D, 0x5E}
    addresses = [a for a in range(0x20, chip.ram_start) if bus.is_modelled(a) and a not in quiet]
    code: list[int] = []
    for _ in range(LENGTH):
        address, register = random.choice(addresses), random.randrange(16, 24)
        match random.randrange(12):
            case 0 | 1 | 2:
                value = random.randrange(256)
                code.append(0xE000 | (value & 0xF0) << 4 | register - 16 << 4 | value & 0x0F)
            case 3 | 4 | 5:
                code += [0x9200 | register << 4, address]
            case 6 | 7:
                code += [0x9000 | register << 4, address]
            case 8 if address < 0x60:
                low = address - 0x20
                code.append(0xB800 | (low & 0x30) << 5 | register << 4 | low & 0x0F)
            case 9 if address < 0x40:
                code.append((0x9800 if random.random() < 0.5 else 0x9A00) | address - 0x20 << 3 | random.randrange(8))
            case 10:
                code.append(random.choice((SEI, SEI, CLI, WDR)))
            case 11:
                code.append(SLEEP if random.random() < 0.3 else NOP)
            case _:
                code.append(NOP)
    begin = chip.part.vector_count * words
    code += [0xC000 | -(len(code) + 1) & 0xFFF]
    for place, word in enumerate(code, begin):
        flash[2 * place : 2 * place + 2] = word.to_bytes(2, "little")
    flash[0:2] = (0xC000 | begin - 1 & 0xFFF).to_bytes(2, "little")


def outcome(name: str, seed: int, kind: type[Engine]) -> tuple[Any, ...]:
    """Runs a program and gives all that can be seen of it."""
    # So slow a clock that what takes a time, of the watchdog, EEPROM and flash, comes often.
    chip = Chip(part(name), b"", clock_hz=100_000)
    chip.start_up = StartUp(6, 14, StartUp().reset_seconds * 0, is_assumed=False)
    devices: Devices = fit_devices(chip)
    chip.keep_power_on_state()
    program(chip, Random(seed))
    if devices.system.adc is not None:
        devices.system.adc.set_input(0, "1.234")
    for number in range(4):
        devices.system.inputs.set_input("AIN0", number % 2 + 1, number * 2_500)
    devices.system.inputs.set_input("AIN1", "1.5")
    engine = kind(chip)  # type: ignore[call-arg]
    chip.stop_run = engine.request_stop
    log: list[IoWrite] = []
    chip.bus.log = log
    told, resets = "", []
    while chip.cycle < CYCLES and not told:
        try:
            stop = engine.run(CYCLES)
        except CycleruleError as error:
            told = f"{type(error).__name__}: {error}"
            continue
        if chip.pending_reset is not None:
            resets.append(chip.pending_reset)
            chip.reset()
        else:
            told = stop.name
    chip.bus.log = None
    state = chip.cycle, chip.program_counter, chip.stack_pointer, chip.status(), chip.is_asleep, bytes(chip.data)
    requests = chip.interrupts.requests, chip.interrupts.finished
    # Where an alarm's remark is placed is the last access to I/O before somebody looked.
    remarks = sorted((each.register, each.what) for each in chip.bus.unmodelled.values())
    return state, requests, told, resets, log, remarks, engine.instructions


@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize("seed", range(3))
def test_both_engines_see_the_same_devices(name: str, seed: int) -> None:
    """Every write at its cycle, every handler, every reset and halt, and what is refused."""
    assert outcome(name, seed, Reference) == outcome(name, seed, Scalar)


@pytest.mark.slow
@pytest.mark.parametrize("name", PARTS)
def test_both_engines_see_the_same_devices_in_many_programs(name: str) -> None:
    """The same over more programs."""
    for seed in range(100, 220):
        assert outcome(name, seed, Reference) == outcome(name, seed, Scalar), seed
