"""Passes through lines of the program's own run: where each begins and ends, and what is counted in it and apart."""

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.measure.pass_results import LinesRun
from cyclerule.measure.stage import Stage

PROGRAMS = Path(__file__).parent / "programs"
SOURCE = PROGRAMS / "lines.c"
TEXT = SOURCE.read_text(encoding="utf-8").splitlines()
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])
BUILDS = pytest.mark.parametrize("optimize", ["s", "2", "1"])
CYCLES = 12_000


def number(name: str) -> int:
    """Gives the number of the line that ends in a comment."""
    return next(n for n, line in enumerate(TEXT, 1) if line.endswith(f"/* {name} */"))


def lines(first: str, last: str | None = None) -> str:
    """Gives the lines between two comments as one types them."""
    return f"lines.c:{number(first)}" + ("" if last is None else f"-{number(last)}")


_BUILT: dict[tuple[str, bool, bool], cr.Firmware] = {}


def built(optimize: str = "s", *, ticks: bool = False, link_time: bool = False) -> cr.Firmware:
    """Gives the program, built once for each way."""
    key = (optimize, ticks, link_time)
    if key not in _BUILT:
        _BUILT[key] = cr.build(
            [SOURCE],
            part="atmega328p",
            clock="16 MHz",
            optimize=optimize,
            flags=["-flto"] if link_time else [],
            defines={"TICKING": "1"} if ticks else {},
        )
    return _BUILT[key]


def timed(text: str, optimize: str = "s", *, ticks: bool = False, engine: str = "reference") -> LinesRun:
    """Times lines of the program."""
    return built(optimize, ticks=ticks).time_lines(text, max_cycles=CYCLES, engine=engine)


def stepped(firmware: cr.Firmware, cycles: int) -> Counter[int]:
    """Gives the cycles of each line of the program, instruction by instruction on the reference engine."""
    stage = Stage.at_reset(firmware.image, firmware.part, tracks=False)
    stage.begin("reference")
    chip, found = stage.chip, Counter[int]()
    while chip.cycle < cycles:
        row = firmware.image.lines.row(2 * chip.program_counter)
        before, handlers = chip.cycle, len(chip.interrupts.open)
        stage.run(before + 1)
        # The response to an interrupt belongs to no line.
        if row is not None and len(chip.interrupts.open) <= handlers:
            found[row.line] += chip.cycle - before
    return found


@BOTH
@BUILDS
def test_a_line_of_five_nops_takes_five_cycles_in_each_turn_of_the_loop_around(engine: str, optimize: str) -> None:
    """NOP takes one cycle (ISA manual); the loop has four turns, unrolled or not."""
    run = timed(lines("nops"), optimize, engine=engine)
    assert (run.count, run.minimum, run.maximum, run.mean, run.total) == (4, 5, 5, 5.0, 20)
    assert {each.elapsed_cycles for each in run.passes} == {5}


@BOTH
@BUILDS
def test_a_loop_among_the_lines_is_one_pass(engine: str, optimize: str) -> None:
    """The loop is called once; its pass has the twenty NOPs and more."""
    run = timed(lines("loop", "loop ends"), optimize, engine=engine)
    assert run.count == 1
    assert run.minimum > 20


@BOTH
@BUILDS
def test_all_lines_of_a_function_take_what_its_calls_take(engine: str, optimize: str) -> None:
    """From the first instruction to the end of RET, as a call is counted."""
    run = timed(lines("weigh begins", "weigh ends"), optimize, engine=engine)
    calls = built(optimize).run(max_cycles=CYCLES, calls=["weigh"]).calls["weigh"].rows
    assert [(each.start_cycle, each.cycles) for each in run.passes] == [(row.start_cycle, row.cycles) for row in calls]
    assert len(calls) == 4


@BOTH
@BUILDS
def test_what_a_line_calls_is_counted_in_the_pass_and_by_itself(engine: str, optimize: str) -> None:
    """The called part is the call's own time; the CALL instruction is the line's."""
    run = timed(lines("weigh"), optimize, engine=engine)
    calls = built(optimize).run(max_cycles=CYCLES, calls=["weigh"]).calls["weigh"].rows
    assert [each.called_cycles for each in run.passes] == [row.cycles for row in calls[:3]]
    assert all(each.cycles == each.own_cycles + each.called_cycles > each.called_cycles + 3 for each in run.passes)


