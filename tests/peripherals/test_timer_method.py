"""The trade's own method of timing code with the 16-bit timer, as programs on the model."""

from pathlib import Path

import pytest

from cyclerule.session.firmware import Firmware, build

METHOD = """
#include <avr/io.h>
#include <stdint.h>
uint16_t empty_block(void) { TCCR1A = 0; TCCR1B = 1; TCNT1 = 0; return TCNT1; }
uint16_t port_bit(void) { TCCR1A = 0; TCCR1B = 1; TCNT1 = 0; PORTB |= 1; return TCNT1; }
uint16_t nearly_round(void) { TCCR1A = 0; TCCR1B = 1; TCNT1 = 0; __builtin_avr_delay_cycles(65534); return TCNT1; }
uint16_t just_round(void) { TCCR1A = 0; TCCR1B = 1; TCNT1 = 0; __builtin_avr_delay_cycles(65535); return TCNT1; }
"""


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Firmware:
    """The method's programs for the ATmega328P at 16 MHz."""
    source = tmp_path_factory.mktemp("method") / "method.c"
    source.write_text(METHOD, "utf-8")
    return build([source], part="atmega328p", clock="16 MHz")


@pytest.mark.parametrize("engine", ["reference", "scalar"])
@pytest.mark.parametrize(
    ("function", "count"), [("empty_block", 1), ("port_bit", 3), ("nearly_round", 65_535), ("just_round", 0)]
)
def test_the_timer_reads_what_practice_says(firmware: Firmware, engine: str, function: str, count: int) -> None:
    """Common practice, no source: 1 after an empty block, 3 with a port-bit set (2 net), round after 65,536 cycles."""
    assert firmware.call(function, engine=engine).returned == count


@pytest.mark.parametrize("engine", ["reference", "scalar"])
def test_nothing_is_to_be_subtracted_where_in_and_out_reach_the_count(tmp_path: Path, engine: str) -> None:
    """No source: deduced from the above. OUT TCNT1L and IN TCNT1L take one cycle each on the ATmega8."""
    source = tmp_path / "method.c"
    source.write_text(METHOD, "utf-8")
    firmware = build([source], part="atmega8", clock="16 MHz")
    assert firmware.call("empty_block", engine=engine).returned == 0
    assert firmware.call("port_bit", engine=engine).returned == 2
