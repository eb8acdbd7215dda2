"""The hive's programs (`hive/`), built in several ways by the real compiler for the tests that read firmware files."""

import subprocess
from collections.abc import Sequence
from pathlib import Path

SOURCES = Path(__file__).parent / "hive"
PART = "atmega328p"

# Name of a build -> compiler, its options, sources. `-gdwarf-4` as all builds of cyclerule have it.
BUILDS: dict[str, tuple[str, Sequence[str], Sequence[str]]] = {
    "plain": ("avr-gcc", ["-O0", "-gdwarf-4"], ["hive.c", "scale.c", "swap.S"]),
    "small": ("avr-gcc", ["-Os", "-gdwarf-4"], ["hive.c", "scale.c", "swap.S"]),
    "fast": ("avr-gcc", ["-O2", "-gdwarf-4"], ["hive.c", "scale.c", "swap.S"]),
    "dwarf 2": ("avr-gcc", ["-Os", "-gdwarf-2", "-gstrict-dwarf"], ["hive.c", "scale.c", "swap.S"]),
    "link time": ("avr-gcc", ["-Os", "-gdwarf-4", "-flto"], ["hive.c", "scale.c", "swap.S"]),
    "collected": (
        "avr-gcc",
        ["-Os", "-gdwarf-4", "-ffunction-sections", "-Wl,--gc-sections"],
        ["hive.c", "scale.c", "swap.S"],
    ),
    "without debug": ("avr-gcc", ["-Os"], ["hive.c", "scale.c", "swap.S"]),
    "c++": ("avr-g++", ["-Os", "-gdwarf-4", "-std=gnu++11"], ["sensor.cpp"]),
    "c++ link time": ("avr-g++", ["-Os", "-gdwarf-4", "-std=gnu++11", "-flto"], ["sensor.cpp"]),
}


def build(name: str, folder: Path) -> Path:
    """Builds a program and gives its ELF file; the compiler runs in the sources' folder and is given bare names."""
    compiler, options, sources = BUILDS[name]
    elf = folder / f"{name.replace(' ', '_')}.elf"
    if not elf.exists():
        standard = [] if compiler == "avr-g++" else ["-std=gnu99"]
        run(compiler, f"-mmcu={PART}", *standard, *options, *sources, "-lm", "-o", str(elf), folder=SOURCES)
    return elf


def run(*command: str, folder: Path | None = None, given: str | None = None) -> str:
    """Runs a command and gives what it printed."""
    return subprocess.run(command, cwd=folder, input=given, capture_output=True, text=True, check=True).stdout
