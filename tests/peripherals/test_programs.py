"""Devices as real programs use them, built with the compiler and run on both engines."""

from itertools import pairwise
from pathlib import Path

import pytest

from cyclerule.session.firmware import Firmware, build

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])
CLOCK = 16_000_000


def program(name: str, part: str = "atmega328p", **defines: object) -> Firmware:
    """Builds one of the programs for 16 MHz."""
    values = {key: str(value) for key, value in defines.items()}
    return build([PROGRAMS / name], part=part, clock="16 MHz", defines=values)


@BOTH
@pytest.mark.parametrize(("select", "divisor"), [(1, 1), (2, 8), (3, 64), (4, 256), (5, 1024)])
def test_a_compare_interrupt_comes_each_top_and_one_timer_clocks(select: int, divisor: int, engine: str) -> None:
    """DS40002061A sec. 16.9.2; a jump of two cycles in `main` lets an interrupt wait for one cycle at most."""
    run = program("ticks.c", TOP=124, SELECT=select).run(
        until=f"cycles:{125 * divisor * 40}", watch=["GPIOR0"], engine=engine
    )
    marks = [each.cycle for each in run.watched["GPIOR0"]]
    assert len(marks) in (38, 39)
    assert all(abs(later - earlier - 125 * divisor) <= 1 for earlier, later in pairwise(marks))
    assert abs(marks[-1] - marks[0] - 125 * divisor * (len(marks) - 1)) <= 1
    assert run.warnings == []


@BOTH
def test_an_overflow_at_clock_1_comes_each_65536_cycles_which_are_4096_microseconds(engine: str) -> None:
    """16-bit timer, 16 MHz: 65,536 / 16 MHz = 4.096 ms. Common practice, no source."""
    run = program("ticks.c", SELECT=1).run(until=f"cycles:{65_536 * 5}", watch=["GPIOR1"], engine=engine)
    marks = [each.cycle for each in run.watched["GPIOR1"]]
    assert len(marks) == 4
    assert all(abs(later - earlier - 65_536) <= 1 for earlier, later in pairwise(marks))
    assert round((marks[-1] - marks[0]) / 3 / CLOCK * 1e6) == 4096


@BOTH
def test_a_tick_of_a_millisecond_comes_a_thousand_times_a_second(engine: str) -> None:
    """16 MHz / 64 / 250 = 1 kHz: DS40002061A sec. 16.9.2."""
    run = program("ticks.c", TOP=249, SELECT=3).run(until=f"cycles:{CLOCK}", engine=engine)
    assert run.handlers["TIMER1_COMPA"].count in (999, 1000)
    # Response 4, JMP 3, the handler as compiled; the handler's own cycles do not vary.
    assert run.handlers["TIMER1_COMPA"].minimum == run.handlers["TIMER1_COMPA"].maximum


@BOTH
def test_a_handler_that_wakes_the_chip_begins_eleven_cycles_after_the_match(engine: str) -> None:
    """Wake-up 4, response 4, JMP 3: DS40002061A sec. 7.7.1. LDS then reads the timer in its second cycle: 12."""
    run = program("asleep.c").run(until="cycles:20000", watch=["GPIOR0"], engine=engine)
    marks = run.watched["GPIOR0"]
    assert len(marks) >= 18
    assert {each.value for each in marks} == {12}
    assert {later.cycle - earlier.cycle for earlier, later in pairwise(marks)} == {1000}
    assert run.warnings == []


@BOTH
@pytest.mark.parametrize("polled", [True, False])
def test_a_line_is_sent_frame_by_frame(polled: bool, engine: str) -> None:
    """Eleven frames of 16,640 cycles without a gap, at 9600 baud and 16 MHz: DS40002061A sec. 20.3."""
    firmware = program("text.c", POLLED=1) if polled else program("text.c")
    run = firmware.run(until="serial:34.5\n", engine=engine)
    assert (run.stopped, run.serial) == ("until", b"brood 34.5\n")
    # Start-up code and set-up before the first byte; then up to one bit until the first start bit.
    assert 11 * 16_640 < run.cycles < 11 * 16_640 + 1664 + 300
    half = firmware.run(until="serial:brood", engine=engine)
    assert half.serial == b"brood"
    assert run.cycles - half.cycles in range(6 * 16_640 - 4, 6 * 16_640 + 5)
    assert run.warnings == []


@BOTH
@pytest.mark.parametrize(("part", "toggles"), [("atmega48", True), ("atmega328p", True), ("atmega8", False)])
def test_an_output_is_read_back_after_one_nop(part: str, toggles: bool, engine: str) -> None:
    """ATmega16 datasheet, "Reading the pin value"; toggling through PIN is DS40002061A sec. 14.2.2."""
    firmware = program("pins.c", part)
    assert firmware.call("at_once", engine=engine).returned == 0x00
    assert firmware.call("after_a_nop", engine=engine).returned == 0x55
    assert firmware.call("toggled", engine=engine).returned == (0x1E if toggles else 0x0F)
