"""The first line of a result: a sentence that answers in words."""

from cyclerule.report.timing import HeldView, TimeView
from cyclerule.units import Hertz, clock_text, microseconds_text

NAMED_HELD = 4
"""The most held values that the sentence names."""


def sentence(view: TimeView) -> str:
    """Says what a function takes, in words."""
    least, most = view.minimum.cycles, view.maximum.cycles
    clauses = [f"{_subject(view)}: {_span(least, most)} {'cycle' if most == 1 else 'cycles'}"]
    if view.clock_hz is not None:
        clauses[0] += f", {time_span(least, most, Hertz(view.clock_hz))} at {clock_text(Hertz(view.clock_hz))}"
    clauses.append(f"{_span(least + view.call_cycles, most + view.call_cycles)} with its call")
    clauses += [clause for clause in (_scope(view), _image(view)) if clause]
    return "; ".join(clauses)


def time_span(least: int, most: int, clock: Hertz) -> str:
    """Writes one time or a span of times: "2.56 to 3.06 µs"."""
    scale, unit = next((s, u) for limit, s, u in _UNITS if most * 1_000_000 < limit * clock)
    exact = len(microseconds_text(1, clock).partition(".")[2])
    decimals = min(2, exact) if scale == 1 else 3
    texts = [f"{each * 1_000_000 / clock / scale:.{decimals}f}" for each in (least, most)]
    return f"{_joined(*texts)} {unit}"


_UNITS = ((10_000, 1, "µs"), (10_000_000, 1_000, "ms"), (float("inf"), 1_000_000, "s"))
"""Microseconds below which a unit is used, and how many of them it is."""


def _subject(view: TimeView) -> str:
    return view.function


def _span(least: int, most: int) -> str:
    return _joined(f"{least:,}", f"{most:,}")


def _joined(least: str, most: str) -> str:
    return least if least == most else f"{least} to {most}"


def _scope(view: TimeView) -> str:
    held = held_text(view.held)
    match view.covers:
        case "every input" if view.count > 1:
            scope = "for every input"
        case "some inputs":
            scope = f"for the {view.count:,} inputs asked for"
        case _:
            return f"with {held}" if held else ""
    if view.minimum.cycles == view.maximum.cycles:
        scope = f"the same {scope}"
    return f"{scope}, with {held}" if held else scope


def held_text(held: list[HeldView], most: int = NAMED_HELD) -> str:
    """Names what was held: "mode = 0, PINB = 0x00"."""
    texts = [f"{each.name} = {each.shown}" for each in held[:most]]
    if len(held) > most:
        texts.append(f"and {len(held) - most} more, below")
    return ", ".join(texts)


def _image(view: TimeView) -> str:
    return "" if view.build.image == "as built" else f"measured in a {view.build.image}"
