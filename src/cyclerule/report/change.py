"""The change of a figure against the last one, in words."""

from cyclerule.report.timing import TimeView
from cyclerule.report.wording import span_text
from cyclerule.store.last import Figures

UNCHANGED = "as before"


def change_text(before: Figures, view: TimeView) -> str:
    """Says how figures differ from the last ones: "was 49, now 27: −22"; nothing where they do not."""  # noqa: RUF002 - a minus
    least, most = view.minimum.cycles - before.minimum, view.maximum.cycles - before.maximum
    if not least and not most:
        return ""
    if before.minimum == before.maximum and view.minimum.cycles == view.maximum.cycles:
        changed = _signed(most)
    elif least == most:
        changed = f"{_signed(most)} at least and at most"
    else:
        changed = ", ".join(f"{_signed(each)} at {word}" for each, word in ((least, "least"), (most, "most")) if each)
    was, now = span_text(before.minimum, before.maximum), span_text(view.minimum.cycles, view.maximum.cycles)
    return f"was {was}, now {now}: {changed}{_then(before, view)}"


def _signed(change: int) -> str:
    return f"{'−' if change < 0 else '+'}{abs(change):,}"  # noqa: RUF001 - a minus as it is printed


def _then(before: Figures, view: TimeView) -> str:
    """Names what was built otherwise."""
    facts = [
        (" ".join(before.flags), " ".join(view.build.flags), "no flags"),
        (before.compiler or "", view.build.compiler or "", "another compiler"),
        (before.image, view.build.image, ""),
    ]
    others = [then or none for then, now, none in facts if then != now]
    return f"; then with {', '.join(others)}" if others else ""
