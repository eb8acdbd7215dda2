"""Calls and runs that wait for a device of the chip's own: why it does not come, or what it takes."""

from pathlib import Path

import pytest

import cyclerule as cr

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])


@pytest.fixture(scope="module")
def stuck() -> cr.Firmware:
    """The program, built for 16 MHz."""
    return cr.build([PROGRAMS / "stuck.c"], part="atmega328p", clock="16 MHz")


def words(firmware: cr.Firmware, name: str, **settings: object) -> str:
    """Gives the words with which a call is given up."""
    with pytest.raises(cr.RunawayError) as error:
        firmware.call(name, **settings)  # type: ignore[arg-type]
    return str(error.value)


@BOTH
@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("weight_later", "waits for ADCSRA to change; no conversion has been started (ADSC)"),
        ("dark", "waits for ACSR to change; no voltage on the comparator's inputs is to change"),
    ],
)
def test_a_wait_for_a_device_that_is_not_at_work_says_why(stuck: cr.Firmware, name: str, why: str, engine: str) -> None:
    """DS40002061A (ATmega48A/…/328/P) sec. 23 and 24: nothing changes these bits by itself."""
    assert why in words(stuck, name, engine=engine)


@BOTH
def test_a_conversion_with_the_converter_off_is_over_at_once(stuck: cr.Firmware, engine: str) -> None:
    """ADSC is not set while ADEN is clear (DS40002061A sec. 24.3), so the wait for it ends; nothing hangs."""
    assert stuck.call("weight", engine=engine).cycles < 30


@BOTH
def test_a_call_that_the_watchdog_resets_is_told_with_its_cycle(stuck: cr.Firmware, engine: str) -> None:
    """15 ms are 2,048 cycles of 128 kHz (DS40002061A table 11-3): 256,000 at 16 MHz."""
    text = words(stuck, "hangs", engine=engine)
    assert "hangs never returns: the watchdog reset the chip at cycle 2560" in text


@BOTH
def test_sleep_without_anything_that_wakes_is_told(stuck: cr.Firmware, engine: str) -> None:
    """A timer does not wake from Power-down: DS40002061A table 10-1, its clock stands still."""
    for name in ("naps", "naps_deaf"):
        text = words(stuck, name, engine=engine, interrupts=True)
        assert f"{name} never returns: it goes to sleep; no interrupt is to come" in text


@BOTH
def test_a_write_to_eeprom_is_waited_for_by_the_read_after_it(stuck: cr.Firmware, engine: str) -> None:
    """avr-libc's eeprom_read_byte waits for EEPE: 26,368 cycles of 8 MHz are 52,736; each call starts from the same."""
    calls = [stuck.call("stores", value, engine=engine) for value in (0x21, 0x42, 0x21)]
    assert [call.returned for call in calls] == [0x21, 0x42, 0x21]
    assert {call.cycles for call in calls} == {calls[0].cycles}
    assert 52_736 < calls[0].cycles < 52_736 + 80


@BOTH
def test_a_sweep_over_writes_to_eeprom_begins_each_row_anew(stuck: cr.Firmware, engine: str) -> None:
    """What one row has written is not there for the next."""
    sweep = stuck.sweep("stores", value=range(0, 256, 17), engine=engine)
    assert sweep.minimum.cycles == sweep.maximum.cycles
    assert sweep.returned is not None
    assert list(sweep.returned) == list(range(0, 256, 17))


def test_without_a_clock_what_takes_a_time_is_refused_with_the_option() -> None:
    """Cycles of another oscillator cannot be told."""
    firmware = cr.build([PROGRAMS / "stuck.c"], part="atmega328p")
    with pytest.raises(cr.FaultError, match=r"writing to EEPROM takes a time.*--clock"):
        firmware.call("stores", 1)


@pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])
def test_what_was_read_of_eeprom_is_held(stuck: cr.Firmware, engine: str) -> None:
    """Variables whole, by their names, with the value before the call; what the call has written itself is not held."""
    expected = {"EEPROM zero": 0x1234, "EEPROM cells": b"\x05\x06\x07\x08"}
    call = stuck.call("tares", 2, engine=engine)
    assert call.returned == 0x1234 + 7
    assert {name: value for name, value in call.held if name.startswith("EE")} == {"EECR": 0, **expected}
    assert [each.name for each in stuck.call("stores", 1, engine=engine).held if "EEPROM" in each.name] == []
    sweep = stuck.sweep("tares", cell=range(4), engine=engine)
    assert {name: value for name, value in sweep.held if name.startswith("EE")} == {"EECR": 0, **expected}
