"""The same call over a whole input domain, each row from the same starting state."""

import time
from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from cyclerule.errors import DomainTooLarge, FaultError, RunawayError
from cyclerule.firmware.convention import ResultPlace, result_place, scalar_bits, scalar_plan
from cyclerule.firmware.types import EnumType, FloatType, IntegerType, PointerType, StructType, Type, VoidType
from cyclerule.firmware.values import value_of
from cyclerule.machine.bus import Unmodelled
from cyclerule.measure.batches import ROWS_A_BATCH, Batches, takes_batches
from cyclerule.measure.call import (
    Callee,
    apply_placement,
    check_stack,
    enter,
    own_stack,
    place_call,
    run_to_return,
)
from cyclerule.measure.domains import are_numbers, count_rows
from cyclerule.measure.held import name_held
from cyclerule.measure.results import Extreme, Held, Measured, Sweep, Value
from cyclerule.measure.stage import AUTO, REFERENCE, SCALAR, Stage, StartingState

if TYPE_CHECKING:
    from cyclerule.engines.llvm.rows import Batch

LONGEST_SECONDS = 900.0
"""A sweep that would take longer than this on the engine at hand is refused, with the time it would take."""

COMPILED_SECONDS = 0.4
"""Work that would take the reference engine longer than this goes to compiled code, which takes that long to make."""

LONG_ROW_SECONDS = 0.0005
"""A row that takes longer than this is quicker in compiled code even when Python places its arguments."""

ROWS_TO_TELL = 16

FIRST_BATCH = 8
BATCH_GROWTH = 16
BATCH_SECONDS = 0.1
"""A batch is to take about so long, that progress is told and a sweep without end can be broken off."""

MOST_ROWS = 1 << 26
"""Rows that are kept take up to 26 bytes each; a sweep over more is kept as a summary."""

PROBE_SECONDS = 0.5
"""How long a sweep runs before its time is foretold."""

TOLD_EVERY_SECONDS = 0.1
"""How often progress is told."""

Progress = Callable[[int, int], None]
"""Called now and then with (rows done, rows in all)."""

Setup = Callable[[], tuple[int, set[int]]]
"""Places one row's arguments; gives the caller's stack pointer and the data addresses that belong to the arguments."""


def run_sweep(
    stage: Stage,
    state: StartingState,
    callee: Callee,
    domains: Mapping[str, Sequence[object]],
    measured: Measured,
    *,
    keep: str,
    limit: int,
    interrupts: bool = False,
    progress: Progress | None = None,
    longest_seconds: float = LONGEST_SECONDS,
) -> Sweep:
    """Measures a function for every input of the domains, the last named varying fastest.

    `domains` has one entry for each parameter, in the order in which they vary. Raises DomainTooLarge when
    that would take longer than `longest_seconds`, and what a call raises, with the input it happened on.
    """
    chip = stage.chip
    names = tuple(domains)
    count = count_rows(domains.values())
    returns = callee.signature.returns
    array_type = None if isinstance(returns, VoidType) else _array_type(returns)
    tally = _Tally(keep == "rows", array_type)
    if tally.keeps_rows and count > MOST_ROWS:
        raise DomainTooLarge(
            f"{callee.name} over {count:,} inputs: only a summary of so many fits; keep='summary' or a smaller domain"
        )
    clock = _Clock(callee.name, count, progress, longest_seconds)
    held: dict[str, Held] = {}
    seen_reads: set[int] = set()
    touched: dict[tuple[int, str], Unmodelled] = {}
    pace = _Pace(measured.engine, count, takes_batches(callee, domains) and not interrupts)
    for index, setup in enumerate(_rows(stage, callee, domains)):
        if pace.turns_to_batches(index):
            break
        stage.set_state(state)
        stack_pointer, placed = setup()
        stage.begin(pace.engine(index), placed)
        enter(stage, callee.word, interrupts=interrupts)
        try:
            cycles = run_to_return(stage, callee, stack_pointer, limit)
        except (RunawayError, FaultError) as error:
            raise _with_input(error, _input(domains, names, index)) from None
        if chip.bus.unmodelled:
            touched = {**chip.bus.unmodelled, **touched}
        depth = stack_pointer - chip.lowest_stack_pointer
        first_reads = stage.first_reads(state.chip[0])
        if not first_reads.keys() <= seen_reads:
            seen_reads |= first_reads.keys()
            for each in name_held(stage, first_reads, state.chip[0], own_stack(stack_pointer, depth)):
                held.setdefault(each.name, each)
        returned = _read_result(stage, callee) if tally.keeps_results else None
        tally.add(cycles, stage.instructions, depth, returned)
        if not pace.will_turn:
            clock.look(index + 1)
    if tally.count < count:
        touched = {**_run_batches(stage, state, callee, domains, tally, clock, held, limit), **touched}
    clock.finish()
    return Sweep(
        measured=replace(measured, engine=stage.used),
        names=names,
        domains=dict(domains),
        count=count,
        minimum=Extreme(tally.least, _input(domains, names, tally.first_least)),
        maximum=Extreme(tally.most, _input(domains, names, tally.first_most)),
        total_cycles=tally.total,
        histogram=dict(sorted(tally.histogram.items())),
        held=list(held.values()),
        warnings=stage.warnings(touched),
        call_cycles=callee.call_cycles,
        stack_bytes=tally.deepest,
        row_cycles=tally.cycles if tally.keeps_rows else None,
        row_returned=tally.returned if tally.keeps_results else None,
        row_instructions=tally.instructions if tally.keeps_rows else None,
        row_stack_bytes=tally.stacks if tally.keeps_rows else None,
        array_type=array_type,
    )