@BOTH
def test_a_jump_out_of_the_last_line_is_a_call_that_ends_the_pass(engine: str) -> None:
    """`pass_on` jumps to `weigh`, which returns to the caller of both: the pass takes what `pass_on` does."""
    run = timed(lines("pass on first", "pass on last"), engine=engine)
    calls = built().run(max_cycles=CYCLES, calls=["weigh", "pass_on"]).calls
    assert [each.cycles for each in run.passes] == [row.cycles for row in calls["pass_on"].rows]
    assert [each.called_cycles for each in run.passes] == [row.cycles for row in calls["weigh"].rows[-1:]]


@BOTH
def test_each_level_of_a_recursion_has_passes_of_its_own(engine: str) -> None:
    """`bees_below(3)` runs the line once at depths 3, 2 and 1 of each branch: 1 + 2 + 4; only outer ones call inner."""
    run = timed(lines("recursion", "after recursion"), engine=engine)
    assert run.count == 7
    calls = built().run(max_cycles=CYCLES, calls=["bees_below"]).calls["bees_below"].rows
    inner = {row.start_cycle: row.cycles for row in calls}
    for each in run.passes:
        begun = [start for start in inner if each.start_cycle < start < each.start_cycle + each.elapsed_cycles]
        assert each.called_cycles == inner[min(begun)]


@pytest.mark.parametrize("optimize", ["s", "2"])
def test_levels_of_a_recursion_are_told_apart_behind_a_shared_prologue(optimize: str) -> None:
    """-mcall-prologues jumps to a routine of libgcc and back into the function; seven passes all the same."""
    source = PROGRAMS / "deep.c"
    firmware = cr.build([source], part="atmega328p", optimize=optimize, flags=["-mcall-prologues"])
    assert any(symbol.name == "__prologue_saves__" for symbol in firmware.image.symbols)
    text = source.read_text(encoding="utf-8").splitlines()
    first, last = (
        next(n for n, line in enumerate(text, 1) if line.endswith(f"/* {name} */"))
        for name in ("recursion", "after recursion")
    )
    calls = firmware.run(max_cycles=20_000, calls=["nest"]).calls["nest"].rows
    whole = firmware.time_lines(f"deep.c:{first - 5}-{last + 2}", max_cycles=20_000)
    assert [(each.start_cycle, each.cycles) for each in whole.passes] == [
        (row.start_cycle, row.cycles) for row in calls
    ]
    run = firmware.time_lines(f"deep.c:{first}-{last}", max_cycles=20_000)
    inner = {row.start_cycle: row.cycles for row in calls}
    assert (run.count, run.places[0].unfinished) == (7, 0)
    for each in run.passes:
        begun = [start for start in inner if each.start_cycle < start < each.start_cycle + each.elapsed_cycles]
        assert each.called_cycles == inner[min(begun)]


@BOTH
@pytest.mark.parametrize("text", [lines("nops"), lines("weigh"), lines("weigh begins", "weigh ends"), lines("choose")])
def test_interrupt_handlers_are_apart(engine: str, text: str) -> None:
    """The same passes take the same cycles with handlers inside and without, and `elapsed` has them on top."""
    quiet, ticking = timed(text, engine=engine), timed(text, ticks=True, engine=engine)
    assert [each.cycles for each in ticking.passes] == [each.cycles for each in quiet.passes]
    assert all(each.handler_cycles == 0 for each in quiet.passes)


def test_handlers_that_ran_inside_are_told() -> None:
    """The timer overflows 256 cycles after it starts, in the midst of the program, and every 65,536 from then on."""
    firmware = built(ticks=True)
    runs = [firmware.time_lines(lines(*names), max_cycles=CYCLES) for names in (("poll",), ("loop", "loop ends"))]
    handled = firmware.run(max_cycles=CYCLES).handlers["TIMER1_OVF"]
    whole = firmware.time_lines(lines("poll", "refuse"), max_cycles=CYCLES)
    assert [each.handler_cycles for each in whole.passes] == [handled.total]
    assert all(each.handler_cycles in (0, handled.total) for run in runs for each in run.passes)


