"""A call at every phase of the program's interrupts, set against a program that goes through the phases itself."""

from itertools import pairwise
from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.measure.phases import chosen_phases

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])
PERIOD = 250
FRAME = bytes([1, 2, 3, 4, 5, 6, 7, 8])


@pytest.fixture(scope="module")
def firmware() -> cr.Firmware:
    """Two compare matches of one timer, 250 cycles apart each."""
    return cr.build([PROGRAMS / "phases.c"], part="atmega328p", clock="16 MHz")


@BOTH
def test_calls_at_phases_are_those_of_a_program_that_enters_a_sled_of_nops(firmware: cr.Firmware, engine: str) -> None:
    """The program itself calls `sum` after 0 to 299 NOPs; what it takes then is what it takes at that phase.

    Both are set against the timer: calls that begin at the same count of the timer take the same.
    """
    run = firmware.run(until="function:waits_for_flag", calls=["sum"], watch=["TCNT1"], engine=engine)
    rows = run.calls["sum"].rows
    zeroed = [write.cycle for write in run.watched["TCNT1"] if write.register == "TCNT1L"]
    assert len(rows) == len(zeroed) == 300
    seen = {(row.start_cycle - zero) % PERIOD: row.cycles for row, zero in zip(rows, zeroed, strict=True)}
    begun = firmware.run(until="function:sum", engine=engine).cycles - zeroed[0]
    phases = firmware.phases("sum", FRAME, 8, at="function:sum", engine=engine)
    assert (phases.of, phases.count + phases.busy) == (PERIOD, PERIOD)
    by_count = {(begun + row.phase) % PERIOD: row.cycles for row in phases.rows}
    both = by_count.keys() & seen.keys()
    assert len(both) > 150
    assert {count: seen[count] for count in both} == {count: by_count[count] for count in both}
    assert set(seen.values()) <= set(by_count.values())


@BOTH
def test_handlers_add_to_the_calls_own_cycles(firmware: cr.Firmware, engine: str) -> None:
    """Own cycles are those with interrupts off; a call that nothing interrupts takes just those."""
    phases = firmware.phases("sum", FRAME, 8, at="function:sum", engine=engine)
    alone = firmware.call("sum", FRAME, 8).cycles
    assert (phases.own_cycles, phases.own_minimum, phases.own_maximum) == (alone, alone, alone)
    assert not phases.own_differs
    assert phases.minimum == alone
    handlers = phases.handlers
    assert set(handlers) == {"TIMER1_COMPA", "TIMER1_COMPB"}
    lengths = {alone + sum(each.minimum * n for each, n in zip(handlers.values(), runs, strict=True)) for runs in RUNS}
    assert set(phases.histogram) <= lengths
    assert sum(phases.histogram.values()) == phases.count
    assert phases.total == alone * phases.count + sum(each.total for each in handlers.values())
    for name, each in handlers.items():
        assert each.minimum == each.maximum == firmware.call(name).cycles + 4 + 3
        assert each.count == phases.hit[name]


RUNS = [(0, 0), (1, 0), (0, 1), (1, 1)]


@BOTH
def test_a_way_that_depends_on_a_handler_is_told(firmware: cr.Firmware, engine: str) -> None:
    """`looks_at_flag` does more where the handler sets the flag; `waits_for_flag` needs it to return."""
    looks = firmware.phases("looks_at_flag", 9, at="function:waits_for_flag", engine=engine)
    assert looks.own_differs
    assert looks.own_cycles in (looks.own_minimum, looks.own_maximum)
    waits = firmware.phases("waits_for_flag", at="function:waits_for_flag", engine=engine)
    assert waits.own_cycles is None
    assert "waits for TIMER1_COMPB, which changes flag" in waits.own_problem
    assert waits.hit["TIMER1_COMPB"] == waits.count
    assert waits.maximum - waits.minimum < PERIOD + 100


@BOTH
def test_a_function_that_turns_interrupts_off_is_hit_at_its_edges_alone(firmware: cr.Firmware, engine: str) -> None:
    """What comes while they are off is served when SREG is written back, once, and the call is over a moment later."""
    phases = firmware.phases("guarded", 20, at="function:waits_for_flag", engine=engine)
    assert phases.own_cycles == firmware.call("guarded", 20).cycles
    assert all(each.count <= phases.count for each in phases.handlers.values())
    assert set(phases.histogram) - {phases.own_cycles}


def test_of_many_phases_a_part_is_measured_evenly_spread(firmware: cr.Firmware) -> None:
    """Remainders of small numbers all occur, and no gap between phases is much longer than another one."""
    gaps = [later - earlier for earlier, later in pairwise(chosen_phases(100_000, 1000))]
    assert max(gaps) < 2 * 100_000 / 1000
    phases = firmware.phases("sum", FRAME, 8, at="function:sum", span=100_000, count=1000)
    assert (phases.of, phases.count + phases.busy) == (100_000, 1000)
    assert not phases.covers_every_phase
    chosen = [row.phase for row in phases.rows]
    for small in (2, 8, 64):
        assert {phase % small for phase in chosen} == set(range(small))
    whole = firmware.phases("sum", FRAME, 8, at="function:sum", span=1000)
    part = firmware.phases("sum", FRAME, 8, at="function:sum", span=1000, count=100)
    assert set(part.rows) <= set(whole.rows)


@BOTH
def test_engines_agree_at_every_phase(firmware: cr.Firmware, engine: str) -> None:
    """Row by row, to the cycle."""
    rows = firmware.phases("sum", FRAME, 8, at="function:waits_for_flag", engine=engine).rows
    assert rows == firmware.phases("sum", FRAME, 8, at="function:waits_for_flag", engine="reference").rows


def test_a_setup_loop_program_is_measured_from_its_first_pass() -> None:
    """Unless another point is asked for; other functions begin at their own first call."""
    passes = cr.build([PROGRAMS / "passes.c"], part="atmega328p", clock="16 MHz")
    phases = passes.phases("loop", count=20)
    assert (phases.at, phases.of) == ("function:loop", 16_000)
    assert [(each.vector, each.period) for each in phases.sources] == [("TIMER1_COMPA", 16_000)]


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({"at": "function:main"}, "the program has interrupts turned off; give a point at which they are on"),
        ({"at": "serial:x", "max_cycles": 100_000}, "from reset the program did not come to serial:x"),
        ({"at": "noon"}, "until='noon' is not understood"),
        ({"count": 0}, "count=0: give a number above 0"),
        ({"span": -1}, "span=-1: give a number above 0"),
    ],
)
def test_a_point_without_phases_is_refused_in_words(
    firmware: cr.Firmware, settings: dict[str, object], text: str
) -> None:
    """What is wrong, where, and what to give instead."""
    with pytest.raises(cr.CycleruleError) as error:
        firmware.phases("guarded", 1, **settings)  # type: ignore[arg-type]
    assert text in str(error.value)


def test_without_a_periodic_source_a_span_is_asked_for(monitor: cr.Firmware) -> None:
    """A serial frame under way may lead to an interrupt or not; nothing tells when the next one comes."""
    waits = cr.build([PROGRAMS / "waits.c"], part="atmega328p", defines={"WAIT": "A_FLAG"})
    with pytest.raises(cr.ArgumentError, match="no interrupt source is running"):
        waits.phases("main", at="line:waits.c:41")
