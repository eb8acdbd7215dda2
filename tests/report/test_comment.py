"""The C comment can be pasted: it is one comment, in ASCII, and no wider than source."""

import re
import subprocess
from pathlib import Path

import pytest

from cyclerule import __version__
from cyclerule.measure.results import Call, Held, Sweep, Warned
from cyclerule.report.comment import WIDTH, comment
from cyclerule.report.timing import view_time
from tests.report.handmade import FORAGE, forage_cycles, made_call, made_sweep

RESULTS: dict[str, Call | Sweep] = {
    "a sweep": made_sweep(FORAGE, forage_cycles),
    "the end of a comment inside": made_call({"text": "*/ int x = 3; /*"}, 7, returned=1),
    "other alphabets": made_call({"text": "пчела \\"}, 7, warnings=[Warned("wabe.c:3", "Zähler … fehlt\nhier")]),
    "much held": made_sweep({"n": range(3)}, lambda n: 9 + n, held=[Held(f"cell{n}", n) for n in range(30)]),
}


@pytest.mark.parametrize("name", RESULTS)
def test_a_compiler_sees_nothing_of_it(name: str, tmp_path: Path) -> None:
    """The preprocessor leaves the code around it alone, and -Wall, which warns of a comment in a comment, is silent."""
    text = comment(view_time(RESULTS[name]))
    source = tmp_path / "comb.c"
    source.write_text(f"int before;\n{text}\nint after;\n", "utf-8")
    done = subprocess.run(
        ["avr-gcc", "-E", "-P", "-Wall", "-Werror", str(source)], capture_output=True, check=True, encoding="utf-8"
    )
    assert done.stdout.split() == ["int", "before;", "int", "after;"]
    assert text.isascii()


def test_it_says_what_was_measured() -> None:
    """Figures, part, compiler, flags, image and the version that measured: enough to repeat it."""
    text = comment(view_time(RESULTS["a sweep"]))
    flat = " ".join(re.sub(r"^ ?[/*]+ ?", "", line) for line in text.splitlines())
    assert "forage: 1,041 to 3,048 cycles, 65.06 to 190.50 us at 16 MHz" in flat
    assert "least 1,041 with bees = 0, wind = 0; most 3,048 with bees = 2, wind = 7." in flat
    assert (
        f"atmega328p, avr-gcc 5.4.0 -Os -funsigned-char, as built; image 0123456789ab; cyclerule {__version__}" in flat
    )


@pytest.mark.parametrize("name", ["a sweep", "much held"])
def test_it_is_no_wider_than_source(name: str) -> None:
    """80 columns."""
    assert max(map(len, comment(view_time(RESULTS[name])).splitlines())) <= WIDTH == 80
