"""Exact clock cycles of AVR firmware: build it, run it on a model of the chip, and ask.

>>> import cyclerule as cr
>>> firmware = cr.build(["examples/hive/crc.c"], part="atmega328p", clock="16 MHz")
>>> call = firmware.call("crc8_step_table", 0x31, 0x5A)
>>> call.cycles, call.returned
(12, 69)
>>> sweep = firmware.sweep("crc8_step_bits", crc=[0], byte=cr.every("uint8_t"))
>>> sweep.count, sweep.minimum.cycles, sweep.maximum.cycles
(256, 78, 94)
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cyclerule.errors import (
        ArgumentError,
        BoardError,
        BoundError,
        BuildError,
        CycleruleError,
        FaultError,
        FirmwareError,
        RunawayError,
        UnknownName,
    )
    from cyclerule.firmware.arguments import address, flash, function, out, sized
    from cyclerule.measure.domains import every
    from cyclerule.measure.pass_results import LinesRun
    from cyclerule.measure.phases import Phases
    from cyclerule.measure.results import Call, Run, Sweep
    from cyclerule.measure.statements import StatementTimes
    from cyclerule.session.firmware import Firmware, build, load
    from cyclerule.session.statements import code

__version__ = "0.1.0"

# Each name loads its module on first use, so that the command's --help need not wait for what it does not show.
_HOMES = {
    "ArgumentError": "cyclerule.errors",
    "BoardError": "cyclerule.errors",
    "BoundError": "cyclerule.errors",
    "BuildError": "cyclerule.errors",
    "Call": "cyclerule.measure.results",
    "CycleruleError": "cyclerule.errors",
    "FaultError": "cyclerule.errors",
    "Firmware": "cyclerule.session.firmware",
    "FirmwareError": "cyclerule.errors",
    "LinesRun": "cyclerule.measure.pass_results",
    "Phases": "cyclerule.measure.phases",
    "Run": "cyclerule.measure.results",
    "RunawayError": "cyclerule.errors",
    "StatementTimes": "cyclerule.measure.statements",
    "Sweep": "cyclerule.measure.results",
    "UnknownName": "cyclerule.errors",
    "address": "cyclerule.firmware.arguments",
    "build": "cyclerule.session.firmware",
    "code": "cyclerule.session.statements",
    "every": "cyclerule.measure.domains",
    "flash": "cyclerule.firmware.arguments",
    "function": "cyclerule.firmware.arguments",
    "load": "cyclerule.session.firmware",
    "out": "cyclerule.firmware.arguments",
    "sized": "cyclerule.firmware.arguments",
}

__all__ = [
    "ArgumentError",
    "BoardError",
    "BoundError",
    "BuildError",
    "Call",
    "CycleruleError",
    "FaultError",
    "Firmware",
    "FirmwareError",
    "LinesRun",
    "Phases",
    "Run",
    "RunawayError",
    "StatementTimes",
    "Sweep",
    "UnknownName",
    "address",
    "build",
    "code",
    "every",
    "flash",
    "function",
    "load",
    "out",
    "sized",
]


def __getattr__(name: str) -> Any:
    try:
        home = _HOMES[name]
    except KeyError:
        raise AttributeError(f"module 'cyclerule' has no attribute {name!r}") from None
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
