"""The change of a figure against the last one, in words."""

from cyclerule.report.timing import TimeView
from cyclerule.report.wording import span_text
from cyclerule.store.last import Figures

UNCHANGED = "as before"


def change_text(before: Figures, view: TimeView) -> str:
    """Says how a function's figures differ from the last ones; nothing where they do not."""
    build = view.build
    return change_between(
        before, Figures(view.minimum.cycles, view.maximum.cycles, build.compiler, tuple(build.flags), build.image)
    )


def change_between(before: Figures, after: Figures) -> str:
    """Says how figures differ: "was 49, now 27: −22"; nothing where they do not."""  # noqa: RUF002 - a minus
    least, most = after.minimum - before.minimum, after.maximum - before.maximum
    if not least and not most:
        return ""
    if before.minimum == before.maximum and after.minimum == after.maximum:
        changed = _signed(most)
    elif least == most:
        changed = f"{_signed(most)} at least and at most"
    else:
        changed = ", ".join(f"{_signed(each)} at {word}" for each, word in ((least, "least"), (most, "most")) if each)
    was, now = span_text(before.minimum, before.maximum), span_text(after.minimum, after.maximum)
    return f"was {was}, now {now}: {changed}{_then(before, after)}"


def _signed(change: int) -> str:
    return f"{'−' if change < 0 else '+'}{abs(change):,}"  # noqa: RUF001 - a minus as it is printed


def _then(before: Figures, after: Figures) -> str:
    """Names what was built otherwise."""
    facts = [
        (" ".join(before.flags), " ".join(after.flags), "no flags"),
        (before.compiler or "", after.compiler or "", "another compiler"),
        (before.image, after.image, ""),
    ]
    others = [then or none for then, now, none in facts if then != now]
    return f"; then with {', '.join(others)}" if others else ""
