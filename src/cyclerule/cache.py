"""The per-user cache: where it stands and how a file of it is written. Everything in it can be made again."""

import contextlib
import os
import sys
import tempfile
import time
from pathlib import Path

ENVIRONMENT_NAME = "CYCLERULE_CACHE"
_ATTEMPTS = 5


def cache_folder(name: str) -> Path:
    """Gives the folder of one kind of cached thing; it need not exist yet.

    The environment's CYCLERULE_CACHE decides, else the platform's usual place: `$XDG_CACHE_HOME` or `~/.cache`
    (XDG Base Directory Specification 0.8), `~/Library/Caches` on macOS, `%LOCALAPPDATA%` on Windows.
    """
    chosen = os.environ.get(ENVIRONMENT_NAME, "")
    return (Path(chosen).expanduser() if chosen else _usual_folder()) / name


def _usual_folder() -> Path:
    if sys.platform == "win32":
        place = os.environ.get("LOCALAPPDATA", "")
    elif sys.platform == "darwin":
        place = ""
    else:
        place = os.environ.get("XDG_CACHE_HOME", "")
    if place and Path(place).is_absolute():
        return Path(place) / "cyclerule"
    try:
        home = Path.home()
    except RuntimeError:  # a user without a home folder still gets answers, only not kept between log-ins
        return Path(tempfile.gettempdir()) / "cyclerule"
    if sys.platform == "win32":
        return home / "AppData" / "Local" / "cyclerule"
    return home / ("Library/Caches" if sys.platform == "darwin" else ".cache") / "cyclerule"


def write_atomically(path: Path, data: bytes) -> None:
    """Writes a file so that a reader sees the old content or the new, never a part of it; makes its folders.

    Several processes may write the same file at once: one of them wins. Raises OSError when it cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    unfinished = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        _replace(unfinished, path)
    except BaseException:
        with contextlib.suppress(OSError):
            unfinished.unlink()
        raise


def _replace(unfinished: Path, path: Path) -> None:
    for attempt in range(_ATTEMPTS):
        try:
            unfinished.replace(path)
        except PermissionError:
            # Windows refuses while another process has the file open, which it does for a moment only.
            if os.name != "nt" or attempt == _ATTEMPTS - 1:
                raise
            time.sleep(0.01 * 2**attempt)
        else:
            return
