"""Screens that write into a text, to look at what would be seen."""

import io
from collections.abc import Callable

from cyclerule.report.terminal import Screen


def seen(show: Callable[[Screen], None], *, width: int = 80, is_plain: bool = False, has_colour: bool = False) -> str:
    """Gives what a face writes on a screen of that width."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="", write_through=True)
    show(Screen(stream, has_colour=has_colour, is_plain=is_plain, is_terminal=has_colour, width=width))
    stream.flush()
    stream.seek(0)
    return stream.read()
