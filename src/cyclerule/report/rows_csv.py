"""Rows as CSV: RFC 4180, with a header line, lines ended by CR LF, in UTF-8."""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.report.timing import TimeView
from cyclerule.report.wording import returned_text
from cyclerule.units import Hertz, microseconds_text

FIGURES = ("cycles", "cycles_with_call", "microseconds", "returned", "instructions", "stack_bytes")
"""The columns after the parameters'; microseconds only with a clock."""


def csv_lines(view: TimeView) -> Iterator[str]:
    """Gives the lines of a timed function, the header first, one a row."""
    names = list(view.domains)
    figures = [each for each in FIGURES if each != "microseconds" or view.clock_hz is not None]
    yield _line([*(f"{name} (argument)" if name in FIGURES else name for name in names), *figures])
    for call in view.calls:
        time = [] if view.clock_hz is None else [microseconds_text(call.cycles, Hertz(view.clock_hz))]
        yield _line(
            [
                *(call.shown[name] for name in names),
                str(call.cycles),
                str(call.cycles_with_call),
                *time,
                returned_text(call.returned),
                str(call.instructions),
                str(call.stack_bytes),
            ]
        )


def write_csv(view: TimeView, path: Path) -> None:
    """Writes a timed function's rows to a file, whole or not at all; raises ArgumentError where it cannot be."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        with unfinished.open("w", encoding="utf-8", newline="") as file:
            file.writelines(csv_lines(view))
        unfinished.replace(path)
    except BaseException as error:
        with suppress(OSError):
            unfinished.unlink()
        if isinstance(error, OSError):
            raise ArgumentError(f"{path} cannot be written: {error.strerror or error}") from None
        raise


def _line(fields: list[str]) -> str:
    return ",".join(map(_field, fields)) + "\r\n"


def _field(text: str) -> str:
    """RFC 4180 section 2: a field with a comma, a quote or a line break is quoted, and quotes in it are doubled."""
    return '"' + text.replace('"', '""') + '"' if any(each in text for each in ',"\r\n') else text
