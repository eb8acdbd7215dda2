"""Signals from outside during calls, sweeps and runs: at their cycles, on every engine, in every row alike."""

from itertools import pairwise
from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError, RunawayError
from cyclerule.session.firmware import Firmware, build

PROGRAM = Path(__file__).parent / "programs" / "entrance.c"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])


@pytest.fixture(scope="module")
def firmware() -> Firmware:
    """The entrance of a hive, at 16 MHz."""
    return build([PROGRAM], part="atmega328p", clock="16 MHz")


@BOTH
def test_code_that_waits_for_a_level_goes_on_when_it_comes(firmware: Firmware, engine: str) -> None:
    """SBIS sees a pin one cycle after it has changed (the synchroniser), and takes the level once a turn."""
    calls = {at: firmware.call("wait_for_bee", 0, signals=[(at, "PB0", 1)], engine=engine) for at in range(200, 230)}
    turns = {call.returned for call in calls.values() if isinstance(call.returned, int)}
    assert max(turns) - min(turns) in range(5, 9)
    # One turn later makes the call a turn longer, and nothing else does.
    lengths = sorted({call.cycles for call in calls.values()})
    assert len(lengths) == len(turns)
    assert len({later - earlier for earlier, later in pairwise(lengths)}) == 1
    for at, call in calls.items():
        assert at < call.cycles < at + 20
    assert "with 1 signal" in calls[200].measured.start


def test_a_time_is_that_many_cycles_of_the_clock(firmware: Firmware) -> None:
    """100 µs at 16 MHz are 1600 cycles."""
    by_time = firmware.call("wait_for_bee", 0, signals=[("100us", "PB0", 1)])
    by_cycles = firmware.call("wait_for_bee", 0, signals=[(1600, "PB0", 1)])
    assert by_time.cycles == by_cycles.cycles


@BOTH
def test_every_row_of_a_sweep_has_the_same_signals(firmware: Firmware, engine: str) -> None:
    """Each row starts anew, its signals with it, in compiled batches too."""
    signals = [(500, "PB0", 1), (900, "PB0", 0)]
    sweep = firmware.sweep("wait_for_bee", {"from": range(2000)}, signals=signals, engine=engine)
    one = firmware.call("wait_for_bee", 0, signals=signals)
    assert sweep.minimum.cycles == sweep.maximum.cycles == one.cycles
    assert sweep.returned is not None
    assert [int(each) for each in sweep.returned[:3]] == [one.returned, one.returned + 1, one.returned + 2]  # type: ignore[operator]


def test_signals_are_gone_from_the_next_call(firmware: Firmware) -> None:
    """A call without signals starts from the state without them."""
    firmware.call("wait_for_bee", 0, signals=[(100, "PB0", 1)])
    with pytest.raises(RunawayError, match="PINB"):
        firmware.call("wait_for_bee", 0, max_cycles=100_000)


def test_a_wait_that_no_signal_ends_is_told(firmware: Firmware) -> None:
    """The last signal is not the level that is waited for."""
    with pytest.raises(RunawayError, match="PINB"):
        firmware.call("wait_for_bee", 0, signals=[(50_000, "PB1", 1)], max_cycles=100_000)


@BOTH
def test_bytes_come_in_at_the_speed_of_the_receiver_or_their_own(firmware: Firmware, engine: str) -> None:
    """UBRR 103 at 16 MHz is 9615 baud: 1664 cycles a bit, DS40002061A sec. 20.3; a byte of ten bits."""
    call = firmware.call("receive", signals=[(1000, "serial0", b"\x01\x02\x03")], engine=engine)
    assert call.returned == 6
    # The last byte is there within its stop bit, whose middle is 9.5 bits after its beginning.
    begins = 1000 + 2 * 16_640
    assert begins + 9 * 1664 < call.cycles < begins + 10 * 1664 + 20
    slower = firmware.call("receive", signals=[(1000, "serial0", b"\x01\x02\x03", 9600)], engine=engine)
    # 16 MHz / 9600 = 1666.67 cycles a bit, two bytes and 9.5 bits; the receiver looks each 104 cycles (sec. 20.8).
    assert abs(slower.cycles - call.cycles - 29.5 * (16_000_000 / 9600 - 1664)) <= 104


