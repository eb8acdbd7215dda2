"""Signals for a chip: whether it has what they name, and the cycles at which they come."""

from collections.abc import Sequence
from fractions import Fraction

from cyclerule.errors import ArgumentError
from cyclerule.parts.part import Part
from cyclerule.peripherals.analog import Counts
from cyclerule.peripherals.catalogue import Devices
from cyclerule.peripherals.pinout import has_pinout, pin_of
from cyclerule.peripherals.stimuli import Stimulus
from cyclerule.project.signals import Signal
from cyclerule.units import Hertz


def arrange(signals: Sequence[Signal], devices: Devices, part: Part, clock: Hertz | None) -> tuple[Stimulus, ...]:
    """Gives signals in the order in which they come, by cycles from the start; those of one cycle as they were given.

    Raises ArgumentError, with the place where it was given, for a pin, channel or port that the part lacks, and for
    a time or a speed where no clock is known.
    """
    arranged = [_stimulus(each, devices, part, clock) for each in signals]
    return tuple(sorted(arranged, key=lambda stimulus: stimulus.cycle))


def _stimulus(signal: Signal, devices: Devices, part: Part, clock: Hertz | None) -> Stimulus:
    cycle = _cycle(signal, clock)
    if isinstance(signal.value, bytes):
        bit_cycles = None
        if signal.baud is not None:
            bit_cycles = Fraction(_known(clock, signal, "baud", f"{signal.baud} baud"), signal.baud)
        return Stimulus(cycle, _port(signal, devices, part), signal.value, bit_cycles)
    if signal.value is None or isinstance(signal.value, bool):
        if devices.ports.pin(signal.what) is None:
            letters = ", ".join(devices.ports)
            raise ArgumentError(f"{signal.place('what')}: {part.name} has no pin {signal.what}; it has ports {letters}")
        return Stimulus(cycle, signal.what, signal.value)
    return Stimulus(cycle, _channel(signal, devices, part), _volts(signal.value))


def _channel(signal: Signal, devices: Devices, part: Part) -> str:
    """Gives a channel that the part has, as far as its pins are known."""
    system, name = devices.system, signal.what
    if system.adc is None and (system.comparator is None or not name.startswith("AIN")):
        what = "comparator" if name.startswith("AIN") else "converter"
        raise ArgumentError(f"{signal.place('what')}: {name} is not modelled: no {what} of {part.name} is")
    # Channels 6 and 7 of the ATmega8 and ATmega328P in some packages are pins of no port.
    is_without_port = name in ("ADC6", "ADC7", "AREF", "AVCC", "TEMPERATURE")
    if has_pinout(part) and pin_of(part, name) is None and not is_without_port:
        raise ArgumentError(f"{signal.place('what')}: {part.name} has no {name}")
    return name


def _volts(value: int | Fraction) -> Fraction | Counts:
    return value if isinstance(value, Fraction) else Counts(value)


def _cycle(signal: Signal, clock: Hertz | None) -> int:
    when = signal.when
    if not when.seconds:
        return when.cycles
    return when.in_cycles(_known(clock, signal, "when", "a time"))


def _known(clock: Hertz | None, signal: Signal, column: str, what: str) -> Hertz:
    if clock is None:
        raise ArgumentError(f"{signal.place(column)}: {what} needs a clock; give --clock, as in 16MHz, or write cycles")
    return clock


def _port(signal: Signal, devices: Devices, part: Part) -> int:
    ports = devices.serial_devices.ports
    if not ports:
        raise ArgumentError(f"{signal.place('what')}: {part.name} has no serial port")
    wanted = signal.what.removeprefix("serial")
    number = int(wanted) if wanted else next(iter(ports))
    if number not in ports:
        known = ", ".join(f"serial{each}" for each in ports)
        raise ArgumentError(f"{signal.place('what')}: {part.name} has no {signal.what}; it has {known}")
    return number
