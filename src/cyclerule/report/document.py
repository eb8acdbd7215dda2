"""JSON documents: one for each command, each with its schema's name first and its keys in a fixed order."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from itertools import islice
from typing import Any

from cyclerule.errors import CycleruleError
from cyclerule.report.functions import FunctionsView
from cyclerule.report.parts import PartsView
from cyclerule.report.settings import SettingView
from cyclerule.report.timing import CallView, InputView, Plain, TimeView

LISTED_CALLS = 65_536
"""The most rows that a document lists."""


def time_document(view: TimeView) -> dict[str, Any]:
    """Gives the document of a timed function, schema "cyclerule/time/1"; of its rows the first 65,536."""
    listed = list(islice(view.calls, LISTED_CALLS)) if view.count <= LISTED_CALLS else []
    return {
        "schema": "cyclerule/time/1",
        "function": view.function,
        "part": view.part,
        "clock_hz": view.clock_hz,
        "build": asdict(view.build),
        "start": view.start,
        "engine": view.engine,
        "is_handler": view.is_handler,
        "held": [{"name": each.name, "value": _number(each.value)} for each in view.held],
        "domains": view.domains,
        "covers": view.covers,
        "count": view.count,
        "minimum": _input(view.minimum),
        "median": _input(view.median),
        "maximum": _input(view.maximum),
        "mean_cycles": view.mean_cycles,
        "call_cycles": view.call_cycles,
        "handler_cycles": view.handler_cycles,
        "stack_bytes": view.stack_bytes,
        "histogram": view.histogram,
        "buffers": view.buffers,
        "io": [asdict(each) for each in view.writes],
        "notes": view.notes,
        "warnings": view.warnings,
        "build_warnings": view.build_warnings,
        "calls_listed": len(listed),
        "calls": [_call(each) for each in listed],
    }


def functions_document(view: FunctionsView) -> dict[str, Any]:
    """Gives the document of a program's functions, schema "cyclerule/functions/1"."""
    return {"schema": "cyclerule/functions/1", **asdict(view)}


def parts_document(view: PartsView) -> dict[str, Any]:
    """Gives the document of a toolchain's parts, schema "cyclerule/parts/1"."""
    return {"schema": "cyclerule/parts/1", **asdict(view)}


def settings_document(view: Sequence[SettingView]) -> dict[str, Any]:
    """Gives the document of the settings, schema "cyclerule/settings/1"."""
    return {"schema": "cyclerule/settings/1", "settings": [asdict(each) for each in view]}


def error_document(error: CycleruleError) -> dict[str, Any]:
    """Gives the document of a refusal, schema "cyclerule/error/1"."""
    return {
        "schema": "cyclerule/error/1",
        "kind": type(error).__name__,
        "message": str(error),
        "exit_status": error.exit_status,
    }


def write_document(document: dict[str, Any]) -> str:
    """Writes a document as JSON text."""
    import msgspec

    return msgspec.json.format(msgspec.json.encode(document), indent=2).decode("utf-8")


def _input(view: InputView) -> dict[str, Any]:
    return {"cycles": view.cycles, "arguments": _numbers(view.arguments)}


def _call(view: CallView) -> dict[str, Any]:
    return {
        "arguments": _numbers(view.arguments),
        "cycles": view.cycles,
        "cycles_with_call": view.cycles_with_call,
        "returned": _number(view.returned),
        "instructions": view.instructions,
        "stack_bytes": view.stack_bytes,
    }


def _numbers(values: dict[str, Plain]) -> dict[str, Plain]:
    return {name: _number(value) for name, value in values.items()}


def _number(value: Plain) -> Plain:
    """JSON has no word for infinities and for what is no number (RFC 8259 section 6): they go as text."""
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value
