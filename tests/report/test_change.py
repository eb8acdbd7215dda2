"""The change against the last figures, in words."""

import pytest

from cyclerule.report.change import change_text
from cyclerule.report.timing import view_time
from cyclerule.store.last import Figures
from tests.report.handmade import MEASURED, made_call, made_sweep

FLAGS = MEASURED.flags


def before(least: int, most: int, **others: object) -> Figures:
    """Gives figures of the same build, but for what is named."""
    facts = {"compiler": MEASURED.compiler, "flags": FLAGS, "image": MEASURED.image} | others
    return Figures(least, most, **facts)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("least", "most", "text"),
    [
        (27, 30, ""),
        (27, 49, "was 27 to 49, now 27 to 30: −19 at most"),  # noqa: RUF001
        (41, 49, "was 41 to 49, now 27 to 30: −14 at least, −19 at most"),  # noqa: RUF001
        (26, 31, "was 26 to 31, now 27 to 30: +1 at least, −1 at most"),  # noqa: RUF001
        (37, 40, "was 37 to 40, now 27 to 30: −10 at least and at most"),  # noqa: RUF001
        (20, 20, "was 20, now 27 to 30: +7 at least, +10 at most"),
        (1027, 2030, "was 1,027 to 2,030, now 27 to 30: −1,000 at least, −2,000 at most"),  # noqa: RUF001
    ],
)
def test_the_least_and_the_most_are_set_against_the_last_ones(least: int, most: int, text: str) -> None:
    """Only what has changed is said."""
    view = view_time(made_sweep({"bees": range(4)}, lambda bees: 27 + bees))
    assert change_text(before(least, most), view) == text


def test_one_figure_needs_no_least_and_most() -> None:
    """A call, and a sweep that is the same for all inputs."""
    view = view_time(made_call({"bees": 1}, 27))
    assert change_text(before(49, 49), view) == "was 49, now 27: −22"  # noqa: RUF001
    assert change_text(before(5, 5), view) == "was 5, now 27: +22"


def test_what_was_built_otherwise_is_named() -> None:
    """Flags, compiler, kind of image."""
    view = view_time(made_call({"bees": 1}, 27))
    assert change_text(before(26, 26, flags=("-O2",)), view) == "was 26, now 27: +1; then with -O2"
    assert change_text(before(26, 26, flags=()), view) == "was 26, now 27: +1; then with no flags"
    others = before(26, 26, compiler="avr-gcc 7.3.0", image="kept copy")
    assert change_text(others, view) == "was 26, now 27: +1; then with avr-gcc 7.3.0, kept copy"
