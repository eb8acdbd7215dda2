"""The last figures: kept from one command to the next, and never in the way."""

import os
import sqlite3
from pathlib import Path

import pytest

from cyclerule.store import last
from cyclerule.store.last import Figures, LastResults, result_key
from cyclerule.store.place import results_file

FIGURES = Figures(41, 49, "avr-gcc 5.4.0", ("-Os", "-flto"), "as built")
OTHER = Figures(12, 27, None, (), "kept copy")


def test_figures_are_there_for_the_next_command(tmp_path: Path) -> None:
    """Whoever opens the file finds what was kept last; other keys have none."""
    file = tmp_path / "deep" / "results.sqlite"
    LastResults(file).keep("a", FIGURES)
    LastResults(file).keep("b", OTHER)
    assert LastResults(file).find("a") == FIGURES
    LastResults(file).keep("a", OTHER)
    assert LastResults(file).find("a") == OTHER
    assert LastResults(file).find("c") is None


def test_without_a_file_they_last_as_long_as_the_command() -> None:
    """So that a command that runs at each save has something to set its figures against."""
    results = LastResults(None)
    assert results.find("a") is None
    results.keep("a", FIGURES)
    assert results.find("a") == FIGURES


@pytest.mark.parametrize("content", [b"this is no database, and never was one", b"SQLite format 3\0" + bytes(5000)])
def test_a_damaged_file_is_set_aside(tmp_path: Path, content: bytes) -> None:
    """It is kept under another name, and a new one is begun."""
    file = tmp_path / "results.sqlite"
    file.write_bytes(content)
    results = LastResults(file)
    assert results.find("a") is None
    results.keep("a", FIGURES)
    assert LastResults(file).find("a") == FIGURES
    assert (tmp_path / "results.damaged").read_bytes() == content


def test_a_damaged_row_counts_as_a_damaged_file(tmp_path: Path) -> None:
    """Flags that are no JSON."""
    file = tmp_path / "results.sqlite"
    LastResults(file).keep("a", FIGURES)
    with sqlite3.connect(file) as table:
        table.execute("UPDATE last_result SET flags = 'none'")
    assert LastResults(file).find("a") is None


def test_a_file_of_another_version_is_left_alone(tmp_path: Path) -> None:
    """A newer cyclerule has it."""
    file = tmp_path / "results.sqlite"
    with sqlite3.connect(file) as table:
        table.execute("PRAGMA user_version = 7")
    content = file.read_bytes()
    results = LastResults(file)
    results.keep("a", FIGURES)
    assert results.find("a") == FIGURES
    assert file.read_bytes() == content


def test_a_place_that_cannot_be_written_is_done_without(tmp_path: Path) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "data").write_text("a file")
    results = LastResults(tmp_path / "data" / "results.sqlite")
    results.keep("a", FIGURES)
    assert results.find("a") == FIGURES
    assert results.find("b") is None


def test_a_file_that_another_process_holds_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """For longer than a moment."""
    monkeypatch.setattr(last, "PATIENCE_SECONDS", 0.05)
    file = tmp_path / "results.sqlite"
    LastResults(file).keep("a", FIGURES)
    holder = sqlite3.connect(file, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    LastResults(file).keep("a", OTHER)
    assert LastResults(file).find("a") is None
    holder.execute("ROLLBACK")
    holder.close()
    assert LastResults(file).find("a") == FIGURES


def test_the_oldest_are_dropped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file does not grow without end."""
    monkeypatch.setattr(last, "MOST_RESULTS", 3)
    file = tmp_path / "results.sqlite"
    for key in "abcde":
        LastResults(file).keep(key, FIGURES)
    assert [key for key in "abcde" if LastResults(file).find(key)] == ["c", "d", "e"]


def test_keys_are_the_same_for_the_same_facts_only() -> None:
    """In whatever order a mapping has them."""
    assert result_key({"a": 1, "b": [2, "µ"]}) == result_key({"b": [2, "µ"], "a": 1})
    assert result_key({"a": 1}) != result_key({"a": 2})


def test_the_environment_says_where(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Else it is the platform's place for a user's data."""
    monkeypatch.setenv("CYCLERULE_DATA", str(tmp_path))
    assert results_file() == tmp_path / "results.sqlite"
    monkeypatch.delenv("CYCLERULE_DATA")
    if os.name == "posix":
        monkeypatch.setattr("sys.platform", "linux")
        monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
        assert results_file() == tmp_path / "cyclerule" / "results.sqlite"
        monkeypatch.setenv("XDG_DATA_HOME", "not/absolute")
        monkeypatch.setenv("HOME", str(tmp_path))
        assert results_file() == tmp_path / ".local" / "share" / "cyclerule" / "results.sqlite"
        monkeypatch.setattr("sys.platform", "darwin")
        assert results_file() == tmp_path / "Library" / "Application Support" / "cyclerule" / "results.sqlite"
