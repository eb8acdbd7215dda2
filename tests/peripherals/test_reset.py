"""A reset of the chip: DS40002061A (ATmega48A/…/328/P) sec. 11, all I/O registers get their initial values."""

from random import Random

import pytest

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip, StartUp
from cyclerule.peripherals.catalogue import fit_devices
from tests.peripherals.fitted import Fitted, part

PARTS = [
    *("atmega328p", "atmega2560", "atmega32u4", "atmega1284p", "atmega169p", "atmega8", "atmega16", "atmega128"),
    *("atmega162", "attiny85", "attiny84", "attiny2313", "attiny13", "at90s8515", "at90usb1286", "attiny861"),
]
KEPT = {"MCUSR", "MCUCSR", "OSCCAL"}
"""Registers that say what has reset the chip, and one with a value of the factory's."""


def fitted(name: str) -> Fitted:
    """Gives a part whose fuses let it start at once."""
    chip = Chip(part(name), b"", clock_hz=16_000_000)
    chip.start_up = StartUp(6, 0, StartUp().reset_seconds * 0)
    return Fitted(chip, fit_devices(chip))


def readable(chip: Fitted) -> dict[str, int]:
    """Gives what the registers hold that keep their value, by name."""
    data, bus = chip.chip.data, chip.chip.bus
    found = {bus.name(a): data[a] for a in range(0x20, chip.chip.ram_start) if bus.is_modelled(a)}
    return {name: value for name, value in found.items() if name not in KEPT}


@pytest.mark.parametrize("name", PARTS)
def test_registers_requests_and_events_are_those_after_power_on(name: str) -> None:
    """Whatever a program wrote before, in whatever order."""
    fresh = readable(fitted(name))
    for seed in range(8):
        chip, random = fitted(name), Random(seed)
        cycle = 100
        addresses = [a for a in range(0x20, chip.chip.ram_start) if chip.chip.bus.is_modelled(a)]
        for _ in range(120):
            cycle += random.randrange(1, 40)
            try:
                chip.chip.bus.write(random.choice(addresses), random.randrange(256), cycle)
                chip.pass_to(cycle)
            except NotModelled:
                continue
        chip.chip.cycle = cycle + 1
        chip.chip.request_reset("EXTRF", cycle)
        chip.chip.reset()
        assert readable(chip) == fresh
        assert chip.chip.interrupts.requests == 0
        # A write to EEPROM or flash in progress goes on.
        assert {alarm.outlives_reset for alarm in chip.chip.events.alarms if alarm.due < 1 << 62} <= {True}
        assert chip.chip.status() == 0


@pytest.mark.parametrize("name", ["atmega328p", "atmega2560", "attiny85", "atmega8"])
def test_what_runs_after_it_is_what_runs_after_power_on(name: str) -> None:
    """Timers from a reset on count as from power-on, in the phase of the prescaler that begins anew."""
    seen = []
    for resets in (False, True):
        chip = fitted(name)
        begin = 0
        if resets:
            for register in ("TCCR0B", "TCCR0", "TCCR1B", "TCNT0", "GTCCR", "SFIOR"):
                if register in chip.chip.part.registers:
                    chip.write(register, 5, 333)
            chip.chip.cycle = 5_555
            chip.chip.request_reset("EXTRF", 5_555)
            chip.chip.reset()
            begin = chip.chip.cycle
        control = "TCCR0B" if "TCCR0B" in chip.chip.part.registers else "TCCR0"
        chip.write(control, 3, begin + 77)
        seen.append([chip.read("TCNT0", begin + at) for at in range(80, 5_000, 61)])
    assert seen[0] == seen[1]
