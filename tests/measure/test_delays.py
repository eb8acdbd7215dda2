"""What delays take, against what avr-libc promises: `_delay_us`, `_delay_ms`, `__builtin_avr_delay_cycles`.

util/delay.h of avr-libc 2.0.0: the time is turned into cycles, rounded up to a whole number, and that many cycles are
waited exactly; with __DELAY_ROUND_DOWN__ rounded down.
"""

import struct
from fractions import Fraction
from math import ceil
from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.measure.delay_code import delay_code
from cyclerule.measure.delay_sites import DelaySites

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])

# Around each change of the code: NOPs below 6, then counters of one to four bytes.
COUNTS = [
    *range(1, 61),
    *range(250, 262),
    *range(505, 517),
    *range(760, 780),
    *range(1017, 1033),
    *range(4090, 4106),
    *range(65_530, 65_542),
    *(12_345, 16_000, 31_999, 32_000, 99_999, 100_001, 160_000, 200_003),
    *range(262_138, 262_152),
    *(300_000, 1_000_000, 1_310_720, 1_600_001, 2_000_003, 5_000_000, 7_654_321, 9_999_999),
    *range(16_777_212, 16_777_222),
    *(20_000_000, 33_554_432, 50_000_001, 80_000_000, 83_886_080, 83_886_081, 83_886_082, 83_886_083, 90_000_000),
    *(100_663_296, 123_456_789, 160_000_000),
]
PARTS = ("atmega328p", "atmega2560", "attiny85", "at90s8515")
FEWER = {"atmega328p": 1, "atmega2560": 4, "attiny85": 4, "at90s8515": 4}
"""Each how many of the counts are tried on a part."""

MICROSECONDS = (0.0625, 0.1, 0.25, 0.3, 0.5, 1, 1.5, 2, 3, 4.7, 10, 33.3, 50, 100, 123.4, 768, 1000, 4321.5)
MILLISECONDS = (0.01, 0.1, 0.333, 1, 1.5, 2, 5, 10, 20, 50, 99.9, 262.14, 1000)


@pytest.fixture(scope="module")
def waits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, cr.Firmware]:
    """One image for each part."""
    folder = tmp_path_factory.mktemp("delays")
    made = {}
    for part in PARTS:
        counts = COUNTS[:: FEWER[part]]
        source = folder / f"{part}.c"
        text = "".join(f"void wait_{n}(void) {{ __builtin_avr_delay_cycles({n}UL); }}\n" for n in counts)
        source.write_text(text, encoding="utf-8")
        made[part] = cr.build([source], part=part)
    return made


def test_there_are_200_counts_and_more() -> None:
    """Each once."""
    assert len(set(COUNTS)) == len(COUNTS) >= 200


@pytest.mark.parametrize("part", PARTS)
def test_a_delay_of_n_cycles_takes_n(waits: dict[str, cr.Firmware], part: str) -> None:
    """The builtin "is guaranteed" to take exactly so many (GCC manual, AVR Built-in Functions); RET 4, or 5 cycles."""
    firmware = waits[part]
    back = 5 if part == "atmega2560" else 4
    for n in COUNTS[:: FEWER[part]]:
        engine = "reference" if n < 20_000 else "scalar"
        assert firmware.call(f"wait_{n}", max_cycles=2 * n + 1000, engine=engine).cycles == n + back, n


