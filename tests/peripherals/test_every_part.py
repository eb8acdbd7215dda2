"""Every part of the toolchain that the model takes: each register is modelled, or told by name when it is touched."""

import os
import random
import re
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import pytest

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import MODELLED_FAMILIES, Chip
from cyclerule.parts import list_parts, load_part
from cyclerule.parts.part import Part
from cyclerule.peripherals.catalogue import fit_devices
from cyclerule.toolchain import find

MODELLED = re.compile(
    r"""SREG|SPL|SPH|SP|RAMPZ|EIND               # the CPU
    |(PORT|DDR|PIN)[A-L]|GPIOR\d?                # ports, general purpose registers
    |TCCR[0-5][ABC]?|(TCNT|ICR|OCR)[0-5][ABC]?[LH]?|E?TIMSK\d?|E?TIFR\d?|GTCCR|SFIOR|ASSR|PLLCSR  # timers
    |UDR\d?|UCSR\d?[ABC]|USR|UCR|UBRR\d?[LH]?|UBRRHI                                  # serial ports
    |SP[CSD]R0?|TW(BR|SR|AR|DR|CR|AMR)|USI(DR|SR|CR|BR)                              # SPI, TWI, USI
    |SMCR|MCUCR|MCUCS                            # sleep
    |MCUSR|MCUCSR|WDTCS?R|EMCUCR                 # resets, watchdog
    |SPMCS?R                                     # self-programming
    |ADCSRA?|ADCSRB|ADMUX|ADC|ADCW|ADC[LH]|ACSR  # converter, comparator
    |CLKPR|OSCCAL\d?|PRR[012]?                   # clock and power
    |EECR|EEDR|EEAR[LH]?                         # EEPROM
    |PUE[A-D]|PORTCR|DIDR[012]?                            # pull-ups
    |EIMSK|EIFR|GICR|GIMSK|GIFR|EICR[AB]?|EMCUCR|MCUCSR|MCUSR|PCICR|PCIFR|PCMSK\d?    # interrupts of pins""",
    re.VERBOSE,
)
"""What the model has, by the names that headers use; written down apart from the model."""


@pytest.fixture(scope="module")
def parts() -> Mapping[str, Part]:
    """All parts of the modelled families with a start-up file."""
    toolchain = find()
    names = [each.name for each in list_parts(toolchain) if each.has_startup and each.family in MODELLED_FAMILIES]
    with ThreadPoolExecutor(max_workers=(os.cpu_count() or 1) + 1) as threads:
        return dict(zip(names, threads.map(lambda name: load_part(name, toolchain), names), strict=True))


def test_every_part_is_made_and_fitted(parts: Mapping[str, Part]) -> None:
    """Over 200 parts; the stack begins in RAM, the flash is empty, nothing asks and nothing is to come."""
    assert len(parts) > 200
    for part in parts.values():
        chip = Chip(part, b"")
        fit_devices(chip)
        assert chip.flash == b"\xff" * part.flash_bytes
        assert chip.interrupts.requests == 0
        assert not chip.events.is_pending
        assert chip.stack_pointer == part.ram_end & chip.stack_pointer_mask
        chip.restore(chip.save())


def test_every_address_is_modelled_or_told_on_first_touch(parts: Mapping[str, Part]) -> None:
    """Reserved addresses too, reading and writing; what is modelled has a name that the model says it has."""
    names = set()
    for part in parts.values():
        for is_write in (False, True):
            chip = Chip(part, b"")
            fit_devices(chip)
            bus = chip.bus
            for address in range(0x20, part.ram_start):
                if bus.is_modelled(address):
                    names.add((part.name, bus.name(address)))
                    continue
                bus.current_flash_word = address
                if is_write:
                    bus.write(address, 0xA5, 10)
                else:
                    bus.read(address, 10)
                told = bus.unmodelled[address, ""]
                assert (told.register, told.flash_word, told.is_write) == (bus.name(address), address, is_write)
                assert told.register
    unknown = {(part, name) for part, name in names if not MODELLED.fullmatch(name)}
    # One header leaves SPH out.
    assert {part for part, _ in unknown} == {"m3000"}, sorted(unknown)


def test_every_timer_and_transmitter_of_the_model_has_its_vectors(parts: Mapping[str, Part]) -> None:
    """But for parts whose header names vectors in another way, or whose timers lack a capture pin."""
    lacking = set()
    for part in parts.values():
        chip = Chip(part, b"")
        devices = fit_devices(chip)
        for number, timer in devices.timers.items():
            for name, mark in timer._marks.items():
                if mark.source.vector is None:
                    lacking.add((part.name, f"timer {number} {name}"))
        serial = devices.serial
        if serial is not None and None in (
            serial.registers.receive_vector,
            serial.registers.empty_vector,
            serial.registers.complete_vector,
        ):
            lacking.add((part.name, "serial"))
    # ATmega640/1280/1281/2560/2561 datasheet, table of pins: the 64-pin parts have no ICP4 and ICP5.
    expected = {(part, f"timer {n} capture") for part in ("atmega1281", "atmega2561") for n in (4, 5)}
    assert {each for each in lacking if not each[0].startswith(("at43", "at76", "at90c8", "at94"))} == expected


def test_no_setting_of_a_timer_fails_but_by_saying_what_is_not_modelled(parts: Mapping[str, Part]) -> None:
    """Random values in the control, compare and count registers of every timer of every part, some cycles apart."""
    chance, refused = random.Random(4), set()
    for part in parts.values():
        chip = Chip(part, b"", clock_hz=8_000_000)
        for number, timer in fit_devices(chip).timers.items():
            pattern = re.compile(
                rf"(TCCR|TCNT|OCR|ICR){number}[A-C]?[LH]?|ASSR|GTCCR|SFIOR|E?TIMSK{number}?|E?TIFR{number}?"
            )
            names = [
                name for name, found in part.registers.items() if pattern.fullmatch(name) and found.size_bytes == 1
            ]
            at = chip.events.now
            for _ in range(60):
                at += chance.choice([1, 2, 50, 1000])
                try:
                    chip.bus.write(part.registers[chance.choice(names)].address, chance.randrange(256), at)
                    timer.count(at)
                except NotModelled as error:
                    refused.add(re.sub(r"\d+", "n", str(error)))
    assert any("waveform mode n of this timer is not modelled" in each for each in refused)
    assert not any("Error" in each for each in refused)


@pytest.mark.parametrize("name", ["atxmega16a4u", "attiny10"])
def test_a_part_of_another_family_is_refused_by_name(name: str) -> None:
    """Families that the model lacks: AVRxm and AVRrc."""
    with pytest.raises(NotModelled, match=rf"{name} is of family AVR(xm|rc)"):
        Chip(load_part(name, find()), b"")
