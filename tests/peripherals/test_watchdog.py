"""The watchdog and resets against DS40002061A (ATmega48A/…/328/P), sec. 11, unless another datasheet is named."""

import pytest

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip, StartUp
from cyclerule.peripherals.catalogue import fit_devices
from tests.peripherals.fitted import Fitted, part

CLOCK = 16_000_000
WDIF, WDIE, WDCE, WDE = 0x80, 0x40, 0x10, 0x08
PERIOD = 2048 * 125
"""The shortest time-out: 2,048 cycles of 128 kHz (table 11-3), at 16 MHz 125 CPU cycles each."""


def fitted(name: str = "atmega328p", clock: int | None = CLOCK) -> Fitted:
    """Gives a part with a clock."""
    chip = Chip(part(name), b"", clock_hz=clock)
    return Fitted(chip, fit_devices(chip))


def register(chip: Fitted) -> str:
    """Names the watchdog's register."""
    return "WDTCSR" if "WDTCSR" in chip.chip.part.registers else "WDTCR"


def change(chip: Fitted, value: int, at: int) -> None:
    """Changes it by the timed sequence, the second write ending at a cycle."""
    chip.write(register(chip), WDCE | WDE, at - 2)
    chip.write(register(chip), value, at)


def reset_at(chip: Fitted) -> int | None:
    """Gives the cycle at which a reset was asked for."""
    return None if chip.chip.pending_reset is None else chip.chip.pending_reset.cycle


@pytest.mark.parametrize("select", range(10))
def test_the_time_out_is_chosen_by_four_bits(select: int) -> None:
    """Table 11-3: 2K to 1024K cycles, 16 ms to 8 s."""
    chip = fitted()
    change(chip, WDE | (select & 7) | (select >> 3) << 5, at=100)
    due = 98 + (PERIOD << select)
    chip.pass_to(due - 1)
    assert reset_at(chip) is None
    chip.pass_to(due)
    assert reset_at(chip) == due


@pytest.mark.parametrize(
    ("name", "value", "milliseconds"),
    [("atmega8", 0, 16.384), ("atmega8", 7, 2097.152), ("atmega16", 3, 131.072), ("atmega32a", 0, 13.1072)],
)
def test_older_parts_count_a_quicker_oscillator(name: str, value: int, milliseconds: float) -> None:
    """ATmega8A 40001974 sec. 15.4: 1 MHz, 16K to 2,048K cycles; ATmega32A clarification sec. 3.2: 1.25 MHz."""
    chip = fitted(name)
    change(chip, WDE | value, at=100)
    assert chip.devices.system.watchdog is not None
    assert float(1000 * chip.devices.system.watchdog.period_seconds) == milliseconds
    chip.pass_to(100 + int(milliseconds * 16_000) + 1)
    assert reset_at(chip) == 98 + int(milliseconds * 16_000) + (milliseconds * 16_000 % 1 > 0)


@pytest.mark.parametrize("name", ["atmega328p", "atmega8", "attiny85"])
@pytest.mark.parametrize("distance", range(1, 8))
def test_it_is_turned_off_within_four_cycles_of_the_change_bit_only(name: str, distance: int) -> None:
    """Sec. 11.9.2, WDCE and WDE; ATmega8A sec. 15.6.2: within the next four clock cycles."""
    chip = fitted(name)
    chip.write(register(chip), WDE, 10)
    chip.write(register(chip), 0, 20)
    assert chip.read(register(chip), 21) == WDE
    chip.write(register(chip), WDCE | WDE, 100)
    assert bool(chip.read(register(chip), 100 + distance) & WDCE) == (distance < 4)
    chip = fitted(name)
    chip.write(register(chip), WDCE | WDE, 100)
    chip.write(register(chip), 0, 100 + distance)
    assert bool(chip.read(register(chip), 110) & WDE) == (distance > 4)
    assert chip.chip.events.is_pending == (distance > 4)


