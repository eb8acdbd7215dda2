"""Results on a terminal: a sentence, the small print, tables, and a histogram where there are many rows."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple, TextIO

from cyclerule.report.delays import show_delays
from cyclerule.report.functions import FunctionsView, FunctionView, functions_sentence
from cyclerule.report.lines import NAMED_PLACES, LinesView, microseconds
from cyclerule.report.parts import PartsView, parts_sentence
from cyclerule.report.rule import ASCII, BLOCKS, bin_counts, draw_columns, draw_rule, fit_scale
from cyclerule.report.sentence import NAMED_HELD, answer, held_text, rest_of_sentence, sentence
from cyclerule.report.settings import SettingView
from cyclerule.report.timing import CallView, TimeView
from cyclerule.report.wording import counted, input_text, returned_text, shortened, span_text
from cyclerule.units import Hertz, clock_text, microseconds_text

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from cyclerule.report.statements import StatementsView

LISTED_ROWS = 16
"""Up to so many rows are shown one by one unless more are asked for."""

LISTED_COUNTS = 10
"""Up to so many different counts of cycles are listed; more are drawn on a ruler."""

TOLD_ONE_BY_ONE = 3
"""Up to so many functions that are not called for the same reason have a line each."""

LISTED_WRITES = 12
PIPED_WIDTH = 80
WIDEST_RULE = 110

_END = re.compile(r"(?: |\x1b\[[0-9;]*m)+$", re.MULTILINE)
_ASCII_WORDS = {"µ": "u", "…": "...", "·": "|", "–": "-", "’": "'", "×": "x", "\N{MINUS SIGN}": "-"}


class Screen:
    """Where a result goes: a stream with its width, colours and characters.

    With `is_plain` all is ASCII and without colour: for screen readers, logs and old terminals.
    """

    def __init__(
        self, stream: TextIO, *, has_colour: bool, is_plain: bool, is_terminal: bool, width: int | None = None
    ) -> None:
        from rich.console import Console

        self.is_plain = is_plain or not _can_draw(stream)
        self.console: Console = Console(
            file=stream,
            force_terminal=has_colour,
            color_system=("auto" if is_terminal else "standard") if has_colour else None,
            no_color=not has_colour,
            highlight=False,
            markup=False,
            emoji=False,
            width=width,
            legacy_windows=False,
        )

    def text(self, text: str) -> str:
        """Gives a text as this screen can show it."""
        if not self.is_plain:
            return text
        for character, word in _ASCII_WORDS.items():
            text = text.replace(character, word)
        return text.encode("ascii", "backslashreplace").decode("ascii")

    def line(self, text: str = "", style: str = "", indent: int = 0) -> None:
        """Writes a text, wrapped at words and indented."""
        from rich.text import Text

        if not text:
            self.console.file.write("\n")
            return
        self.show(Text(self.text(text), style=style), indent)

    def show(self, thing: "RenderableType", indent: int = 2) -> None:
        """Writes a text, a table or a picture."""
        from rich.padding import Padding

        with self.console.capture() as captured:
            self.console.print(Padding(thing, (0, 0, 0, indent), expand=False))
        # Tables fill their last column with blanks, which have no place in a log or behind a prompt.
        self.console.file.write(_END.sub(lambda end: end[0].replace(" ", ""), captured.get()))

    def whole_line(self, text: str) -> None:
        """Writes a line that is not wrapped, so that it can be copied whole."""
        self.console.file.write(f"{self.text(text)}\n")


def show_time(screen: Screen, view: TimeView, *, rows: int = LISTED_ROWS, is_brief: bool = False) -> None:
    """Shows a timed function; `rows` is how many inputs are at most shown one by one."""
    if is_brief:
        screen.whole_line(sentence(view) + (f"; {view.change}" if view.change else ""))
        return
    _show_sentence(screen, view)
    if view.change:
        screen.line(view.change, style="bold", indent=2)
    screen.line(small_print(view), style="dim", indent=2)
    screen.line()
    if view.in_place is not None and len(view.in_place.places) > NAMED_PLACES:
        show_places(screen, view.in_place)
        screen.line()
    if view.count == 1:
        _show_call(screen, view, view.calls[0])
    else:
        shown = view.calls[:rows]
        if len(shown) == view.count:
            _show_rows(screen, view, shown)
            screen.line()
            screen.line(f"{_mean_text(view)}; {_stack_text(view)}", indent=2)
        else:
            if view.minimum.cycles != view.maximum.cycles:
                _show_extremes(screen, view)
                screen.line()
                show_histogram(screen, view.histogram, "input")
                screen.line()
            screen.line(_stack_text(view), indent=2)
            if rows != LISTED_ROWS and shown:
                screen.line()
                _show_rows(screen, view, shown)
                screen.line(f"and {counted(view.count - len(shown), 'more row')}", style="dim", indent=2)
    if view.delays:
        show_delays(screen, view.delays, has_clock=view.clock_hz is not None)
    _show_remarks(screen, view)


def small_print(view: "TimeView | StatementsView") -> str:
    """Says what was measured."""
    facts = [
        view.part if view.clock_hz is None else f"{view.part} at {clock_text(Hertz(view.clock_hz))}",
        " ".join(filter(None, (view.build.compiler, *view.build.flags))),
        view.build.image,
        f"image {view.build.image_sha256[:12]}",
        f"starts {view.start}",
        f"{view.engine} engine",
    ]
    if view.clock_hz is None:
        facts.append("no clock given, so no times: --clock 16MHz")
    return " · ".join(filter(None, facts))


def _show_sentence(screen: Screen, view: TimeView) -> None:
    from rich.text import Text

    head, _, figure = answer(view).rpartition(": ")
    rest = screen.text(rest_of_sentence(view))
    screen.show(Text.assemble((screen.text(head), "bold"), ": ", (screen.text(figure), "bold yellow"), rest), indent=0)


def _show_call(screen: Screen, view: TimeView, call: CallView) -> None:
    table = make_table(["", ""], right=())
    facts = [("cycles", f"{call.cycles:,}", _time(view, call.cycles))]
    if not view.is_handler:
        facts.append(("with its call", f"{call.cycles_with_call:,}", _time(view, call.cycles_with_call)))
    for word, figure, time in facts:
        table.add_row(word, screen.text(figure + (f"   {time} µs" if time else "")))
    table.add_row("instructions", f"{call.instructions:,}")
    table.add_row("stack", f"{counted(call.stack_bytes, 'byte')}, the return address included")
    if call.returned is not None:
        table.add_row("returns", screen.text(_returned_in_full(call.returned)))
        if "return" in view.read:
            table.add_row("", screen.text(shortened(view.read["return"], 200)))
    for name, data in view.buffers.items():
        if data == call.returned or (name in call.shown and is_as_given(call.shown[name], data)):
            continue
        table.add_row(f"{name} afterwards", screen.text(shortened(bytes.fromhex(data).hex(" "), 200)))
        if name in view.read:
            table.add_row("", screen.text(shortened(view.read[name], 200)))
    for number, write in enumerate(view.writes[:LISTED_WRITES]):
        table.add_row("" if number else "writes", f"{write.register} = 0x{write.value:02x} by cycle {write.cycle:,}")
    if len(view.writes) > LISTED_WRITES:
        table.add_row("", f"and {len(view.writes) - LISTED_WRITES} more (all with --json)")
    screen.show(table)


def is_as_given(shown: str, afterwards: str) -> bool:
    """Whether a buffer, in hexadecimal, is what was given for it: "hex:0102", "text:hello" with the NUL it gains."""
    kind, _, given = shown.partition(":")
    data = given if kind == "hex" else (given.encode("utf-8") + b"\0").hex() if kind == "text" else None
    return data == afterwards


def _returned_in_full(returned: object) -> str:
    if isinstance(returned, int) and not 0 <= returned <= 9:
        return f"{returned}   ({'-' if returned < 0 else ''}0x{abs(returned):02x})"
    return returned_text(returned)


def _show_rows(screen: Screen, view: TimeView, calls: Sequence[CallView]) -> None:
    """Shows inputs one by one: a column a parameter where they fit, else one for all of them."""
    marks = _marks(view, calls)
    figures = [each for each in _figures(view) if any(each.text(call) for call in calls)]
    names = list(view.domains)
    values = [[shortened(call.shown[name]) for name in names] for call in calls]
    merged = [[input_text(call.shown, 12)] for call in calls]
    room = screen.console.width - 2

    def made(inputs: list[list[str]], shown: Sequence[_Figure]) -> list[list[str]]:
        return [
            [*given, *(each.text(call) for each in shown), mark]
            for given, call, mark in zip(inputs, calls, marks, strict=True)
        ]

    # What gives way first on a narrow screen: what is the same in most rows, then a column for each parameter.
    heads, shown, rows = names, figures, made(values, figures)
    if _width([*heads, *(each.head for each in shown), ""], rows) > room:
        shown = figures[:-2]
        rows = made(values, shown)
    if _width([*heads, *(each.head for each in shown), ""], rows) > room:
        heads = ["input"]
        rest = _width([*heads, *(each.head for each in shown), ""], made([["input"] for _ in calls], shown))
        rows = made([[shortened(text, max(12, room - rest + len("input")))] for (text,) in merged], shown)
    titles = [*heads, *(each.head for each in shown), ""]
    # Laid out here: there may be tens of thousands, for which rich's tables take minutes.
    lines = aligned([titles, *rows], left=(0, len(titles) - 1) if heads is not names else (len(titles) - 1,))
    screen.line(next(lines), style="dim", indent=2)
    for line in lines:
        screen.whole_line(f"  {line}")


def aligned(rows: Sequence[Sequence[str]], left: Iterable[int]) -> Iterator[str]:
    """Lays rows out in columns, to the right but for those that are `left`."""
    widest = [max(map(len, column)) for column in zip(*rows, strict=True)]
    on_the_left = set(left)
    for row in rows:
        cells = (
            text.ljust(width) if number in on_the_left else text.rjust(width)
            for number, (text, width) in enumerate(zip(row, widest, strict=True))
        )
        yield "  ".join(cells).rstrip()


class _Figure(NamedTuple):
    head: str
    text: Callable[[CallView], str]


def _figures(view: TimeView) -> list[_Figure]:
    return [
        _Figure("cycles", lambda call: f"{call.cycles:,}"),
        _Figure("µs", lambda call: _time(view, call.cycles)),
        _Figure("returns", lambda call: shortened(returned_text(call.returned))),
        _Figure("instructions", lambda call: f"{call.instructions:,}"),
        _Figure("stack", lambda call: str(call.stack_bytes)),
    ]


def _marks(view: TimeView, calls: Sequence[CallView]) -> list[str]:
    """Names the first row that has the least cycles, the median and the most."""
    found: dict[int, str] = {}
    for word, each in (("least", view.minimum), ("median", view.median), ("most", view.maximum)):
        if view.minimum.cycles == view.maximum.cycles:
            break
        first = next((n for n, call in enumerate(calls) if call.cycles == each.cycles), None)
        if first is not None:
            found[first] = f"{found[first]}, {word}" if first in found else word
    return [found.get(n, "") for n in range(len(calls))]


def _show_extremes(screen: Screen, view: TimeView) -> None:
    has_clock = view.clock_hz is not None
    heads = ["", "cycles", *(["µs"] if has_clock else []), "first input"]
    table = make_table([screen.text(head) for head in heads], right=range(1, len(heads) - 1))
    for word, each in (("least", view.minimum), ("median", view.median), ("most", view.maximum)):
        time = [_time(view, each.cycles)] if has_clock else []
        table.add_row(word, f"{each.cycles:,}", *time, screen.text(input_text(each.shown)), style="")
    time = [_time(view, view.mean_cycles)] if has_clock else []
    table.add_row("mean", f"{view.mean_cycles:,.2f}", *time, f"of {counted(view.count, 'input')}")
    screen.show(table)


def _mean_text(view: TimeView) -> str:
    time = f", {_time(view, view.mean_cycles)} µs" if view.clock_hz is not None else ""
    return f"mean {view.mean_cycles:,.2f} cycles{time}"


def _stack_text(view: TimeView) -> str:
    return f"stack {counted(view.stack_bytes, 'byte')} at most, the return address included"


def show_histogram(screen: Screen, histogram: Sequence[Sequence[int]], word: str) -> None:
    """Shows how many of something, named by a word, took how many cycles; rows of [cycles, how many], upwards."""
    if len(histogram) <= LISTED_COUNTS:
        _show_counts(screen, histogram, word)
        return
    from rich.text import Text

    glyphs = ASCII if screen.is_plain else BLOCKS
    scale = fit_scale(histogram[0][0], histogram[-1][0], min(screen.console.width - 12, WIDEST_RULE))
    cells = bin_counts(histogram, scale)
    tallest = max(cells)
    at = scale.first + scale.step * cells.index(tallest)
    where = str(at) if scale.step == 1 else span_text(at, at + scale.step - 1)
    columns = draw_columns(cells, scale, glyphs)
    rule, numbers = draw_rule(scale, glyphs)
    screen.line(
        f"{word}s by their cycles; the tallest column is {counted(tallest, word)} "
        f"({tallest / sum(cells):.1%}) at {where} cycles",
        indent=2,
    )
    for line in columns:
        screen.show(Text(line, style="yellow", no_wrap=True))
    screen.show(Text(rule, style="dim", no_wrap=True))
    screen.show(Text(f"{numbers}  cycles", style="dim", no_wrap=True))


def _show_counts(screen: Screen, histogram: Sequence[Sequence[int]], word: str) -> None:
    table = make_table(["cycles", f"{word}s", "share", ""], right=range(3))
    counts = [count for _, count in histogram]
    room = max(8, min(40, screen.console.width - 40))
    for cycles, count in histogram:
        share = bar(count / max(counts), room, screen)
        table.add_row(f"{cycles:,}", f"{count:,}", f"{count / sum(counts):.1%}", share)
    screen.show(table)


def bar(share: float, room: int, screen: Screen) -> "RenderableType":
    """Draws a bar of a share of the room, to an eighth of a character, never empty for a share above 0."""
    from rich.text import Text

    if screen.is_plain:
        return Text("#" * max(1, round(share * room)) if share else "")
    eighths = max(1, round(share * room * 8)) if share else 0
    return Text("█" * (eighths // 8) + " ▏▎▍▌▋▊▉"[eighths % 8].strip(), style="yellow")


def _show_remarks(screen: Screen, view: TimeView) -> None:
    if len(view.held) > NAMED_HELD:
        screen.line()
        screen.line(f"held: {held_text(view.held, len(view.held))}", indent=2)
    remarks = [("note", each, "") for each in view.notes] + [("", each, "yellow") for each in view.warnings]
    if remarks:
        screen.line()
    for word, text, style in remarks:
        screen.line(f"{word}: {text}" if word else text, style=style, indent=2)


def make_table(heads: Sequence[str], right: Iterable[int], gap: int = 3) -> "Table":
    """Makes an empty table without lines; the columns in `right` are set to the right."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="dim", show_header=any(heads))
    on_the_right = set(right)
    for number, head in enumerate(heads):
        table.add_column(
            head,
            justify="right" if number in on_the_right else "left",
            no_wrap=number in on_the_right,
            overflow="fold",
        )
    return table


