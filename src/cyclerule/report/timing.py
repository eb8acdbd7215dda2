"""The view of a timed function: plain data that every face is made from."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from typing import TYPE_CHECKING, Any, Literal, overload

from cyclerule.firmware.arguments import Address, Flash, FunctionName, Out, Sized
from cyclerule.firmware.reading import pointed_text
from cyclerule.firmware.reading import value_text as written
from cyclerule.firmware.standing import Kind as Standing
from cyclerule.firmware.types import FunctionType, PointerType
from cyclerule.firmware.values import decayed
from cyclerule.machine.bus import IoWrite
from cyclerule.measure.domain_text import domain_text, value_text
from cyclerule.measure.results import Call, Held, Measured, Row, Sweep, Warned
from cyclerule.report.delays import DelayView, view_delays
from cyclerule.session.opening import handled_vector
from cyclerule.session.timing import Timed

if TYPE_CHECKING:
    from cyclerule.report.lines import LinesView

Plain = int | float | str | None | list[Any] | dict[str, Any]
"""What a view holds: numbers and text, lists and dictionaries of them."""

Covers = Literal["every input", "some inputs", "one input"]

SHOWN_BYTES = 8
"""The most bytes of a held value that are written out for reading."""


@dataclass(frozen=True)
class InputView:
    """Cycles, and the first input that gives them; `shown` has each value as one types it."""

    cycles: int
    arguments: dict[str, Plain]
    shown: dict[str, str]


@dataclass(frozen=True)
class CallView(InputView):
    """One input and all that it gave."""

    cycles_with_call: int
    returned: Plain
    instructions: int
    stack_bytes: int


@dataclass(frozen=True)
class HeldView:
    """Something that was read and is no argument; `shown` is its value as one reads it."""

    name: str
    value: Plain
    shown: str


@dataclass(frozen=True)
class WriteView:
    """A write to an I/O register; `cycle` counts from the call's first instruction to the end of the writing one."""

    cycle: int
    register: str
    value: int


@dataclass(frozen=True)
class BuildView:
    """What was built, by what."""

    compiler: str | None
    flags: list[str]
    image: str
    image_sha256: str


@dataclass(frozen=True)
class TimeView:
    """A function timed for one input or many.

    A handler has no call. `set_first` is what was given one value before each call; `held` is what was read besides.
    `median` is the lower one, a count that an input has. `histogram` has [cycles, how many inputs], upwards. `varied`
    are the parameters, and what was set, with more than one value. `calls` has every row that was kept. `buffers` are
    in hexadecimal as they are after a single call, and `read` says by their types what they and a structure that was
    returned hold. `change` says how the cycles differ from the last time, and is in no document. `notes` are remarks
    on what was measured, `warnings` what the figures rest on and the model lacks, `build_warnings` the compiler's.
    `standing` is what became of the function in the program's own build, `in_place` its passes there where it is
    inlined or cloned.
    """

    function: str
    part: str
    clock_hz: int | None
    build: BuildView
    start: str
    engine: str
    is_handler: bool
    set_first: list[HeldView]
    held: list[HeldView]
    covers: Covers
    count: int
    minimum: InputView
    median: InputView
    maximum: InputView
    mean_cycles: float
    call_cycles: int
    stack_bytes: int
    histogram: list[list[int]]
    domains: dict[str, str]
    varied: list[str]
    calls: Sequence[CallView]
    handler_cycles: int = 0
    buffers: dict[str, str] = field(default_factory=dict)
    read: dict[str, str] = field(default_factory=dict)
    change: str = ""
    writes: list[WriteView] = field(default_factory=list)
    delays: list[DelayView] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    build_warnings: list[str] = field(default_factory=list)
    standing: Standing = "as built"
    in_place: "LinesView | None" = None


