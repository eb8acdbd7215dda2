"""The per-user cache folder and the way files get into it."""

import os
import sys
from pathlib import Path

import pytest

from cyclerule.cache import cache_folder, write_atomically


def test_the_environment_decides_the_place(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """CYCLERULE_CACHE is the documented setting."""
    monkeypatch.setenv("CYCLERULE_CACHE", str(tmp_path / "kept"))
    assert cache_folder("parts") == tmp_path / "kept" / "parts"
    assert not (tmp_path / "kept").exists()


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="the place of other systems")
def test_the_usual_place_is_the_desktop_standards(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """XDG Base Directory Specification 0.8: $XDG_CACHE_HOME if absolute, else ~/.cache."""
    monkeypatch.delenv("CYCLERULE_CACHE", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert cache_folder("parts") == tmp_path / "xdg" / "cyclerule" / "parts"
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert cache_folder("parts") == tmp_path / ".cache" / "cyclerule" / "parts"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert cache_folder("parts") == tmp_path / ".cache" / "cyclerule" / "parts"


def test_a_written_file_replaces_the_old_one_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    """Folders are made on the way."""
    path = tmp_path / "a" / "b" / "c.json"
    write_atomically(path, b"old")
    write_atomically(path, b"new")
    assert path.read_bytes() == b"new"
    assert list(path.parent.iterdir()) == [path]


def test_a_failed_write_leaves_the_old_file_and_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a full disk."""
    path = tmp_path / "c.json"
    write_atomically(path, b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space left"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
