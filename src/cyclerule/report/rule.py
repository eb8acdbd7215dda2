"""A histogram drawn on a ruler: how many inputs take how many cycles."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

HEIGHT = 5
"""Lines of the tallest column."""

WIDEST_CELL = 4
LABEL_ROOM = 9
"""Characters from one numbered mark to the next, at least."""


@dataclass(frozen=True)
class Glyphs:
    """The characters that a ruler is drawn with; `levels` are columns of an eighth of a line to a whole one."""

    levels: str
    rule: str
    mark: str
    numbered: str


BLOCKS = Glyphs(" ▁▂▃▄▅▆▇█", "╌", "╵", "┷")
ASCII = Glyphs("  ..::||#", "-", "'", "+")


@dataclass(frozen=True)
class Scale:
    """How counts of cycles lie on the ruler: from `first` on, each cell `step` cycles and `width` characters."""

    first: int
    step: int
    cells: int
    width: int


def fit_scale(least: int, most: int, room: int) -> Scale:
    """Gives the finest scale from `least` to `most` that fits into `room` characters: a cell a count, or bins."""
    span = most - least + 1
    if span <= room:
        return Scale(least, 1, span, min(WIDEST_CELL, room // span))
    step = next_round(ceil(span / room))
    first = least - least % step
    while most // step - first // step + 1 > room:
        step = next_round(step + 1)
        first = least - least % step
    return Scale(first, step, most // step - first // step + 1, 1)


def next_round(number: int) -> int:
    """Gives the least of 1, 2, 5, 10, 20, 50 … that is not below a number."""
    power = 1
    while True:
        for factor in (1, 2, 5):
            if factor * power >= number:
                return factor * power
        power *= 10


def bin_counts(histogram: Sequence[Sequence[int]], scale: Scale) -> list[int]:
    """Gives how many inputs fall into each cell."""
    cells = [0] * scale.cells
    for cycles, count in histogram:
        cells[(cycles - scale.first) // scale.step] += count
    return cells


def draw_columns(cells: Sequence[int], scale: Scale, glyphs: Glyphs) -> list[str]:
    """Draws the columns, from the top line down; a cell with any input shows at least the lowest mark."""
    full = len(glyphs.levels) - 1
    tallest = max(cells)
    levels = [ceil(count * HEIGHT * full / tallest) for count in cells]
    lines = []
    for line in reversed(range(HEIGHT)):
        characters = (glyphs.levels[max(0, min(full, level - line * full))] for level in levels)
        gap = " " if scale.width > 1 else ""
        lines.append("".join(each * max(1, scale.width - 1) + gap for each in characters).rstrip())
    return lines


def draw_rule(scale: Scale, glyphs: Glyphs) -> list[str]:
    """Draws the ruler under the columns: a line with marks, and the numbers below the longer ones."""
    largest = scale.first + scale.cells * scale.step
    between = next_round(ceil(max(LABEL_ROOM, len(f"{largest:,}") + 2) * scale.step / scale.width))
    minor = next((between // parts for parts in (5, 4, 2) if not between % parts and between // parts >= scale.step), 0)
    rule, numbers = "", ""
    for cell in range(scale.cells):
        cycles = scale.first + cell * scale.step
        at = cell * scale.width
        is_numbered = cycles % between < scale.step
        mark = glyphs.numbered if is_numbered else glyphs.mark if minor and cycles % minor < scale.step else glyphs.rule
        rule += mark + glyphs.rule * (scale.width - 1)
        if is_numbered:
            numbers = numbers.ljust(at) + f"{cycles - cycles % between if cycles % between else cycles:,}"
    return [rule, numbers]