class KeptRows(Sequence[CallView]):
    """The rows of a sweep as views, each made when it is asked for: there may be many, and few faces show them all."""

    def __init__(self, sweep: Sweep) -> None:
        self._sweep = sweep

    def __len__(self) -> int:
        return 0 if self._sweep.row_cycles is None else self._sweep.count

    @overload
    def __getitem__(self, index: int) -> CallView: ...
    @overload
    def __getitem__(self, index: slice) -> list[CallView]: ...
    def __getitem__(self, index: int | slice) -> CallView | list[CallView]:
        if isinstance(index, slice):
            return [self._row(self._sweep.row(n)) for n in range(*index.indices(len(self)))]
        return self._row(self._sweep.row(range(len(self))[index]))

    def __iter__(self) -> Iterator[CallView]:
        return (self[index] for index in range(len(self)))

    def _row(self, row: Row) -> CallView:
        return CallView(
            cycles=row.cycles,
            arguments={name: plain(value) for name, value in row.arguments.items()},
            shown=_shown(row.arguments),
            cycles_with_call=row.cycles + self._sweep.call_cycles,
            returned=plain(row.returned),
            instructions=row.instructions,
            stack_bytes=row.stack_bytes,
        )


def plain(value: object) -> Plain:
    """Gives a value as plain data: bytes in hexadecimal, the special arguments as one types them."""
    match value:
        case None | str():
            return value
        case bytes() | bytearray() | memoryview():
            return bytes(value).hex()
        case Out() | Flash() | Address() | FunctionName():
            return value_text(value)
        case Sized(value=number):
            return number
        case float():
            return float(value)
        case int():
            return int(value)
        case Mapping():
            return {str(name): plain(each) for name, each in value.items()}
        case Sequence():
            return [plain(each) for each in value]
        case _:
            return str(value)


def view_timed(timed: Timed, in_place: "LinesView | None" = None) -> TimeView:
    """Makes the view of a function that was timed as it was asked for, with its passes in the program's own run."""
    firmware = timed.target.firmware
    signature = firmware.find_function(timed.target.name).signature
    read = {} if signature is None or isinstance(timed.result, Sweep) else _read(timed.result, signature)
    view = view_time(
        timed.result,
        registers=frozenset(firmware.part.registers),
        covers_every_input=timed.covers_every_input,
        is_handler=handled_vector(firmware, timed.target.function) is not None,
        notes=timed.target.notes,
        build_warnings=firmware.warnings,
        read=read,
    )
    view = replace(view, standing=timed.target.standing.kind)
    if in_place is None:
        return view
    notes = [*view.notes, *(f"in place: {note}" for note in in_place.notes)]
    warnings = list(dict.fromkeys([*view.warnings, *in_place.warnings]))
    return replace(view, notes=notes, warnings=warnings, in_place=in_place)


def _read(call: Call, signature: FunctionType) -> dict[str, str]:
    """Says what buffers and a returned structure hold, where their types tell more than their bytes."""
    pointers = {parameter.name: decayed(parameter.type) for parameter in signature.parameters}
    texts = {
        name: pointed_text(kind.target, call.arguments[name])
        for name, kind in pointers.items()
        if isinstance(kind, PointerType) and name in call.arguments
    }
    if isinstance(call.returned, bytes):
        texts["return"] = written(signature.returns, call.returned)
    return {name: text for name, text in texts.items() if text is not None}


def view_time(
    result: Call | Sweep,
    *,
    registers: frozenset[str] = frozenset(),
    covers_every_input: bool = False,
    is_handler: bool = False,
    notes: Sequence[str] = (),
    build_warnings: Sequence[str] = (),
    read: Mapping[str, str] | None = None,
) -> TimeView:
    """Makes the view of a call or a sweep; held values with the name of a register are shown as registers are."""
    remarks: dict[str, Any] = {"is_handler": is_handler, "notes": list(notes), "build_warnings": list(build_warnings)}
    if isinstance(result, Call):
        return _view_call(result, registers, {**remarks, "read": dict(read or {})})
    return _view_sweep(result, registers, remarks, "every input" if covers_every_input else "some inputs")


