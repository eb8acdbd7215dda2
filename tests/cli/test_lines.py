"""Lines of a program and functions in place on the command line: faces, words and refusals."""

import csv
import json
import os
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from cyclerule.cli.main import main
from cyclerule.report.document import TimeDocument
from cyclerule.report.lines_document import TimeLinesDocument
from cyclerule.toolchain import find

SOURCE = """#include <avr/io.h>
#include <stdint.h>
volatile uint8_t bees, port;
static uint8_t parity(uint8_t byte)
{
    byte ^= byte >> 4;
    return byte & 1;
}
static uint8_t first_of(const volatile uint8_t *frame)
{
    return frame[0] + 1;
}
int main(void)
{
    for (uint8_t n = 0; n < 3; n++) {
        __asm__ volatile("nop\\n\\tnop");
        port = parity(bees);
        bees = first_of(&port);
    }
    for (;;)
        ;
}
"""
NOPS, CALL = 16, 17
OPTIONS = ("--part", "atmega328p", "--clock", "16MHz")


class Outcome:
    """What a command printed and its exit status."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err


Command = Callable[..., Outcome]


@pytest.fixture
def cyclerule(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Command:
    """Gives `cyclerule time`, in a folder with the program as source and linked."""
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.chdir(tmp_path)
    Path("hive.c").write_text(SOURCE, "utf-8")
    Path("unused.h").write_text("static inline int unused(void) { return 1; }\n", "utf-8")

    def run(*arguments: str) -> Outcome:
        monkeypatch.setattr("sys.argv", ["cyclerule", "time", *arguments])
        status = 0
        try:
            status = main() or 0
        except SystemExit as stop:
            status = int(stop.code or 0)
        written = capfd.readouterr()
        return Outcome(status, written.out, written.err)

    return run


def link() -> None:
    """Links the program by hand."""
    done = find().run("gcc", ["-mmcu=atmega328p", "-Os", "-gdwarf-4", "hive.c", "-o", "hive.elf"])
    assert done.returncode == 0


def test_every_face_tells_the_same_passes(cyclerule: Command) -> None:
    """Two NOP take two cycles (ISA manual), in three turns."""
    words = (f"hive.c:{NOPS}", *OPTIONS)
    sentence = cyclerule(*words, "-q")
    document = msgspec.json.decode(cyclerule(*words, "--json").out, type=TimeLinesDocument)
    rows = list(csv.DictReader(cyclerule(*words, "--csv", "-").out.splitlines()))
    assert sentence.out.startswith(f"hive.c:{NOPS}: 2 cycles in each of 3 passes, 0.13 µs at 16 MHz; in ")
    assert (document.count, document.minimum, document.maximum, document.mean_cycles) == (3, 2, 2, 2.0)
    assert [each.cycles for each in document.passes] == [int(row["cycles"]) for row in rows] == [2, 2, 2]
    assert [each.start_cycle for each in document.passes] == [int(row["start_cycle"]) for row in rows]
    assert {row["place"] for row in rows} == {each.place for each in document.places} == {"in main"}
    assert cyclerule(*words, "--comment").out.startswith(f"/* hive.c:{NOPS}: 2 cycles in each of 3 passes, 0.13 us at")
    shown = cyclerule(*words, "--rows", "1").out
    assert "and 2 more rows" in shown


def test_rows_go_into_a_file(cyclerule: Command) -> None:
    """And the screen says so."""
    done = cyclerule(f"hive.c:{NOPS}", *OPTIONS, "--csv", "passes.csv")
    assert "3 rows written to passes.csv" in done.err
    assert len(Path("passes.csv").read_text("utf-8").splitlines()) == 4


def test_a_linked_file_has_the_lines_of_its_sources(cyclerule: Command) -> None:
    """Even where the source is gone: whether the loop is around is then told by its own instructions."""
    link()
    Path("hive.c").unlink()
    done = cyclerule("hive.elf", f"hive.c:{NOPS}", *OPTIONS)
    assert done.out.startswith(f"hive.c:{NOPS}: 2 cycles in each of 3 passes")
    assert "the source is not there, or newer than the program, to tell loops by" in done.out


def test_a_source_that_was_written_since_tells_nothing_of_loops(cyclerule: Command) -> None:
    """It need not be what the program was built from."""
    link()
    place = Path("hive.c")
    assert "newer than the program" not in cyclerule("hive.elf", f"hive.c:{NOPS}", *OPTIONS).out
    later = Path("hive.elf").stat().st_mtime + 10
    os.utime(place, (later, later))
    assert "newer than the program" in cyclerule("hive.elf", f"hive.c:{NOPS}", *OPTIONS).out


def test_lines_that_control_never_comes_to_are_not_decided(cyclerule: Command) -> None:
    """The run ends before."""
    done = cyclerule(f"hive.c:{NOPS}", *OPTIONS, "--for", "20", "--json")
    assert done.status == 4
    assert json.loads(done.out)["minimum"] is None
    assert (
        "no pass in 1.25 µs from reset: control never came there"
        in cyclerule(f"hive.c:{NOPS}", *OPTIONS, "--for", "20").out
    )


def test_an_inlined_function_has_figures_in_place_and_apart(cyclerule: Command) -> None:
    """The sentence has both, each with its image; so has the document."""
    words = ("hive.c", "parity", *OPTIONS, "--for", "10000")
    done = cyclerule(*words, "-q")
    assert done.out.startswith(f"parity: in place in main, inlined at hive.c:{CALL}: ")
    assert " in each of 3 passes (as built); kept apart: " in done.out
    assert "measured in a kept copy" in done.out
    document = msgspec.json.decode(cyclerule(*words, "--json").out, type=TimeDocument)
    assert document.in_place is not None
    assert (document.standing, document.in_place.count, document.in_place.build.image) == ("inlined", 3, "as built")
    assert document.build.image == "kept copy"
    assert document.notes == ["as built it is inlined into main; kept apart it stands by itself, in a second build"]


def test_apart_forces_the_kept_copy_alone(cyclerule: Command) -> None:
    """Without a run of the program."""
    done = cyclerule("hive.c", "parity", *OPTIONS, "--apart", "-q")
    assert done.out.startswith("parity: ")
    assert "in place" not in done.out
    assert "measured in a kept copy" in done.out


def test_an_inlined_function_that_needs_values_has_its_passes_in_place_without(cyclerule: Command) -> None:
    """The note says what the kept copy would need."""
    done = cyclerule("hive.c", "first_of", *OPTIONS, "--for", "10000")
    assert done.out.startswith("first_of: ")
    assert "kept apart: first_of: frame (const volatile uint8_t *) is a pointer, so it needs values" in done.out


def test_a_function_inlined_into_a_linked_file_has_its_passes_in_place(cyclerule: Command) -> None:
    """No copy of it can be kept, so it takes no values."""
    link()
    done = cyclerule("hive.elf", "parity", "--clock", "16MHz", "--for", "10000")
    assert done.status == 0
    assert done.out.startswith("parity: ")
    assert "as built it is inlined into main; no copy of it can be kept" in done.out
    refused = cyclerule("hive.elf", "parity", "byte=1")
    assert refused.err == (
        "cyclerule: parity: as built it is inlined into main, and hive.elf is linked already; give the sources "
        "instead; without values of byte its passes in place are timed\n"
    )


RUN = "lines are timed in the program's own run"
REFUSALS = {
    ("hive.c:16", "hive.c:17"): "time takes the lines of one place, but there are 2: hive.c:16, hive.c:17",
    ("hive.c:16", "parity"): f"hive.c:16 and parity: give lines or a function, not both; {RUN}",
    ("hive.c:16", "n=3"): f"n= is for a function: {RUN}, with the values that it has there",
    ("hive.c:16", "--set", "bees=3"): f"--set is for a function; {RUN} from reset",
    ("hive.c:16", "--before", "main"): f"--before is for a function; {RUN} from reset",
    ("hive.c:16", "--after", "main"): f"--after is for a function; {RUN} from reset",
    ("hive.c:16", "--interrupts"): f"--interrupts is for a function; {RUN} from reset",
    ("hive.c:16", "--apart"): f"--apart is for a function; {RUN} from reset",
    ("hive.c:16", "--max-cycles", "9"): "--max-cycles is for a function; say with --for how long the program is to run",
    ("hive.c:16", "--passes", "0"): "max_passes=0: give a number above 0, or leave it out for 20,000",
    ("hive.c:16", "--for", "soon"): "'soon' is no length of time; write it as 20ms, 1.5s, 500us, or in cycles as "
    "16000000",
    ("hive.c:16", "--until", "then"): "until='then' is not understood; the ends of a run are exit, break, cycles:N, "
    "serial:TEXT, function:NAME, line:FILE:N",
    ("hive.c:16", "--engine", "steam"): "engine 'steam' is not available; there are auto, reference, scalar",
    ("hive.c:2",): "no line with code 'hive.c:2'; the nearest line with code: 7",
    ("hive.c:9-10",): "no lines with code 'hive.c:9-10'; the nearest lines with code: 7 and 11",
    ("hive.c:17-16",): "hive.c:17-16: lines count from 1, and the first one comes first, as in hive.c:41-48",
    ("hivve.c:16",): "there is no file hivve.c; nearest: hive.c",
    ("hive.c", "unused.h:1"): "no file with code 'unused.h'; there are hive.c",
}


@pytest.mark.parametrize("words", REFUSALS, ids=" ".join)
def test_what_cannot_be_timed_is_refused_with_the_reason(cyclerule: Command, words: tuple[str, ...]) -> None:
    """One message, exit status 2, nothing on standard output."""
    done = cyclerule(*words, *OPTIONS)
    assert done.err == f"cyclerule: {REFUSALS[words]}\n"
    assert (done.status, done.out) == (2, "")
