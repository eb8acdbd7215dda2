"""The compiler: find it, run it, ask what it knows of a part."""

from cyclerule.toolchain.compiler import Completed, Definition, Tool, Toolchain
from cyclerule.toolchain.constants import integer
from cyclerule.toolchain.search import find

__all__ = ["Completed", "Definition", "Tool", "Toolchain", "find", "integer"]
