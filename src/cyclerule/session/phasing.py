"""A call at every phase of the program's interrupts, as it is asked for in words."""

from collections.abc import Mapping
from pathlib import Path

from cyclerule.errors import ArgumentError
from cyclerule.measure.pace import Progress
from cyclerule.measure.phases import Phases
from cyclerule.session.inputs import parameter_key, read_inputs, signature_of
from cyclerule.session.opening import Target


def time_at_phases(
    target: Target,
    assignments: Mapping[str, str],
    *,
    at: str | None = None,
    count: int | None = None,
    span: int | None = None,
    engine: str = "auto",
    max_cycles: int | None = None,
    signals: Path | None = None,
    progress: Progress | None = None,
) -> Phases:
    """Times a function at every phase of the program's interrupts, for one input given as texts.

    Raises what `Firmware.phases` raises, and ArgumentError for several inputs.
    """
    firmware, name = target.firmware, target.name
    inputs = read_inputs(firmware, name, assignments)
    if inputs.count > 1:
        several = [key for key, domain in inputs.domains.items() if len(domain) > 1]
        one = " ".join(f"{key}={inputs.domains[key][0]}" for key in several)
        raise ArgumentError(
            f"{name}: with interrupts one input is measured at every phase, but there are {inputs.count:,}; give "
            f"{', '.join(several)} one value, for example {one}"
        )
    parameters = signature_of(firmware, name).parameters
    values = [inputs.domains[parameter_key(parameter, n)][0] for n, parameter in enumerate(parameters)]
    return firmware.phases(
        name,
        *values,
        at=at,
        count=count,
        span=span,
        engine=engine,
        max_cycles=max_cycles,
        signals=signals,
        progress=progress,
    )
