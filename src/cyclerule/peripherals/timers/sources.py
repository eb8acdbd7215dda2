"""The interrupt sources of a timer, by the names that device headers have for their bits and vectors."""

from collections.abc import Callable, Sequence

from cyclerule.parts.part import Part
from cyclerule.peripherals.flags import FlagRegisters, Source
from cyclerule.peripherals.timers.layout import Layout

OVERFLOW, CAPTURE = "overflow", "capture"

Registers = Callable[[str], FlagRegisters]
"""Gives the flag and mask registers that an enable bit stands in."""


def sources_of(part: Part, layout: Layout, registers: Registers) -> dict[str, Source]:
    """Makes the sources: OVERFLOW, CAPTURE and each channel's match by its letter, as far as the part has them."""
    n = layout.number
    named: dict[str, tuple[Sequence[str], Sequence[str], Sequence[str]]] = {
        OVERFLOW: ((f"TOV{n}",), (f"TOIE{n}",), ("OVF", f"OVF{n}")),
        CAPTURE: ((f"ICF{n}",), (f"ICIE{n}", f"TICIE{n}"), ("CAPT", f"CAPT{n}")),
    }
    for channel, unit in layout.units.items():
        # Of several names of a bit the header of the AT90S2313 has the one without a letter for the register alone.
        names = (unit.name, f"{n}A") if channel == "A" else (unit.name,)
        vectors = [f"COMP{channel}", f"COMP_{channel}", f"CMP{channel}"]
        vectors += ["COMP", f"COMP{n}"] if channel == "A" else []
        named[channel] = [f"OCF{name}" for name in names], [f"OCIE{name}" for name in names], vectors
    found = ((name, _source(part, n, each, registers)) for name, each in named.items())
    return {name: source for name, source in found if source is not None}


def _source(
    part: Part, number: int, names: tuple[Sequence[str], Sequence[str], Sequence[str]], registers: Registers
) -> Source | None:
    flags, enables, vectors = names
    flag = next((each for each in flags if each in part.bits), None)
    enable = next((each for each in enables if each in part.bits), None)
    if flag is None or enable is None:
        return None
    # Headers write TIMER1_OVF, TIM1_OVF (ATtiny24), TIMER1_OVF1 (AT90S2313), TIMER1_CMPA (ATtiny26) or TIMER0_COMP_A
    # (AT90PWM2).
    written = (f"{timer}{number}_{vector}" for timer in ("TIMER", "TIM") for vector in vectors)
    vector = next((part.vectors[each] for each in written if each in part.vectors), None)
    return registers(enable).add_source(part.bits[flag], part.bits[enable], vector)
