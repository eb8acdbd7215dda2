"""`python -m cyclerule` is the command `cyclerule`."""

import sys

from cyclerule.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