@BOTH
def test_code_that_was_inlined_twice_has_passes_by_place(engine: str) -> None:
    """Each place is named by the line that the call stands on."""
    run = timed(lines("twice first", "twice last"), engine=engine)
    places = [f"in main, inlined at {SOURCE}:{number(name)}" for name in ("first twice", "second twice")]
    assert [(place.place, place.count) for place in run.places] == [(name, 1) for name in places]


@BOTH
def test_a_pass_that_longjmp_left_is_not_counted(engine: str) -> None:
    """The second of three calls does not come back."""
    run = timed(lines("refuse"), engine=engine)
    assert (run.count, run.places[0].left, run.places[0].unfinished) == (2, 1, 0)


@BOTH
@BUILDS
def test_lines_with_a_table_of_jumps_are_one_pass(engine: str, optimize: str) -> None:
    """The switch goes through libgcc's table jump and comes back into the function; nine calls, nine passes."""
    run = timed(lines("switch first", "switch last"), optimize, engine=engine)
    assert run.count == 9
    calls = built(optimize).run(max_cycles=CYCLES, calls=["choose"]).calls["choose"].rows
    assert all(each.elapsed_cycles <= row.cycles for each, row in zip(run.passes, calls, strict=True))


@BOTH
@BUILDS
def test_an_endless_loop_without_code_of_its_own_is_around_the_lines_in_it(engine: str, optimize: str) -> None:
    """The jump back has the line of the last statement; the loop keyword, in a macro here, tells whose loop it is.

    Two OUT and the RJMP: 4 cycles, but in the first pass, which has what the compiler took out of the loop.
    """
    run = timed(lines("toggle", "toggle again"), optimize, engine=engine)
    assert run.count > 1000
    assert {each.cycles for each in run.passes[1:]} == {4}
    assert run.passes[0].cycles >= 4


@BUILDS
@pytest.mark.parametrize("ticks", [False, True])
def test_own_cycles_are_those_of_the_lines_instructions_stepped_one_by_one(optimize: str, ticks: bool) -> None:
    """Every line of the program, by the line table, on a plain stepping of the reference engine.

    Lines with inlined calls are left out: what is inlined there has lines of its own, and belongs to theirs too.
    """
    firmware = built(optimize, ticks=ticks)
    end = firmware.run(until=f"line:{lines('toggle')}", max_cycles=CYCLES).cycles
    by_line = stepped(firmware, end)
    calling = {call.call_line for call in firmware.image.inlined}
    compared = 0
    for line in sorted(by_line.keys() - calling):
        run = firmware.time_lines(f"lines.c:{line}", max_cycles=end, engine="reference")
        # Of a pass that was left for ever, or had not ended, nothing is counted.
        if not any(place.left or place.unfinished for place in run.places):
            assert sum(each.own_cycles for each in run.passes) == by_line[line], line
            compared += 1
    assert compared > 20


def test_cycles_add_up_from_one_pass_to_the_next() -> None:
    """What ran between two passes is all that is in none: from begin to begin is elapsed and the gap, in order."""
    run = timed(lines("nops", "body"))
    passes = run.passes
    for one, following in pairwise(passes):
        assert one.start_cycle + one.elapsed_cycles <= following.start_cycle


def test_a_run_ends_after_as_many_passes_as_asked_for() -> None:
    """`max_passes` counts finished ones."""
    run = built().time_lines(lines("nops"), max_passes=2)
    assert (run.count, run.stopped) == (2, "passes")


def test_until_a_line_stops_where_control_comes_to_it() -> None:
    """The toggling loop begins after all else, so nothing of it has run."""
    run = built().time_lines(lines("toggle"), until=f"line:{lines('toggle')}")
    assert (run.count, run.stopped) == (0, "until")


