"""Timing a function as it is asked for in words: one input is a call, several are a sweep."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.measure.pace import Progress
from cyclerule.measure.results import Call, Sweep
from cyclerule.session.firmware import Before
from cyclerule.session.inputs import Inputs, Setup, parameter_key, read_inputs, read_setup, signature_of
from cyclerule.session.opening import Target

KEPT_ROWS = 65_536
"""Rows of a sweep are kept up to this many, and beyond only when they are asked for."""


@dataclass(frozen=True)
class Timed:
    """A call or a sweep, and what it was made of."""

    target: Target
    inputs: Inputs
    setup: Setup
    result: Call | Sweep

    @property
    def covers_every_input(self) -> bool:
        """Whether there is no other input: neither of a parameter, nor of what was set to several values."""
        return self.inputs.covers_every_input and self.setup.covers_every_value


def time_target(
    target: Target,
    assignments: Mapping[str, str],
    *,
    variables: Mapping[str, str] | None = None,
    before: Sequence[Before] = (),
    after: str | None = None,
    interrupts: bool = False,
    engine: str = "auto",
    max_cycles: int | None = None,
    signals: Path | None = None,
    keeps_rows: bool = False,
    progress: Progress | None = None,
) -> Timed:
    """Times a function for the inputs that texts give: `{"crc": "0..255"}`; see `read_inputs` for those left out.

    `variables` gives globals, registers and pins values, `before` functions to call first, `after` the
    function from whose return the program's own run is left, `signals` a file of what comes from outside. Raises what
    `Firmware.call` and `Firmware.sweep` raise, and ArgumentError for a text that is no value.
    """
    firmware, name = target.firmware, target.name
    inputs = read_inputs(firmware, name, assignments)
    setup = read_setup(firmware, variables or {})
    result: Call | Sweep
    if inputs.count * setup.count == 1:
        parameters = signature_of(firmware, name).parameters
        values = [inputs.domains[parameter_key(parameter, n)][0] for n, parameter in enumerate(parameters)]
        result = firmware.call(
            name,
            *values,
            *inputs.others,
            after=after,
            before=before,
            globals=setup.globals,
            registers=setup.registers,
            pins=setup.pins,
            engine=engine,
            max_cycles=max_cycles,
            interrupts=interrupts,
            signals=signals,
        )
    elif inputs.others:
        raise ArgumentError(f"{name}: with values that stand for ... it is called with one input, not {inputs.count:,}")
    else:
        result = firmware.sweep(
            name,
            inputs.domains,
            keep="rows" if keeps_rows or inputs.count * setup.count <= KEPT_ROWS else "summary",
            after=after,
            before=before,
            globals=setup.globals,
            registers=setup.registers,
            pins=setup.pins,
            engine=engine,
            max_cycles=max_cycles,
            interrupts=interrupts,
            signals=signals,
            progress=progress,
        )
    return Timed(target, inputs, setup, result)
