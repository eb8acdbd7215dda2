"""The view of a run of the whole program: plain data that every face is made from."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cyclerule.firmware.image import Image
from cyclerule.measure.results import CallStats, PassStats, Run
from cyclerule.report.delays import DelayView, view_delays
from cyclerule.report.serial_text import readable
from cyclerule.report.timing import BuildView, WriteView
from cyclerule.session.running import Ran


@dataclass(frozen=True)
class StatsView:
    """What something took each time: how often it was, the least, most, mean and all of its cycles."""

    name: str
    count: int
    minimum: int
    maximum: int
    mean: float
    total: int


@dataclass(frozen=True)
class HandlerView(StatsView):
    """An interrupt handler by its vector; `share` is the part of all cycles that it took, from 0 to 1."""

    share: float


@dataclass(frozen=True)
class PassesView(StatsView):
    """The passes of `loop()`; `period` is the mean from the beginning of one to that of the next, None with one.

    Where there are very many the first ones are measured: then it is not complete.
    """

    period: float | None
    per_second: float | None
    is_complete: bool


@dataclass(frozen=True)
class CallRowView:
    """One call that was followed; `caller` is the calling function."""

    start_cycle: int
    cycles: int
    caller: str


@dataclass(frozen=True)
class CallsView(StatsView):
    """The calls of one function, by its link symbol, one by one in `rows`."""

    symbol: str
    rows: list[CallRowView]


@dataclass(frozen=True)
class ResetView:
    """A reset inside a run: its cycle, and the flag of its cause (WDRF, EXTRF)."""

    cycle: int
    cause: str


@dataclass(frozen=True)
class SerialView:
    """What one serial port sent: as text that is safe to read, and as bytes in hexadecimal."""

    number: int
    text: str
    hex: str


@dataclass(frozen=True)
class RunView:
    """A whole program from reset to where it stopped.

    `program` names it in a few words. `stopped` is as in `Run`; `reason` says why it could not go on, `place` where it
    was; `resets` are those inside the run. `serial_text` and `serial_hex` are what the first serial port sent,
    `other_serial` what the others did. `until` is the end that was asked for, `is_met` whether the run came there,
    `limit` the cycle at which it was to end in any case. `reached` has the cycles at which `main`, `setup` and `loop`
    were first entered.
    """

    program: str
    part: str
    clock_hz: int | None
    build: BuildView
    engine: str
    cycles: int
    instructions: int
    stopped: str
    place: str
    reason: str
    until: str | None
    is_met: bool
    limit: int | None
    reached: dict[str, int]
    setup: StatsView | None
    loop: PassesView | None
    asleep_cycles: int
    delays: list[DelayView]
    handlers: list[HandlerView]
    calls: list[CallsView]
    writes: dict[str, list[WriteView]]
    serial_text: str
    serial_hex: str
    resets: list[ResetView] = field(default_factory=list)
    other_serial: list[SerialView] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    build_warnings: list[str] = field(default_factory=list)

    @property
    def asleep_share(self) -> float:
        """The part of all cycles in sleep, from 0 to 1."""
        return self.asleep_cycles / self.cycles if self.cycles else 0.0


def view_run(ran: Ran) -> RunView:
    """Makes the view of a run."""
    run, firmware, measured = ran.run, ran.program.firmware, ran.run.measured
    return RunView(
        program=_program_name([str(file) for file in ran.program.files], firmware.image),
        part=measured.part,
        clock_hz=measured.clock,
        build=BuildView(measured.compiler, list(measured.flags), measured.image, measured.image_sha256),
        engine=measured.engine,
        cycles=run.cycles,
        instructions=run.instructions,
        stopped=run.stopped,
        place=run.place,
        reason=run.fault or run.reason,
        until=ran.until,
        is_met=ran.is_met,
        limit=ran.length,
        reached=dict(run.reached),
        setup=None if run.setup is None else _stats("setup()", run.setup),
        loop=None if run.loop is None else _passes(run.loop, measured.clock),
        asleep_cycles=run.asleep_cycles,
        delays=view_delays(run.delays, measured.clock),
        handlers=_handlers(run),
        calls=[_calls(firmware.image, symbol, stats) for symbol, stats in run.calls.items()],
        writes={
            register: [WriteView(each.cycle, each.register, each.value) for each in writes]
            for register, writes in run.watched.items()
        },
        serial_text=readable(run.serial),
        serial_hex=run.serial.hex(),
        resets=[ResetView(each.cycle, each.cause) for each in run.resets],
        other_serial=_other_serial(run),
        notes=list(run.notes),
        warnings=list(dict.fromkeys(str(each) for each in run.warnings)),
        build_warnings=list(firmware.warnings),
    )


def _other_serial(run: Run) -> list[SerialView]:
    """Gives what the serial ports after the first one sent, where they sent anything."""
    others = sorted(run.serial_ports.items())[1:]
    return [SerialView(number, readable(sent), sent.hex()) for number, sent in others if sent]


def _program_name(files: Sequence[str], image: Image) -> str:
    """Names a program by its file; one of several files by that with `main`, and how many there are besides."""
    if len(files) == 1:
        return files[0]
    main = image.functions.get("main")
    named = next((file for file in files if main is not None and main.file == Path(file).as_posix()), files[0])
    return f"{named} and {len(files) - 1} more"


def _stats(name: str, stats: PassStats) -> StatsView:
    return StatsView(name, stats.count, stats.minimum, stats.maximum, stats.mean, stats.total)


def _passes(stats: PassStats, clock: int | None) -> PassesView:
    period = stats.period
    per_second = None if period is None or clock is None else clock / period
    return PassesView(
        "loop()",
        stats.count,
        stats.minimum,
        stats.maximum,
        stats.mean,
        stats.total,
        period,
        per_second,
        stats.is_complete,
    )


def _handlers(run: Run) -> list[HandlerView]:
    return [
        HandlerView(
            vector,
            each.count,
            each.minimum,
            each.maximum,
            each.total / each.count,
            each.total,
            each.total / run.cycles,
        )
        for vector, each in run.handlers.items()
    ]


def _calls(image: Image, symbol: str, stats: CallStats) -> CallsView:
    function = image.functions.get(symbol)
    return CallsView(
        symbol if function is None else function.source_name,
        stats.count,
        stats.minimum,
        stats.maximum,
        stats.mean,
        stats.total,
        symbol,
        [CallRowView(*row) for row in stats.rows],
    )
