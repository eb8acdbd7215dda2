"""What the rows of a sweep add up to."""

from array import array
from collections import Counter
from typing import TYPE_CHECKING, Any

from cyclerule.firmware.convention import ResultPlace
from cyclerule.firmware.types import EnumType, FloatType, IntegerType, PointerType, StructType, Type, VoidType
from cyclerule.firmware.values import value_of
from cyclerule.measure.results import Value

if TYPE_CHECKING:
    from cyclerule.engines.llvm.rows import Batch

MOST_ROWS = 1 << 26
"""Rows that are kept take up to 26 bytes each; a sweep over more is kept as a summary."""

_ARRAY_CODES = dict(
    zip(
        ("bool", "int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"),
        "BbBhHiIqQfd",
        strict=True,
    )
)
"""The type code of Python's `array` for each of numpy's types."""


class Tally:
    """What the rows of a sweep add up to, and the rows themselves when they are kept."""

    def __init__(self, returns: Type, *, keeps_rows: bool) -> None:
        self.array_type = array_type(returns)
        self.keeps_rows, self.keeps_results = keeps_rows, keeps_rows and self.array_type is not None
        self.count = self.total = self.deepest = 0
        self.least = self.most = 0
        self.first_least = self.first_most = 0
        self.histogram: Counter[int] = Counter()
        self.cycles, self.instructions, self.stacks = array("Q"), array("Q"), array("H")
        code = _ARRAY_CODES.get(self.array_type or "")
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


def array_type(returns: Type) -> str | None:
    """Names numpy's type for a result: "bytes" for structures, None for void."""
    match returns:
        case VoidType():
            return None
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
