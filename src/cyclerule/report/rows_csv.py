"""Rows as CSV: RFC 4180, with a header line, lines ended by CR LF, in UTF-8."""

import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.measure.tables import FIGURES
from cyclerule.report.timing import CallView, Plain, TimeView
from cyclerule.units import Hertz, microseconds_text


def csv_lines(view: TimeView) -> Iterator[str]:
    """Gives the lines of a timed function, the header first, one a row; the same text as `Sweep.to_csv` writes."""
    is_void = all(call.returned is None for call in view.calls[:1])
    absent = {name for name, lacks in (("microseconds", view.clock_hz is None), ("returned", is_void)) if lacks}
    names = list(view.domains)
    figures = [name for name in FIGURES if name not in absent]
    yield csv_line([*(f"{name} (argument)" if name in FIGURES else name for name in names), *figures])
    for call in view.calls:
        written = {**_figures(call), "microseconds": _microseconds(view, call)}
        yield csv_line([*(_text(call.arguments[name]) for name in names), *(written[name] for name in figures)])


def write_csv(view: TimeView, path: Path) -> None:
    """Writes a timed function's rows to a file, whole or not at all; ArgumentError where it cannot be written."""
    write_lines(csv_lines(view), path)


def write_lines(lines: Iterable[str], path: Path) -> None:
    """Writes the lines of a CSV file, whole or not at all; ArgumentError where it cannot be written."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        with unfinished.open("w", encoding="utf-8", newline="") as file:
            file.writelines(lines)
        unfinished.replace(path)
    except BaseException as error:
        with suppress(OSError):
            unfinished.unlink()
        if isinstance(error, OSError):
            raise ArgumentError(f"{path} cannot be written: {error.strerror or error}") from None
        raise


def _figures(call: CallView) -> dict[str, str]:
    return {
        "cycles": str(call.cycles),
        "cycles_with_call": str(call.cycles_with_call),
        "returned": _text(call.returned),
        "instructions": str(call.instructions),
        "stack_bytes": str(call.stack_bytes),
    }


def _microseconds(view: TimeView, call: CallView) -> str:
    return "" if view.clock_hz is None else str(float(microseconds_text(call.cycles, Hertz(view.clock_hz))))


def _text(value: Plain) -> str:
    return "" if value is None else str(value)


def csv_line(fields: Iterable[str]) -> str:
    """Gives one line with these fields."""
    return ",".join(map(_field, fields)) + "\r\n"


def _field(text: str) -> str:
    """RFC 4180 section 2: a field with a comma, a quote or a line break is quoted, and quotes in it are doubled."""
    return '"' + text.replace('"', '""') + '"' if any(each in text for each in ',"\r\n') else text
