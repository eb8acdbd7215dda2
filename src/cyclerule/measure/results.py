"""What measurements give: calls, sweeps and runs as plain values.

Cycles are CPU clock cycles from the first instruction of a function until control is back at its
caller with the stack pointer restored.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from cyclerule.machine.bus import IoWrite
from cyclerule.machine.chip import Reset
from cyclerule.machine.interrupts import HandlerRun
from cyclerule.measure.delay_stats import DelayStats
from cyclerule.measure.domains import input_at
from cyclerule.measure.pins import PinTrace
from cyclerule.measure.tables import write_csv, write_json, write_parquet
from cyclerule.units import Hertz

if TYPE_CHECKING:
    import numpy as np

Value = int | float | bytes | None
"""What a function returns: a number, the bytes of a structure, or None for void."""


@dataclass(frozen=True)
class Measured:
    """What was measured, so that others can check a figure.

    `image` is "as built", "kept copy" or "with marks"; `start` the starting state in words ("at the entry of main").
    """

    function: str
    part: str
    clock: Hertz | None
    compiler: str | None
    flags: tuple[str, ...]
    image: str
    image_sha256: str
    start: str
    engine: str


class Held(NamedTuple):
    """Something that a call read before writing it and that was no argument, with the value it had."""

    name: str
    value: int | bytes


class Warned(NamedTuple):
    """Something about the chip that the figure rests on and that the model lacks: where and what, in words."""

    place: str
    text: str

    def __str__(self) -> str:
        return f"{self.place}: warning: {self.text}"


@dataclass(frozen=True)
class Call:
    """One run of one function.

    `cycles` includes handlers that ran inside, `own_cycles` leaves them out, `cycles_with_call` adds the
    call instruction of the linked caller. `arguments` has the buffers as they are afterwards, by name and by
    position; `stack_bytes` is the deepest use, return address included. `settings` are the variables, registers and
    pins that were given a value first, `delays` those that were met inside.
    """

    measured: Measured
    given: Mapping[str, object]
    cycles: int
    own_cycles: int
    cycles_with_call: int
    instructions: int
    returned: Value
    arguments: Mapping[str | int, bytes]
    stack_bytes: int
    io: list[IoWrite]
    held: list[Held]
    handlers: list[HandlerRun]
    warnings: list[Warned]
    settings: Mapping[str, object] = field(default_factory=dict)
    delays: tuple[DelayStats, ...] = ()

    @property
    def seconds(self) -> float | None:
        """The time at the firmware's clock; None without a clock."""
        return None if self.measured.clock is None else self.cycles / self.measured.clock

    def __repr__(self) -> str:
        return f"<Call {self.measured.function}: {self.cycles} cycles, returned {self.returned!r}>"


class Extreme(NamedTuple):
    """The least or most cycles of a sweep, and the first input that gives it."""

    cycles: int
    arguments: Mapping[str, object]


class Row(NamedTuple):
    """One input of a sweep that kept its rows."""

    arguments: Mapping[str, object]
    cycles: int
    returned: Value
    instructions: int
    stack_bytes: int


@dataclass(frozen=True)
class Sweep:
    """One function over a whole input domain.

    Rows are in the order the parameters are named, the last varying fastest; what is set before each call and has
    several values comes before them. `settings` has what was set to one value. `cycles` and `returned`
    are arrays of shape (count,), structures of shape (count, bytes); None with keep="summary" (and
    `returned` for void). `call_cycles` is what the linked caller's call instruction adds.
    """

    measured: Measured
    names: tuple[str, ...]
    domains: Mapping[str, Sequence[object]]
    count: int
    minimum: Extreme
    maximum: Extreme
    total_cycles: int
    histogram: Mapping[int, int]
    held: list[Held]
    warnings: list[Warned]
    call_cycles: int
    stack_bytes: int
    row_cycles: Sequence[int] | None = field(repr=False)
    row_returned: Sequence[Value] | None = field(repr=False)
    row_instructions: Sequence[int] | None = field(repr=False)
    row_stack_bytes: Sequence[int] | None = field(repr=False)
    array_type: str | None = None
    settings: Mapping[str, object] = field(default_factory=dict)

    @property
    def mean(self) -> float:
        """The mean of the cycles over all inputs."""
        return self.total_cycles / self.count

    @property
    def cycles(self) -> "np.ndarray[Any, Any] | None":
        """The cycles of each row, uint64, shape (count,)."""
        if self.row_cycles is None:
            return None
        import numpy as np

        return np.array(self.row_cycles, dtype=np.uint64)

    @property
    def returned(self) -> "np.ndarray[Any, Any] | None":
        """What each row returned, shape (count,), or (count, bytes) of uint8 for structures."""
        if self.row_returned is None or self.array_type is None:
            return None
        import numpy as np

        if self.array_type == "bytes":
            return np.frombuffer(b"".join(self.row_returned), dtype=np.uint8).reshape(self.count, -1)  # type: ignore[arg-type]
        return np.array(self.row_returned, dtype=self.array_type)

    def row(self, index: int) -> Row:
        """Gives one row; IndexError past the last, ValueError when rows were not kept."""
        if self.row_cycles is None or self.row_instructions is None or self.row_stack_bytes is None:
            raise ValueError('the rows were not kept; sweep with keep="rows"')
        returned = None if self.row_returned is None else self.row_returned[index]
        return Row(
            self.arguments(index),
            self.row_cycles[index],
            returned,
            self.row_instructions[index],
            self.row_stack_bytes[index],
        )

    def rows(self) -> Iterator[Row]:
        """Gives the rows one after the other."""
        return (self.row(index) for index in range(self.count))

    def arguments(self, index: int) -> dict[str, object]:
        """Gives the input of a row by its number."""
        if not -self.count <= index < self.count:
            raise IndexError(index)
        return input_at(self.domains, index % self.count)

    def to_csv(self, path: Path | str) -> None:
        """Writes the rows to a CSV file: arguments, cycles, cycles_with_call, microseconds, returned and more.

        Raises ArgumentError when the rows were not kept or the file cannot be written.
        """
        write_csv(self, path)

    def to_json(self, path: Path | str) -> None:
        """Writes the result, with its rows where they were kept, to a JSON file."""
        write_json(self, path)

    def to_parquet(self, path: Path | str) -> None:
        """Writes the rows to a Parquet file with the columns of `to_csv`; needs the `tables` extra."""
        write_parquet(self, path)

    def __repr__(self) -> str:
        return (
            f"<Sweep {self.measured.function}: {self.count} inputs, "
            f"{self.minimum.cycles} to {self.maximum.cycles} cycles, mean {self.mean:.2f}>"
        )


