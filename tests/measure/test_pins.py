"""What the pins did during a run, and the value change dump of it (IEEE 1364-2001 sec. 18)."""

import re
from itertools import pairwise
from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.measure.pins import Edge, PinTrace
from cyclerule.session.firmware import Firmware, build
from cyclerule.units import Hertz

BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])

SOURCE = """
#include <avr/io.h>
int main(void)
{
    DDRB = 1 << PB1;
    for (;;) {
        PORTB = 1 << PB1;
        __builtin_avr_delay_cycles(98);
        PORTB = 0;
        __builtin_avr_delay_cycles(197);
    }
}
"""


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Firmware:
    """A pulse each 300 cycles: OUT, 98, OUT, 197, and RJMP of 2 cycles with a load of 1."""
    source = tmp_path_factory.mktemp("pulse") / "pulse.c"
    source.write_text(SOURCE, encoding="utf-8")
    return build([source], part="atmega328p", clock="16 MHz")


@BOTH
def test_edges_are_those_of_the_instructions_that_make_them(firmware: Firmware, engine: str) -> None:
    """An OUT takes effect at the end of its one cycle; `__builtin_avr_delay_cycles` is exact (GCC manual)."""
    run = firmware.run(max_cycles=10_000, watch=["PB1", "PORTB"], engine=engine)
    writes = [(write.cycle, "PB1", bool(write.value)) for write in run.watched["PORTB"]]
    assert run.pins.edges == writes
    rising = [edge.cycle for edge in run.pins.edges if edge.level]
    falling = [edge.cycle for edge in run.pins.edges if not edge.level]
    assert {later - earlier for earlier, later in zip(rising, falling, strict=False)} == {99}
    assert len({later - earlier for earlier, later in pairwise(rising)}) == 1
    assert run.pins.pins == ("PB1",)


def test_pins_that_were_not_recorded_are_by_running_again(firmware: Firmware) -> None:
    """A run is the same each time; a trace ends where the run does."""
    run = firmware.run(until="cycles:5000")
    assert run.trace is None
    asked = firmware.run(until="cycles:5000", pins=True)
    assert run.pins.edges == asked.pins.edges
    assert run.pins.cycles == run.cycles
    assert run.pins is run.pins
    assert len(run.pins.pins) == 23


def test_a_pin_that_the_part_lacks_is_told(firmware: Firmware) -> None:
    """With the nearest that it has."""
    with pytest.raises(UnknownName, match="no pin 'PE1'"):
        firmware.run(max_cycles=100, pins=["PE1"])
    with pytest.raises(UnknownName, match="recorded pin"):
        firmware.run(max_cycles=100, pins=["PB1"]).pins.level("PB2", 5)


def changes(text: str) -> tuple[int, dict[str, list[tuple[int, str]]]]:
    """Reads a value change dump on its own: the timescale in picoseconds, and the changes by name."""
    head, body = text.split("$enddefinitions $end\n")
    scale = re.search(r"\$timescale (\d+) (ps|ns) \$end", head)
    assert scale is not None
    names = dict(re.findall(r"\$var wire 1 (\S+) (\S+) \$end", head))
    now, found = 0, {name: list[tuple[int, str]]() for name in names.values()}
    for line in body.splitlines():
        if line.startswith("#"):
            assert int(line[1:]) >= now
            now = int(line[1:])
        elif line[0] in "01xz":
            found[names[line[1:]]].append((now, line[0]))
        else:
            assert line in ("$dumpvars", "$end")
    return int(scale[1]) * (1000 if scale[2] == "ns" else 1), found


def test_the_file_has_each_change_at_its_time(firmware: Firmware, tmp_path: Path) -> None:
    """A cycle at 16 MHz is 62.5 ns, so picoseconds hold it exactly; the values at the start come first."""
    run = firmware.run(max_cycles=2000, pins=True)
    run.pins.to_vcd(tmp_path / "pins.vcd")
    scale, found = changes((tmp_path / "pins.vcd").read_text("ascii"))
    assert scale == 1
    assert len(found) == 23
    assert found["PB0"] == [(0, "0")]
    assert found["PB1"] == [(0, "0")] + [(edge.cycle * 62_500, str(int(edge.level))) for edge in run.pins.edges]
    assert len(run.pins.edges) > 10


def test_more_pins_than_characters_have_identifiers_of_their_own(tmp_path: Path) -> None:
    """94 characters may stand in an identifier; the ATmega2560 has fewer pins, but nothing depends on it."""
    start = {f"P{n}": False for n in range(300)}
    trace = PinTrace("part", None, start, 10, [Edge(3, "P299", True)])
    trace.to_vcd(tmp_path / "pins.vcd")
    text = (tmp_path / "pins.vcd").read_text("ascii")
    codes = re.findall(r"\$var wire 1 (\S+) ", text)
    assert len(set(codes)) == 300
    # Without a clock a cycle is a nanosecond.
    assert changes(text)[1]["P299"] == [(0, "0"), (3000, "1")]


def test_a_clock_that_picoseconds_do_not_divide_is_rounded_each_time_anew(tmp_path: Path) -> None:
    """14.7456 MHz: 67816.84 ps a cycle; a million cycles are 67,816,840,278 ps."""
    trace = PinTrace("part", Hertz(14_745_600), {"PB0": False}, 1_000_000, [Edge(1_000_000, "PB0", True)])
    trace.to_vcd(tmp_path / "pins.vcd")
    assert changes((tmp_path / "pins.vcd").read_text("ascii"))[1]["PB0"][-1] == (67_816_840_278, "1")


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """A folder of that name is in the way."""
    (tmp_path / "pins.vcd").mkdir()
    with pytest.raises(ArgumentError, match="cannot be written"):
        PinTrace("part", None, {}, 1).to_vcd(tmp_path / "pins.vcd")


def test_a_level_can_be_asked_for_at_any_cycle() -> None:
    """From the cycle of its change on."""
    trace = PinTrace("part", None, {"PB0": False, "PB1": True}, 9, [Edge(3, "PB0", True), Edge(5, "PB0", False)])
    assert [trace.level("PB0", cycle) for cycle in (2, 3, 4, 5)] == [False, True, True, False]
    assert trace.level("PB1", 9)
