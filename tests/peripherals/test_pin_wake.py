"""Pins that wake a sleeping chip: DS40002061A (ATmega48A/…/328/P) sec. 10 and 13."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from cyclerule.measure.results import Run
from cyclerule.session.firmware import build

PROGRAM = Path(__file__).parent / "programs" / "dozing.c"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])
IDLE, NOISE_REDUCTION, POWER_DOWN, STANDBY = 0, 1, 2, 6
START_UP = 16_384
"""Clocks until a crystal runs again, table 10-1 and 9-4, as the model takes the fuses."""

FLOATS_HIGH = (0, "PD2", 1)


def run(mode: int, sense: int, signals: Sequence[tuple[object, ...]], engine: str) -> Run:
    """Runs the monitor for 60,000 cycles."""
    firmware = build([PROGRAM], part="atmega328p", clock="16 MHz", defines={"MODE": str(mode), "SENSE": str(sense)})
    return firmware.run(max_cycles=60_000, signals=signals, watch=["GPIOR0", "GPIOR1"], engine=engine)


@BOTH
@pytest.mark.parametrize(("mode", "wait"), [(IDLE, 0), (NOISE_REDUCTION, 0), (STANDBY, 6), (POWER_DOWN, START_UP)])
def test_a_pin_change_wakes_from_every_mode_after_its_start_up_time(mode: int, wait: int, engine: str) -> None:
    """Detected asynchronously, so in modes without clocks too: sec. 13; wake-up times sec. 10 and table 9-4."""
    done = run(mode, 2, [FLOATS_HIGH, (10_000, "PB0", 1)], engine)
    assert [write.value for write in done.watched["GPIOR0"]] == [1]
    entered = done.watched["GPIOR0"][0].cycle
    idle = run(IDLE, 2, [FLOATS_HIGH, (10_000, "PB0", 1)], engine).watched["GPIOR0"][0].cycle
    assert entered - idle == wait


@BOTH
def test_an_edge_wakes_from_idle_and_is_not_seen_without_the_clock(engine: str) -> None:
    """Recognition of edges "requires the presence of an I/O clock": sec. 13."""
    pulse = [FLOATS_HIGH, (10_000, "PD2", 0), (10_500, "PD2", 1)]
    assert len(run(IDLE, 2, pulse, engine).watched["GPIOR0"]) == 1
    assert run(POWER_DOWN, 2, pulse, engine).watched["GPIOR0"] == []
    # Woken by something else, the chip finds the level that is there then, and with it the edge.
    falls = [FLOATS_HIGH, (10_000, "PD2", 0), (20_000, "PB0", 1)]
    assert [write.value for write in run(POWER_DOWN, 2, falls, engine).watched["GPIOR0"]] == [1, 2]
    pulses = [*pulse, (20_000, "PB0", 1)]
    assert [write.value for write in run(POWER_DOWN, 2, pulses, engine).watched["GPIOR0"]] == [1]


@BOTH
def test_a_low_level_wakes_from_power_down_where_it_lasts(engine: str) -> None:
    """The handler runs as long as the level is there: sec. 13.2.1."""
    done = run(POWER_DOWN, 0, [FLOATS_HIGH, (10_000, "PD2", 0), (10_000 + START_UP + 30, "PD2", 1)], engine)
    assert [write.value for write in done.watched["GPIOR0"]] in ([1], [1, 2])
    assert done.watched["GPIOR0"][0].cycle > 10_000 + START_UP


@BOTH
def test_a_level_that_goes_before_the_start_up_time_is_over_wakes_without_an_interrupt(engine: str) -> None:
    """Then "the MCU will still wake up, but no interrupt will be generated": sec. 13."""
    done = run(POWER_DOWN, 0, [FLOATS_HIGH, (10_000, "PD2", 0), (10_100, "PD2", 1)], engine)
    assert done.watched["GPIOR0"] == []
    assert len(done.watched["GPIOR1"]) == 1
    assert done.watched["GPIOR1"][0].cycle > 10_000 + START_UP
