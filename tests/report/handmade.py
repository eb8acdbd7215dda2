"""Results made by hand, as measuring gives them: the figures are chosen, nothing is run."""

from array import array
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import product

from cyclerule.machine.bus import IoWrite
from cyclerule.measure.results import Call, Extreme, Held, Measured, Sweep, Value, Warned
from cyclerule.units import Hertz

MEASURED = Measured(
    function="forage",
    part="atmega328p",
    clock=Hertz(16_000_000),
    compiler="avr-gcc 5.4.0",
    flags=("-Os", "-funsigned-char"),
    image="as built",
    image_sha256="0123456789abcdef" * 4,
    start="at the entry of main",
    engine="reference",
)


def made_call(
    given: Mapping[str, object],
    cycles: int,
    *,
    returned: Value = None,
    call_cycles: int = 4,
    handler_cycles: int = 0,
    held: Sequence[Held] = (),
    warnings: Sequence[Warned] = (),
    buffers: Mapping[str | int, bytes] | None = None,
    writes: Sequence[IoWrite] = (),
    measured: Measured = MEASURED,
) -> Call:
    """Gives a call that took so many cycles."""
    return Call(
        measured=measured,
        given=given,
        cycles=cycles,
        own_cycles=cycles - handler_cycles,
        cycles_with_call=cycles + call_cycles,
        instructions=cycles - 3,
        returned=returned,
        arguments=buffers or {},
        stack_bytes=2,
        io=list(writes),
        held=list(held),
        handlers=[],
        warnings=list(warnings),
    )


def made_sweep(
    domains: Mapping[str, Sequence[object]],
    cycles_of: Callable[..., int],
    returned_of: Callable[..., Value] | None = None,
    *,
    keeps_rows: bool = True,
    call_cycles: int = 4,
    held: Sequence[Held] = (),
    warnings: Sequence[Warned] = (),
    measured: Measured = MEASURED,
) -> Sweep:
    """Gives a sweep in which each input took what a function of it says."""
    inputs = [dict(zip(domains, values, strict=True)) for values in product(*domains.values())]
    cycles = [cycles_of(**each) for each in inputs]
    returned = None if returned_of is None else [returned_of(**each) for each in inputs]
    first = {count: index for index, count in reversed(list(enumerate(cycles)))}
    least, most = min(cycles), max(cycles)
    return Sweep(
        measured=measured,
        names=tuple(domains),
        domains=dict(domains),
        count=len(inputs),
        minimum=Extreme(least, inputs[first[least]]),
        maximum=Extreme(most, inputs[first[most]]),
        total_cycles=sum(cycles),
        histogram=dict(sorted(Counter(cycles).items())),
        held=list(held),
        warnings=list(warnings),
        call_cycles=call_cycles,
        stack_bytes=7,
        row_cycles=array("Q", cycles) if keeps_rows else None,
        row_returned=returned if keeps_rows else None,
        row_instructions=array("Q", [each // 2 for each in cycles]) if keeps_rows else None,
        row_stack_bytes=array("H", [each % 8 for each in cycles]) if keeps_rows else None,
        array_type="uint16",
    )


def at_clock(hertz: int | None) -> Measured:
    """Gives what was measured with another clock."""
    return replace(MEASURED, clock=None if hertz is None else Hertz(hertz))


FORAGE = {"bees": range(3), "wind": [0, 7]}
"""A domain of six inputs."""


def forage_cycles(bees: int, wind: int) -> int:
    """Gives chosen cycles: 1,041 to 3,048, the most at (2, 7), the least at (0, 0)."""
    return 1041 + 1000 * bees + wind


def forage_result(bees: int, wind: int) -> int:
    """Gives a chosen result."""
    return 300 * bees + wind
