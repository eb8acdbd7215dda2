"""Where results are kept: one SQLite file in the per-user folder for data."""

import os
import sys
from pathlib import Path

ENVIRONMENT_NAME = "CYCLERULE_DATA"
FILE_NAME = "results.sqlite"


def results_file() -> Path | None:
    """Gives the file; it need not exist yet. None for a user without a home folder.

    The environment's CYCLERULE_DATA decides on the folder, else the platform's usual place: `$XDG_DATA_HOME` or
    `~/.local/share` (XDG Base Directory Specification 0.8), `~/Library/Application Support` on macOS, `%LOCALAPPDATA%`
    on Windows.
    """
    chosen = os.environ.get(ENVIRONMENT_NAME, "")
    if chosen:
        return Path(chosen).expanduser() / FILE_NAME
    place = os.environ.get({"win32": "LOCALAPPDATA", "darwin": ""}.get(sys.platform, "XDG_DATA_HOME"), "")
    if place and Path(place).is_absolute():
        return Path(place) / "cyclerule" / FILE_NAME
    try:
        home = Path.home()
    except RuntimeError:
        return None
    usual = {
        "win32": home / "AppData" / "Local",
        "darwin": home / "Library" / "Application Support",
    }.get(sys.platform, home / ".local" / "share")
    return usual / "cyclerule" / FILE_NAME
