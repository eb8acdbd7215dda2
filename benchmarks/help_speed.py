"""How long `cyclerule --help` takes, against an interpreter that starts and does nothing. Goal: at most 4 times."""

import shutil
import subprocess
import sys
from pathlib import Path

from figures import alternately, finish, read_options

GOAL = 4.0


def main() -> None:
    """Prints the ratio, and writes the figures as JSON where asked."""
    options = read_options(__doc__)
    installed = shutil.which("cyclerule", path=Path(sys.executable).parent)
    command = [installed] if installed else [sys.executable, "-m", "cyclerule"]

    def run(*words: str) -> None:
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)

    run(*command, "--help")  # The first run compiles modules and fills the file cache.
    helped, nothing = alternately(
        options.runs or 21, lambda: run(*command, "--help"), lambda: run(sys.executable, "-c", "pass")
    )
    ratio, ratio_of_medians = helped.best / nothing.best, helped.median / nothing.median
    notes = [
        f"cyclerule --help {helped}",
        f"python -c pass   {nothing}",
        f"ratio {ratio:.2f} (of the medians {ratio_of_medians:.2f}); goal: at most {GOAL:.0f}",
    ]
    figures = {"help": helped, "nothing": nothing, "ratio": ratio, "ratio_of_medians": ratio_of_medians, "goal": GOAL}
    finish(figures, notes, options.json)


if __name__ == "__main__":
    main()
