"""The analog to digital converter: conversion times, triggers, result registers, and values of scripted voltages.

Datasheet: ATmega48A/…/328P DS40002061A sec. 24; ADCSR and ADFR are ADCSRA and ADATE with free running on older parts.
"""

import re
from collections.abc import Callable
from enum import Enum
from fractions import Fraction
from typing import Any, NamedTuple, Protocol

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.adc_channels import (
    COMPARATOR,
    FREE_RUNNING,
    TEMPERATURE,
    ChannelMap,
    Internal,
    Source,
    channel_map,
    triggers,
)
from cyclerule.peripherals.analog import SUPPLY, AnalogInputs, Volts
from cyclerule.peripherals.flags import FlagRegisters
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.sleep import Mode, SleepControl

ADEN, ADSC, ADATE, ADIF, ADIE = (1 << bit for bit in (7, 6, 5, 4, 3))
CONVERSION, FIRST_CONVERSION = 13, 25
"""ADC clock cycles of a conversion, and of the first one after ADEN was set: table 24-1."""

TRIGGERED_CONVERSION = Fraction(27, 2)
SAMPLE, FIRST_SAMPLE, TRIGGERED_SAMPLE = Fraction(3, 2), Fraction(27, 2), Fraction(2)
"""ADC clock cycles until the input is sampled: table 24-1."""

SYNCHRONISATION = 3
"""CPU cycles from an auto trigger to the restart of the prescaler: sec. 24.4."""

HIGHEST = 1023
RESERVED = "a reserved source"
VECTORS = ("ADC", "ADC_READY", "SIG_ADC")


class Flag(Protocol):
    """A flag that can trigger conversions."""

    @property
    def is_set(self) -> bool:
        """Whether it is set."""

    def watch(self, action: Callable[[int], None] | None) -> None:
        """Has `action` called whenever it goes from 0 to 1."""


class _Phase(Enum):
    """What the converter is at."""

    IDLE = 0
    WAITS_FOR_EDGE = 1
    CONVERTS = 2


class _Selection(NamedTuple):
    """The settings that a conversion was begun with."""

    channel: int
    reference: int
    sample_cycle: int


