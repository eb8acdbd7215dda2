"""The same call over a whole input domain, each row from the same starting state."""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from cyclerule.errors import DomainTooLarge, FaultError, RunawayError
from cyclerule.firmware.convention import result_place
from cyclerule.machine.bus import Unmodelled
from cyclerule.measure.batches import Batches, are_columns, takes_batches
from cyclerule.measure.call import Callee, check_stack, enter, own_stack, run_to_return
from cyclerule.measure.domains import count_rows, input_at
from cyclerule.measure.held import name_held, without_set_pins
from cyclerule.measure.pace import FIRST_BATCH, LONGEST_SECONDS, Clock, Pace, Progress, next_batch
from cyclerule.measure.results import Extreme, Held, Measured, Sweep, Value
from cyclerule.measure.rows import Varied, combinations, set_addresses, set_ups
from cyclerule.measure.settings import write_all
from cyclerule.measure.stage import Stage, StartingState
from cyclerule.measure.tally import MOST_ROWS, Tally


def run_sweep(
    stage: Stage,
    state: StartingState,
    callee: Callee,
    domains: Mapping[str, Sequence[object]],
    measured: Measured,
    *,
    keep: str,
    limit: int,
    varied: Varied = (),
    settings: Mapping[str, object] | None = None,
    interrupts: bool = False,
    progress: Progress | None = None,
    longest_seconds: float = LONGEST_SECONDS,
) -> Sweep:
    """Measures a function for every input of the domains, the last named varying fastest.

    `domains` has one entry for each parameter, in the order in which they vary, `varied` what is set before each row;
    `settings` says what is set in the state already, for the result. Raises DomainTooLarge when that would take longer
    than `longest_seconds`, and what a call raises, with the input it happened on.
    """
    inputs = {**_named(varied, domains), **domains}
    count = count_rows(inputs.values())
    for setting, values in varied:
        for value in (values[0], values[-1]) if isinstance(values, range) else values:
            setting.check(value)
    tally = Tally(callee.signature.returns, keeps_rows=keep == "rows")
    if tally.keeps_rows and count > MOST_ROWS:
        raise DomainTooLarge(
            f"{callee.name} over {count:,} inputs: only a summary of so many fits; keep='summary' or a smaller domain"
        )
    clock = Clock(callee.name, count, progress, longest_seconds)
    course = _Course(stage, state, callee, domains, limit, tally, clock, varied, inputs)
    pace = Pace(measured.engine, count, takes_batches(callee, domains) and not interrupts)
    course.run_rows(pace, interrupts=interrupts)
    if tally.count < count:
        course.run_batches(count)
    clock.finish()
    return Sweep(
        measured=replace(measured, engine=stage.used),
        names=tuple(inputs),
        domains=inputs,
        count=count,
        minimum=Extreme(tally.least, input_at(inputs, tally.first_least)),
        maximum=Extreme(tally.most, input_at(inputs, tally.first_most)),
        total_cycles=tally.total,
        histogram=dict(sorted(tally.histogram.items())),
        held=list(course.held.values()),
        warnings=stage.warnings(course.touched),
        call_cycles=callee.call_cycles,
        stack_bytes=tally.deepest,
        row_cycles=tally.cycles if tally.keeps_rows else None,
        row_returned=tally.returned if tally.keeps_results else None,
        row_instructions=tally.instructions if tally.keeps_rows else None,
        row_stack_bytes=tally.stacks if tally.keeps_rows else None,
        array_type=tally.array_type,
        settings=dict(settings or {}),
    )


def _named(varied: Varied, domains: Mapping[str, Sequence[object]]) -> dict[str, Sequence[object]]:
    """Gives what is set by the name that stands in the inputs; a parameter of the same name keeps it."""
    return {
        f"{setting.kind} {setting.name}" if setting.name in domains else setting.name: values
        for setting, values in varied
    }


