"""The first line of a result: a sentence that answers in words."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cyclerule.report.lines import in_place_text
from cyclerule.report.timing import CallView, HeldView, TimeView
from cyclerule.report.wording import counted, input_text, returned_text, shortened, span_text, time_span
from cyclerule.units import Hertz, clock_text

if TYPE_CHECKING:
    from cyclerule.report.statements import StatementsView

NAMED_HELD = 4
"""The most held values that a sentence names."""


def answer(view: TimeView) -> str:
    """Gives the first words: the function and its cycles, "crc8_step: 41 to 49 cycles".

    Of one that does not stand by itself those in place come first: "in place in loop: 212 cycles in each of 3 passes".
    """
    least, most = view.minimum.cycles, view.maximum.cycles
    given = f"({input_text(view.calls[0].shown)})" if view.count == 1 and view.calls and view.calls[0].shown else ""
    what = f"{view.function}{given}"
    if view.in_place is not None:
        what = f"{view.function}: {in_place_text(view.in_place)}; kept apart{given}"
    return f"{what}: {span_text(least, most)} {'cycle' if most == 1 else 'cycles'}"


def sentence(view: TimeView) -> str:
    """Says what a function takes, in words.

    "crc8_step: 41 to 49 cycles, 2.56 to 3.06 µs at 16 MHz; 45 to 53 with its call; for every input, with mode = 3"
    """
    return answer(view) + rest_of_sentence(view)


def rest_of_sentence(view: TimeView) -> str:
    """Gives what follows the first words: time, call, what it returned, for which inputs, with what held."""
    least, most = view.minimum.cycles, view.maximum.cycles
    time = ""
    if view.clock_hz is not None:
        time = f", {time_span(least, most, Hertz(view.clock_hz))} at {clock_text(Hertz(view.clock_hz))}"
    clauses = [
        "" if view.is_handler else f"{span_text(least + view.call_cycles, most + view.call_cycles)} with its call",
        f"of which {view.handler_cycles:,} in interrupt handlers" if view.handler_cycles else "",
        _returned(view),
        _scope(view),
        _image(view),
        f"{counted(len(view.warnings), 'warning')} below" if view.warnings else "",
    ]
    return "; ".join([time, *filter(None, clauses)])


def held_text(held: Sequence[HeldView], most: int = NAMED_HELD) -> str:
    """Names what was held: "mode = 0, PINB = 0x00"."""
    texts = [f"{each.name} = {each.shown}" for each in held[:most]]
    if len(held) > most:
        texts.append(f"and {len(held) - most} more")
    return ", ".join(texts)


def given_text(view: "TimeView | StatementsView", most: int = NAMED_HELD) -> str:
    """Names what was set and what was held, with their values: "mode = 0, PINB = 0x00"."""
    return ", ".join(filter(None, (held_text(view.set_first, len(view.set_first)), held_text(view.held, most))))


def _returned(view: TimeView) -> str:
    if view.count != 1 or not view.calls:
        return ""
    call: CallView = view.calls[0]
    return "" if call.returned is None else f"returns {shortened(returned_text(call.returned))}"


def _scope(view: TimeView) -> str:
    held = given_text(view)
    if view.covers == "one input":
        return f"with {held}" if held else ""
    if view.covers == "every input":
        scope = f"for every input ({view.count:,})"
    else:
        # As one types them: with blanks, a list of 1 and 200 would read as 1,200.
        domains = " ".join(f"{name}={shortened(text)}" for name, text in view.domains.items())
        scope = f"for the {counted(view.count, 'input')} {domains}"
    if view.minimum.cycles == view.maximum.cycles:
        scope = f"the same {scope}"
    return f"{scope}, with {held}" if held else scope


def _image(view: TimeView) -> str:
    return "" if view.build.image == "as built" else f"measured in a {view.build.image}"