class Adc:
    """The converter.

    UNVERIFIED: the edges of the ADC clock. They are taken to come whole periods after the write that sets ADEN (or
    after an auto trigger and its three cycles), and a conversion begins at the next edge after the write that starts
    it, so that 0 to 1 ADC clocks pass before. A board that starts conversions at each phase and reads TCNT1 when ADIF
    comes would settle it. UNVERIFIED: that a first conversion by an auto trigger takes 25 ADC clocks from the trigger;
    the same with ADATE would settle it.
    """

    def __init__(
        self, chip: Chip, channels: ChannelMap, inputs: AnalogInputs, power: PowerReduction, sleep: SleepControl
    ) -> None:
        self.chip, self._map, self.inputs, self._power = chip, channels, inputs, power
        bus = chip.bus
        self.register = "ADCSRA" if "ADCSRA" in chip.part.registers else "ADCSR"
        self._control = bus.address(self.register) or 0
        self._mux = bus.address("ADMUX") or 0
        self._low = bus.address("ADCL") or 0
        self._triggers = triggers(chip.part) if "ADTS0" in chip.part.bits else ()
        self._trigger_register = next((name for name in ("ADCSRB", "SFIOR") if name in chip.part.registers), None)
        self._is_tiny = chip.part.name.startswith("attiny")
        self._kept = 0
        self._flag = False
        self._phase, self._selection = _Phase.IDLE, _Selection(0, 0, 0)
        self._is_first = True
        self._origin = 0
        self._data, self._is_locked = 0, False
        self._stopped_at: int | None = None
        self._left = self._asked_at = 0
        self._source: Flag | None = None
        self.comparator: Flag | None = None
        self._setting = 0
        bus.attach(self._control, None, self._write_control)
        bus.attach(self._mux, None, None)
        bus.attach(self._low, self._read_low, None)
        bus.attach(self._low + 1, self._read_high, None)
        if self._trigger_register is not None:
            names = ("ADTS0", "ADTS1", "ADTS2", *(() if self._is_tiny and "MUX5" in chip.part.bits else ("MUX5",)))
            names += ("ADLAR",) if self._left_adjust == self._trigger_register else ()
            bus.claim(self._trigger_register, names, self._choose_trigger)
        self._vector = next((chip.part.vectors[name] for name in VECTORS if name in chip.part.vectors), None)
        if self._vector is not None:
            chip.interrupts.on_entry(self._vector, self._enters)
        self._alarm = chip.events.alarm(self._goes_on)
        power.on_change(self._follow_clock)
        sleep.on_sleep(self._begin_in_sleep)
        chip.add(self)

    # The outside.

    def set_input(self, channel: int | str, volts: Volts, cycle: int = 0) -> None:
        """Puts a voltage on a channel, by number or name ("ADC3", "AREF", "AVCC", "TEMPERATURE"), from a cycle on."""
        self.inputs.set_input(channel if isinstance(channel, str) else f"ADC{channel}", volts, cycle)

    # What it is set to.

    @property
    def divisor(self) -> int:
        """CPU cycles of an ADC clock: table 24-5."""
        return 1 << max(self._kept & 7, 1)

    @property
    def is_enabled(self) -> bool:
        """Whether ADEN is set."""
        return bool(self._kept & ADEN)

    @property
    def is_converting(self) -> bool:
        """Whether a conversion is in progress or waits for its clock: ADSC."""
        return self._phase is not _Phase.IDLE

    @property
    def _trigger(self) -> str:
        if not self._kept & ADATE:
            return ""
        if "ADTS0" not in self.chip.part.bits:
            # ADFR of older parts has no other source.
            return FREE_RUNNING
        return self._triggers[self._setting] if self._setting < len(self._triggers) else RESERVED

    @property
    def _left_adjust(self) -> str:
        """Names the register with ADLAR: ADCSRB on the ATtiny24/44/84 (8006 sec. 16.13.4), ADMUX elsewhere."""
        return "ADCSRB" if re.match(r"attiny(24|44|84)", self.chip.part.name) else "ADMUX"

    def _bits(self, names: tuple[str, ...]) -> int:
        part, data = self.chip.part, self.chip.data
        value = 0
        for place, name in enumerate(names):
            in_mux = name != "MUX5" or self._is_tiny
            address = self._mux if in_mux else self.chip.bus.address("ADCSRB")
            if address is not None and name in part.bits:
                value |= (data[address] >> part.bits[name] & 1) << place
        return value

    # Control.

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        bits, was_on = value & mask, self.is_enabled
        self._asked_at = self.chip.bus.current_flash_word
        if bits & ADIF:
            self._flag = False
        kept = mask & ~(ADSC | ADIF) & 0xFF
        self._kept = self._kept & ~kept | bits & kept
        if self.is_enabled and not was_on:
            # The prescaler is held while the converter is off: sec. 24.4.
            self._origin, self._is_first = cycle, True
        elif not self.is_enabled and was_on:
            self._phase = _Phase.IDLE
            self._alarm.clear()
        if bits & ADSC and self.is_enabled and not self.is_converting:
            self._start(cycle)
        self._watch_trigger(cycle)
        self._update()

    def _choose_trigger(self, value: int, cycle: int) -> None:
        bits = self.chip.part.bits
        names = [name for name in ("ADTS0", "ADTS1", "ADTS2") if name in bits]
        self._setting = sum((value >> bits[name] & 1) << place for place, name in enumerate(names))
        self._watch_trigger(cycle)

    def _watch_trigger(self, cycle: int) -> None:
        """Has the flag of the chosen source watched while it can trigger."""
        trigger = self._trigger if self.is_enabled else ""
        found = None
        if trigger not in ("", FREE_RUNNING):
            found = self._find_source(trigger)
            if found is None:
                self.chip.bus.report_unmodelled(
                    self._trigger_register or self.register, f"conversions triggered by ADTS = {self._setting}"
                )
        if found is self._source:
            return
        before = self._source is not None and self._source.is_set
        if self._source is not None:
            self._source.watch(None)
        self._source = found
        if found is not None:
            found.watch(self._triggers_at)
            # Going over to a source that is set is a rising edge too: sec. 24.3.
            if found.is_set and not before:
                self._triggers_at(cycle)

    def _find_source(self, trigger: str) -> "Flag | None":
        if trigger == COMPARATOR:
            return self.comparator
        if trigger == RESERVED:
            return None
        vectors = {number for name, number in self.chip.part.vectors.items() if re.fullmatch(trigger, name)}
        for device in self.chip.devices:
            if isinstance(device, FlagRegisters):
                for source in device.sources:
                    if source.vector in vectors:
                        return source
        return None

    # Conversions.

    def _start(self, cycle: int) -> None:
        """Waits for the next edge of the ADC clock."""
        self._phase = _Phase.WAITS_FOR_EDGE
        self._set_alarm(self._origin + ((cycle - self._origin) // self.divisor + 1) * self.divisor, cycle)

    def _triggers_at(self, cycle: int) -> None:
        """Takes a rising edge of the trigger: the prescaler starts anew; during a conversion it is ignored."""
        if not self.is_enabled or self.is_converting:
            return
        self._origin = cycle + SYNCHRONISATION
        first = self._is_first
        self._convert(
            self._origin,
            Fraction(FIRST_CONVERSION) if first else TRIGGERED_CONVERSION,
            FIRST_SAMPLE if first else TRIGGERED_SAMPLE,
        )
        self._update()

    def _begin_in_sleep(self, mode: Mode, cycle: int) -> None:
        # Sec. 10.4 and 10.5: a conversion starts when the mode is entered, if the converter is enabled.
        is_free = self.is_enabled and not self.is_converting and not self._kept & ADATE
        if mode in (Mode.IDLE, Mode.ADC_NOISE_REDUCTION) and is_free:
            self._start(cycle)
            self._update()

    def _convert(self, edge: int, clocks: Fraction, sample: Fraction) -> None:
        self._phase, self._is_first = _Phase.CONVERTS, False
        at = int(edge + sample * self.divisor)
        self._selection = _Selection(self._bits(self._map.mux_bits), self._bits(self._map.reference_bits), at)
        self._set_alarm(int(edge + clocks * self.divisor), edge)

    def _goes_on(self, cycle: int) -> None:
        if self._phase is _Phase.CONVERTS:
            self._complete(cycle)
        if self._phase is _Phase.WAITS_FOR_EDGE:
            first = self._is_first
            self._convert(cycle, Fraction(FIRST_CONVERSION if first else CONVERSION), FIRST_SAMPLE if first else SAMPLE)
        self._update()

    def _complete(self, cycle: int) -> None:
        # What there is to say of the result is said where the conversion was asked for.
        bus = self.chip.bus
        place, bus.current_flash_word = bus.current_flash_word, self._asked_at
        result = self._result()
        bus.current_flash_word = place
        # While ADCL was read and ADCH not yet, a new result is lost: sec. 24.2.
        if not self._is_locked:
            self._data = result
        self._flag = True
        self._phase = _Phase.IDLE
        if self._trigger == FREE_RUNNING:
            # The next one begins at once: sec. 24.4, figure 24-7.
            self._convert(cycle, Fraction(CONVERSION), SAMPLE)

    def _set_alarm(self, due: int, cycle: int) -> None:
        if self._stopped_at is None:
            self._alarm.set(due)
        else:
            self._left = due - cycle

    def _follow_clock(self, cycle: int) -> None:
        """Stands still with its clock, and goes on in the same phase."""
        is_stopped = self._power.is_on("PRADC", "adc")
        if is_stopped == (self._stopped_at is not None):
            return
        if is_stopped:
            self._stopped_at, self._left = cycle, self._alarm.due - cycle
            self._alarm.clear()
            return
        late = cycle - (self._stopped_at or 0)
        self._stopped_at = None
        self._origin += late
        self._selection = self._selection._replace(sample_cycle=self._selection.sample_cycle + late)
        if self.is_converting:
            self._alarm.set(cycle + self._left)

    # Values.

    def _result(self) -> int:
        channel, reference, at = self._selection
        source, against = self._map.channels.get(channel), self._map.references.get(reference)
        bus = self.chip.bus
        if source is None:
            bus.report_unmodelled("ADMUX", f"channel selection {channel} (a difference, a gain, or none)")
            return 0
        if against is None:
            bus.report_unmodelled("ADMUX", f"reference selection {reference}")
            return 0
        if (counts := None if isinstance(source, Internal) else self.inputs.counts(source, at)) is not None:
            return min(HIGHEST, counts)
        if source == TEMPERATURE and self.inputs.volts(TEMPERATURE, at) is None:
            bus.report_unmodelled("ADMUX", "the temperature sensor, which nobody has given a voltage,")
            return 0
        full = self._volts(against, at, SUPPLY)
        # ADC = Vin * 1024 / Vref, at most 0x3FF: sec. 24.7.
        return max(0, min(HIGHEST, int(self._volts(source, at, Fraction(0)) * 1024 // full))) if full > 0 else HIGHEST

    def _volts(self, source: Source, cycle: int, otherwise: Fraction) -> Fraction:
        if isinstance(source, Internal):
            if source.volts:
                self.chip.bus.report_assumed(
                    "ADMUX", f"{source.name} is taken as its typical {float(source.volts):g} V"
                )
            return source.volts
        found = self.inputs.volts(source, cycle)
        if found is None:
            self.chip.bus.report_assumed(
                "ADMUX", f"{source} has no voltage given and is taken as {float(otherwise):g} V"
            )
            return otherwise
        return found

    # Registers.

    def _shown(self) -> int:
        register = self.chip.bus.address(self._left_adjust)
        adjusts = register is not None and self.chip.data[register] >> self.chip.part.bits.get("ADLAR", 5) & 1
        return self._data << 6 if adjusts else self._data

    def _read_low(self, cycle: int) -> int:
        self._is_locked = True
        return self._shown() & 0xFF

    def _read_high(self, cycle: int) -> int:
        self._is_locked = False
        return self._shown() >> 8

    def _enters(self, cycle: int) -> None:
        self._flag = False
        self._update()

    def _update(self) -> None:
        value = self._kept | (ADSC if self.is_converting else 0) | (ADIF if self._flag else 0)
        self.chip.data[self._control] = value
        if self._vector is not None:
            self.chip.interrupts.set_request(self._vector, self._flag and bool(self._kept & ADIE))

    def save(self) -> Any:
        """Gives its state."""
        own = self._kept, self._flag, self._phase, self._selection, self._is_first, self._origin
        clock = self._stopped_at, self._left
        return own, self._data, self._is_locked, clock, self._asked_at, self._setting, self._source

    def restore(self, saved: Any) -> None:
        """Sets its state."""
        own, self._data, self._is_locked, clock, self._asked_at, self._setting, source = saved
        self._stopped_at, self._left = clock
        self._kept, self._flag, self._phase, self._selection, self._is_first, self._origin = own
        if source is not self._source:
            for watched, action in ((self._source, None), (source, self._triggers_at)):
                if watched is not None:
                    watched.watch(action)
            self._source = source


def fit_adc(chip: Chip, inputs: AnalogInputs, power: PowerReduction, sleep: SleepControl) -> Adc | None:
    """Gives a chip its converter; None where no table says what its settings mean, so that its registers are told."""
    channels = channel_map(chip.part)
    names = set(chip.part.registers)
    if channels is None or not {"ADMUX", "ADCL"} <= names or not {"ADCSRA", "ADCSR"} & names:
        return None
    return Adc(chip, channels, inputs, power, sleep)
