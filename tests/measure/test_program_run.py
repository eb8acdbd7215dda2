"""What a run of a whole program says besides: where it gets going, its passes, its sleep, and why it stands still."""

import _thread
import signal
import threading
import time
from pathlib import Path

import pytest

import cyclerule as cr

PROGRAMS = Path(__file__).parent / "programs"
ASLEEP = PROGRAMS.parents[1] / "peripherals" / "programs" / "asleep.c"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])


@pytest.fixture(scope="module")
def passes() -> cr.Firmware:
    """A setup()/loop() program."""
    return cr.build([PROGRAMS / "passes.c"], part="atmega328p", clock="16 MHz")


def waits(how: str) -> cr.Firmware:
    """Builds a program that waits for something."""
    return cr.build([PROGRAMS / "waits.c"], part="atmega328p", defines={"WAIT": how})


def line_of(text: str) -> int:
    """Gives the number of the first line of `waits.c` with a text."""
    lines = (PROGRAMS / "waits.c").read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if text in line)


@BOTH
def test_main_setup_and_loop_are_reached_when_control_comes_there(passes: cr.Firmware, engine: str) -> None:
    """Each cycle is that at which a run up to that function ends."""
    run = passes.run(max_cycles=100_000, engine=engine)
    assert list(run.reached) == ["main", "setup", "loop"]
    for name, cycle in run.reached.items():
        assert passes.run(until=f"function:{name}", engine=engine).cycles == cycle


@BOTH
def test_passes_are_summed_up_as_calls_are_one_by_one(passes: cr.Firmware, engine: str) -> None:
    """The same figures as those of the rows of the followed calls."""
    run = passes.run(max_cycles=200_000, calls=["loop", "setup"], engine=engine)
    for stats, rows in ((run.setup, run.calls["setup"].rows), (run.loop, run.calls["loop"].rows)):
        assert stats is not None
        cycles = [row.cycles for row in rows]
        assert (stats.count, stats.total) == (len(cycles), sum(cycles))
        assert (stats.minimum, stats.maximum) == (min(cycles), max(cycles))
        assert stats.first_cycle == rows[0].start_cycle
    assert run.loop is not None
    assert run.loop.period is not None
    starts = [row.start_cycle for row in run.calls["loop"].rows]
    begun = run.loop.begun
    assert begun in (len(starts), len(starts) + 1)
    assert run.loop.last_cycle >= starts[-1]
    assert run.loop.period == (run.loop.last_cycle - starts[0]) / (begun - 1)


@BOTH
def test_a_pass_takes_what_the_call_takes_by_itself(passes: cr.Firmware, engine: str) -> None:
    """Before the first tick comes no handler: three short passes, and each fourth waits 1000 cycles more."""
    run = passes.run(max_cycles=10_000, engine=engine)
    assert run.loop is not None
    assert run.loop.minimum == passes.call("loop").cycles
    assert run.loop.maximum == passes.call("loop", globals={"passes": 3}).cycles
    assert run.loop.maximum == run.loop.minimum + 1000 - 1  # the branch over the wait takes a cycle more


@BOTH
def test_a_program_without_setup_and_loop_has_no_passes(monitor: cr.Firmware, engine: str) -> None:
    """Its start is that of main alone."""
    run = monitor.run(max_cycles=10_000, engine=engine)
    assert list(run.reached) == ["main"]
    assert (run.setup, run.loop, run.notes) == (None, None, ())