def _view_call(call: Call, registers: frozenset[str], remarks: dict[str, Any]) -> TimeView:
    row = CallView(
        cycles=call.cycles,
        arguments={name: plain(value) for name, value in call.given.items()},
        shown=_shown(call.given),
        cycles_with_call=call.cycles_with_call,
        returned=plain(call.returned),
        instructions=call.instructions,
        stack_bytes=call.stack_bytes,
    )
    return TimeView(
        **_measured(call.measured),
        set_first=set_views(call.settings, registers),
        held=held_views(call.held, call.settings, registers),
        covers="one input",
        count=1,
        minimum=row,
        median=row,
        maximum=row,
        mean_cycles=float(call.cycles),
        call_cycles=call.cycles_with_call - call.cycles,
        stack_bytes=call.stack_bytes,
        histogram=[[call.cycles, 1]],
        domains=dict(row.shown),
        varied=[],
        calls=[row],
        handler_cycles=call.cycles - call.own_cycles,
        buffers={name: data.hex() for name, data in call.arguments.items() if isinstance(name, str)},
        writes=_writes(call.io),
        delays=view_delays(call.delays, call.measured.clock),
        warnings=_warnings(call.warnings),
        **remarks,
    )


def _view_sweep(sweep: Sweep, registers: frozenset[str], remarks: dict[str, Any], covers: Covers) -> TimeView:
    return TimeView(
        **_measured(sweep.measured),
        set_first=set_views(sweep.settings, registers),
        held=held_views(sweep.held, sweep.settings, registers),
        covers="one input" if sweep.count == 1 else covers,
        count=sweep.count,
        minimum=_input(sweep.minimum.cycles, sweep.minimum.arguments),
        median=_median(sweep),
        maximum=_input(sweep.maximum.cycles, sweep.maximum.arguments),
        mean_cycles=sweep.mean,
        call_cycles=sweep.call_cycles,
        stack_bytes=sweep.stack_bytes,
        histogram=[[cycles, count] for cycles, count in sorted(sweep.histogram.items())],
        domains={name: domain_text(domain) for name, domain in sweep.domains.items()},
        varied=[name for name, domain in sweep.domains.items() if len(domain) > 1],
        calls=KeptRows(sweep),
        warnings=_warnings(sweep.warnings),
        **remarks,
    )


def _measured(measured: Measured) -> dict[str, Any]:
    return {
        "function": measured.function,
        "part": measured.part,
        "clock_hz": measured.clock,
        "build": BuildView(measured.compiler, list(measured.flags), measured.image, measured.image_sha256),
        "start": measured.start,
        "engine": measured.engine,
    }


def _input(cycles: int, arguments: Mapping[str, object]) -> InputView:
    return InputView(cycles, {name: plain(value) for name, value in arguments.items()}, _shown(arguments))


def _shown(arguments: Mapping[str, object]) -> dict[str, str]:
    return {name: value_text(value) for name, value in arguments.items()}


def _median(sweep: Sweep) -> InputView:
    middle = (sweep.count - 1) // 2
    counts = sorted(sweep.histogram.items())
    up_to = accumulate(count for _, count in counts)
    cycles = next(cycles for (cycles, _), below in zip(counts, up_to, strict=True) if below > middle)
    if sweep.row_cycles is None:
        return InputView(cycles, {}, {})
    first = next(index for index, each in enumerate(sweep.row_cycles) if each == cycles)
    return _input(cycles, sweep.arguments(first))


def held_views(held: Sequence[Held], settings: Mapping[str, object], registers: frozenset[str]) -> list[HeldView]:
    """Makes the views of held values; those with the name of a register are shown as registers are.

    What was given a value is told as such, whether it was read or not.
    """
    return [
        HeldView(name, plain(value), _shown_held(value, is_register=name in registers))
        for name, value in held
        if name not in settings
    ]


def set_views(settings: Mapping[str, object], registers: frozenset[str]) -> list[HeldView]:
    """Makes the views of what was given one value first."""
    return [
        HeldView(
            name,
            plain(value),
            _shown_held(value, is_register=True) if name in registers and isinstance(value, int) else value_text(value),
        )
        for name, value in settings.items()
    ]


def _shown_held(value: int | bytes, *, is_register: bool) -> str:
    if isinstance(value, int):
        return f"0x{value:02x}" if is_register else str(value)
    if len(value) <= SHOWN_BYTES:
        return value.hex(" ")
    return f"{value[:SHOWN_BYTES].hex(' ')} … ({len(value)} bytes)"


def _writes(writes: Sequence[IoWrite]) -> list[WriteView]:
    return [WriteView(each.cycle, each.register, each.value) for each in writes]


def _warnings(warnings: Sequence[Warned]) -> list[str]:
    return list(dict.fromkeys(str(each) for each in warnings))
