"""A run of the whole program on a terminal."""

from collections.abc import Iterator

from cyclerule.report.delays import show_delays
from cyclerule.report.run_sentence import percent, rest_of_run_sentence, run_answer, run_sentence
from cyclerule.report.running import RunView
from cyclerule.report.small_print import small_print
from cyclerule.report.terminal import Screen, make_table
from cyclerule.report.wording import counted
from cyclerule.units import Hertz, microseconds_text

LISTED_WRITES = 12
LISTED_RESETS = 5
LISTED_LINES = 12
"""The most lines of serial text that a report repeats."""


def show_run(screen: Screen, view: RunView, *, is_brief: bool = False, shows_serial: bool = True) -> None:
    """Shows a run; `shows_serial` is False where the serial text was shown before, as it was sent."""
    from rich.text import Text

    if is_brief:
        screen.whole_line(run_sentence(view))
        return
    head, _, figure = run_answer(view).rpartition(": ")
    rest = screen.text(rest_of_run_sentence(view))
    screen.show(Text.assemble((screen.text(head), "bold"), ": ", (figure, "bold yellow"), rest), indent=0)
    screen.line(_small_print(view), style="dim", indent=2)
    _show_beginning(screen, view)
    _show_stats(screen, view)
    if view.delays:
        show_delays(screen, view.delays, has_clock=view.clock_hz is not None)
    _show_writes(screen, view)
    if shows_serial:
        _show_serial(screen, "serial", view.serial_text, len(view.serial_hex) // 2)
    for port in view.other_serial:
        _show_serial(screen, f"serial port {port.number}", port.text, len(port.hex) // 2)
    _show_resets(screen, view)
    remarks = [("note: ", each, "") for each in view.notes] + [("", each, "yellow") for each in view.warnings]
    if remarks:
        screen.line()
    for word, text, style in remarks:
        screen.line(word + text, style=style, indent=2)


def _small_print(view: RunView) -> str:
    ran = counted(view.instructions, "instruction")
    return small_print(view.part, view.clock_hz, view.build, ran, view.engine)


def _show_beginning(screen: Screen, view: RunView) -> None:
    if not view.reached:
        return
    has_clock = view.clock_hz is not None
    heads = ["from reset", "cycles", *(["µs"] if has_clock else [])]
    table = make_table([screen.text(head) for head in heads], right=range(1, len(heads)))
    for name, cycle in view.reached.items():
        table.add_row(f"to {name}", f"{cycle:,}", *_times(view, cycle))
    screen.line()
    screen.show(table)


def _times(view: RunView, cycles: float) -> Iterator[str]:
    if view.clock_hz is not None:
        yield microseconds_text(cycles, Hertz(view.clock_hz))


def _show_stats(screen: Screen, view: RunView) -> None:
    """Shows what each pass, call and handler took, and sleep."""
    rows = [each for each in (view.setup, view.loop) if each is not None]
    table = make_table(["cycles of", "times", "least", "mean", "most", "in all", "share"], right=range(1, 7), gap=2)
    for each in (*rows, *view.calls, *view.handlers):
        figures = (f"{each.minimum:,}", f"{each.mean:,.2f}", f"{each.maximum:,}") if each.count else ("", "", "")
        is_complete = each is not view.loop or view.loop.is_complete
        times = f"{each.count:,}" if is_complete else f"first {each.count:,}"
        share = percent(each.total / view.cycles) if each.total and is_complete else ""
        table.add_row(screen.text(each.name), times, *figures, f"{each.total:,}", share)
    if view.asleep_cycles:
        table.add_row("asleep", "", "", "", "", f"{view.asleep_cycles:,}", percent(view.asleep_share))
    if table.row_count:
        screen.line()
        screen.show(table)
    if view.loop is not None and view.loop.period is not None:
        time = "".join(f", {text} µs" for text in _times(view, view.loop.period))
        screen.line()
        screen.line(f"loop() begins each {view.loop.period:,.2f} cycles{time}, on average", indent=2)


def _show_writes(screen: Screen, view: RunView) -> None:
    for register, writes in view.writes.items():
        screen.line()
        screen.line(f"{register}: {counted(len(writes), 'write')}", indent=2)
        for each in writes[:LISTED_WRITES]:
            screen.line(f"{each.register} = 0x{each.value:02x} by cycle {each.cycle:,}", indent=4)
        if len(writes) > LISTED_WRITES:
            screen.line(f"and {len(writes) - LISTED_WRITES:,} more (all with --json or --csv)", style="dim", indent=4)


def _show_serial(screen: Screen, name: str, text: str, size: int) -> None:
    if not text:
        return
    lines = text.split("\n")
    lines = lines[:-1] if not lines[-1] else lines
    screen.line()
    screen.line(f"{name}, {counted(size, 'byte')}:", style="dim", indent=2)
    for line in lines[:LISTED_LINES]:
        screen.whole_line(f"    {line}".rstrip())
    if len(lines) > LISTED_LINES:
        more = counted(len(lines) - LISTED_LINES, "more line")
        screen.line(f"and {more} (--serial FILE writes all)", style="dim", indent=4)


def _show_resets(screen: Screen, view: RunView) -> None:
    if view.resets:
        screen.line()
    for each in view.resets[:LISTED_RESETS]:
        screen.line(f"reset at cycle {each.cycle:,}: {each.cause}", style="yellow", indent=2)
    if len(view.resets) > LISTED_RESETS:
        screen.line(f"and {counted(len(view.resets) - LISTED_RESETS, 'more reset')}", style="dim", indent=2)


def speed_text(view: RunView, wall_seconds: float) -> str:
    """Says how fast the simulation was on this machine."""
    speed = view.cycles / max(wall_seconds, 1e-9)
    if view.clock_hz is None:
        return f"simulated {speed / 1_000_000:,.1f} million cycles a second"
    return f"simulated at {speed / view.clock_hz:,.2f} times real time"