@BOTH
def test_of_very_many_passes_the_first_are_measured(
    passes: cr.Firmware, engine: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others cost no more time, and change nothing else; with `calls` all are followed."""
    monkeypatch.setattr("cyclerule.measure.follow.MEASURED_PASSES", 100)
    run = passes.run(max_cycles=200_000, engine=engine)
    followed = passes.run(max_cycles=200_000, calls=["loop"], engine=engine)
    assert run.loop is not None
    assert followed.loop is not None
    rows = followed.calls["loop"].rows
    assert len(rows) > 500
    assert (followed.loop.count, followed.loop.is_complete) == (len(rows), True)
    assert (run.loop.count, run.loop.begun, run.loop.is_complete) == (100, 100, False)
    assert run.loop.total == sum(row.cycles for row in rows[:100])
    assert run.loop.last_cycle == rows[99].start_cycle
    assert (run.cycles, run.instructions, run.handlers) == (followed.cycles, followed.instructions, followed.handlers)


def test_functions_that_link_time_optimisation_inlined_are_named() -> None:
    """Their calls cannot be told apart, and that is said."""
    source = (PROGRAMS / "passes.c").read_text(encoding="utf-8")
    assert source.count("__attribute__((noinline)) ") == 2
    firmware = cr.build([PROGRAMS / "passes.c"], part="atmega328p", flags=["-flto"], defines={"noinline": "unused"})
    run = firmware.run(max_cycles=10_000)
    assert (run.setup, run.loop) == (None, None)
    for name in ("setup", "loop"):
        text = f"{name}() was inlined into main by the compiler, so its calls cannot be told apart in this image"
        assert any(note.startswith(text) for note in run.notes)


@BOTH
def test_every_cycle_is_asleep_or_awake(engine: str) -> None:
    """Woken each 1000 cycles, awake for the handler and a turn of the loop around SLEEP.

    The handler: response 4 and vector jump 3 (DS40002061A sec. 7.7.1), LDS 2, OUT 1, RETI 4. The loop of sleep_mode:
    IN, ORI, OUT, SLEEP, IN, ANDI, OUT, RJMP of one cycle each but the last, of two. The rest is sleep.
    """
    firmware = cr.build([ASLEEP], part="atmega328p")
    first = firmware.run(max_cycles=100_000, engine=engine)
    later = firmware.run(max_cycles=100_000 + 50 * 1000, engine=engine)
    assert later.cycles - first.cycles == 50_000
    assert later.asleep_cycles - first.asleep_cycles == 50 * (1000 - (4 + 3 + 2 + 1 + 4) - (7 + 2))


@BOTH
def test_engines_agree_on_sleep_and_passes(passes: cr.Firmware, engine: str) -> None:
    """The same to the cycle as the reference engine, and no sleep where there is none."""
    run, reference = passes.run(max_cycles=50_000, engine=engine), passes.run(max_cycles=50_000, engine="reference")
    assert (run.loop, run.setup, run.reached) == (reference.loop, reference.setup, reference.reached)
    assert run.asleep_cycles == 0


@pytest.mark.parametrize(
    ("how", "line", "reason"),
    [
        ("A_FLAG", "the wait", "; waits for TIMER1_OVF, which changes ticked; nothing has set that up"),
        (
            "A_FLAG_WITH_INTERRUPTS_OFF",
            "the wait",
            "; waits for TIMER1_OVF, which changes ticked; the program has interrupts turned off",
        ),
        ("SLEEP_WITH_A_TIMER_THAT_TELLS_NOBODY", "for ever", "asleep for ever: no interrupt is to come"),
    ],
)
@BOTH
def test_a_wait_for_what_cannot_come_is_a_halt_with_its_place(how: str, line: str, reason: str, engine: str) -> None:
    """Nothing is left that could change what the loop reads, or that could wake the chip."""
    run = waits(how).run(max_cycles=200_000, engine=engine)
    assert run.stopped == "halted"
    assert run.place.endswith(f"waits.c:{line_of(line)} in main")
    assert run.reason.endswith(reason)


@pytest.mark.parametrize("how", ["A_TICK", "NOTHING"])
@BOTH
def test_what_may_still_change_is_no_halt(how: str, engine: str) -> None:
    """A tick that comes later, and a loop that waits for nothing."""
    run = waits(how).run(max_cycles=50_000, engine=engine)
    assert run.stopped == "max_cycles"
    assert bool(run.reason) is (how == "NOTHING")
    assert run.handlers == {}


@BOTH
def test_bytes_are_told_as_they_are_sent(monitor: cr.Firmware, engine: str) -> None:
    """All of them, in order, and not those that were sent to find out why it stands still."""
    told: list[int] = []
    run = monitor.run(until="exit", engine=engine, sent=told.append)
    assert bytes(told) == run.serial == b"123\n"


@BOTH
def test_a_run_in_slices_is_the_run_in_one(passes: cr.Firmware, engine: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Slices of a few cycles end at every kind of boundary, entries and returns among them."""
    whole = passes.run(max_cycles=40_000, calls=["loop"], engine=engine)
    monkeypatch.setattr("cyclerule.measure.slices.FIRST_SLICE", 7)
    monkeypatch.setattr("cyclerule.measure.slices.SHORTEST_SLICE", 7)
    monkeypatch.setattr("cyclerule.measure.slices.SLICE_SECONDS", 0.0)
    sliced = passes.run(max_cycles=40_000, calls=["loop"], engine=engine)
    assert sliced.calls == whole.calls
    assert (sliced.cycles, sliced.instructions, sliced.loop) == (whole.cycles, whole.instructions, whole.loop)
    assert (sliced.handlers, sliced.reached) == (whole.handlers, whole.reached)


def press_interrupt_once_it_runs() -> None:
    """Presses Ctrl-C a moment after the run has begun to look out for it."""
    usual = signal.getsignal(signal.SIGINT)

    def press() -> None:
        while signal.getsignal(signal.SIGINT) is usual:
            time.sleep(0.01)
        time.sleep(0.3)
        _thread.interrupt_main()

    threading.Thread(target=press, daemon=True).start()


@pytest.mark.parametrize("engine", ["reference", "scalar"])
def test_an_interrupted_run_gives_what_there_is(passes: cr.Firmware, engine: str) -> None:
    """The figures are those of a run that ends at that cycle; without being asked to it raises KeyboardInterrupt."""
    forever = 1 << 50
    press_interrupt_once_it_runs()
    run = passes.run(max_cycles=forever, engine=engine, keeps_interrupted=True)
    assert run.stopped == "interrupted"
    again = passes.run(until=f"cycles:{run.cycles}")
    assert (again.cycles, again.handlers) == (run.cycles, run.handlers)
    assert again.loop is not None
    assert run.loop is not None
    # A run that ends by its length where a pass begins has not begun it.
    assert (again.loop.count, again.loop.total) == (run.loop.count, run.loop.total)
    press_interrupt_once_it_runs()
    with pytest.raises(KeyboardInterrupt):
        passes.run(max_cycles=forever, engine=engine)


def test_progress_is_told_up_to_the_end_that_is_known(passes: cr.Firmware, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cycles reached, upwards, of the cycles there are."""
    monkeypatch.setattr("cyclerule.measure.slices.TOLD_EVERY_SECONDS", 0.0)
    told: list[tuple[int, int]] = []
    passes.run(max_cycles=1_000_000, progress=lambda done, of: told.append((done, of)))
    assert {of for _, of in told} == {1_000_000}
    done = [each for each, _ in told]
    assert done == sorted(done)
    assert done[-1] == 1_000_000
