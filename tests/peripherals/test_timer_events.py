"""What a running timer costs: no event where nothing waits for one, and none of Python's where a flag comes again."""

import pytest

from cyclerule.machine.events import NEVER, Alarm
from tests.peripherals.fitted import Fitted
from tests.peripherals.stepped_timer import EIGHT_BITS, SIXTEEN_BITS

MODES = [(0, mode) for mode in EIGHT_BITS] + [(1, mode) for mode in SIXTEEN_BITS]
EACH_MODE = pytest.mark.parametrize(("n", "mode"), MODES)


def started(n: int, mode: int, select: int, *, enabled: bool, outputs: bool = False) -> Fitted:
    """Gives a timer of the ATmega328P that runs in a mode, with 120 in OCRA and ICR and 50 in OCRB."""
    chip = Fitted.of("atmega328p")
    upper = (mode >> 2) << 3
    chip.write(f"TCCR{n}A", mode & 3 | (0xA0 if outputs else 0), at=1)
    chip.write(f"TCCR{n}B", upper, at=2)
    if n == 1 and SIXTEEN_BITS[mode][1] == "ICR":
        chip.write("ICR1", 120, at=10)
    chip.write(f"OCR{n}A", 120, at=20)
    chip.write(f"OCR{n}B", 50, at=30)
    if enabled:
        chip.write(f"TIMSK{n}", 7, at=35)
    chip.write(f"TCCR{n}B", upper | select, at=1024)
    return chip


@EACH_MODE
@pytest.mark.parametrize(("select", "divisor"), [(1, 1), (3, 64)])
def test_every_enabled_flag_of_a_steady_mode_promises_when_it_comes_again(
    n: int, mode: int, select: int, divisor: int
) -> None:
    """So that compiled code needs no Python for it; and each promise is kept over many periods."""
    chip = started(n, mode, select, enabled=True)
    # Buffers are taken and the first turn, which began elsewhere, is over.
    chip.pass_to(1024 + 2 * 65_536 * divisor + 5)
    events = chip.chip.events
    waiting = [alarm for alarm in events.alarms if alarm.due != NEVER]
    assert waiting
    promised = {alarm.serial: dues(alarm, 6) for alarm in waiting}
    seen: dict[int, list[int]] = {alarm.serial: [] for alarm in waiting}
    while min(map(len, seen.values())) < 6:
        following = events.next_cycle
        for alarm in waiting:
            if alarm.due == following:
                seen[alarm.serial].append(following)
        chip.pass_to(following)
    assert {serial: cycles[:6] for serial, cycles in seen.items()} == promised


def dues(alarm: Alarm, count: int) -> list[int]:
    """Gives the cycles at which an alarm has promised to come."""
    promise, cycles, due = alarm.recurrence, list[int](), alarm.due
    assert promise is not None
    wait = promise.gap
    for _ in range(count):
        cycles.append(due)
        due, wait = due + (wait or promise.period), promise.period - wait if wait else 0
    return cycles


@EACH_MODE
def test_a_flag_that_is_set_and_asks_for_nothing_costs_no_event(n: int, mode: int) -> None:
    """Nor do compare outputs on their pins, until somebody listens to them."""
    chip = started(n, mode, 1, enabled=False, outputs=True)
    chip.write("DDRB", 0xFF, at=1030)
    chip.write("DDRD", 0xFF, at=1032)
    chip.pass_to(1024 + 2 * 65_536)
    held = [alarm.due for alarm in chip.chip.events.alarms if alarm.due != NEVER]
    # A flag that never comes in this mode waits for nothing either. OC1B is listened to: it is the SPI's SS too.
    listened = chip.pin("PB2").is_heard and n == 1
    assert len(held) <= listened
    pin = chip.pin("PD6" if n == 0 else "PB1")
    changes: list[int] = []
    pin.listen(lambda level, cycle: changes.append(cycle))
    chip.pass_to(1024 + 4 * 65_536)
    kind, top = (EIGHT_BITS if n == 0 else SIXTEEN_BITS)[mode]
    # Cleared by each match and set in between; where OCRA or ICR is TOP the output is constant.
    assert bool(changes) == (kind in {"fast", "phase"} and isinstance(top, int))
