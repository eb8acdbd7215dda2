"""A call at every phase of the program's interrupts: how long it takes when they come earlier or later.

The program runs from reset to a point and waits there, as if in NOPs, for 0, 1, 2 … cycles; then the call begins.
Handlers whose time comes meanwhile run, so that each call finds the program as it would be.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import gcd, lcm
from typing import NamedTuple

from cyclerule.engines.engine import Stop
from cyclerule.errors import ArgumentError, FaultError, RunawayError
from cyclerule.firmware.convention import Placement
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER
from cyclerule.machine.interrupts import HandlerRun
from cyclerule.measure.call import Callee, given_values, place_call, run_to_return
from cyclerule.measure.pace import ROWS_TO_TELL, Progress
from cyclerule.measure.results import HandlerStats, Measured, Warned
from cyclerule.measure.slices import interruptible
from cyclerule.measure.stage import AUTO, REFERENCE, REFERENCE_CYCLES, SCALAR, Stage

EVERY_PHASE = 65_536
"""Up to so many phases are all measured unless another number is asked for."""

SPREAD_PHASES = 4_096
"""Of more phases so many are measured, evenly spread."""

MOST_CYCLES = 400_000_000
"""Where the calls of all phases together would take more cycles than this, fewer are measured: they would take long."""

FEWEST_PHASES = 256

LONGEST_HANDLER = 1_000_000
"""Cycles within which a handler must be back."""

GOLDEN_RATIO = 0.6180339887498949


class SourceFound(NamedTuple):
    """An interrupt source that is running: the vector's name, and each how many cycles it comes; None where unknown."""

    vector: str
    period: int | None


class PhaseRow(NamedTuple):
    """One phase: the cycles waited before the call, those it took, and those without the handlers that ran inside."""

    phase: int
    cycles: int
    own_cycles: int


@dataclass(frozen=True)
class Phases:
    """One call at many phases of the program's interrupts.

    `of` is how many phases there are: the cycles after which all periodic sources come round together, or the span that
    was asked for. `count` of them were measured; in `busy` of those tried a handler was running, so that no call could
    begin. `own_cycles` is the call with interrupts off, None where it does not return then; `own_minimum` and
    `own_maximum` are the cycles of the call at the phases, less those of the handlers. `handlers` counts the runs
    inside the calls, by vector; `hit` how many of the calls each of them ran in.
    """

    measured: Measured
    given: Mapping[str, object]
    at: str
    place: str
    sources: tuple[SourceFound, ...]
    of: int
    busy: int
    rows: tuple[PhaseRow, ...] = field(repr=False)
    own_cycles: int | None
    own_problem: str
    handlers: Mapping[str, HandlerStats]
    hit: Mapping[str, int]
    warnings: list[Warned]

    @property
    def count(self) -> int:
        """How many phases were measured."""
        return len(self.rows)

    @property
    def minimum(self) -> int:
        """The fewest cycles of a call."""
        return min(row.cycles for row in self.rows)

    @property
    def maximum(self) -> int:
        """The most cycles of a call."""
        return max(row.cycles for row in self.rows)

    @property
    def total(self) -> int:
        """The cycles of all calls together."""
        return sum(row.cycles for row in self.rows)

    @property
    def mean(self) -> float:
        """The mean cycles of a call."""
        return self.total / self.count

    @property
    def histogram(self) -> Mapping[int, int]:
        """How many phases there are by the cycles of the call, upwards."""
        return dict(sorted(Counter(row.cycles for row in self.rows).items()))

    @property
    def own_minimum(self) -> int:
        """The fewest cycles of a call without its handlers."""
        return min(row.own_cycles for row in self.rows)

    @property
    def own_maximum(self) -> int:
        """The most cycles of a call without its handlers."""
        return max(row.own_cycles for row in self.rows)

    @property
    def own_differs(self) -> bool:
        """Whether the call's own way depends on the handlers: its cycles without them are not the same throughout."""
        return {self.own_minimum, self.own_maximum} != {self.own_cycles}

    @property
    def covers_every_phase(self) -> bool:
        """Whether each phase was measured, but for those at which no call can begin."""
        return self.count + self.busy == self.of

    def __repr__(self) -> str:
        return (
            f"<Phases {self.measured.function}: {self.minimum} to {self.maximum} cycles "
            f"at {self.count} of {self.of} phases>"
        )


def find_sources(stage: Stage) -> tuple[SourceFound, ...]:
    """Finds the interrupt sources that are running: enabled, with a vector, and with an alarm set.

    An alarm that promises nothing may lead to an interrupt or not; it is found under no name.
    """
    chip = stage.chip
    found: dict[str, int | None] = {}
    for alarm in chip.events.alarms:
        if alarm.due == NEVER:
            continue
        if alarm.recurrence is None:
            found.setdefault("", None)
        elif alarm.recurrence.source.is_enabled and alarm.recurrence.source.vector is not None:
            vector = alarm.recurrence.source.vector
            found[chip.part.vector_name(vector) or f"vector {vector}"] = alarm.recurrence.period
    return tuple(SourceFound(name, period) for name, period in found.items())


