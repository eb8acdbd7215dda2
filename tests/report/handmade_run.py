"""Views of runs made by hand: the figures are chosen, nothing is run."""

from fractions import Fraction

from cyclerule.measure.delay_stats import DelayStats
from cyclerule.report.delays import view_delays
from cyclerule.report.running import (
    CallRowView,
    CallsView,
    HandlerView,
    PassesView,
    ResetView,
    RunView,
    SerialView,
    StatsView,
)
from cyclerule.report.timing import BuildView, WriteView

Z = Fraction(0)
DELAYS = [
    DelayStats("_delay_us", "hive.c:7 in loop", Fraction(50), Fraction(50), 9, 800, 844, 7_244, 800, Z, Fraction(44)),
    DelayStats(
        "_delay_ms",
        "hive.c:9 in loop",
        Fraction(1500),
        Fraction(1500),
        2000,
        24_001,
        24_001,
        48_002_000,
        24_001,
        Fraction(1),
        Fraction(1),
        is_complete=False,
    ),
    DelayStats(
        "delay",
        "hive.c:8 in setup",
        Fraction(1000),
        Fraction(5000),
        2,
        16_100,
        80_200,
        96_300,
        None,
        Fraction(100),
        Fraction(200),
    ),
    DelayStats("_delay_ms", "hive.c:11 in loop", None, None, 3, 0, 0, 0, None, None, None, is_measured=False),
]

A_RUN = RunView(
    program="hive.c and 2 more",
    part="atmega328p",
    clock_hz=16_000_000,
    build=BuildView("avr-gcc 5.4.0", ["-Os"], "as built", "0123456789abcdef" * 4),
    engine="scalar",
    cycles=1_600_000,
    instructions=900_123,
    stopped="max_cycles",
    place="hive.c:41 in loop",
    reason="",
    until=None,
    is_met=True,
    limit=1_600_000,
    reached={"main": 117, "setup": 121, "loop": 1_400},
    setup=StatsView("setup()", 1, 1_234, 1_234, 1_234.0, 1_234),
    loop=PassesView("loop()", 1_500, 160, 24_012, 1_050.25, 1_575_375, 1_064.0, 16_000_000 / 1_064.0, is_complete=True),
    asleep_cycles=320_000,
    delays=view_delays(DELAYS, 16_000_000),
    handlers=[HandlerView("TIMER1_COMPA", 99, 44, 51, 44.5, 4_405, 4_405 / 1_600_000)],
    calls=[
        CallsView(
            "crc8_frame",
            2,
            177,
            179,
            178.0,
            356,
            "crc8_frame",
            [
                CallRowView(2_522, 177, "frame_read"),
                CallRowView(178_516, 179, "frame_read"),
            ],
        )
    ],
    writes={"PORTB": [WriteView(2_000 + n, "PORTB", n) for n in range(13)]},
    serial_text="hive 1: 34.61 C\nhive 2: 35.\\x07",
    serial_hex=b"hive 1: 34.61 C\nhive 2: 35.\x07".hex(),
    resets=[ResetView(1_200_000, "WDRF")],
    other_serial=[SerialView(1, "bees\n", b"bees\n".hex())],
    notes=["a note"],
    warnings=["hive.c:7 in main: warning: ADCSRA is not modelled"],
)

A_SHORT_RUN = RunView(
    program="hive.elf",
    part="atmega328p",
    clock_hz=None,
    build=BuildView(None, [], "as built", "0" * 64),
    engine="reference",
    cycles=812,
    instructions=500,
    stopped="halted",
    place="hive.c:12 in main",
    reason="asleep for ever: interrupts are off",
    until="exit",
    is_met=False,
    limit=None,
    reached={},
    setup=None,
    loop=None,
    asleep_cycles=0,
    delays=view_delays(DELAYS[2:], None),
    handlers=[],
    calls=[],
    writes={},
    serial_text="",
    serial_hex="",
)