@dataclass
class _Course:
    """A sweep under way: what is run, and what its rows so far have held and touched that is not modelled."""

    stage: Stage
    state: StartingState
    callee: Callee
    domains: Mapping[str, Sequence[object]]
    limit: int
    tally: Tally
    clock: Clock
    varied: Varied
    inputs: Mapping[str, Sequence[object]]
    held: dict[str, Held] = field(default_factory=dict)
    touched: dict[tuple[int, str], Unmodelled] = field(default_factory=dict)

    def run_rows(self, pace: Pace, *, interrupts: bool) -> None:
        """Runs row after row until the last, or until the rest is to run in batches."""
        stage, chip, callee, tally = self.stage, self.stage.chip, self.callee, self.tally
        seen_reads: set[int] = set()
        for index, set_up in enumerate(set_ups(stage, callee, self.domains, self.varied)):
            if pace.turns_to_batches(index):
                return
            stage.set_state(self.state)
            stack_pointer, placed = set_up()
            stage.begin(pace.engine(index), placed)
            stage.begin_stimuli()
            enter(stage, callee.word, interrupts=interrupts)
            try:
                cycles = run_to_return(stage, callee, stack_pointer, self.limit)
            except (RunawayError, FaultError) as error:
                raise _with_input(error, input_at(self.inputs, index)) from None
            depth = stack_pointer - chip.lowest_stack_pointer
            self._note_touched()
            first_reads = stage.first_reads(self.state.chip[0])
            if not first_reads.keys() <= seen_reads:
                seen_reads |= first_reads.keys()
                self._note_held(first_reads, own_stack(stack_pointer, depth), self.state.chip[0])
            tally.add(cycles, stage.instructions, depth, self._result() if tally.keeps_results else None)
            if not pace.will_turn:
                self.clock.look(index + 1)

    def run_batches(self, count: int) -> None:
        """Runs all rows that are left in compiled code, from a state of its own for each setting that Python makes."""
        if are_columns(self.varied):
            state = _begun(self.stage, self.state)
            batches = Batches(self.stage, state, self.callee, self.domains, self.limit, varied=self.varied)
            self._run_batches(batches, 0, count, state)
            return
        stage = self.stage
        settings = [setting for setting, _ in self.varied]
        given = set_addresses(settings)
        inner = count_rows(self.domains.values())
        for number, values in enumerate(combinations(tuple(values for _, values in self.varied))):
            if (number + 1) * inner <= self.tally.count:
                continue
            stage.set_state(self.state)
            write_all(stage, list(zip(settings, values, strict=True)))
            stage.begin_stimuli()
            state = stage.keep_state()
            batches = Batches(stage, state, self.callee, self.domains, self.limit, given=given)
            self._run_batches(batches, number * inner, (number + 1) * inner, state)

    def _run_batches(self, batches: Batches, first: int, end: int, state: StartingState) -> None:
        """Runs the rows that are left up to `end`; the batches count from `first`."""
        stage, tally, clock = self.stage, self.tally, self.clock
        size, is_first = FIRST_BATCH, True
        while tally.count < end:
            size = min(size, end - tally.count)
            began = time.perf_counter()
            batches.row = tally.count - first
            try:
                batch = batches.run(tally.count - first, size)
                batches.row = tally.count - first + int(batch.stack_bytes.argmax())
                check_stack(stage, self.callee, batches.stack_pointer - int(batch.stack_bytes.max()))
            except (RunawayError, FaultError) as error:
                raise _with_input(error, input_at(self.inputs, first + batches.row)) from None
            tally.add_batch(batch, batches.results)
            if is_first and not first:
                # What came before says nothing about the pace: other rows, and the making of compiled code.
                clock.set_off(tally.count)
            is_first = False
            clock.look(tally.count)
            size = next_batch(size, time.perf_counter() - began)
        self._note_touched()
        first_reads = batches.first_reads(state.chip[0])
        self._note_held(first_reads, own_stack(batches.stack_pointer, tally.deepest), state.chip[0])

    def _result(self) -> Value:
        data = self.stage.chip.data
        place = result_place(self.callee.signature)
        return place.read(data.__getitem__, lambda address, size: bytes(data[address : address + size]))

    def _note_held(self, first_reads: Mapping[int, int], stack: range, before: bytes) -> None:
        given = set_addresses(setting for setting, _ in self.varied)
        for each in name_held(self.stage, first_reads, before, stack, given):
            self.held.setdefault(each.name, without_set_pins(each, [setting.name for setting, _ in self.varied]))

    def _note_touched(self) -> None:
        if self.stage.chip.bus.unmodelled:
            self.touched = {**self.stage.chip.bus.unmodelled, **self.touched}


def _begun(stage: Stage, state: StartingState) -> StartingState:
    """Gives a state in which what comes from outside has begun to come, since compiled rows start from it as it is."""
    if not state.stimuli:
        return state
    stage.set_state(state)
    stage.begin_stimuli()
    return stage.keep_state()


def _with_input(error: RunawayError | FaultError, arguments: Mapping[str, object]) -> RunawayError | FaultError:
    text = ", ".join(f"{name} = {value}" for name, value in arguments.items())
    if isinstance(error, RunawayError):
        return RunawayError(f"{error}; with {text}" if text else str(error), place=error.place, cycle=error.cycle)
    return type(error)(
        f"{error}; with {text}" if text else str(error), address=error.address, cycle=error.cycle, place=error.place
    )
