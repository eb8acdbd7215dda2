"""Programs that read voltages, built with the compiler and run on both engines."""

from itertools import pairwise

import pytest

from cyclerule.engines.engine import Stop
from cyclerule.machine.bus import IoWrite
from cyclerule.measure.stage import Stage
from tests.peripherals.test_programs import program

STEP = 5_000
"""Cycles for which a voltage stays."""


def run(way: int, engine: str, cycles: int = 60_000, part: str = "atmega328p") -> tuple[list[IoWrite], Stage]:
    """Runs one of the ways with a voltage on channel 2 that rises by 0.1 V each 5,000 cycles."""
    firmware = program("scales.c", part, WAY=way)
    stage = Stage.at_reset(firmware.image, firmware.part, clock=firmware.clock)
    adc = stage.devices.system.adc
    assert adc is not None
    for number in range(50):
        adc.set_input(2, f"{number / 10:.1f}", number * STEP)
    adc.set_input("AVCC", 5)
    stage.begin(engine)
    log: list[IoWrite] = []
    stage.chip.bus.log = log
    stage.chip.interrupts.keeps_log = False
    assert stage.run(cycles) is Stop.LIMIT
    return log, stage


@pytest.mark.parametrize("way", range(4))
@pytest.mark.parametrize("part", ["atmega328p", "atmega2560"])
def test_both_engines_agree_on_every_write(way: int, part: str) -> None:
    """To the cycle, state included."""
    seen = []
    for engine in ("reference", "scalar"):
        log, stage = run(way, engine, part=part)
        seen.append((log, stage.chip.cycle, stage.instructions, bytes(stage.chip.data), stage.chip.interrupts.stats))
    assert seen[0] == seen[1]
    assert len(seen[0][0]) > 20


def codes(log: list[IoWrite]) -> list[tuple[int, int]]:
    """Gives (cycle, result) of each conversion that the program has read."""
    low = [write for write in log if write.register == "GPIOR0"]
    high = [write for write in log if write.register == "GPIOR1"]
    return [(a.cycle, a.value | b.value << 8) for a, b in zip(low, high, strict=False)]


@pytest.mark.parametrize(
    ("way", "period"), [(0, 13 * 16), (1, 3_000)], ids=["free running", "started by a compare match"]
)
def test_results_come_at_their_pace_and_follow_the_voltage(way: int, period: int) -> None:
    """DS40002061A table 24-1: 13 ADC clocks in free running; a trigger's own period otherwise; sec. 24.7 for values."""
    log, stage = run(way, "scalar")
    found = codes(log)
    # A handler may wait for the two or three cycles of the instruction at work.
    assert all(abs(later - earlier - period) <= 3 for (earlier, _), (later, _) in pairwise(found[2:]))
    for cycle, code in found[2:]:
        at = cycle - 13 * 16 - 60
        assert code in {int(n * 1024 // 50) for n in range(at // STEP, cycle // STEP + 1)}
    assert stage.chip.bus.unmodelled == {}


def test_a_chip_asleep_is_woken_by_each_conversion() -> None:
    """DS40002061A sec. 10.5: the conversion starts with sleep; 13 ADC clocks at clock/32 and up to one to start."""
    log, stage = run(2, "scalar")
    found = codes(log)
    gaps = {later - earlier for (earlier, _), (later, _) in pairwise(found[1:])}
    assert len(gaps) == 1
    # Conversions begin at whole ADC clocks, so that a turn takes whole ones: 13, and those that the program takes.
    assert gaps.pop() % 32 == 0
    assert stage.chip.asleep_cycles > 30_000