def _width(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> int:
    widest = [max(len(row[column]) for row in [heads, *rows]) for column in range(len(heads))]
    return sum(widest) + 2 * (len(widest) - 1)


def _time(view: TimeView, cycles: float) -> str:
    return "" if view.clock_hz is None else microseconds_text(cycles, Hertz(view.clock_hz))


def _can_draw(stream: TextIO) -> bool:
    """Whether the stream's encoding has the characters that are drawn with."""
    try:
        "µ…·█▁┷╌╵▏".encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def show_places(screen: Screen, view: LinesView) -> None:
    """Shows the places of timed lines, a row each."""
    has_clock = view.clock_hz is not None
    heads = ["", "passes", "least", "mean", "most", *(["most µs"] if has_clock else [])]
    shown = make_table([screen.text(head) for head in heads], right=range(1, len(heads)))
    for each in view.places:
        figures = ["", "", "", *([""] if has_clock else [])]
        if each.minimum is not None and each.maximum is not None:
            time = [microseconds(each.maximum, view.clock_hz)] if has_clock else []
            figures = [f"{each.minimum:,}", f"{each.mean_cycles:,.2f}", f"{each.maximum:,}", *time]
        shown.add_row(screen.text(each.place), f"{each.count:,}", *figures)
    screen.show(shown)


def show_functions(screen: Screen, view: FunctionsView, *, is_brief: bool = False) -> None:
    """Shows the functions of a program, and what to type next."""
    if is_brief:
        screen.whole_line(functions_sentence(view))
        return
    screen.line(functions_sentence(view), style="bold")
    for note in view.notes:
        screen.whole_line(f"  {note}")
    if not view.functions:
        return
    facts = (
        view.part if view.clock_hz is None else f"{view.part} at {clock_text(Hertz(view.clock_hz))}",
        " ".join(filter(None, (view.build.compiler, *view.build.flags))),
        f"image {view.build.image_sha256[:12]}",
        # What stands for most programs need not be said of each.
        f"calls start {view.start}" if view.start not in ("", "at the entry of main") else "",
    )
    screen.line(" · ".join(filter(None, facts)), style="dim", indent=2)
    screen.line()
    measured = [each for each in view.functions if each.maximum is not None]
    if measured:
        _show_measured(screen, view, measured)
    others = [each for each in view.functions if each.maximum is None]
    if others:
        if measured:
            screen.line()
        _show_others(screen, others)
    _show_list_remarks(screen, measured)
    if view.next_commands:
        screen.line()
        screen.line("next:", style="dim", indent=2)
    for command in view.next_commands:
        screen.whole_line(f"  {command}")


def _show_measured(screen: Screen, view: FunctionsView, functions: Sequence[FunctionView]) -> None:
    has_clock = view.clock_hz is not None
    heads = ["function", "cycles", *(["at most µs"] if has_clock else []), "bytes", "stack", "inputs tried"]
    table = make_table([screen.text(head) for head in heads], right=range(1, len(heads) - 1), gap=2)
    marks = _footnotes(functions)
    for each in functions:
        least, most = each.minimum or 0, each.maximum or 0
        time = [] if view.clock_hz is None else [microseconds_text(most, Hertz(view.clock_hz))]
        name = each.name + marks[each.name]
        table.add_row(
            screen.text(name),
            span_text(least, most),
            *time,
            f"{each.size_bytes:,}",
            str(each.stack_bytes),
            screen.text(_tried(each)),
        )
    screen.show(table)


def _show_others(screen: Screen, functions: Sequence[FunctionView]) -> None:
    screen.line("not called:", style="dim", indent=2)
    table = make_table(["", ""], right=[], gap=2)
    named: dict[str, list[str]] = {}
    for each in functions:
        named.setdefault(_why(each), []).append(each.name)
    for why, names in named.items():
        if len(names) <= TOLD_ONE_BY_ONE:
            for name in names:
                table.add_row(name, screen.text(why))
    if table.row_count:
        screen.show(table)
    for why, names in named.items():
        if len(names) > TOLD_ONE_BY_ONE:
            screen.line(f"{', '.join(names)}: {why}", indent=2)


def _footnotes(functions: Sequence[FunctionView]) -> dict[str, str]:
    return {each.name: (" *" if each.stands else "") + (" !" if each.warnings else "") for each in functions}


def _show_list_remarks(screen: Screen, functions: Sequence[FunctionView]) -> None:
    kept = [each for each in functions if each.stands]
    if kept:
        screen.line()
        listed = "; ".join(f"{each.name} is {each.stands}" for each in kept)
        screen.line(f"* measured in a kept copy, as the program's own build has none: {listed}", style="dim", indent=2)
    held = [f"{each.name} reads {', '.join(each.held)}" for each in functions if each.held]
    if held:
        screen.line()
        screen.line(f"with what they read besides, as it is at the start: {'; '.join(held)}", style="dim", indent=2)
    warned = list(dict.fromkeys(warning for each in functions for warning in each.warnings))
    if warned:
        screen.line()
        for warning in warned:
            screen.line(f"! {warning}", style="yellow", indent=2)


def _tried(each: FunctionView) -> str:
    if each.inputs == 1:
        return "takes none"
    if each.covers == "every input":
        return f"all {each.tried:,}"
    return f"{each.tried:,} of {each.inputs:,}"


def _why(each: FunctionView) -> str:
    stands = f"; {each.stands}" if each.stands and each.stands not in (each.problem or "") else ""
    return f"{each.problem}{': ' + ' '.join(each.example) if each.example else ''}{stands}"


def show_parts(screen: Screen, view: PartsView, *, is_brief: bool = False) -> None:
    """Shows the parts of a toolchain."""
    if is_brief:
        screen.whole_line(parts_sentence(view))
        return
    screen.line(parts_sentence(view), style="bold")
    screen.line(view.directory, style="dim", indent=2)
    screen.line()
    table = make_table(["part", "CPU", "flash", "RAM", "EEPROM", ""], right=(2, 3, 4))
    for each in view.parts:
        sizes = ("" if size is None else f"{size:,}" for size in (each.flash_bytes, each.ram_bytes, each.eeprom_bytes))
        table.add_row(each.name, each.family, *sizes, each.problem or "")
    screen.show(table)


def show_settings(screen: Screen, view: Sequence[SettingView]) -> None:
    """Shows the settings and where each came from."""
    table = make_table(["setting", "value", "from"], right=())
    for each in view:
        table.add_row(each.name, screen.text(each.value or "none"), each.origin)
    screen.show(table, indent=0)