def joint_period(sources: Sequence[SourceFound]) -> int | None:
    """Gives the cycles after which all periodic sources come round together; None without any."""
    periods = [source.period for source in sources if source.period is not None]
    return lcm(*periods) if periods else None


def number_of_phases(stage: Stage, at: str, span: int | None) -> int:
    """Gives how many phases there are from where a stage stands: the span, else the joint period of the sources.

    Raises ArgumentError where no interrupt can come, and where without a span nothing tells how many there are.
    """
    chip = stage.chip
    where = f"at {at} ({stage.place(2 * chip.program_counter)})"
    if chip.is_asleep:
        raise ArgumentError(f"{where} the program is asleep, so no call can begin; give a function or a line")
    if not chip.flags[I]:
        raise ArgumentError(
            f"{where} the program has interrupts turned off; give a point at which they are on: at='function:NAME', "
            "at='line:FILE:N' or --at"
        )
    sources = find_sources(stage)
    if not sources:
        raise ArgumentError(f"{where} no interrupt source is running, so there is no phase for a call to be at")
    of = joint_period(sources) if span is None else span
    if of is None:
        raise ArgumentError(
            f"{where} no periodic interrupt is running; say for how many cycles the call is to be moved, span=16000 or "
            "--span 16000"
        )
    return of


