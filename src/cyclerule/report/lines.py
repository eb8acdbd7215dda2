"""The view of lines that were timed in the program's own run, and its sentences."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from cyclerule.measure.pass_results import LinesRun, PassStats
from cyclerule.measure.stretch import named_lines
from cyclerule.report.timing import BuildView
from cyclerule.report.wording import counted, span_text, time_span
from cyclerule.units import Hertz, clock_text, microseconds_text

NAMED_PLACES = 2
"""Up to so many places of a function that does not stand by itself are told one by one in a sentence."""


@dataclass(frozen=True)
class PassView:
    """One pass; `cycles` are `own_cycles` and `called_cycles` together, the others came on top."""

    start_cycle: int
    cycles: int
    own_cycles: int
    called_cycles: int
    other_cycles: int
    handler_cycles: int
    place: str


@dataclass(frozen=True)
class OtherLineView:
    """Another line of which something ran inside passes, with its cycles in all of them."""

    file: str | None
    line: int | None
    cycles: int


@dataclass(frozen=True)
class PlaceView:
    """The passes at one place; the figures are None where there was none."""

    place: str
    function: str
    count: int
    minimum: int | None
    maximum: int | None
    mean_cycles: float | None
    others: list[OtherLineView]
    unfinished: int
    left: int


@dataclass(frozen=True)
class LinesView:
    """Some lines, or a function in place, as passes of the program's own run from reset.

    `run_cycles` is how long the run was, `stopped` why it ended and `stopped_at` where. `notes` are remarks on the
    passes, `warnings` what the figures rest on and the model lacks, `build_warnings` the compiler's.
    """

    lines: str
    part: str
    clock_hz: int | None
    build: BuildView
    engine: str
    run_cycles: int
    stopped: str
    stopped_at: str
    count: int
    minimum: int | None
    maximum: int | None
    mean_cycles: float | None
    total_cycles: int
    places: list[PlaceView]
    passes: list[PassView] = field(repr=False)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    build_warnings: list[str] = field(default_factory=list)
    change: str = ""
    """How the cycles differ from the last time; it is in no document."""


def view_lines(run: LinesRun, build_warnings: Sequence[str] = ()) -> LinesView:
    """Makes the view of timed lines."""
    measured = run.measured
    passes = [
        PassView(
            each.start_cycle,
            each.cycles,
            each.own_cycles,
            each.called_cycles,
            each.other_cycles,
            each.handler_cycles,
            place.place,
        )
        for place in run.places
        for each in place.passes
    ]
    return LinesView(
        lines=run.what,
        part=measured.part,
        clock_hz=measured.clock,
        build=BuildView(measured.compiler, list(measured.flags), measured.image, measured.image_sha256),
        engine=measured.engine,
        run_cycles=run.cycles,
        stopped=run.stopped,
        stopped_at=run.stopped_at,
        count=run.count,
        minimum=run.minimum if run.count else None,
        maximum=run.maximum if run.count else None,
        mean_cycles=run.mean if run.count else None,
        total_cycles=run.total,
        places=[_place(each) for each in run.places],
        passes=sorted(passes, key=lambda each: each.start_cycle),
        notes=_notes(run),
        warnings=[str(each) for each in run.warnings],
        build_warnings=list(build_warnings),
    )


def _place(stats: PassStats) -> PlaceView:
    others = sorted(stats.others.items(), key=lambda each: ("", 0) if each[0] is None else (each[0].file, each[0].line))
    return PlaceView(
        place=stats.place,
        function=stats.function,
        count=stats.count,
        minimum=stats.minimum if stats.count else None,
        maximum=stats.maximum if stats.count else None,
        mean_cycles=stats.mean if stats.count else None,
        others=[
            OtherLineView(None if at is None else at.file, None if at is None else at.line, cycles)
            for at, cycles in others
        ],
        unfinished=stats.unfinished,
        left=stats.left,
    )


def _notes(run: LinesRun) -> list[str]:
    """Says what was counted apart, what was not counted, and why the run ended where that is no plain end."""
    several = len(run.places) > 1
    notes = [
        f"{place.place}: {note}" if several else note
        for place in run.places
        for note in (_others_note(place), _handlers_note(place), *_uncounted_notes(place))
        if note
    ]
    if run.stopped == "fault":
        notes.append(f"the run stopped on a fault: {run.fault}")
    elif run.stopped == "halted" and not run.count:
        notes.append(f"the program halted at {run.stopped_at}, with no event to come")
    return notes


def _others_note(place: PassStats) -> str:
    if not place.others:
        return ""
    found = [each.other_cycles for each in place.passes]
    lines = named_lines(at for at in place.others if at is not None) or "no known line"
    if len(set(found)) == 1:
        return (
            f"counted apart: {counted(found[0], 'cycle')} of {lines} ran inside{' each pass' if len(found) > 1 else ''}"
        )
    having = sum(1 for each in found if each)
    return (
        f"counted apart: {span_text(min(each for each in found if each), max(found))} cycles of {lines} ran inside "
        f"{counted(having, 'pass').replace('passs', 'passes')} of {len(found):,}"
    )


def _handlers_note(place: PassStats) -> str:
    found = [each.handler_cycles for each in place.passes if each.handler_cycles]
    if not found:
        return ""
    return (
        f"counted apart: interrupt handlers, {span_text(min(found), max(found))} cycles, ran inside "
        f"{passes_text(len(found))} of {place.count:,}"
    )


def _uncounted_notes(place: PassStats) -> list[str]:
    notes = []
    if place.unfinished:
        endless = "" if place.count else "; do the lines hold a loop that never ends?"
        notes.append(f"{passes_text(place.unfinished)} had not ended when the run stopped and is not counted{endless}")
    if place.left:
        notes.append(f"{passes_text(place.left)} never ended, as a function it called jumped away (longjmp)")
    if not place.is_certain:
        notes.append(
            "the source is not there, or newer than the program, to tell loops by: a loop around the lines that has no "
            "code of other lines counts as theirs"
        )
    return notes


def passes_text(count: int) -> str:
    """Writes a count of passes."""
    return f"{count:,} pass" if count == 1 else f"{count:,} passes"


def lines_answer(view: LinesView) -> str:
    """Gives the first words: "hive.c:41-48: 180 to 212 cycles in 3 passes"."""
    return f"{view.lines}: {_figures(view.minimum, view.maximum, view.count)}"


def in_place_text(view: LinesView) -> str:
    """Writes the figures of a function in place: "in place in loop: 212 cycles in each of 3 passes (as built)"."""
    if len(view.places) > NAMED_PLACES:
        where = f"at {len(view.places)} places"
        return f"in place {where}: {_figures(view.minimum, view.maximum, view.count)} ({view.build.image})"
    texts = [f"in place {each.place}: {_figures(each.minimum, each.maximum, each.count)}" for each in view.places]
    return f"{'; '.join(texts)} ({view.build.image})"


def _figures(least: int | None, most: int | None, count: int) -> str:
    if least is None or most is None:
        return "no pass"
    each = "each of " if count > 1 and least == most else ""
    return f"{span_text(least, most)} {'cycle' if most == 1 else 'cycles'} in {each}{passes_text(count)}"


def lines_sentence(view: LinesView) -> str:
    """Says what some lines take, in words."""
    return lines_answer(view) + rest_of_lines(view)


def rest_of_lines(view: LinesView) -> str:
    """Gives what follows the first words: time, mean, what of it was called, and how long the run was."""
    clauses: list[str] = []
    if view.minimum is not None and view.maximum is not None:
        if view.clock_hz is not None:
            clock = Hertz(view.clock_hz)
            clauses.append(f", {time_span(view.minimum, view.maximum, clock)} at {clock_text(clock)}")
        else:
            clauses.append("")
        if view.minimum != view.maximum:
            clauses.append(f"mean {view.mean_cycles:,.2f}")
        called = {each.called_cycles for each in view.passes}
        if called != {0}:
            clauses.append(f"{span_text(min(called), max(called))} of them in what it calls")
        clauses.append(f"in {length_text(view.run_cycles, view.clock_hz)} from reset")
        return "; ".join(clauses)
    begun = any(each.unfinished or each.left for each in view.places)
    why = "one began and did not end" if begun else "control never came there"
    return f" in {length_text(view.run_cycles, view.clock_hz)} from reset: {why}"


def length_text(cycles: int, clock_hz: int | None) -> str:
    """Writes how long a run was: "1.000 s", without a clock in cycles."""
    return f"{cycles:,} cycles" if clock_hz is None else time_span(cycles, cycles, Hertz(clock_hz))


def microseconds(cycles: float, clock_hz: int | None) -> str:
    """Writes cycles as microseconds; nothing without a clock."""
    return "" if clock_hz is None else microseconds_text(cycles, Hertz(clock_hz))