@BOTH
def test_a_voltage_is_converted_as_it_is_when_it_is_sampled(firmware: Firmware, engine: str) -> None:
    """ADC = Vin * 1024 / Vref (sec. 24.7), sampled 13.5 ADC clocks into a first conversion of 25 (table 24-1)."""
    signals = [(0, "AVCC", 3.3), (0, "ADC3", 1.1), (5000, "ADC3", "3V")]
    assert firmware.call("weigh", signals=signals, engine=engine).returned == 11 * 1024 // 33
    # 13.5 ADC clocks of 128 cycles are 1728.
    early = firmware.call("weigh", signals=[(0, "AVCC", 3.3), (0, "ADC3", 1.1), (1500, "ADC3", "3V")], engine=engine)
    assert early.returned == 30 * 1024 // 33
    counts = firmware.call("weigh", signals=[(0, "ADC3", 513)], engine=engine)
    assert counts.returned == 513
    assert counts.cycles == early.cycles


@BOTH
def test_a_program_asleep_is_woken_by_a_signal(firmware: Firmware, engine: str) -> None:
    """Each bee's edge on INT0 wakes the chip: DS40002061A sec. 13; wake-up 4 cycles and response 4, sec. 7.7.1."""
    signals = [(at, "PD2", level) for at in (10_000, 20_000, 30_000) for level in (1,)]
    signals = [pair for at, _, _ in signals for pair in ((at, "PD2", 1), (at + 500, "PD2", 0))]
    run = firmware.run(max_cycles=40_000, signals=signals, watch=["GPIOR0"], engine=engine)
    marks = [(write.cycle, write.value) for write in run.watched["GPIOR0"]]
    assert [value for _, value in marks] == [1, 2, 3]
    assert len({cycle % 10_000 for cycle, _ in marks}) == 1
    assert run.handlers["INT0"].count == 3


def test_a_run_with_signals_is_the_same_on_both_engines(firmware: Firmware) -> None:
    """Cycles, instructions, writes and pins."""
    signals = [(at, "PD2", at // 37 % 2) for at in range(100, 20_000, 37)]
    runs = [
        firmware.run(max_cycles=25_000, signals=signals, watch=["GPIOR0", "PINB"], pins=["PB1", "PD2"], engine=engine)
        for engine in ("reference", "scalar")
    ]
    assert runs[0].watched == runs[1].watched
    assert runs[0].pins.edges == runs[1].pins.edges
    assert (runs[0].cycles, runs[0].instructions) == (runs[1].cycles, runs[1].instructions)
    assert len(runs[0].watched["GPIOR0"]) > 100


@pytest.mark.parametrize(
    ("signal", "said"),
    [
        ("0, PE0, 1", "bees.csv:1:4: atmega328p has no pin PE0; it has ports B, C, D"),
        ("0, ADC9, 1V", "bees.csv:1:4: atmega328p has no ADC9"),
        ('0, serial1, "a"', "bees.csv:1:4: atmega328p has no serial1; it has serial0"),
    ],
)
def test_what_the_part_lacks_is_told_with_its_place(firmware: Firmware, tmp_path: Path, signal: str, said: str) -> None:
    """File, line and column."""
    file = tmp_path / "bees.csv"
    file.write_text(f"{signal}\n", encoding="utf-8")
    with pytest.raises(ArgumentError) as caught:
        firmware.call("wait_for_bee", 0, signals=file)
    assert said in str(caught.value)


def test_a_time_needs_a_clock(tmp_path: Path) -> None:
    """Cycles do not."""
    firmware = build([PROGRAM], part="atmega328p")
    with pytest.raises(ArgumentError, match=r"signals\[0\]: a time needs a clock"):
        firmware.call("wait_for_bee", 0, signals=[("1ms", "PB0", 1)])
    with pytest.raises(ArgumentError, match=r"9600 baud needs a clock"):
        firmware.call("receive", signals=[(0, "serial0", b"a", 9600)])
    assert firmware.call("wait_for_bee", 0, signals=[(100, "PB0", 1)]).cycles > 100


def test_signals_go_on_over_a_reset_of_the_chip(tmp_path: Path) -> None:
    """The watchdog resets the chip each 16 ms or so (DS40002061A table 11-2); the bees do not care."""
    source = tmp_path / "watched.c"
    source.write_text(
        "#include <avr/io.h>\n#include <avr/wdt.h>\n"
        "int main(void)\n{\n    wdt_enable(WDTO_15MS);\n    for (;;)\n        GPIOR0 = PINB;\n}\n",
        encoding="utf-8",
    )
    watched = build([source], part="atmega328p", clock="1 MHz")
    signals = [("5ms", "PB0", 1), ("100ms", "PB0", 0), ("140ms", "PB0", 1)]
    run = watched.run(max_cycles=200_000, signals=signals, pins=["PB0"])
    assert len(run.resets) > 2
    assert [(edge.cycle, edge.level) for edge in run.pins.edges] == [(5000, True), (100_000, False), (140_000, True)]
