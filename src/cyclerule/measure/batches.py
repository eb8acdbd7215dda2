"""Rows of a sweep in batches of compiled code, for functions whose arguments and result are all in registers."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from cyclerule.firmware.convention import result_place, scalar_bits, scalar_plan
from cyclerule.firmware.types import IntegerType, Parameter, PointerType
from cyclerule.measure.call import PROBE_AFTER, Callee, run_to_return
from cyclerule.measure.domains import are_numbers, parameter_key
from cyclerule.measure.rows import Varied
from cyclerule.measure.settings import Setting, VariableSetting
from cyclerule.measure.stage import SCALAR, Stage, StartingState

if TYPE_CHECKING:
    import numpy as np

    from cyclerule.engines.llvm.rows import Batch

    Array = np.ndarray[Any, Any]

SMALLEST_COMPUTED = 1 << 12
"""Ranges longer than this are computed row by row instead of being listed first."""


def takes_batches(callee: Callee, domains: Mapping[str, Sequence[object]]) -> bool:
    """Tells whether a function's arguments and result are numbers in registers; `domains` are the parameters'."""
    signature = callee.signature
    in_registers = scalar_plan(signature) is not None and not result_place(signature).in_memory
    return in_registers and are_numbers(signature, domains)


def are_columns(varied: Varied) -> bool:
    """Tells whether all that is set before each row are numbers in RAM, which compiled code can put there."""
    return all(isinstance(setting, VariableSetting) and setting.is_number for setting, _ in varied)


class Batches:
    """Runs rows from one starting state; the rows are numbered over all domains, the last varying fastest.

    Variables that are set in each row come before the parameters; `given` are addresses that the state itself has set.
    """

    def __init__(
        self,
        stage: Stage,
        state: StartingState,
        callee: Callee,
        domains: Mapping[str, Sequence[object]],
        limit: int,
        *,
        varied: Varied = (),
        given: Iterable[int] = (),
    ) -> None:
        from cyclerule.engines.llvm.rows import Entrance, Rows

        self._stage, self._state, self._callee, self._limit = stage, state, callee, limit
        plan = scalar_plan(callee.signature) or []
        keys = [parameter_key(parameter, n) for n, parameter in enumerate(callee.signature.parameters)]
        # How many rows one value lasts, and how many values there are.
        ordered = [*(domain for _, domain in varied), *domains.values()]
        lasts = [_product(len(domain) for domain in ordered[place + 1 :]) for place in range(len(ordered))]
        places = [len(varied) + list(domains).index(key) for key in keys]
        self._columns = [_variable_column(setting, domain) for setting, domain in varied] + [
            _parameter_column(parameter, domains[key])
            for key, parameter in zip(keys, callee.signature.parameters, strict=True)
        ]
        self._strides = [(lasts[place], len(ordered[place])) for place in (*range(len(varied)), *places)]
        stored = [[(address, n) for n, address in enumerate(setting.addresses)] for setting, _ in varied]
        stored += [pieces for _, pieces in plan]
        self._pieces = [[byte for _, byte in pieces] for pieces in stored]
        addresses = [address for pieces in stored for address, _ in pieces]
        stage.set_state(state)
        stage.begin(SCALAR)
        chip = stage.chip
        chip.interrupts.delivers = False
        entrance = Entrance(
            callee.word,
            stage.return_word,
            chip.stack_pointer,
            addresses,
            result_place(callee.signature).registers,
            frozenset(stage.ends_of_call),
            tuple(given),
        )
        # A row that takes longer is looked at for a loop that cannot end, as a call is.
        self._rows = Rows(stage.compiled, state.chip, entrance, min(limit, PROBE_AFTER), self._finish)
        self.results = result_place(callee.signature)
        # The row that Python has last had in hand, for messages.
        self.row = 0

    def run(self, first: int, count: int) -> "Batch":
        """Runs rows `first` to `first + count - 1`."""
        import numpy as np

        rows = np.arange(first, first + count, dtype=np.uint64)
        columns = []
        for column, (lasts, size), pieces in zip(self._columns, self._strides, self._pieces, strict=True):
            bits = column.bits(rows // np.uint64(lasts) % np.uint64(size))
            columns += [(bits >> np.uint64(8 * byte) & np.uint64(0xFF)).astype(np.uint8) for byte in pieces]
        arguments = np.stack(columns, axis=1) if columns else np.zeros((count, 0), np.uint8)
        return self._rows.run(arguments, first)

    def _finish(self, row: int) -> None:
        # The row goes on where compiled code left it; its cycles count from the state, as the stage's measurement does.
        self.row = row
        run_to_return(self._stage, self._callee, self.stack_pointer, self._limit, is_under_way=True)

    @property
    def stack_pointer(self) -> int:
        """The caller's stack pointer."""
        return self._rows.stack_pointer

    def first_reads(self, before: bytes) -> Mapping[int, int]:
        """Gives what any row so far has read before writing it, by data address."""
        return self._rows.first_reads(before)


def _parameter_column(parameter: Parameter, domain: Sequence[object]) -> "_Column":
    is_whole = isinstance(parameter.type, IntegerType | PointerType)
    return _Column(domain, lambda value: scalar_bits(parameter, value), is_whole=is_whole)


def _variable_column(setting: Setting, domain: Sequence[object]) -> "_Column":
    assert isinstance(setting, VariableSetting)  # noqa: S101 - `are_columns` holds
    return _Column(domain, setting.bits, is_whole=isinstance(setting.type, IntegerType))


class _Column:
    """The values of one parameter or variable as bits."""

    def __init__(self, domain: Sequence[object], bits_of: Callable[[object], int], *, is_whole: bool) -> None:
        import numpy as np

        self._start, self._step = 0, 0
        self._listed: Array | None = None
        if isinstance(domain, range) and is_whole and len(domain) > SMALLEST_COMPUTED:
            # Values between two that fit do fit.
            for end in (domain[0], domain[-1]):
                bits_of(end)
            self._start, self._step = domain[0] & (1 << 64) - 1, domain.step & (1 << 64) - 1
        else:
            self._listed = np.array([bits_of(value) for value in domain], np.uint64)

    def bits(self, places: "Array") -> "Array":
        """Gives the bits of the values at these places of the domain."""
        import numpy as np

        if self._listed is not None:
            return self._listed[places]
        with np.errstate(over="ignore"):
            return np.uint64(self._start) + places * np.uint64(self._step)


def _product(counts: Iterable[int]) -> int:
    total = 1
    for count in counts:
        total *= count
    return total
