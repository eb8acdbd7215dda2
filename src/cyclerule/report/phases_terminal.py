"""A call at many phases of the program's interrupts, on a terminal."""

from cyclerule.report.phases import PhasesView, phases_answer, phases_sentence, rest_of_phases_sentence
from cyclerule.report.small_print import small_print
from cyclerule.report.terminal import Screen, make_table, show_histogram
from cyclerule.units import Hertz, microseconds_text


def show_phases(screen: Screen, view: PhasesView, *, is_brief: bool = False) -> None:
    """Shows a call at phases: least, mean and most, the handlers, and how many phases take how many cycles."""
    from rich.text import Text

    if is_brief:
        screen.whole_line(phases_sentence(view))
        return
    head, _, figure = phases_answer(view).rpartition(": ")
    rest = screen.text(rest_of_phases_sentence(view))
    screen.show(Text.assemble((screen.text(head), "bold"), ": ", (figure, "bold yellow"), rest), indent=0)
    screen.line(_small_print(view), style="dim", indent=2)
    screen.line()
    _show_extremes(screen, view)
    if view.handlers:
        screen.line()
        _show_handlers(screen, view)
    if len(view.histogram) > 1:
        screen.line()
        show_histogram(screen, view.histogram, "phase")
    screen.line()
    for source in view.sources:
        period = "at no period that is known" if source.period is None else f"each {source.period:,} cycles"
        screen.line(f"{source.vector or 'an event that may lead to an interrupt'}: {period}", indent=2)
    _show_remarks(screen, view)


def _show_remarks(screen: Screen, view: PhasesView) -> None:
    problem = [f"with interrupts off: {view.own_problem}"] if view.own_problem else []
    remarks = [("note: ", each, "") for each in (*problem, *view.notes)]
    remarks += [("", each, "yellow") for each in view.warnings]
    if remarks:
        screen.line()
    for word, text, style in remarks:
        screen.line(word + text, style=style, indent=2)


def _small_print(view: PhasesView) -> str:
    ran = f"begins at {view.at} in the program's own run, {view.place}"
    return small_print(view.part, view.clock_hz, view.build, ran, view.engine)


def _show_extremes(screen: Screen, view: PhasesView) -> None:
    heads = ["", "cycles", *(["µs"] if view.clock_hz else []), "own", "first phase"]
    table = make_table([screen.text(head) for head in heads], right=range(1, len(heads)))
    own = {row.phase: f"{row.own_cycles:,}" for row in view.rows}
    for word, cycles, phase in (
        ("least", view.minimum, view.minimum_phase),
        ("most", view.maximum, view.maximum_phase),
    ):
        table.add_row(word, f"{cycles:,}", *_time(view, cycles), own[phase], f"{phase:,}")
    table.add_row("mean", f"{view.mean_cycles:,.2f}", *_time(view, view.mean_cycles), "", "")
    screen.show(table)


def _time(view: PhasesView, cycles: float) -> list[str]:
    return [] if view.clock_hz is None else [microseconds_text(cycles, Hertz(view.clock_hz))]


def _show_handlers(screen: Screen, view: PhasesView) -> None:
    table = make_table(["handler inside", "in calls", "of them", "runs", "least", "most"], right=range(1, 6), gap=2)
    for each in view.handlers:
        share = f"{each.hit / view.count:.2%}".replace("%", " %")
        figures = (f"{figure:,}" for figure in (each.count, each.minimum, each.maximum))
        table.add_row(screen.text(each.vector), f"{each.hit:,}", share, *figures)
    screen.show(table)
