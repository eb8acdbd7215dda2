"""External clocks and input capture against their datasheet, and against the flip-flops of its figures.

DS40002061A is the datasheet of ATmega48A/PA/88A/PA/168A/PA/328/P: sec. 16.6 input capture, 17.3 external clock.
"""

import random
from collections import deque
from collections.abc import Iterator

import pytest

from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Pin
from tests.peripherals.fitted import Fitted
from tests.peripherals.stepped_timer import Sampler

FALLING, RISING = 6, 7


def pin(chip: Fitted, function: str) -> Pin:
    """Gives the pin of a function."""
    found = chip.devices.ports.pin(pin_of(chip.chip.part, function))
    assert found is not None
    return found


class NoiseCanceller:
    """Sec. 16.6.2: the output changes when four samples in a row are equal."""

    def __init__(self) -> None:
        self.samples = deque([False] * 4, 4)
        self.output = False

    def clock(self, level: bool) -> bool:
        """Takes a sample, gives the output before it."""
        output = self.output
        self.samples.append(level)
        if len(set(self.samples)) == 1:
            self.output = level
        return output


def course(seed: int, length: int) -> Iterator[bool]:
    """Gives the level of each cycle: runs of one to a dozen cycles."""
    chance, level = random.Random(seed), False
    cycle = 0
    while cycle < length:
        run = chance.choice([1, 1, 2, 3, 4, 5, 8, 12])
        for _ in range(run):
            yield level
        cycle += run
        level = not level


@pytest.mark.parametrize("rising", [True, False])
@pytest.mark.parametrize(("part", "n"), [("atmega328p", 0), ("atmega328p", 1), ("atmega2560", 5), ("atmega8", 0)])
def test_each_edge_counts_when_it_has_come_through_the_flip_flops(part: str, n: int, rising: bool) -> None:
    """Figure 17-1 and sec. 17.3: 2.5 to 3.5 clocks after the edge on the pin, here three."""
    for seed in range(20):
        chip = Fitted.of(part)
        clock, sampler, count = pin(chip, f"T{n}"), Sampler(), 0
        register = f"TCCR{n}B" if f"TCCR{n}B" in chip.chip.part.registers else f"TCCR{n}"
        chip.write(register, RISING if rising else FALLING, at=0)
        level = False
        for cycle, now in enumerate(course(seed, 400)):
            if now != level:
                chip.pass_to(cycle)
                clock.drive(now, cycle)
                level = now
            assert chip.timer(n).count(cycle) == count, f"program {seed}, cycle {cycle}"
            count += sampler.clock(now) == (1 if rising else -1)
        assert count > 20
        assert chip.unmodelled() == []


def test_an_edge_that_the_program_makes_itself_counts_too() -> None:
    """The counter is clocked even where T1 is an output: DS40002061A sec. 16.11.2, note to CS12:0."""
    chip = Fitted.of("atmega328p")
    t1 = pin(chip, "T1")
    chip.write("TCCR1B", RISING, at=0)
    chip.write(f"DDR{t1.letter}", 1 << t1.bit, at=2)
    for n in range(5):
        chip.write(f"PORT{t1.letter}", 1 << t1.bit, at=10 + 20 * n)
        assert [chip.timer().count(10 + 20 * n + k) for k in (2, 3)] == [n, n + 1]
        chip.write(f"PORT{t1.letter}", 0, at=20 + 20 * n)


def test_flags_and_outputs_follow_an_external_clock() -> None:
    """A match at 2, clear at 4, by edges at any distance: DS40002061A sec. 15.7.2."""
    chip = Fitted.of("atmega328p")
    t0, output = pin(chip, "T0"), pin(chip, "OC0A")
    chip.write(f"DDR{output.letter}", 1 << output.bit, at=1)
    chip.write("TCCR0A", chip.bit("WGM01") | chip.bit("COM0A0"), at=2)
    chip.write("OCR0A", 4, at=3)
    chip.write("OCR0B", 2, at=4)
    chip.write("TCCR0B", FALLING, at=5)
    edges = [20, 31, 37, 52, 90, 91 + 5, 200, 300]
    for edge in edges:
        for level, at in ((True, edge - 3), (False, edge)):
            chip.pass_to(at)
            t0.drive(level, at)
    flags = chip.read("TIFR0", edges[-1] + 10)
    assert flags == chip.bit("OCF0A") | chip.bit("OCF0B")
    assert chip.timer(0).count(edges[-1] + 10) == 8 - 5
    assert output.level


