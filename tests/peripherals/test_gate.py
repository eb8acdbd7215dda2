"""Interrupts of pins at awkward phases, among others: compiled code and the reference do the same, to the cycle."""

import random
from pathlib import Path

import pytest

from cyclerule.measure.results import Run
from cyclerule.session.firmware import Firmware, build

PROGRAM = Path(__file__).parent / "programs" / "gate.c"
PINS = ("PD2", "PD3", "PB0", "PB1", "PB2", "PD4", "PD5", "PD6")


@pytest.fixture(scope="module")
def gate() -> Firmware:
    """The gate's program."""
    return build([PROGRAM], part="atmega328p", clock="16 MHz")


def run(firmware: Firmware, seed: int, cycles: int, engine: str) -> Run:
    """Runs with random changes of all pins, some in the same cycle, and bytes that come at any phase."""
    chance = random.Random(seed)
    signals: list[tuple[object, ...]] = []
    at = 0
    while at < cycles:
        at += chance.choice((0, 1, 2, 3, 5, 40, 333, 1021))
        signals.append((at, chance.choice(PINS), chance.choice((0, 1, None))))
    signals += [(n, "serial0", bytes([n & 0xFF])) for n in range(500, cycles, 1777)]
    return firmware.run(
        max_cycles=cycles, signals=signals, watch=["GPIOR0", "GPIOR1", "GPIOR2", "PORTC"], pins=True, engine=engine
    )


def agree(firmware: Firmware, seed: int, cycles: int) -> Run:
    """Holds two engines against each other in all that a run tells; gives one of the runs."""
    reference, compiled = (run(firmware, seed, cycles, engine) for engine in ("reference", "scalar"))
    assert reference.watched == compiled.watched
    assert reference.handlers == compiled.handlers
    assert reference.pins.edges == compiled.pins.edges
    assert (reference.cycles, reference.instructions) == (compiled.cycles, compiled.instructions)
    assert reference.serial == compiled.serial
    return reference


@pytest.mark.parametrize("seed", [1, 2])
def test_both_engines_agree_among_six_interrupt_sources(gate: Firmware, seed: int) -> None:
    """200,000 cycles with a change of a pin each 170 or so: each source had its turns."""
    done = agree(gate, seed, 200_000)
    assert set(done.handlers) == {"INT0", "INT1", "PCINT0", "PCINT2", "TIMER1_COMPA", "USART_RX"}
    assert all(stats.count > 20 for stats in done.handlers.values())
    assert done.warnings == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3, 8))
def test_both_engines_agree_for_long(gate: Firmware, seed: int) -> None:
    """Five million cycles each."""
    agree(gate, seed, 5_000_000)
