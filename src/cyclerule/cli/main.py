"""The entry of the command `cyclerule`: the help at once, everything else through the commands."""

import sys
from collections.abc import Sequence

from cyclerule.cli.overview import OVERVIEW


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line and gives its exit status; errors are one message on standard error."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        # An old terminal shows ? for a character that it does not have.
        getattr(stream, "reconfigure", lambda errors: None)(errors="replace")
    if words in (["--help"], ["-h"]):
        sys.stdout.write(OVERVIEW)
        return 0
    from cyclerule.cli.commands import run

    return run(words)


if __name__ == "__main__":
    sys.exit(main())