class CallRow(NamedTuple):
    """One call seen during a run of the whole program; `caller` is the calling function's name, or the address."""

    start_cycle: int
    cycles: int
    caller: str


@dataclass(frozen=True)
class CallStats:
    """The calls of one function during a run, ordered by their start."""

    rows: tuple[CallRow, ...]

    @property
    def count(self) -> int:
        """How many calls came back before the run stopped."""
        return len(self.rows)

    @property
    def minimum(self) -> int:
        """The fewest cycles of a call; 0 when there was none."""
        return min((row.cycles for row in self.rows), default=0)

    @property
    def maximum(self) -> int:
        """The most cycles of a call; 0 when there was none."""
        return max((row.cycles for row in self.rows), default=0)

    @property
    def total(self) -> int:
        """The cycles of all calls together."""
        return sum(row.cycles for row in self.rows)

    @property
    def mean(self) -> float:
        """The mean cycles of a call; 0 when there was none."""
        return self.total / self.count if self.rows else 0.0


@dataclass(frozen=True)
class PassStats:
    """The calls of one function during a run, counted and summed up: `setup()`, or the passes of `loop()`.

    `count` are those that came back before the run stopped, `begun` those that began; `first_cycle` and `last_cycle`
    are when the first and the last one began. The first calls up to a number are measured; `is_complete` says that
    there were no more.
    """

    count: int
    minimum: int
    maximum: int
    total: int
    begun: int
    first_cycle: int
    last_cycle: int
    is_complete: bool = True

    @property
    def mean(self) -> float:
        """The mean cycles of a call; 0 when none came back."""
        return self.total / self.count if self.count else 0.0

    @property
    def period(self) -> float | None:
        """The mean cycles from the beginning of one call to that of the next; None with fewer than two."""
        return (self.last_cycle - self.first_cycle) / (self.begun - 1) if self.begun > 1 else None


@dataclass(frozen=True)
class HandlerStats:
    """The runs of one interrupt handler: cycles taken from the program, response and vector jump included."""

    count: int
    minimum: int
    maximum: int
    total: int


@dataclass(frozen=True)
class Run:
    """The whole program from reset to where it stopped.

    `stopped` is "until", "max_cycles", "halted" (asleep for ever, or a jump to itself with no event to come) or
    "fault"; `fault` has the fault's words, `place` where it stopped. `serial` are the bytes that the first serial
    port has sent. `handlers` are by vector name, `watched` by register name.

    `stopped` is "interrupted" when Ctrl-C ended it. `reason` says in words why a program that halted, or that was going
    round in a loop, cannot go on. `reached` has the cycles at which `main`, `setup` and `loop` were first entered;
    `setup` and `loop` are their calls where the program has such functions. `asleep_cycles` are those in sleep, the
    wake-up included. `delays` are those that were met, in that order. `notes` are remarks on what could not be told.
    `resets` are those inside the run, after the first. `serial_ports` has what each serial port has sent, by its
    number; 0 for one without a number.
    `trace` has the pins where they were recorded.
    """

    measured: Measured
    cycles: int
    instructions: int
    stopped: str
    place: str
    fault: str | None
    serial: bytes
    calls: Mapping[str, CallStats]
    watched: Mapping[str, list[IoWrite]]
    handlers: Mapping[str, HandlerStats]
    warnings: list[Warned]
    reason: str = ""
    reached: Mapping[str, int] = field(default_factory=dict)
    setup: PassStats | None = None
    loop: PassStats | None = None
    asleep_cycles: int = 0
    delays: tuple[DelayStats, ...] = ()
    notes: tuple[str, ...] = ()
    resets: tuple[Reset, ...] = ()
    serial_ports: Mapping[int, bytes] = field(default_factory=dict)
    trace: PinTrace | None = None
    replay: Callable[[], "Run"] | None = field(default=None, repr=False, compare=False)

    @cached_property
    def pins(self) -> PinTrace:
        """The changes of the pins; where they were not recorded, the program is run once more to the same cycle.

        A run is the same each time, so it then does what it did.
        """
        trace = self.trace
        if trace is None and self.replay is not None:
            trace = self.replay().trace
        return trace or PinTrace(self.measured.part, self.measured.clock, {}, self.cycles)

    @property
    def seconds(self) -> float | None:
        """The time at the firmware's clock; None without a clock."""
        return None if self.measured.clock is None else self.cycles / self.measured.clock

    def __repr__(self) -> str:
        return f"<Run: {self.cycles} cycles, stopped: {self.stopped}>"