def test_the_time_out_cannot_be_changed_without_the_sequence() -> None:
    """Sec. 11.8.2: WDP is changed within four cycles; WDIE is free. With WDTOE (ATmega16 2466) WDP is free too."""
    chip = fitted()
    chip.write("WDTCSR", WDE | WDIE | 5, 10)
    assert chip.read("WDTCSR", 11) == WDE | WDIE
    chip = fitted("atmega16")
    chip.write("WDTCR", WDE | 5, 10)
    assert chip.read("WDTCR", 11) == WDE | 5


def test_wdr_begins_the_time_out_anew() -> None:
    """Sec. 11.8: WDR restarts the counter; a program does so any number of times."""
    chip = fitted()
    change(chip, WDE, at=100)
    wdr = chip.chip.resets_watchdog
    assert wdr is not None
    for cycle in range(100, 3 * PERIOD, 1003):
        chip.pass_to(cycle)
        wdr(cycle)
    assert reset_at(chip) is None
    chip.pass_to(cycle + PERIOD - 1)
    assert reset_at(chip) is None
    chip.pass_to(cycle + PERIOD)
    assert reset_at(chip) == cycle + PERIOD


def test_in_interrupt_mode_a_time_out_asks_again_and_again_and_never_resets() -> None:
    """Sec. 11.8.2: WDIE alone; WDIF is cleared by entering the handler, or by writing 1 to it."""
    chip = fitted()
    chip.write("WDTCSR", WDIE, 100)
    for turn in range(1, 4):
        chip.pass_to(100 + turn * PERIOD - 1)
        assert not chip.asks("WDT")
        chip.pass_to(100 + turn * PERIOD)
        assert chip.asks("WDT")
        assert chip.read("WDTCSR", 100 + turn * PERIOD) == WDIF | WDIE
        if turn == 2:
            chip.write("WDTCSR", WDIF | WDIE, 100 + turn * PERIOD + 10)
        else:
            chip.chip.interrupts.accept(100 + turn * PERIOD + 10, 0)
        assert chip.read("WDTCSR", 100 + turn * PERIOD + 11) == WDIE
    assert reset_at(chip) is None


@pytest.mark.parametrize("is_served", [True, False])
def test_with_both_the_first_time_out_interrupts_and_the_second_resets(is_served: bool) -> None:
    """Sec. 11.8.2 and 11.9.2: executing the vector clears WDIE and WDIF, and the watchdog goes to reset mode."""
    chip = fitted()
    change(chip, WDE | WDIE, at=100)
    chip.pass_to(98 + PERIOD)
    assert chip.asks("WDT")
    if is_served:
        chip.chip.interrupts.accept(100 + PERIOD, 0)
        assert chip.read("WDTCSR", 101 + PERIOD) == WDE
    chip.pass_to(98 + 2 * PERIOD - 1)
    assert reset_at(chip) is None
    chip.pass_to(98 + 2 * PERIOD)
    assert reset_at(chip) == 98 + 2 * PERIOD


def test_after_its_reset_it_is_still_on_until_wdrf_is_cleared() -> None:
    """Sec. 11.9.2: WDE is overridden by WDRF, and the time-out is the shortest; WDRF and PORF are in MCUSR."""
    chip = fitted()
    change(chip, WDE | 5, at=100)
    chip.pass_to(98 + (PERIOD << 5))
    chip.chip.cycle = 98 + (PERIOD << 5)
    chip.chip.reset()
    begin = chip.chip.cycle
    assert chip.read("WDTCSR", begin) == WDE
    assert chip.read("MCUSR", begin) == chip.bit("PORF") | chip.bit("WDRF")
    change(chip, 0, begin + 10)
    assert chip.read("WDTCSR", begin + 11) == WDE
    chip.write("MCUSR", 0, begin + 20)
    change(chip, 0, begin + 30)
    assert chip.read("WDTCSR", begin + 31) == 0
    assert not chip.chip.events.is_pending