def _run_batches(  # noqa: PLR0917 - the parts of one sweep
    stage: Stage,
    state: StartingState,
    callee: Callee,
    domains: Mapping[str, Sequence[object]],
    tally: "_Tally",
    clock: "_Clock",
    held: dict[str, Held],
    limit: int,
) -> Mapping[tuple[int, str], Unmodelled]:
    """Runs all rows that are left in compiled code; gives what they touched that is not modelled."""
    names, count = tuple(domains), count_rows(domains.values())
    batches = Batches(stage, state, callee, domains, limit)
    size = FIRST_BATCH
    while tally.count < count:
        size = min(size, count - tally.count)
        began = time.perf_counter()
        batches.row = tally.count
        try:
            batch = batches.run(tally.count, size)
            batches.row = tally.count + int(batch.stack_bytes.argmax())
            check_stack(stage, callee, batches.stack_pointer - int(batch.stack_bytes.max()))
        except (RunawayError, FaultError) as error:
            raise _with_input(error, _input(domains, names, batches.row)) from None
        tally.add_batch(batch, batches.results)
        if size == FIRST_BATCH:
            # What came before says nothing about the pace: other rows, and the making of compiled code.
            clock.set_off(tally.count)
        clock.look(tally.count)
        took = time.perf_counter() - began
        size = max(FIRST_BATCH, min(ROWS_A_BATCH, int(size * min(BATCH_GROWTH, BATCH_SECONDS / max(took, 1e-6)))))
    stack = own_stack(batches.stack_pointer, tally.deepest)
    for each in name_held(stage, batches.first_reads(state.chip[0]), state.chip[0], stack):
        held.setdefault(each.name, each)
    return stage.chip.bus.unmodelled


class _Pace:
    """Decides which engine a row goes to: "auto" begins on the reference engine and leaves it when much is left."""

    def __init__(self, engine: str, count: int, can_batch: bool) -> None:
        self._engine, self._count, self._can_batch = engine, count, can_batch
        self._began = time.perf_counter()
        self._row_engine = engine

    @property
    def will_turn(self) -> bool:
        """Whether the rows may yet go on in batches, so that their present speed foretells nothing."""
        return self._can_batch and self._engine != REFERENCE

    def turns_to_batches(self, row: int) -> bool:
        """Tells whether the rows from this one on are to run in batches."""
        if not self._can_batch or self._engine == REFERENCE:
            return False
        return self._engine == SCALAR or self._seconds_left(row) > COMPILED_SECONDS

    def engine(self, row: int) -> str:
        """Gives the engine for a row that does not run in a batch."""
        is_long = row > 0 and (time.perf_counter() - self._began) / row > LONG_ROW_SECONDS
        if self._row_engine == AUTO and is_long and self._seconds_left(row) > COMPILED_SECONDS:
            self._row_engine = SCALAR
        return self._row_engine

    def _seconds_left(self, row: int) -> float:
        """Foretells what the rows left would take at the pace so far; 0 while too few are done to tell."""
        passed = time.perf_counter() - self._began
        if row < ROWS_TO_TELL and passed < COMPILED_SECONDS:
            return 0.0
        return passed / max(row, 1) * (self._count - row)


