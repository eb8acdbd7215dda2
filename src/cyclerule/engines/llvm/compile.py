"""From LLVM text to code that runs: the only place that knows llvmlite.

llvmlite's calls share one lock, and each engine owns its compiler; nothing here is for two threads at once.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

import llvmlite
import llvmlite.binding as llvm

MODULE_TAIL = '!0 = !{!"branch_weights", i32 1, i32 100000}\n!1 = !{}\n'


@cache
def _initialize() -> None:
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()


def host() -> str:
    """Names what compiled code depends on: LLVM's version, the host's CPU and its features."""
    _initialize()
    version = ".".join(str(n) for n in llvm.llvm_version_info)
    return f"llvmlite {llvmlite.__version__} LLVM {version} {llvm.get_host_cpu_name()} {_features()}"


def _features() -> str:
    return str(llvm.get_host_cpu_features().flatten())


class Compiler:
    """Compiles modules and keeps the code; everything it made lives as long as it does."""

    def __init__(self) -> None:
        _initialize()
        self._target = llvm.Target.from_default_triple()
        self._jit = llvm.create_lljit_compiler(self._machine(2))
        self._kept: list[Any] = []
        self._count = 0

    def _machine(self, level: int) -> Any:
        return self._target.create_target_machine(
            opt=level, cpu=llvm.get_host_cpu_name(), features=_features(), jit=True, codemodel="jitdefault"
        )

    def object_code(self, text: str, level: int) -> bytes:
        """Compiles LLVM text to an object file, optimised at level 0 to 3."""
        module = llvm.parse_assembly(text + MODULE_TAIL)
        machine = self._machine(level)
        if level:
            options = llvm.create_pipeline_tuning_options(speed_level=level)
            options.loop_vectorization = options.slp_vectorization = False
            llvm.create_pass_builder(machine, options).getModulePassManager().run(
                module, llvm.create_pass_builder(machine, options)
            )
        return bytes(machine.emit_object(module))

    def load(self, code: bytes, names: Sequence[str]) -> dict[str, int]:
        """Loads an object file and gives the addresses of the named functions."""
        self._count += 1
        library = llvm.JITLibraryBuilder().add_object_img(code)
        for name in names:
            library = library.export_symbol(name)
        tracker = library.link(self._jit, f"library{self._count}")
        self._kept.append(tracker)
        return {name: tracker[name] for name in names}
