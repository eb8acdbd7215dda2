"""Rows of a sweep in batches of compiled code, for functions whose arguments and result are all in registers."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from cyclerule.firmware.convention import result_place, scalar_bits, scalar_plan
from cyclerule.firmware.types import FloatType, IntegerType, Parameter, PointerType
from cyclerule.measure.call import PROBE_AFTER, Callee, run_to_return
from cyclerule.measure.domains import are_numbers, parameter_key
from cyclerule.measure.stage import SCALAR, Stage, StartingState

if TYPE_CHECKING:
    import numpy as np

    from cyclerule.engines.llvm.rows import Batch

    Array = np.ndarray[Any, Any]

SMALLEST_COMPUTED = 1 << 12
"""Ranges longer than this are computed row by row instead of being listed first."""


def takes_batches(callee: Callee, domains: Mapping[str, Sequence[object]]) -> bool:
    """Tells whether a function's arguments and result are numbers in registers."""
    signature = callee.signature
    in_registers = scalar_plan(signature) is not None and not result_place(signature).in_memory
    return in_registers and are_numbers(signature, domains)


class Batches:
    """Runs rows from one starting state; the rows are numbered over all domains, the last varying fastest."""

    def __init__(
        self, stage: Stage, state: StartingState, callee: Callee, domains: Mapping[str, Sequence[object]], limit: int
    ) -> None:
        from cyclerule.engines.llvm.rows import Entrance, Rows

        self._stage, self._state, self._callee, self._limit = stage, state, callee, limit
        plan = scalar_plan(callee.signature) or []
        names = [parameter_key(parameter, n) for n, parameter in enumerate(callee.signature.parameters)]
        self._columns = [
            _Column(domains[name], parameter)
            for name, parameter in zip(names, callee.signature.parameters, strict=True)
        ]
        # How many rows one value of a parameter lasts, and how many values it has.
        ordered = list(domains)
        lasts = {name: _product(len(domains[n]) for n in ordered[ordered.index(name) + 1 :]) for name in ordered}
        self._strides = [(lasts[name], len(domains[name])) for name in names]
        self._pieces = [[byte for _, byte in pieces] for _, pieces in plan]
        registers = [register for _, pieces in plan for register, _ in pieces]
        stage.set_state(state)
        stage.begin(SCALAR)
        chip = stage.chip
        chip.interrupts.delivers = False
        entrance = Entrance(
            callee.word,
            stage.return_word,
            chip.stack_pointer,
            registers,
            result_place(callee.signature).registers,
            frozenset(stage.ends_of_call),
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


class _Column:
    """The values of one parameter as bits."""

    def __init__(self, domain: Sequence[object], parameter: Parameter) -> None:
        import numpy as np

        self._start, self._step = 0, 0
        self._listed: Array | None = None
        is_whole = isinstance(parameter.type, IntegerType | PointerType) and not isinstance(parameter.type, FloatType)
        if isinstance(domain, range) and is_whole and len(domain) > SMALLEST_COMPUTED:
            # Values between two that fit do fit.
            for end in (domain[0], domain[-1]):
                scalar_bits(parameter, end)
            self._start, self._step = domain[0] & (1 << 64) - 1, domain.step & (1 << 64) - 1
        else:
            self._listed = np.array([scalar_bits(parameter, value) for value in domain], np.uint64)

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
