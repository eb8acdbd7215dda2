"""A C comment to paste beside the code that was measured."""

from collections.abc import Sequence
from textwrap import wrap

from cyclerule import __version__
from cyclerule.report.sentence import held_text, sentence
from cyclerule.report.timing import BuildView, TimeView
from cyclerule.report.wording import input_text

WIDTH = 80


def comment(view: TimeView) -> str:
    """Writes a result as a C comment of a few lines, in ASCII, which every compiler and editor takes."""
    lines = [f"{sentence(view)}."]
    if view.minimum.cycles != view.maximum.cycles:
        extremes = (("least", view.minimum), ("most", view.maximum))
        lines.append(
            "; ".join(f"{word} {each.cycles:,} with {input_text(each.shown)}" for word, each in extremes) + "."
        )
    if len(view.held) > 1 and held_text(view.held) != held_text(view.held, len(view.held)):
        lines.append(f"Held: {held_text(view.held, len(view.held))}.")
    return comment_of([*lines, *view.notes, *view.warnings], view.part, view.build)


def comment_of(lines: Sequence[str], part: str, build: BuildView) -> str:
    """Writes lines of text as a C comment, with what was measured at its end."""
    compiler = " ".join(filter(None, (build.compiler, *build.flags)))
    source = ", ".join(filter(None, (part, compiler, build.image)))
    lines = [*lines, f"{source}; image {build.image_sha256[:12]}; cyclerule {__version__}."]
    wrapped = [row for line in lines for row in _rows(_in_comment(line))]
    body = "\n * ".join(wrapped)
    return f"/* {body}\n */"


def _rows(text: str) -> list[str]:
    return wrap(text, WIDTH - len(" * "), break_long_words=False, break_on_hyphens=False)


def _in_comment(text: str) -> str:
    text = text.replace("µ", "u").replace("…", "...").replace("*/", "* /").replace("/*", "/ *").replace("\n", " ")
    return text.encode("ascii", "backslashreplace").decode("ascii")