class _Tally:
    """What the rows of a sweep add up to, and the rows themselves when they are kept."""

    def __init__(self, keeps_rows: bool, array_type: str | None) -> None:
        self.keeps_rows, self.keeps_results = keeps_rows, keeps_rows and array_type is not None
        self.count = self.total = self.deepest = 0
        self.least = self.most = 0
        self.first_least = self.first_most = 0
        self.histogram: Counter[int] = Counter()
        self.cycles, self.instructions, self.stacks = array("Q"), array("Q"), array("H")
        code = _ARRAY_CODES.get(array_type or "")
        self.returned: list[Any] | array[Any] = [] if code is None else array(code)

    def add(self, cycles: int, instructions: int, depth: int, returned: Value) -> None:
        """Adds the next row."""
        if self.count == 0 or cycles < self.least:
            self.least, self.first_least = cycles, self.count
        if self.count == 0 or cycles > self.most:
            self.most, self.first_most = cycles, self.count
        self.count += 1
        self.total += cycles
        self.deepest = max(self.deepest, depth)
        self.histogram[cycles] += 1
        if self.keeps_rows:
            self.cycles.append(cycles)
            self.instructions.append(instructions)
            self.stacks.append(depth)
        if self.keeps_results:
            self.returned.append(returned)

    def add_batch(self, batch: "Batch", place: ResultPlace) -> None:
        """Adds the rows of a batch."""
        import numpy as np

        cycles = batch.cycles
        least, most = int(cycles.min()), int(cycles.max())
        if self.count == 0 or least < self.least:
            self.least, self.first_least = least, self.count + int(cycles.argmin())
        if self.count == 0 or most > self.most:
            self.most, self.first_most = most, self.count + int(cycles.argmax())
        self.count += len(cycles)
        self.total += int(cycles.sum())
        self.deepest = max(self.deepest, int(batch.stack_bytes.max()))
        values, times = np.unique(cycles, return_counts=True)
        self.histogram.update(dict(zip(values.tolist(), times.tolist(), strict=True)))
        if self.keeps_rows:
            self.cycles.frombytes(cycles.tobytes())
            self.instructions.frombytes(batch.instructions.tobytes())
            self.stacks.frombytes(batch.stack_bytes.tobytes())
        if isinstance(self.returned, array) and self.returned.itemsize == len(place.registers):
            self.returned.frombytes(batch.results.tobytes())
        elif self.keeps_results:
            self.returned.extend(value_of(place.type, bytes(row)) for row in batch.results)


class _Clock:
    """Tells a sweep's progress, and refuses one that would take too long as soon as that can be foretold."""

    def __init__(self, name: str, count: int, progress: Progress | None, longest_seconds: float) -> None:
        self._name, self._count, self._progress, self._longest = name, count, progress, longest_seconds
        self._told = time.perf_counter()
        self.set_off(0)

    def set_off(self, done: int) -> None:
        """Takes the pace from here on, after so many rows."""
        self._began, self._first, self._is_foretold = time.perf_counter(), done, False

    def look(self, done: int) -> None:
        """Looks at the time after so many rows."""
        now = time.perf_counter()
        if not self._is_foretold and done > self._first and now - self._began > PROBE_SECONDS:
            self._is_foretold = True
            foretold = (now - self._began) / (done - self._first) * (self._count - self._first)
            if foretold > self._longest:
                raise DomainTooLarge(_too_large(self._name, self._count, foretold))
        if self._progress is not None and now - self._told > TOLD_EVERY_SECONDS:
            self._told = now
            self._progress(done, self._count)

    def finish(self) -> None:
        """Tells that all rows are done."""
        if self._progress is not None:
            self._progress(self._count, self._count)


def _rows(stage: Stage, callee: Callee, domains: Mapping[str, Sequence[object]]) -> Iterator[Setup]:
    """Gives for each row, in order, what places its arguments."""
    plan = scalar_plan(callee.signature)
    parameters = callee.signature.parameters
    order = [list(domains).index(_parameter_key(p.name, n)) for n, p in enumerate(parameters)]
    if plan is not None and are_numbers(callee.signature, domains):
        yield from _scalar_rows(stage, callee, plan, domains, order)
        return
    for values in _combinations(tuple(domains.values())):
        row = [values[place] for place in order]

        def setup(row: list[object] = row) -> tuple[int, set[int]]:
            placement = place_call(stage, callee, row)
            return placement.stack_pointer, apply_placement(stage, placement)

        yield setup


