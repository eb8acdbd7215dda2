"""The compiled engine against the reference engine: the same state after every stretch of a program with a timer."""

from pathlib import Path
from random import Random
from typing import Any

import pytest

from cyclerule.engines.llvm import scalar
from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.engines.reference import Reference
from cyclerule.measure.stage import Stage
from cyclerule.session.firmware import Firmware, build

HIVE = Path(__file__).parents[2] / "examples" / "hive"
TICKING = """
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
volatile uint16_t ticks;
static uint8_t frame[64];
ISR(TIMER1_COMPA_vect) { ticks++; }
ISR(TIMER1_COMPB_vect) { ticks += 3; sei(); ticks ^= 5; }
__attribute__((noinline)) static uint8_t step(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t i = 0; i < 8; i++)
        crc = crc & 1 ? (crc >> 1) ^ 0x8C : crc >> 1;
    return crc;
}
int main(void)
{
    uint8_t crc = 0;
    OCR1A = TOP;
    OCR1B = TOP / 3;
    TCCR1B = (1 << WGM12) | 1;
    TIMSK1 = (1 << OCIE1A) | (1 << OCIE1B);
    sei();
    for (;;) {
        for (uint8_t i = 0; i < 64; i++)
            crc = step(crc, frame[i]);
        cli();
        frame[crc & 63] = crc + ticks;
        sei();
    }
}
"""


def ticking(folder: Path, top: int) -> Firmware:
    """Builds the program with a compare interrupt every `top` + 1 cycles."""
    source = folder / "ticking.c"
    source.write_text(TICKING, "utf-8")
    return build([source], part="atmega328p", clock="16 MHz", defines={"TOP": str(top)})


def state(stage: Stage, engine: Reference | Scalar) -> tuple[object, ...]:
    """Gives all of a chip that a program or a user can see."""
    chip = stage.chip
    return (
        chip.cycle,
        chip.program_counter,
        chip.stack_pointer,
        chip.lowest_stack_pointer,
        bytes(chip.flags),
        bytes(chip.data),
        chip.events.save(),
        list(chip.interrupts.open),
        dict(chip.interrupts.stats),
        list(chip.interrupts.finished),
        engine.instructions,
    )


@pytest.mark.parametrize("keeps_log", [True, False])
@pytest.mark.parametrize("top", [16_383, 1_009, 401])
def test_interrupts_at_awkward_phases_leave_the_same_state(tmp_path: Path, top: int, keeps_log: bool) -> None:
    """Two compare interrupts, one of which may be interrupted, stopped at random cycles; a comparison of our own."""
    firmware = ticking(tmp_path, top)
    stages = [Stage.at_reset(firmware.image, firmware.part) for _ in range(2)]
    engines: list[Reference | Scalar] = [Reference(stages[0].chip), Scalar(stages[1].chip, level=1)]
    random, limit = Random(top), 0
    for stage in stages:
        stage.chip.interrupts.keeps_log = keeps_log
    for _ in range(120):
        limit += random.randrange(1, 6_000)
        stops = [engine.run(limit) for engine in engines]
        assert stops[0] is stops[1]
        assert state(stages[0], engines[0]) == state(stages[1], engines[1])


@pytest.mark.parametrize("function", ["temperature_centi_fixed", "temperature_centi_float", "humidity_permille_float"])
def test_every_row_of_an_example_is_the_same(function: str) -> None:
    """Cycles, results, instructions and stack depth of each row, and what was held."""
    firmware = build([HIVE / "climate.c"], part="atmega328p")
    (name,) = (parameter.name for parameter in firmware.parameters(function))
    domains: dict[str, Any] = {name: range(0, 65_536, 257)}
    one, other = (firmware.sweep(function, engine=engine, **domains) for engine in ("reference", "scalar"))
    for field in ("row_cycles", "row_returned", "row_instructions", "row_stack_bytes"):
        assert list(getattr(one, field)) == list(getattr(other, field))
    assert (one.minimum, one.maximum, one.histogram, one.held) == (
        other.minimum,
        other.maximum,
        other.histogram,
        other.held,
    )


@pytest.mark.parametrize("worth", [1, 37])
def test_code_compiled_again_goes_on_from_the_same_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, worth: int
) -> None:
    """Quick code gives way to the best in the middle of a run; the cycle at which it does leaves no trace."""
    monkeypatch.setattr(scalar, "WORTH_COMPILING_AGAIN", worth)
    firmware = ticking(tmp_path, 1_009)
    stages = [Stage.at_reset(firmware.image, firmware.part) for _ in range(2)]
    climbing = Scalar(stages[1].chip)
    assert climbing.level == scalar.QUICK
    engines: list[Reference | Scalar] = [Reference(stages[0].chip), climbing]
    for limit in (500, 20_000, 100_000):
        for engine in engines:
            engine.run(limit)
        assert state(stages[0], engines[0]) == state(stages[1], engines[1])
    assert climbing.level == scalar.BEST
