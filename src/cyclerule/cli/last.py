"""The change of a timed function since it was timed last."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING

import click

from cyclerule.cli.on_save import IS_AGAIN
from cyclerule.store.last import LastResults
from cyclerule.store.place import results_file

if TYPE_CHECKING:
    from pathlib import Path

    from cyclerule.measure.statements import StatementTimes
    from cyclerule.report.lines import LinesView
    from cyclerule.session.opening import Program
    from cyclerule.session.timing import Timed


@cache
def last_results() -> LastResults:
    """Gives the last results: one object for as long as the command lives, so that --on-save needs no file for them."""
    return LastResults(results_file())


def change_since(program: "Program", timed: "Timed", how: Mapping[str, object]) -> str:
    """Says how a function's cycles differ from those of the last time, and keeps those of now.

    Nothing where there were none or they are the same; a command that runs at each save says that too.
    """
    from cyclerule.report.change import UNCHANGED, change_text
    from cyclerule.report.timing import view_timed
    from cyclerule.session.last import figures_before

    before = figures_before(last_results(), program, timed, how)
    if before is None:
        return ""
    is_again = click.get_current_context().meta.get(IS_AGAIN, False)
    return change_text(before, view_timed(timed)) or (UNCHANGED if is_again else "")


def change_of_statements(times: "StatementTimes", how: Mapping[str, object]) -> str:
    """Says how the cycles of statements differ from those of the last time, and keeps those of now."""
    from cyclerule.report.change import UNCHANGED, change_between
    from cyclerule.session.last import statements_before

    found = statements_before(last_results(), times, how)
    told = [(column, text) for column, before, now in found if (text := change_between(before, now))]
    if not told and found and click.get_current_context().meta.get(IS_AGAIN, False):
        return UNCHANGED
    has_both = all(times.rows[0][-2:])
    return "; ".join(f"{column}: {text}" if has_both else text for column, text in told)


def change_of_lines(view: "LinesView", files: "Sequence[Path]", how: Mapping[str, object]) -> str:
    """Says how the cycles of lines differ from those of the last time, and keeps those of now."""
    from cyclerule.report.change import UNCHANGED, change_between
    from cyclerule.session.last import lines_before
    from cyclerule.store.last import Figures

    if view.minimum is None or view.maximum is None:
        return ""
    now = Figures(view.minimum, view.maximum, view.build.compiler, tuple(view.build.flags), view.build.image)
    before = lines_before(last_results(), files, view.lines, now, {"part": view.part, **how})
    if before is None:
        return ""
    is_again = click.get_current_context().meta.get(IS_AGAIN, False)
    return change_between(before, now) or (UNCHANGED if is_again else "")
