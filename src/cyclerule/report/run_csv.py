"""The calls and register writes of a run as CSV, in the order of their cycles."""

from collections.abc import Iterator
from operator import itemgetter

from cyclerule.report.rows_csv import csv_line
from cyclerule.report.running import RunView

COLUMNS = ("kind", "name", "cycle", "cycles", "caller", "value")


def run_csv_lines(view: RunView) -> Iterator[str]:
    """Gives the lines, the header first: each call that was followed and each write to a register that was watched."""
    calls = [
        (row.start_cycle, ["call", calls.name, str(row.start_cycle), str(row.cycles), row.caller, ""])
        for calls in view.calls
        for row in calls.rows
    ]
    writes = [
        (write.cycle, ["write", write.register, str(write.cycle), "", "", str(write.value)])
        for written in view.writes.values()
        for write in written
    ]
    yield csv_line(COLUMNS)
    for _, fields in sorted([*calls, *writes], key=itemgetter(0)):
        yield csv_line(fields)