@pytest.mark.parametrize("part", PARTS)
def test_the_code_of_a_delay_is_read_as_what_it_takes(waits: dict[str, cr.Firmware], part: str) -> None:
    """The loops' constants are decoded from flash: the same count, without running."""
    firmware = waits[part]
    for n in COUNTS[:: FEWER[part]]:
        function = firmware.functions[f"wait_{n}"]
        (start, end), *_ = function.ranges
        code = delay_code(firmware._stage.chip, start // 2, end // 2)
        assert code is not None
        assert (code.first, code.end, code.cycles) == (start // 2, end // 2 - 1, n), n


def single(value: float) -> float:
    """Rounds to the 32 bits that avr-gcc's double has."""
    rounded: float = struct.unpack("<f", struct.pack("<f", value))[0]
    return rounded


@pytest.mark.parametrize(
    ("hertz", "rounding", "rounded"),
    [
        (16_000_000, "", ceil),
        (12_345_678, "", ceil),
        (12_345_678, "#define __DELAY_ROUND_DOWN__\n", int),
    ],
)
def test_delays_of_avr_libc_take_the_cycles_of_their_time(
    tmp_path: Path, hertz: int, rounding: str, rounded: type[int]
) -> None:
    """The cycles are F_CPU times the time in the 32 bits of avr-gcc's double, rounded as the header says."""
    source, text, wanted = tmp_path / "waits.c", rounding + "#include <util/delay.h>\n", {}
    for unit, times in (("us", MICROSECONDS), ("ms", MILLISECONDS)):
        for number, each in enumerate(times):
            text += f"void {unit}_{number}(void) {{ _delay_{unit}({each}); }}\n"
            scale = 1e6 if unit == "us" else 1e3
            wanted[f"{unit}_{number}"] = (each, rounded(single(single(single(hertz) / scale) * single(each))))
    source.write_text(text, encoding="utf-8")
    # Functions that wait as long as another one would else become that one.
    firmware = cr.build([source], part="atmega328p", clock=hertz, flags=["-fno-ipa-icf"])
    for name, (asked, cycles) in wanted.items():
        call = firmware.call(name, max_cycles=2 * cycles + 1000)
        assert call.cycles == cycles + 4, name
        if not cycles:
            continue
        (delay,) = call.delays
        microseconds = Fraction(str(asked)) * (1 if name.startswith("us") else 1000)
        assert (delay.asked_least, delay.asked_most) == (microseconds, microseconds)
        assert (delay.count, delay.minimum, delay.maximum, delay.own_cycles) == (1, cycles, cycles, cycles)
        assert delay.error_least == delay.error_most == cycles - microseconds * hertz / 1_000_000
        assert delay.place.endswith(f"in {name}")


@pytest.fixture(scope="module")
def program() -> cr.Firmware:
    """A program with delays of every kind."""
    return cr.build([PROGRAMS / "delays.c"], part="atmega328p", clock="16 MHz")


@BOTH
def test_a_run_lists_the_delays_that_it_met(program: cr.Firmware, engine: str) -> None:
    """In the order in which they were met: with handlers inside they take longer, and by themselves what was asked."""
    run = program.run(until="cycles:400_000", engine=engine)
    by_place = {(each.name, each.place.partition(" in ")[2], each.asked_most): each for each in run.delays}
    one = by_place["_delay_us", "short_ones", Fraction(1)]
    half = by_place["_delay_us", "short_ones", Fraction(1, 2)]
    assert (one.own_cycles, half.own_cycles) == (16, 8)
    assert one.minimum == 16
    assert run.loop is not None
    assert one.count == half.count
    assert one.count in (run.loop.count, run.loop.begun)
    odd = by_place["_delay_us", "odd_one", Fraction(1, 10)]
    assert (odd.own_cycles, odd.error_least) == (2, Fraction(2, 5))
    long = by_place["_delay_ms", "long_one", Fraction(1500)]
    handler = run.handlers["TIMER1_COMPA"].minimum
    assert long.own_cycles == long.minimum == 24_000
    # Interrupts are off in setup(); later 24 or 25 ticks come in 24,000 cycles and those of their handlers.
    assert (long.maximum - 24_000) % handler == 0
    assert 24 <= (long.maximum - 24_000) // handler <= 26
    sometimes = by_place["_delay_us", "sometimes", Fraction(10)]
    assert sometimes.count == (one.count + 1) // 2


@BOTH
def test_functions_that_wait_are_followed_with_what_they_were_asked(program: cr.Firmware, engine: str) -> None:
    """Each place that calls one has a row: `delay(2)` is constant, `delay(pass & 3)` asks for 0 to 3 ms."""
    run = program.run(until="cycles:1_000_000", engine=engine)
    delays = [each for each in run.delays if each.name == "delay"]
    constant, other = delays
    assert constant.is_constant
    assert (constant.asked_least, other.asked_least, other.asked_most) == tuple(map(Fraction, (2000, 0, 3000)))
    assert not other.is_constant
    inner = next(each for each in run.delays if each.name == "delayMicroseconds")
    assert {inner.asked_least, inner.asked_most} == {Fraction(1000)}
    # SBIW 2 and BRNE 2 a turn, 4 turns a microsecond at 16 MHz, and a few instructions around them; then handlers.
    alone, handler = program.call("delayMicroseconds", 1000).cycles, run.handlers["TIMER1_COMPA"].minimum
    assert 0 < alone - 16_000 < 30
    assert (inner.minimum - alone) % handler == (inner.maximum - alone) % handler == 0
    assert inner.own_cycles is None


@BOTH
def test_calls_have_their_delays_too(program: cr.Firmware, engine: str) -> None:
    """The three of one function, and one that is skipped is none."""
    call = program.call("short_ones", engine=engine)
    assert [(each.asked_least, each.maximum) for each in call.delays] == [(1, 16), (Fraction(1, 2), 8), (50, 800)]
    assert call.cycles == 16 + 8 + 800 + 4
    assert program.call("sometimes", 0, engine=engine).delays == ()
    assert [each.maximum for each in program.call("sometimes", 1, engine=engine).delays] == [160]


@BOTH
def test_following_delays_changes_no_figure(program: cr.Firmware, engine: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cycles, instructions and handlers are those of a run that knows of no delays."""
    with_delays = program.run(until="cycles:300_000", engine=engine)
    monkeypatch.setattr("cyclerule.measure.stage.find_delays", lambda image, chip: DelaySites((), ()))
    without = program.run(until="cycles:300_000", engine=engine)
    assert with_delays.delays
    assert without.delays == ()
    assert (with_delays.cycles, with_delays.instructions) == (without.cycles, without.instructions)
    assert with_delays.handlers == without.handlers
    assert with_delays.loop == without.loop


def test_of_a_delay_that_is_met_very_often_the_first_turns_are_measured(
    program: cr.Firmware, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others are not counted, and that is said."""
    monkeypatch.setattr("cyclerule.measure.delays.MEASURED_TURNS", 3)
    some = program.run(until="cycles:800_000").delays
    monkeypatch.undo()
    every = program.run(until="cycles:800_000").delays
    for few, all_of_it in zip(some, every, strict=True):
        assert (few.name, few.place, few.count) == (all_of_it.name, all_of_it.place, min(3, all_of_it.count))
        assert few.is_complete is (all_of_it.count <= 3)


def test_what_is_not_known_of_a_delay_is_said_so(tmp_path: Path) -> None:
    """Without optimization `_delay_ms` works its time out in floating point, among other code: it is named alone."""
    source = tmp_path / "slow.c"
    text = "#define F_CPU 16000000UL\n#include <util/delay.h>\nint main(void) { _delay_ms(2); for (;;) { } }\n"
    source.write_text(text, encoding="utf-8")
    firmware = cr.build([source], part="atmega328p", optimize="0", clock="16 MHz")
    (delay,) = firmware.run(max_cycles=100_000).delays
    assert (delay.name, delay.count, delay.is_measured) == ("_delay_ms", 1, False)
    assert (delay.asked_least, delay.asked_most, delay.error_least, delay.own_cycles) == (None, None, None, None)


def test_common_practice_about_delays() -> None:
    """Common practice, no source: at 16 MHz 16 cycles are 1 µs; an empty loop is removed; a volatile counter is slow.

    A loop of 1000 turns without a body takes no time at all, and with a volatile counter over 1000 µs.
    """
    firmware = cr.build([PROGRAMS / "empty_loops.c"], part="atmega328p", clock="16 MHz")
    assert firmware.call("one_microsecond").cycles == 16 + 4
    assert firmware.call("empty_loop").cycles == 4
    call = firmware.call("volatile_loop")
    assert call.seconds is not None
    assert 1000e-6 < call.seconds < 2000e-6
