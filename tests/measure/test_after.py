"""Starting states later than the entry of `main`: after a function has returned in the program's own run."""

from pathlib import Path

import pytest

import cyclerule as cr
from tests.measure.arrays import listed

PROGRAM = Path(__file__).parent / "programs" / "colony_passes.c"


def passes(*defines: str, optimize: str = "s") -> cr.Firmware:
    """Builds the program, with macros that change what it does."""
    named = {name: text or "1" for name, _, text in (each.partition("=") for each in defines)}
    return cr.build([PROGRAM], part="atmega328p", clock="16 MHz", optimize=optimize, defines=named)


@pytest.fixture(scope="module")
def program() -> cr.Firmware:
    """The program as it is."""
    return passes()


def test_a_setup_and_loop_program_starts_after_setup_and_says_so(program: cr.Firmware) -> None:
    """`threshold` is what setup() made it, and loop() has not run yet."""
    call = program.call("is_crowded", 41)
    assert (call.returned, call.measured.start) == (1, "after setup() has returned")
    assert program.call("is_crowded", 40).returned == 0
    assert program.call("passes_now").returned == 0
    assert program.call("interrupts_enabled").returned == 1
    sweep = program.sweep("is_crowded", bees=range(256))
    assert listed(sweep.returned) == [bees > 40 for bees in range(256)]
    assert sweep.measured.start == "after setup() has returned"


def test_time_and_devices_are_those_of_the_return(program: cr.Firmware) -> None:
    """The timer has counted since setup() started it, as a run from reset of the same program tells both cycles."""
    run = program.run(until="function:loop", calls=["setup"], watch=["TCCR1B"])
    (row,) = run.calls["setup"].rows
    (started,) = run.watched["TCCR1B"]
    # LDS TCNT1L reads in its second cycle.
    assert program.call("ticks").returned == row.start_cycle + row.cycles - started.cycle + 1


def test_the_entry_of_main_can_be_asked_for(program: cr.Firmware) -> None:
    """Nothing of setup() is there."""
    call = program.call("is_crowded", 1, after="start-up")
    assert (call.returned, call.measured.start) == (1, "at the entry of main")
    assert program.call("interrupts_enabled", after="start-up").returned == 0


def test_any_function_can_be_waited_for_and_before_runs_behind_it(program: cr.Firmware) -> None:
    """loop() has returned once; then twice by itself, then something is set."""
    call = program.call("passes_now", after="loop", before=["loop", "loop"])
    assert (call.returned, call.measured.start) == (3, "after loop() has returned, after loop, loop")
    assert program.call("passes_now", after="loop", globals={"passes": 500}).returned == 500


def test_interrupts_run_on_the_way_and_are_off_in_the_call() -> None:
    """setup() waits for an overflow, 65,536 cycles; the handlers on the way are no part of the call."""
    waiting = passes("WAITS")
    call = waiting.call("overflows_now")
    assert call.returned == 1
    assert call.handlers == []
    assert call.own_cycles == call.cycles
    assert waiting.call("overflows_now", after="settle").returned == 1


@pytest.mark.parametrize("optimize", ["s", "2", "3"])
def test_an_inlined_function_has_returned_when_its_code_is_left(optimize: str) -> None:
    """setup() stands in main only: what it wrote is there, and no pass has been made."""
    inlined = passes("APART=static inline __attribute__((always_inline))", optimize=optimize)
    assert inlined.find_function("setup").address is None
    assert inlined.call("is_crowded", 41).returned == 1
    assert inlined.call("is_crowded", 40).returned == 0
    assert inlined.call("passes_now").returned == 0
    assert inlined.call("interrupts_enabled").returned == 1


def test_a_library_of_functions_called_setup_and_loop_starts_at_main() -> None:
    """Without a main of its own nothing calls setup()."""
    file = PROGRAM.parent / "only_setup.c"
    call = cr.build([file], part="atmega328p").call("chosen")
    assert (call.returned, call.measured.start) == (0, "at the entry of main")


@pytest.mark.parametrize(
    ("defines", "after", "text"),
    [
        ((), "never_called", "the program does not come to never_called within 600,000 cycles; it was at "),
        ((), "lop", "no function 'lop'; nearest: loop"),
        (("HANGS",), "setup", "setup does not return within 600,000 cycles; it was at "),
        (("WAITS",), "never_called", "the program does not come to never_called within 600,000 cycles; it was at "),
    ],
)
def test_a_return_that_does_not_come_is_said_to_be_so(defines: tuple[str, ...], after: str, text: str) -> None:
    """With the limit, which can be raised."""
    with pytest.raises(cr.CycleruleError) as error:
        passes(*defines).call("ticks", after=after, max_cycles=600_000)
    assert str(error.value).startswith(text)
    if isinstance(error.value, cr.RunawayError):
        assert str(error.value).endswith("; max_cycles allows more")


def test_a_setup_that_does_not_return_says_how_to_begin_without_it() -> None:
    """Nobody asked for it, so nobody need know how to do without."""
    with pytest.raises(cr.RunawayError) as error:
        passes("HANGS").call("ticks", max_cycles=100_000)
    assert "setup does not return" in str(error.value)
    assert str(error.value).endswith("; after='start-up' or --after start-up begins at the entry of main instead")
