"""The view of a timed function: plain data that every face is made from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice

from cyclerule.firmware.arguments import Address, Flash, FunctionName, Out, Sized
from cyclerule.measure.domain_text import domain_text
from cyclerule.measure.results import Call, Held, Measured, Sweep, Warned

Plain = int | float | str | None | list["Plain"] | dict[str, "Plain"]
"""What a view holds: numbers and text, lists and dictionaries of them."""

SHOWN_BYTES = 8
"""The most bytes of a value that are written out for reading."""

LISTED_CALLS = 65_536
"""The most rows that a document lists."""


@dataclass(frozen=True)
class ExtremeView:
    """Cycles, and the first input that gives them."""

    cycles: int
    arguments: dict[str, Plain]


@dataclass(frozen=True)
class CallView:
    """One input and what it gave."""

    arguments: dict[str, Plain]
    cycles: int
    cycles_with_call: int
    returned: Plain
    instructions: int
    stack_bytes: int


@dataclass(frozen=True)
class HeldView:
    """Something that was read and is no argument; `shown` is the value as one reads it."""

    name: str
    value: Plain
    shown: str


@dataclass(frozen=True)
class BuildView:
    """What was measured."""

    compiler: str | None
    flags: list[str]
    image: str
    image_sha256: str


@dataclass(frozen=True)
class TimeView:
    """A function timed for one input or many.

    `covers` is "every input", "some inputs" or "one input". `histogram` has [cycles, how many inputs], upwards.
    `varied` are the parameters with more than one value.
    """

    function: str
    part: str
    clock_hz: int | None
    build: BuildView
    start: str
    engine: str
    held: list[HeldView]
    warnings: list[str]
    covers: str
    count: int
    minimum: ExtremeView
    median: ExtremeView
    maximum: ExtremeView
    mean_cycles: float
    call_cycles: int
    stack_bytes: int
    histogram: list[list[int]]
    domains: dict[str, str]
    varied: list[str]
    calls: list[CallView]
    notes: list[str] = field(default_factory=list)
    own_cycles: int | None = None
    buffers: dict[str, str] = field(default_factory=dict)


def plain(value: object) -> Plain:
    """Gives a value as plain data: bytes in hexadecimal, the special arguments as one types them."""
    match value:
        case None | str():
            return value
        case bytes() | bytearray() | memoryview():
            return bytes(value).hex()
        case Out(size_bytes=size):
            return f"out:{size}"
        case Flash(data=data):
            return f"flash:hex:{data.hex()}"
        case Address(name=name):
            return f"address:{name}"
        case FunctionName(name=name):
            return f"function:{name}"
        case Sized(value=number):
            return number
        case float():
            return float(value)
        case Mapping():
            return {str(name): plain(each) for name, each in value.items()}
        case int():
            return int(value)
        case Sequence():
            return [plain(each) for each in value]
        case _:
            return int(value) if hasattr(value, "__index__") else str(value)


def view_time(
    result: Call | Sweep, *, registers: frozenset[str] = frozenset(), covers: str = "some inputs"
) -> TimeView:
    """Makes the view of a call or a sweep."""
    return _view_call(result, registers) if isinstance(result, Call) else _view_sweep(result, registers, covers)


def _view_call(call: Call, registers: frozenset[str]) -> TimeView:
    arguments = {name: plain(value) for name, value in call.given.items()}
    extreme = ExtremeView(call.cycles, arguments)
    row = CallView(
        arguments, call.cycles, call.cycles_with_call, plain(call.returned), call.instructions, call.stack_bytes
    )
    return TimeView(
        **_measured(call.measured),
        held=_held(call.held, registers),
        warnings=_warnings(call.warnings),
        covers="one input",
        count=1,
        minimum=extreme,
        median=extreme,
        maximum=extreme,
        mean_cycles=float(call.cycles),
        call_cycles=call.cycles_with_call - call.cycles,
        stack_bytes=call.stack_bytes,
        histogram=[[call.cycles, 1]],
        domains={name: str(value) for name, value in arguments.items()},
        varied=[],
        calls=[row],
        own_cycles=call.own_cycles,
        buffers={name: data.hex() for name, data in call.arguments.items() if isinstance(name, str)},
    )


def _view_sweep(sweep: Sweep, registers: frozenset[str], covers: str) -> TimeView:
    calls = [
        CallView(
            {name: plain(value) for name, value in row.arguments.items()},
            row.cycles,
            row.cycles + sweep.call_cycles,
            plain(row.returned),
            row.instructions,
            row.stack_bytes,
        )
        for row in (islice(sweep.rows(), LISTED_CALLS) if sweep.row_cycles is not None else ())
    ]
    return TimeView(
        **_measured(sweep.measured),
        held=_held(sweep.held, registers),
        warnings=_warnings(sweep.warnings),
        covers=covers,
        count=sweep.count,
        minimum=_extreme(sweep.minimum.cycles, sweep.minimum.arguments),
        median=_median(sweep),
        maximum=_extreme(sweep.maximum.cycles, sweep.maximum.arguments),
        mean_cycles=sweep.mean,
        call_cycles=sweep.call_cycles,
        stack_bytes=sweep.stack_bytes,
        histogram=[[cycles, count] for cycles, count in sorted(sweep.histogram.items())],
        domains={name: domain_text(domain) for name, domain in sweep.domains.items()},
        varied=[name for name, domain in sweep.domains.items() if len(domain) > 1],
        calls=calls,
    )


def _measured(measured: Measured) -> dict[str, object]:
    return {
        "function": measured.function,
        "part": measured.part,
        "clock_hz": measured.clock,
        "build": BuildView(measured.compiler, list(measured.flags), measured.image, measured.image_sha256),
        "start": measured.start,
        "engine": measured.engine,
    }


def _held(held: Sequence[Held], registers: frozenset[str]) -> list[HeldView]:
    return [HeldView(name, plain(value), shown_held(name, value, registers)) for name, value in held]


def shown_held(name: str, value: int | bytes, registers: frozenset[str]) -> str:
    """Writes a held value as one reads it: registers in hexadecimal, long values shortened."""
    if isinstance(value, int):
        return f"0x{value:02x}" if name in registers else str(value)
    if len(value) <= SHOWN_BYTES:
        return value.hex(" ")
    return f"{value[:SHOWN_BYTES].hex(' ')} … ({len(value)} bytes)"


def _warnings(warnings: Sequence[Warned]) -> list[str]:
    return list(dict.fromkeys(str(each) for each in warnings))


def _extreme(cycles: int, arguments: Mapping[str, object]) -> ExtremeView:
    return ExtremeView(cycles, {name: plain(value) for name, value in arguments.items()})


def _median(sweep: Sweep) -> ExtremeView:
    """The lower median: a count of cycles that an input really has, and the first input that has it."""
    middle = (sweep.count - 1) // 2
    below = 0
    cycles = 0
    for cycles, count in sorted(sweep.histogram.items()):
        below += count
        if below > middle:
            break
    if sweep.row_cycles is None:
        return ExtremeView(cycles, {})
    index = next(n for n, each in enumerate(sweep.row_cycles) if each == cycles)
    return _extreme(cycles, sweep.arguments(index))
