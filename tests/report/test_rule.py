"""The histogram on a ruler loses no input, fits its room, and its numbers stand where they belong."""

from hypothesis import given
from hypothesis import strategies as st

from cyclerule.report.rule import ASCII, BLOCKS, HEIGHT, bin_counts, draw_columns, draw_rule, fit_scale, next_round

HISTOGRAMS = st.dictionaries(st.integers(0, 1 << 34), st.integers(1, 1 << 20), min_size=2, max_size=60)


@given(HISTOGRAMS, st.integers(20, 110))
def test_every_input_is_in_one_cell_and_the_picture_fits(counts: dict[int, int], room: int) -> None:
    """The cells add up to all inputs, and each holds what lies in its part of the scale."""
    histogram = sorted(counts.items())
    scale = fit_scale(histogram[0][0], histogram[-1][0], room)
    cells = bin_counts(histogram, scale)
    assert sum(cells) == sum(counts.values())
    assert scale.cells * scale.width <= room
    for cell, count in enumerate(cells):
        start = scale.first + cell * scale.step
        assert count == sum(n for cycles, n in histogram if start <= cycles < start + scale.step)


@given(HISTOGRAMS, st.integers(20, 110))
def test_columns_are_as_tall_as_their_share_and_never_lost(counts: dict[int, int], room: int) -> None:
    """The tallest column is full, one with any input shows a mark, one with none is empty."""
    histogram = sorted(counts.items())
    scale = fit_scale(histogram[0][0], histogram[-1][0], room)
    cells = bin_counts(histogram, scale)
    lines = [line.ljust(scale.cells * scale.width) for line in draw_columns(cells, scale, BLOCKS)]
    assert len(lines) == HEIGHT
    levels = [sum(BLOCKS.levels.index(line[n * scale.width]) for line in lines) for n in range(scale.cells)]
    assert max(levels) == levels[cells.index(max(cells))] == HEIGHT * 8
    for count, level in zip(cells, levels, strict=True):
        assert (count == 0) == (level == 0)
        assert abs(level - count * HEIGHT * 8 / max(cells)) < 1


@given(st.integers(0, 1 << 34), st.integers(1, 1 << 34), st.integers(20, 110))
def test_numbers_stand_under_their_marks(least: int, span: int, room: int) -> None:
    """A number begins where its mark is, and names a count in that mark's cell."""
    scale = fit_scale(least, least + span, room)
    for glyphs in (BLOCKS, ASCII):
        rule, numbers = draw_rule(scale, glyphs)
        assert len(rule) == scale.cells * scale.width
        marks = [place for place, each in enumerate(rule) if each == glyphs.numbered]
        starts = [n for n, each in enumerate(numbers) if each != " " and (n == 0 or numbers[n - 1] == " ")]
        assert starts == marks
        for place, number in zip(marks, numbers.split(), strict=True):
            start = scale.first + place // scale.width * scale.step
            assert start <= int(number.replace(",", "")) < start + scale.step


def test_steps_are_round() -> None:
    """1, 2 or 5 times a power of ten, and no smaller one would do."""
    assert [next_round(n) for n in (1, 2, 3, 6, 10, 11, 21, 501)] == [1, 2, 5, 10, 10, 20, 50, 1000]
