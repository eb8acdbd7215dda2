"""`cyclerule --version`: which cyclerule, and with -v which Python, compiler and engines."""

import platform
import sys

from cyclerule import __version__


def version_text(*, is_verbose: bool) -> str:
    """Gives the text; a compiler that is missing is said to be so."""
    if not is_verbose:
        return f"cyclerule {__version__}"
    from importlib.metadata import PackageNotFoundError, version

    from cyclerule.errors import CycleruleError
    from cyclerule.toolchain import find

    try:
        toolchain = find()
        compiler = f"{toolchain.version} ({toolchain.directory})"
    except CycleruleError as error:
        compiler = str(error)
    lines = [
        f"cyclerule {__version__}",
        f"compiler: {compiler}",
        f"Python {platform.python_version()} ({sys.platform})",
    ]
    for package in ("numpy", "llvmlite"):
        try:
            lines.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            lines.append(f"{package}: not installed")
    return "\n".join(lines)
