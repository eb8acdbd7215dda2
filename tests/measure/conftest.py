"""Programs built once for all tests of measuring."""

from collections.abc import Callable
from pathlib import Path

import pytest

import cyclerule as cr

PROGRAMS = Path(__file__).parent / "programs"

NO_ARGUMENTS = (
    *("straight", "tail_jump", "tail_far", "calls_far", "calls_near", "only_near", "shared_first", "shared_second"),
    *("leaves_past_caller", "keeps_a_byte", "jumps_to_null", "jumps_into_erased_flash", "stores_beyond_ram"),
    *("sets_port_pin_and_count", "stops_at_break"),
)
PROTOTYPES = (
    *(f"void {name}(void)" for name in NO_ARGUMENTS),
    "uint8_t counts_down(uint8_t depth)",
    "uint8_t reads_r5(void)",
    "uint16_t timed_straight(void)",
    "uint16_t timed_tail_far(void)",
    "uint16_t timed_shared_second(void)",
    "uint16_t timed_counts_down(uint8_t depth)",
    "uint16_t timed_crc8_step(uint8_t crc, uint8_t byte)",
    "uint16_t timed_mean_weight(uint16_t sum, uint8_t count)",
    "uint16_t timed_tail_weight(uint16_t sum)",
    "uint16_t timed_recovers(uint8_t how)",
    "uint16_t timed_sorted_middle(void)",
)


@pytest.fixture(scope="session")
def apiary() -> cr.Firmware:
    """A program on an ATmega328P, with functions in assembly and each timed by the program itself."""
    sources = [PROGRAMS / name for name in ("apiary.c", "edges.S", "timed.S")]
    firmware = cr.build(sources, part="atmega328p", clock="16 MHz")
    for prototype in PROTOTYPES:
        firmware.declare(prototype)
    return firmware


@pytest.fixture(scope="session")
def edges_on() -> Callable[[str], cr.Firmware]:
    """Gives the functions in assembly alone, on a part."""
    built: dict[str, cr.Firmware] = {}

    def edges(part: str) -> cr.Firmware:
        if part not in built:
            built[part] = cr.build([PROGRAMS / "edges.S"], part=part)
            built[part].declare("void straight(void)")
            built[part].declare("uint8_t counts_down(uint8_t depth)")
        return built[part]

    return edges


@pytest.fixture(scope="session")
def monitor() -> cr.Firmware:
    """A program that runs from reset to its end: handlers, calls of every kind, serial output."""
    return cr.build([PROGRAMS / "monitor.c"], part="atmega328p", clock="16 MHz")
