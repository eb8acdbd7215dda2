"""The rows of a sweep one by one: what sets the state and places the arguments of each."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from cyclerule.firmware.convention import scalar_bits, scalar_plan
from cyclerule.measure.call import Callee, apply_placement, place_call
from cyclerule.measure.domains import are_numbers, parameter_key
from cyclerule.measure.settings import Setting, write_all
from cyclerule.measure.stage import Stage

Varied = Sequence[tuple[Setting, Sequence[object]]]
"""What is set before each row, with the values it takes; the last one varies fastest, and slower than any parameter."""

Setup = Callable[[], tuple[int, set[int]]]
"""Places one row's arguments; gives the caller's stack pointer and the data addresses that belong to the arguments."""


def set_ups(
    stage: Stage, callee: Callee, domains: Mapping[str, Sequence[object]], varied: Varied = ()
) -> Iterator[Setup]:
    """Gives for each row, in order, what sets its state and places its arguments; `domains` are the parameters'."""
    if not varied:
        yield from _argument_rows(stage, callee, domains)
        return
    settings = [setting for setting, _ in varied]
    given = set_addresses(settings)
    for values in combinations(tuple(domain for _, domain in varied)):
        pairs = list(zip(settings, values, strict=True))
        for place in _argument_rows(stage, callee, domains):

            def setup(pairs: list[tuple[Setting, object]] = pairs, place: Setup = place) -> tuple[int, set[int]]:
                write_all(stage, pairs)
                stack_pointer, placed = place()
                return stack_pointer, placed | given

            yield setup


def set_addresses(settings: Iterable[Setting]) -> set[int]:
    """Gives the data addresses whose whole content is set before each row."""
    return {address for setting in settings for address in setting.addresses}


def _argument_rows(stage: Stage, callee: Callee, domains: Mapping[str, Sequence[object]]) -> Iterator[Setup]:
    plan = scalar_plan(callee.signature)
    parameters = callee.signature.parameters
    order = [list(domains).index(parameter_key(p, n)) for n, p in enumerate(parameters)]
    if plan is not None and are_numbers(callee.signature, domains):
        yield from _scalar_rows(stage, callee, plan, domains, order)
        return
    for values in combinations(tuple(domains.values())):
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
            # By its text, because -0.0 equals 0.0.
            key = value if type(value) is int else (type(value), repr(value))
            bytes_of = encoded[place].get(key)
            if bytes_of is None:
                bits = scalar_bits(checked[place], value)
                bytes_of = [(register, bits >> 8 * byte & 0xFF) for register, byte in pieces[place]]
                if len(encoded[place]) < 1 << 16:
                    encoded[place][key] = bytes_of
            for register, byte in bytes_of:
                data[register] = byte
        return chip.stack_pointer, placed

    for values in combinations(tuple(domains.values())):
        values_now[0] = values
        yield setup


def combinations(domains: tuple[Sequence[object], ...]) -> Iterator[tuple[object, ...]]:
    """Gives every combination, like itertools.product, which would first copy every domain, however large."""
    if not domains:
        yield ()
        return
    for head in domains[0]:
        for tail in combinations(domains[1:]):
            yield (head, *tail)