def test_link_time_optimisation_keeps_lines() -> None:
    """All lines of a function take what its calls take, in that image too."""
    firmware = built(link_time=True)
    run = firmware.time_lines(lines("weigh begins", "weigh ends"), max_cycles=CYCLES)
    assert [each.cycles for each in run.passes] == [
        row.cycles for row in firmware.run(max_cycles=CYCLES, calls=["weigh"]).calls["weigh"].rows
    ]


def test_longjmp_back_into_the_lines_is_no_end_of_the_pass() -> None:
    """It comes back behind the call of setjmp, which is among them."""
    run = timed(lines("poll", "refuse"))
    assert (run.count, run.places[0].left) == (1, 0)


ERRORS = {
    "lines.c:2": "no line with code 'lines.c:2'; the nearest line with code: ",
    "a blank line": "no line with code 'lines.c:{blank}'; the nearest lines with code: ",
    "lines.c:9-4": "lines.c:9-4: lines count from 1, and the first one comes first, as in lines.c:41-48",
    "lines.c:0": "lines.c:0: lines count from 1, and the first one comes first, as in lines.c:41-48",
    "other.c:4": "no file with code 'other.c'; there are ",
    "lines.c": "'lines.c' names no lines; write them as hive.c:41-48, or as hive.c:41 for one",
}


@pytest.mark.parametrize("text", ERRORS)
def test_lines_that_cannot_be_timed_are_refused_with_the_reason(text: str) -> None:
    """What, where, and what to try."""
    blank = number("tick") + 2
    with pytest.raises(cr.CycleruleError) as caught:
        built().time_lines(f"lines.c:{blank}" if text == "a blank line" else text)
    assert str(caught.value).startswith(ERRORS[text].replace("{blank}", str(blank)))


def test_a_number_of_passes_below_one_is_refused() -> None:
    """Nothing would be timed."""
    with pytest.raises(cr.ArgumentError, match=r"max_passes=0: give a number above 0, or leave it out for 20,000"):
        built().time_lines(lines("nops"), max_passes=0)


def test_a_program_without_a_main_of_its_own_is_refused() -> None:
    """The main that stands in does nothing, so no line is ever come to."""
    firmware = cr.build([PROGRAMS / "same_name.c"], part="atmega328p")
    line = next(row.line for row in firmware.image.lines.rows if not row.end_sequence)
    with pytest.raises(cr.ArgumentError, match="the files have no main, so the program's own run comes to nothing"):
        firmware.time_lines(f"same_name.c:{line}")


def test_a_file_without_line_numbers_is_refused(tmp_path: Path) -> None:
    """A HEX file has none."""
    place = tmp_path / "nothing.hex"
    place.write_text(":02000000FFCF30\n:00000001FF\n", encoding="ascii")
    firmware = cr.load(place, part="atmega328p")
    with pytest.raises(
        cr.ArgumentError, match=r"hive.c:4: .*nothing.hex has no line numbers; build it with -g, or give"
    ):
        firmware.time_lines("hive.c:4")


@BOTH
def test_lines_of_assembly_are_timed(engine: str) -> None:
    """LSL, then SBI 2, RJMP 2 and a branch not taken 1, or CBI 2, NOP 1 and a branch taken 2: six cycles for each bit.

    SBI 2, CBI 2 and DEC 1 follow, and BRNE 2 or in the last turn 1: 8 turns of 13 less 1 (ISA manual).
    """
    firmware = cr.build([PROGRAMS / "shift.S", PROGRAMS / "shift_main.c"], part="atmega328p")
    text = (PROGRAMS / "shift.S").read_text(encoding="utf-8").splitlines()
    first, bit, clock, last = (
        next(n for n, line in enumerate(text, 1) if line.endswith(f"; {name}"))
        for name in ("first", "bit", "clock", "last")
    )
    turn = firmware.time_lines(f"shift.S:{bit}-{clock - 1}", max_passes=32, engine=engine)
    assert {each.cycles for each in turn.passes} == {6}
    whole = firmware.time_lines(f"shift.S:{first}-{last}", max_passes=4, engine=engine)
    assert [each.cycles for each in whole.passes] == [1 + 8 * 13 - 1] * 4
