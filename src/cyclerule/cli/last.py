"""The change of a timed function since it was timed last."""

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING

import click

from cyclerule.cli.on_save import IS_AGAIN
from cyclerule.store.last import LastResults
from cyclerule.store.place import results_file

if TYPE_CHECKING:
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
