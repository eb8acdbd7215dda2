"""Programs that sleep, are woken and are reset by the watchdog, built with the compiler and run on both engines."""

import pytest

from tests.peripherals.test_programs import BOTH, program

PERIOD = 2048 * 125
"""16 ms: 2,048 cycles of 128 kHz at 16 MHz (DS40002061A table 11-3)."""

RESET = 15 + 1_040_000
"""A pulse of one cycle, 14 cycles and 65 ms (DS40002061A sec. 11.5, table 9-4)."""

MODES = [("SLEEP_MODE_IDLE", 0, False), ("SLEEP_MODE_STANDBY", 6, True), ("SLEEP_MODE_PWR_DOWN", 16_384, True)]


@BOTH
@pytest.mark.parametrize(("mode", "wait", "stands_still"), MODES)
def test_a_program_sleeps_until_the_watchdog_and_its_timers_stand_still(
    mode: str, wait: int, stands_still: bool, engine: str
) -> None:
    """DS40002061A table 10-1: clkIO runs in Idle only; waking takes the start-up time, 4 cycles and the response."""
    run = program("watched.c", MODE=mode).run(
        until="cycles:800000", watch=["GPIOR0", "GPIOR2", "WDTCSR", "TCNT1"], engine=engine
    )
    begins = [each.cycle for each in run.watched["GPIOR2"]]
    handled = run.watched["GPIOR0"]
    zeroed = [each.cycle for each in run.watched["TCNT1"] if each.register in ("TCNT1", "TCNT1L")]
    started = run.watched["WDTCSR"][-4].cycle
    assert len(handled) == 3
    # The first write of the sequence turns it on.
    assert run.handlers["WDT"].count == 3
    for number, (begin, handler) in enumerate(zip(begins, handled, strict=False)):
        awake = started + (number + 1) * PERIOD + wait
        # Wake-up 4, response 4, JMP 3, then what the handler saves.
        assert awake + 11 < handler.cycle < awake + 11 + 20
        # TCNT1L is read in the last cycle of the LDS before the OUT; SLEEP ends four cycles after the mark (IN, ORI,
        # OUT, SLEEP).
        slept = awake - begin - 4 if stands_still else 0
        assert handler.value == (handler.cycle - 2 - zeroed[number] - slept) & 0xFF
    assert begins[-1] - handled[-1].cycle < 60


@BOTH
def test_a_hung_program_is_reset_and_goes_on_from_the_vector(engine: str) -> None:
    """DS40002061A sec. 11.5: WDRF is set, RAM is kept; the third start stays where it is."""
    run = program("watched.c", WAKES=1).run(
        until="cycles:9000000", watch=["GPIOR1", "GPIOR2"], calls=["main"], engine=engine
    )
    assert [each.value for each in run.watched["GPIOR1"]] == [1, 8, 8]
    hung = [each.cycle for each in run.watched["GPIOR2"] if each.value == 0xFF]
    assert [each.cause for each in run.resets] == ["WDRF", "WDRF"]
    for reset, begin in zip(run.resets, hung, strict=True):
        # 32 ms after wdt_enable, a few cycles before the mark.
        assert 0 < begin + 2 * PERIOD - reset.cycle < 30
    starts = [each.cycle for each in run.watched["GPIOR1"]]
    for reset, start in zip(run.resets, starts[1:], strict=True):
        assert start - reset.cycle - RESET == pytest.approx(starts[0], abs=2)
    assert run.calls["main"].count == 0
    assert run.stopped == "halted"


def test_both_engines_agree_through_sleep_and_resets() -> None:
    """To the cycle, in every write, handler and instruction."""
    firmware = program("watched.c")
    runs = [
        firmware.run(until="cycles:9000000", watch=["GPIOR0", "GPIOR1", "GPIOR2", "WDTCSR"], engine=engine)
        for engine in ("reference", "scalar")
    ]
    assert runs[0].watched == runs[1].watched
    assert runs[0].handlers == runs[1].handlers
    assert runs[0].resets == runs[1].resets
    assert (runs[0].cycles, runs[0].instructions) == (runs[1].cycles, runs[1].instructions)


def test_a_start_up_time_that_is_given_is_taken_and_not_told() -> None:
    """An internal oscillator starts in six cycles: DS40002061A table 9-11; no warning is left but the watchdog's."""
    firmware = program("watched.c", MODE="SLEEP_MODE_PWR_DOWN")
    handled = []
    for start_up in (None, 6):
        firmware.start_up = start_up
        run = firmware.run(until="cycles:800000", watch=["GPIOR0"], engine="reference")
        handled.append([each.cycle for each in run.watched["GPIOR0"]])
        assert len(run.warnings) == (2 if start_up is None else 1)
    assert [late - soon for late, soon in zip(*handled, strict=True)] == [16_378, 16_378, 16_378]
