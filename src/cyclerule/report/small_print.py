"""The small print under an answer: what was measured, on what, and by what, so that others can check the figure."""

from cyclerule.report.timing import BuildView
from cyclerule.units import Hertz, clock_text


def small_print(part: str, clock_hz: int | None, build: BuildView, ran: str, engine: str) -> str:
    """Gives it in one line; `ran` says how the program came to what was measured."""
    facts = [
        part if clock_hz is None else f"{part} at {clock_text(Hertz(clock_hz))}",
        " ".join(filter(None, (build.compiler, *build.flags))),
        build.image,
        f"image {build.image_sha256[:12]}",
        ran,
        f"{engine} engine",
        "no clock given, so no times: --clock 16MHz" if clock_hz is None else "",
    ]
    return " · ".join(filter(None, facts))