def test_before_the_interrupt_mode_a_reset_turns_it_off() -> None:
    """ATmega8A sec. 15.6.2: WDTCR is 0x00 after reset."""
    chip = fitted("atmega8")
    change(chip, WDE, at=100)
    chip.pass_to(300_000)
    chip.chip.reset()
    assert chip.read("WDTCR", chip.chip.cycle) == 0
    assert chip.read("MCUCSR", chip.chip.cycle) == chip.bit("PORF") | chip.bit("WDRF")
    assert not chip.chip.events.is_pending


def test_reset_flags_are_cleared_by_zeros_and_set_by_resets_alone() -> None:
    """Sec. 11.9.1: PORF after power-on; a flag is reset by writing a logic zero to it."""
    chip = fitted()
    assert chip.read("MCUSR", 1) == chip.bit("PORF")
    chip.write("MCUSR", 0xFF & ~chip.bit("WDRF"), 2)
    assert chip.read("MCUSR", 3) == chip.bit("PORF")
    chip.chip.request_reset("EXTRF", 10)
    chip.chip.reset()
    assert chip.read("MCUSR", chip.chip.cycle) == chip.bit("PORF") | chip.bit("EXTRF")
    chip.write("MCUSR", 0, chip.chip.cycle + 2)
    assert chip.read("MCUSR", chip.chip.cycle + 3) == 0


def test_a_reset_takes_its_start_up_time_and_keeps_ram_and_eeprom() -> None:
    """Sec. 11.5 and table 9-4: a pulse of one cycle, then 14 cycles and 65 ms unless the fuses say otherwise."""
    for start_up, cycles in ((StartUp(), 15 + 1_040_000), (StartUp(6, 14, StartUp().reset_seconds * 0), 15)):
        chip = fitted()
        chip.chip.start_up = start_up
        chip.chip.data[0x200], chip.chip.data[5], chip.chip.eeprom[3] = 0x5A, 0x77, 0x12
        chip.write("PORTB", 0x0F, 2)
        chip.write("DDRB", 0x03, 4)
        chip.write("TCCR1B", 1, 6)
        chip.chip.set_status(0xFF)
        chip.chip.cycle = 1003
        chip.chip.request_reset("EXTRF", 1000)
        chip.chip.reset()
        assert chip.chip.cycle == 1000 + cycles
        assert (chip.chip.data[0x200], chip.chip.data[5], chip.chip.eeprom[3]) == (0x5A, 0x77, 0x12)
        assert [chip.read(name, chip.chip.cycle) for name in ("PORTB", "DDRB", "TCCR1B", "SREG")] == [0, 0, 0, 0]
        assert chip.chip.program_counter == 0
        assert chip.chip.stack_pointer == chip.chip.ram_end
        assert not chip.chip.events.is_pending


def test_what_the_outside_drives_is_driven_after_a_reset_too() -> None:
    """A reset is the chip's own affair."""
    chip = fitted()
    pin = chip.devices.ports.pin("PD2")
    assert pin is not None
    pin.drive(True, 10)
    chip.chip.request_reset("EXTRF", 1000)
    chip.chip.reset()
    assert chip.read("PIND", chip.chip.cycle + 5) & 4


def test_it_needs_the_clock_to_run() -> None:
    """Its oscillator's time cannot be counted in cycles without one."""
    chip = fitted(clock=None)
    with pytest.raises(NotModelled, match="--clock"):
        chip.write("WDTCSR", WDIE, 10)


def test_a_kept_state_has_the_time_out_to_come() -> None:
    """`Chip.save` and `Chip.restore`."""
    chip = fitted()
    chip.write("WDTCSR", WDIE, 100)
    chip.pass_to(1000)
    kept = chip.chip.save()
    chip.pass_to(100 + PERIOD)
    assert chip.asks("WDT")
    chip.chip.restore(kept)
    assert not chip.asks("WDT")
    chip.pass_to(100 + PERIOD)
    assert chip.asks("WDT")