def usual_count(of: int, cycles: int) -> int:
    """Gives how many phases are measured of a call of so many cycles unless a number is asked for."""
    wanted = of if of <= EVERY_PHASE else SPREAD_PHASES
    return wanted if wanted * cycles <= MOST_CYCLES else max(FEWEST_PHASES, MOST_CYCLES // cycles)


def chosen_phases(of: int, wanted: int) -> list[int]:
    """Chooses phases, upwards: all of them, or so many of them, evenly spread.

    By steps of the golden ratio, so that what repeats each few cycles is met in all its own phases too.
    """
    if wanted >= of:
        return list(range(of))
    step = max(1, round(of * GOLDEN_RATIO))
    while gcd(step, of) != 1:
        step += 1
    return sorted(number * step % of for number in range(wanted))


class Walk:
    """The program waiting at a point, cycle by cycle, with its handlers running."""

    def __init__(self, stage: Stage) -> None:
        self._stage, self._chip = stage, stage.chip
        self._point = frozenset({stage.chip.program_counter})
        self._open = len(stage.chip.interrupts.open)
        self.start_cycle = stage.chip.cycle

    def wait_until(self, phase: int) -> bool:
        """Waits for so many cycles since the beginning; tells whether a call can begin at that very cycle."""
        chip, target = self._chip, self.start_cycle + phase
        while True:
            chip.events.run_until(chip.cycle)
            if self._is_served():
                self._run_handler()
            elif chip.cycle >= target:
                return chip.cycle == target
            else:
                chip.cycle = min(target, max(chip.events.next_cycle, chip.cycle + 1))
                # The instruction after RETI was a NOP.
                chip.interrupt_shadow = False

    def _is_served(self) -> bool:
        chip = self._chip
        interrupts = chip.interrupts
        return bool(interrupts.requests and chip.flags[I] and interrupts.delivers and not chip.interrupt_shadow)

    def _run_handler(self) -> None:
        """Runs the handler that is waiting, and what interrupts it, until the program is back at its point."""
        stage, chip = self._stage, self._chip
        limit = chip.cycle + LONGEST_HANDLER
        while True:
            stop = stage.run(limit, exits=self._point)
            if stop is Stop.AT_EXIT and len(chip.interrupts.open) == self._open:
                return
            if stop is not Stop.AT_EXIT:
                place = stage.place(2 * chip.program_counter)
                raise RunawayError(
                    f"an interrupt handler is not back after {LONGEST_HANDLER:,} cycles (at {place})",
                    place=place,
                    cycle=chip.cycle,
                )


@dataclass
class PhaseCall:
    """A call to be made at phases, from the point at which a stage stands."""

    stage: Stage
    callee: Callee
    placement: Placement
    limit: int

    @classmethod
    def of(cls, stage: Stage, callee: Callee, values: Sequence[object], limit: int) -> "PhaseCall":
        """Places the arguments below the program's own stack."""
        placement = place_call(stage, callee, values)
        stage.add_to_flash(placement.flash)
        stage.engine.forget_code()
        return cls(stage, callee, placement, limit)

    def make(self, *, interrupts: bool) -> int:
        """Makes the call from the present state; gives its cycles."""
        stage, chip = self.stage, self.stage.chip
        for register, value in self.placement.registers.items():
            chip.data[register] = value
        for address, data in self.placement.memory:
            chip.data[address : address + len(data)] = data
        chip.stack_pointer = chip.lowest_stack_pointer = self.placement.stack_pointer
        chip.interrupts.delivers = interrupts
        chip.interrupts.finished = []
        stage.engine.call_from_outside(self.callee.word, stage.return_word)
        return run_to_return(stage, self.callee, self.placement.stack_pointer, self.limit)


class Engines:
    """Chooses the engine for calls that are made again and again: "auto" leaves the reference engine for long work."""

    def __init__(self, stage: Stage, engine: str, count: int) -> None:
        self._stage, self._engine, self._count = stage, engine, count
        self._cycles = self._done = 0
        stage.begin(REFERENCE if engine == AUTO else engine)

    def note(self, cycles: int) -> None:
        """Notes what a call took."""
        self._cycles += cycles
        self._done += 1
        if self._engine == AUTO and self._stage.used == REFERENCE and self._done >= ROWS_TO_TELL:
            foretold = self._cycles // self._done * self._count
            if foretold > REFERENCE_CYCLES:
                self._stage.begin(SCALAR)


def measure_phases(
    stage: Stage,
    callee: Callee,
    values: Sequence[object],
    *,
    measured: Measured,
    at: str,
    of: int,
    count: int | None,
    limit: int,
    progress: Progress | None = None,
) -> Phases:
    """Measures a call at phases of the interrupts, from the point at which the program of a stage stands.

    The stage is used up. Raises what a call raises, with the phase at which it happened.
    """
    chip = stage.chip
    place, sources = stage.place(2 * chip.program_counter), find_sources(stage)
    chip.interrupts.open, chip.interrupts.keeps_log = [], True
    stage.begin(measured.engine)
    call = PhaseCall.of(stage, callee, values, limit)
    own, problem = _undisturbed(call)
    chosen = chosen_phases(of, usual_count(of, own or 1) if count is None else count)
    walk, engines, tally = Walk(stage), Engines(stage, measured.engine, len(chosen)), Tally()
    with interruptible() as interruption:
        for number, phase in enumerate(chosen):
            if interruption.is_asked:
                raise KeyboardInterrupt
            if not walk.wait_until(phase):
                tally.busy += 1
                continue
            waiting = chip.save()
            try:
                cycles = call.make(interrupts=True)
            except (FaultError, RunawayError) as error:
                error.args = (f"{error} (phase {phase} of {of})",)
                raise
            tally.add(phase, cycles, chip.interrupts.finished)
            engines.note(cycles)
            chip.restore(waiting)
            if progress is not None:
                progress(number + 1, len(chosen))
    if not tally.rows:
        raise ArgumentError(f"handlers run at each of the {len(chosen):,} phases tried, so that no call can begin")
    return Phases(
        measured=replace(measured, engine=stage.used),
        given=given_values(callee, values),
        at=at,
        place=place,
        sources=sources,
        of=of,
        busy=tally.busy,
        rows=tuple(tally.rows),
        own_cycles=own,
        own_problem=problem,
        handlers=tally.handlers(chip),
        hit={_vector_name(chip, vector): count for vector, count in sorted(tally.hit.items())},
        warnings=stage.warnings(),
    )


def _undisturbed(call: PhaseCall) -> tuple[int | None, str]:
    """Gives the cycles of the call with interrupts off, or why there are none."""
    chip = call.stage.chip
    saved, enabled = chip.save(), chip.flags[I]
    try:
        return call.make(interrupts=False), ""
    except RunawayError as error:
        return None, str(error)
    finally:
        chip.restore(saved)
        chip.flags[I] = enabled


class Tally:
    """What the calls at all phases add up to."""

    def __init__(self) -> None:
        self.rows: list[PhaseRow] = []
        self.busy = 0
        self.hit: Counter[int] = Counter()
        self._runs: dict[int, list[int]] = {}

    def add(self, phase: int, cycles: int, finished: Sequence[HandlerRun]) -> None:
        """Adds a call and the handlers that ran inside."""
        taken = 0
        for each in finished:
            length = each.end_cycle - each.start_cycle
            self._runs.setdefault(each.vector, []).append(length)
            if each.nested_in is None:
                taken += length
        self.hit.update({each.vector for each in finished})
        self.rows.append(PhaseRow(phase, cycles, cycles - taken))

    def handlers(self, chip: Chip) -> dict[str, HandlerStats]:
        """Gives the runs of each handler by its vector."""
        return {
            _vector_name(chip, vector): HandlerStats(len(runs), min(runs), max(runs), sum(runs))
            for vector, runs in sorted(self._runs.items())
        }


def _vector_name(chip: Chip, vector: int) -> str:
    return chip.part.vector_name(vector) or f"vector {vector}"
