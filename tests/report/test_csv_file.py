"""The CSV file: RFC 4180, whole or not at all."""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cyclerule.errors import ArgumentError
from cyclerule.report import rows_csv
from cyclerule.report.rows_csv import csv_lines, write_csv
from cyclerule.report.timing import TimeView, view_time
from tests.report.handmade import FORAGE, forage_cycles, forage_result, made_call, made_sweep

VIEW = view_time(made_sweep(FORAGE, forage_cycles, forage_result))


def test_every_line_ends_as_rfc_4180_has_it() -> None:
    """Section 2, rule 1: records are ended by CR LF."""
    assert list(csv_lines(VIEW))[:2] == [
        "bees,wind,cycles,cycles_with_call,microseconds,returned,instructions,stack_bytes\r\n",
        "0,0,1041,1045,65.0625,0,520,1\r\n",
    ]


@given(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20))
def test_any_text_is_read_back_as_it_was(text: str) -> None:
    """Rules 5 to 7: commas, quotes and line breaks are quoted; Python's own reader is the judge."""
    lines = "".join(csv_lines(view_time(made_call({"text": text}, 5))))
    rows = list(csv.reader(io.StringIO(lines, newline="")))
    assert [row[0] for row in rows] == ["text", text]


def test_a_parameter_with_the_name_of_a_figure_is_told_apart() -> None:
    """No two columns have the same name."""
    lines = list(csv_lines(view_time(made_call({"cycles": 3}, 5))))
    assert lines[0].startswith("cycles (argument),cycles,")


def test_a_file_that_fails_half_way_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing half-written, and no unfinished file beside it."""

    def fail_in_the_middle(view: TimeView) -> Iterator[str]:
        yield "bees,cycles\r\n"
        raise KeyboardInterrupt

    path = tmp_path / "rows.csv"
    path.write_text("the old rows", "utf-8")
    monkeypatch.setattr(rows_csv, "csv_lines", fail_in_the_middle)
    with pytest.raises(KeyboardInterrupt):
        write_csv(VIEW, path)
    assert [each.name for each in tmp_path.iterdir()] == ["rows.csv"]
    assert path.read_text("utf-8") == "the old rows"


@pytest.mark.parametrize("place", ["absent/rows.csv", "folder"])
def test_a_place_that_cannot_be_written_is_named(tmp_path: Path, place: str) -> None:
    """A folder that is not there, and a folder where the file should be."""
    (tmp_path / "folder").mkdir()
    with pytest.raises(ArgumentError, match=r"rows.csv|folder"):
        write_csv(VIEW, tmp_path / place)
    assert [each.name for each in tmp_path.iterdir()] == ["folder"]
