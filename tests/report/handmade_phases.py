"""Calls at phases made by hand: the figures are chosen, nothing is run."""

from dataclasses import replace

from cyclerule.measure.phases import PhaseRow, Phases, SourceFound
from cyclerule.measure.results import HandlerStats
from tests.report.handmade import MEASURED, at_clock

ROWS = tuple(PhaseRow(phase, 41 + (44 if phase >= 238 else 0), 41) for phase in range(248))

EVERY_PHASE = Phases(
    measured=MEASURED,
    given={"bees": 2, "name": "hive"},
    at="function:loop",
    place="hive.c:41 in loop",
    sources=(SourceFound("TIMER1_COMPA", 250), SourceFound("", None)),
    of=250,
    busy=2,
    rows=ROWS,
    own_cycles=41,
    own_problem="",
    handlers={"TIMER1_COMPA": HandlerStats(10, 44, 44, 440)},
    hit={"TIMER1_COMPA": 10},
    warnings=[],
)

SOME_PHASES = replace(
    EVERY_PHASE,
    measured=at_clock(None),
    given={},
    of=100_000,
    busy=0,
    rows=tuple(PhaseRow(7 * n, 50 + n, 45 + n % 2) for n in range(30)),
    own_cycles=None,
    own_problem="it waits",
)
