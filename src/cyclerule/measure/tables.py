"""A sweep in a file: CSV, JSON or Parquet, one row an input, written whole or not at all."""

import csv
import io
import math
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cyclerule.cache import write_atomically
from cyclerule.errors import ArgumentError
from cyclerule.measure.domain_text import value_text
from cyclerule.units import microseconds_text

if TYPE_CHECKING:
    from cyclerule.measure.results import Extreme, Sweep

FIGURES = ("cycles", "cycles_with_call", "microseconds", "returned", "instructions", "stack_bytes")
"""The columns after the parameters': microseconds only with a clock, returned only where something is."""


def write_csv(sweep: "Sweep", path: Path | str) -> None:
    """Writes the rows as RFC 4180 has it, UTF-8, a header first; structures in hexadecimal."""
    columns = _columns(sweep)
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows(zip(*(map(_text, column) for column in columns.values()), strict=True))
    _write(path, text.getvalue().encode("utf-8"))


def write_json(sweep: "Sweep", path: Path | str) -> None:
    """Writes the whole result as one document, schema "cyclerule/sweep/1"; `rows` is null where none were kept."""
    import msgspec

    measured = sweep.measured
    document = {
        "schema": "cyclerule/sweep/1",
        "function": measured.function,
        "part": measured.part,
        "clock_hz": measured.clock,
        "build": {
            "compiler": measured.compiler,
            "flags": list(measured.flags),
            "image": measured.image,
            "image_sha256": measured.image_sha256,
        },
        "start": measured.start,
        "engine": measured.engine,
        "held": [{"name": name, "value": _plain(value)} for name, value in sweep.held],
        "warnings": [str(each) for each in sweep.warnings],
        "count": sweep.count,
        "minimum": _extreme(sweep.minimum),
        "maximum": _extreme(sweep.maximum),
        "mean_cycles": sweep.mean,
        "histogram": [[cycles, count] for cycles, count in sweep.histogram.items()],
        "rows": None if sweep.row_cycles is None else _json_rows(sweep),
    }
    _write(path, msgspec.json.format(msgspec.json.encode(document), indent=1))


def write_parquet(sweep: "Sweep", path: Path | str) -> None:
    """Writes the rows as a Parquet table with the columns of the CSV file; needs polars, the `tables` extra."""
    columns = _columns(sweep)
    try:
        polars = import_module("polars")
    except ModuleNotFoundError:
        raise ArgumentError(
            "to_parquet needs polars, which is not installed; pip install 'cyclerule[tables]'"
        ) from None
    data = io.BytesIO()
    polars.DataFrame({name: [_plain(value) for value in column] for name, column in columns.items()}).write_parquet(
        data
    )
    _write(path, data.getvalue())


def _columns(sweep: "Sweep") -> dict[str, Sequence[object]]:
    if sweep.row_cycles is None or sweep.row_instructions is None or sweep.row_stack_bytes is None:
        raise ArgumentError('there are no rows to write: they were not kept; sweep with keep="rows"')
    columns: dict[str, Sequence[object]] = {
        f"{name} (argument)" if name in FIGURES else name: values for name, values in _arguments(sweep).items()
    }
    columns["cycles"] = sweep.row_cycles
    columns["cycles_with_call"] = [cycles + sweep.call_cycles for cycles in sweep.row_cycles]
    clock = sweep.measured.clock
    if clock is not None:
        columns["microseconds"] = [float(microseconds_text(cycles, clock)) for cycles in sweep.row_cycles]
    if sweep.row_returned is not None:
        columns["returned"] = sweep.row_returned
    return columns | {"instructions": sweep.row_instructions, "stack_bytes": sweep.row_stack_bytes}


def _arguments(sweep: "Sweep") -> dict[str, Sequence[object]]:
    """Gives each parameter's value in every row: the last named varies fastest."""
    columns: dict[str, Sequence[object]] = {}
    outer, inner = 1, sweep.count
    for name in sweep.names:
        domain = sweep.domains[name]
        inner //= len(domain)
        columns[name] = [value for _ in range(outer) for value in domain for _ in range(inner)]
        outer *= len(domain)
    return columns


def _json_rows(sweep: "Sweep") -> list[dict[str, object]]:
    return [
        {
            "arguments": {name: _plain(value) for name, value in row.arguments.items()},
            "cycles": row.cycles,
            "cycles_with_call": row.cycles + sweep.call_cycles,
            "returned": _plain(row.returned),
            "instructions": row.instructions,
            "stack_bytes": row.stack_bytes,
        }
        for row in sweep.rows()
    ]


def _extreme(extreme: "Extreme") -> dict[str, object]:
    arguments = {name: _plain(value) for name, value in extreme.arguments.items()}
    return {"cycles": extreme.cycles, "arguments": arguments}


def _plain(value: object) -> Any:
    match value:
        case None | bool() | int():
            return value
        case float():
            # JSON has no word for infinities and for what is no number (RFC 8259 section 6): they go as text.
            return value if math.isfinite(value) else str(value)
        case bytes() | bytearray():
            return bytes(value).hex()
        case str():
            return value
        case dict():
            return {str(name): _plain(each) for name, each in value.items()}
        case list() | tuple():
            return [_plain(each) for each in value]
        case _:
            return value_text(value)


def _text(value: object) -> str:
    plain = _plain(value)
    return "" if plain is None else str(plain)


def _write(path: Path | str, data: bytes) -> None:
    try:
        write_atomically(Path(path), data)
    except OSError as error:
        raise ArgumentError(f"{path} cannot be written: {error.strerror or error}") from None
