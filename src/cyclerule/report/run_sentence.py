"""The first line of a run of the whole program, and the words for its end."""

from cyclerule.report.running import RunView
from cyclerule.report.wording import counted, span_text, time_span
from cyclerule.units import Hertz, clock_text


def run_answer(view: RunView) -> str:
    """Gives the first words: "hive.c: ran 16,000,000 cycles from reset"."""
    return f"{view.program}: ran {counted(view.cycles, 'cycle')} from reset"


def run_sentence(view: RunView) -> str:
    """Says how a program ran, in one line."""
    return run_answer(view) + rest_of_run_sentence(view)


def rest_of_run_sentence(view: RunView) -> str:
    """Gives what follows the first words: the time, the passes, what handlers and sleep took, and the end."""
    time = ""
    if view.clock_hz is not None:
        time = f", {time_span(view.cycles, view.cycles, Hertz(view.clock_hz))} at {clock_text(Hertz(view.clock_hz))}"
    handled = sum(each.total for each in view.handlers)
    clauses = [
        _passes(view),
        f"{percent(handled / view.cycles)} in interrupt handlers" if handled else "",
        f"{percent(view.asleep_share)} asleep" if view.asleep_cycles else "",
        resets_text(view),
        end_text(view),
        f"{counted(len(view.warnings), 'warning')} below" if view.warnings else "",
    ]
    return "; ".join([time, *filter(None, clauses)])


def resets_text(view: RunView) -> str:
    """Says what reset the chip inside the run, and when first."""
    if not view.resets:
        return ""
    causes = sorted({"the watchdog" if each.cause == "WDRF" else "the RESET pin" for each in view.resets})
    times = "reset once" if len(view.resets) == 1 else f"reset {len(view.resets):,} times"
    first = "" if len(view.resets) == 1 else "first "
    return f"{times} by {' and '.join(causes)}, {first}at cycle {view.resets[0].cycle:,}"


def end_text(view: RunView) -> str:
    """Says why the run ended, and where the program was."""
    unmet = "" if view.is_met else f"{view.until} was not reached: "
    match view.stopped:
        case "until":
            return f"reached {view.until}, at {view.place}"
        case "halted":
            return f"{unmet}halted at {view.place}: {view.reason}"
        case "fault":
            return f"{unmet}stopped by a fault: {view.reason}"
        case "interrupted":
            return f"ended from the keyboard, at {view.place}"
        case _:
            return f"{unmet}stopped when the time was over, at {view.place}" + (
                f": {view.reason}" if view.reason else ""
            )


def percent(share: float) -> str:
    """Writes a share, so that only what is nothing at all reads as 0."""
    return "less than 0.01 %" if 0 < share < 0.00005 else f"{share:.2%}".replace("%", " %")


def _passes(view: RunView) -> str:
    loop = view.loop
    if loop is None or not loop.count:
        return ""
    often = counted(loop.count, "pass").replace("passs", "passes")
    if loop.per_second is not None:
        often = f"{loop.per_second:,.1f} passes a second"
    return f"loop() makes {often} of {span_text(loop.minimum, loop.maximum)} cycles"