@pytest.mark.parametrize("filtered", [False, True])
@pytest.mark.parametrize("rising", [True, False])
def test_a_capture_comes_through_the_flip_flops_with_the_count_of_the_clock_before(
    rising: bool, filtered: bool
) -> None:
    """DS40002061A sec. 16.6.1 and 16.6.2; which count is taken is no fact of the datasheet but assumed."""
    captured = 0
    for seed in range(20):
        chip = Fitted.of("atmega328p")
        icp, sampler, canceller = pin(chip, "ICP1"), Sampler(), NoiseCanceller()
        settings = (chip.bit("ICES1") if rising else 0) | (chip.bit("ICNC1") if filtered else 0)
        chip.write("TCCR1B", settings | 1, at=0)
        level = expected = False
        value = 0
        for cycle, now in enumerate(course(seed, 300)):
            if now != level:
                chip.pass_to(cycle)
                icp.drive(now, cycle)
                level = now
            assert chip.is_set("TIFR1", "ICF1", cycle) == expected, f"program {seed}, cycle {cycle}"
            if expected:
                low = chip.read("ICR1L", cycle)
                assert low | chip.read("ICR1H", cycle) << 8 == value
                chip.write("TIFR1", chip.bit("ICF1"), at=cycle)
                captured += 1
            sample = canceller.clock(now) if filtered else now
            expected = sampler.clock(sample) == (1 if rising else -1)
            value = chip.timer().count(cycle)
    assert captured > 20


def test_no_edge_is_captured_where_icr_is_top() -> None:
    """ICP1 is disconnected then: DS40002061A sec. 16.6.1."""
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", chip.bit("WGM13") | chip.bit("WGM12"), at=0)
    chip.write("ICR1", 1000, at=4)
    pin(chip, "ICP1").drive(True, 10)
    pin(chip, "ICP1").drive(False, 20)
    assert not chip.is_set("TIFR1", "ICF1", 100)
    assert chip.read("ICR1", 102) == 1000


def test_the_comparator_captures_in_place_of_the_pin() -> None:
    """ACIC: DS40002061A sec. 23.3.2. ACO changes two clocks after the inputs cross, as its own tests say."""
    chip = Fitted.of("atmega328p")
    inputs = chip.devices.system.inputs
    inputs.set_input("AIN0", 0)
    inputs.set_input("AIN1", "1.5")
    chip.write("TCCR1B", chip.bit("ICES1") | 1, at=0)
    chip.write("ACSR", chip.bit("ACIC"), at=10)
    chip.pass_to(500)
    pin(chip, "ICP1").drive(True, 500)
    chip.pass_to(1000)
    assert not chip.is_set("TIFR1", "ICF1", 1000)
    inputs.set_input("AIN0", 2, 1000)
    assert not chip.is_set("TIFR1", "ICF1", 1004)
    assert chip.is_set("TIFR1", "ICF1", 1005)
    assert chip.read("ICR1", 1006) == 1004


@pytest.mark.parametrize(
    ("register", "value", "told"),
    [
        ("TCCR1A", 0x40, "TCCR1A: the compare output OC1A, whose pin is not known"),
        ("TCCR1B", 0x07, "TCCR1B: the external clock T1 of the timer, whose pin is not known"),
        ("TIMSK1", 0x20, "TCCR1B: input capture on ICP1, whose pin is not known"),
    ],
)
def test_a_pin_that_is_not_known_is_told(register: str, value: int, told: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a part whose pins nobody has written down."""
    monkeypatch.setattr("cyclerule.peripherals.timers.fitting.pin_of", lambda part, function: None)
    chip = Fitted.of("atmega328p")
    chip.write("TCCR1B", 1, at=0)
    chip.write(register, value, at=2)
    assert chip.unmodelled() == [told]


def test_icr_is_written_only_where_it_is_top() -> None:
    """DS40002061A sec. 16.6: the mode must be set before; a write in another mode is told, as it is lost."""
    chip = Fitted.of("atmega328p")
    chip.write("ICR1", 1000, at=4)
    assert chip.read("ICR1", 6) == 0
    (told,) = chip.unmodelled()
    assert told == "ICR1: written in a mode in which it is not TOP: the write is lost (set the mode before it)"
    chip.write("TCCR1B", chip.bit("WGM13"), at=10)
    chip.write("ICR1", 1000, at=14)
    assert chip.read("ICR1", 16) == 1000


def test_a_kept_state_has_the_edges_that_are_on_their_way() -> None:
    """An edge of two cycles ago counts in the restored chip one cycle later."""
    chip = Fitted.of("atmega328p")
    t1, icp = pin(chip, "T1"), pin(chip, "ICP1")
    chip.write("TCCR1B", chip.bit("ICES1") | RISING, at=0)
    t1.drive(True, 100)
    icp.drive(True, 101)
    chip.pass_to(102)
    saved = chip.chip.save()
    chip.write("TCCR1B", 1, at=102)
    chip.pass_to(200)
    chip.chip.restore(saved)
    assert [chip.timer().count(cycle) for cycle in (102, 103)] == [0, 1]
    assert not chip.is_set("TIFR1", "ICF1", 103)
    assert chip.is_set("TIFR1", "ICF1", 104)
    assert chip.read("ICR1", 105) == 1