def _scalar_rows(
    stage: Stage,
    callee: Callee,
    plan: list[tuple[str, list[tuple[int, int]]]],
    domains: Mapping[str, Sequence[object]],
    order: list[int],
) -> Iterator[Setup]:
    """The rows of a function whose arguments all go into registers: no Python object a row but the values."""
    chip = stage.chip
    data = chip.data
    parameter_at = {place: number for number, place in enumerate(order)}
    placed = {register for _, pieces in plan for register, _ in pieces} | {1}
    pieces = [plan[parameter_at[place]][1] for place in range(len(domains))]
    checked = [callee.signature.parameters[parameter_at[place]] for place in range(len(domains))]
    encoded: list[dict[object, list[tuple[int, int]]]] = [{} for _ in domains]
    values_now: list[tuple[object, ...]] = [()]

    def setup() -> tuple[int, set[int]]:
        data[1] = 0
        for place, value in enumerate(values_now[0]):
            key = (type(value), value)
            bytes_of = encoded[place].get(key)
            if bytes_of is None:
                bits = scalar_bits(checked[place], value)
                bytes_of = [(register, bits >> 8 * byte & 0xFF) for register, byte in pieces[place]]
                if len(encoded[place]) < 1 << 16:
                    encoded[place][key] = bytes_of
            for register, byte in bytes_of:
                data[register] = byte
        return chip.stack_pointer, placed

    for values in _combinations(tuple(domains.values())):
        values_now[0] = values
        yield setup


def _combinations(domains: tuple[Sequence[object], ...]) -> Iterator[tuple[object, ...]]:
    """Like itertools.product, which would first copy every domain, however large."""
    if not domains:
        yield ()
        return
    for head in domains[0]:
        for tail in _combinations(domains[1:]):
            yield (head, *tail)


_ARRAY_CODES = dict(
    zip(
        ("bool", "int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"),
        "BbBhHiIqQfd",
        strict=True,
    )
)
"""The type code of Python's `array` for each of numpy's types."""


def _parameter_key(name: str, number: int) -> str:
    return name or f"argument {number + 1}"


def _read_result(stage: Stage, callee: Callee) -> Value:
    data = stage.chip.data
    place = result_place(callee.signature)
    return place.read(data.__getitem__, lambda address, size: bytes(data[address : address + size]))


def _input(domains: Mapping[str, Sequence[object]], names: tuple[str, ...], index: int) -> dict[str, object]:
    found: dict[str, object] = {}
    for name in reversed(names):
        index, place = divmod(index, len(domains[name]))
        found[name] = domains[name][place]
    return {name: found[name] for name in names}


def _with_input(error: RunawayError | FaultError, arguments: Mapping[str, object]) -> RunawayError | FaultError:
    text = ", ".join(f"{name} = {value}" for name, value in arguments.items())
    if isinstance(error, RunawayError):
        return RunawayError(f"{error}; with {text}" if text else str(error), place=error.place, cycle=error.cycle)
    return type(error)(
        f"{error}; with {text}" if text else str(error), address=error.address, cycle=error.cycle, place=error.place
    )


def _too_large(name: str, count: int, seconds: float) -> str:
    return (
        f"{name} over {count:,} inputs would take about {duration_text(seconds)}; "
        "give a smaller domain, such as a range with a step (0..65535:64)"
    )


def duration_text(seconds: float) -> str:
    """Writes a length of time in the unit that suits it."""
    for unit, length in (("years", 31_557_600), ("days", 86_400), ("hours", 3_600), ("minutes", 60)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds:.0f} seconds"


def _array_type(returns: Type) -> str:
    match returns:
        case FloatType(size_bytes=size):
            return f"float{8 * size}"
        case IntegerType(is_bool=True):
            return "bool"
        case IntegerType(size_bytes=size, signed=signed) | EnumType(size_bytes=size, signed=signed):
            wide = next(n for n in (1, 2, 4, 8) if size <= n)
            return f"{'int' if signed else 'uint'}{8 * wide}"
        case PointerType():
            return "uint32" if returns.size_bytes > 2 else "uint16"
        case StructType():
            return "bytes"
        case _:
            return "object"
