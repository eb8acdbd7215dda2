"""Fits a chip with the timers of its part: their prescalers, clocks, flag registers and themselves."""

import re
from collections.abc import Callable, Iterator
from functools import partial

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.flags import FlagRegisters
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Pin, Ports
from cyclerule.peripherals.power import Clock as SystemClock
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.timers.asynchronous import AsynchronousTimer8, Crystal
from cyclerule.peripherals.timers.clock import ClockSelect
from cyclerule.peripherals.timers.compare_output import CompareOutput, PortOutputs
from cyclerule.peripherals.timers.external import ExternalClock
from cyclerule.peripherals.timers.high_speed import DIVISORS, HighSpeedTimer8
from cyclerule.peripherals.timers.layout import NUMBERS, Layout, has_high_speed_clock, is_asynchronous, layout_of
from cyclerule.peripherals.timers.prescaler import OWN_RESET_BITS, SHARED_RESET_BITS, Prescaler, PrescalerControl
from cyclerule.peripherals.timers.timer import Timer
from cyclerule.peripherals.timers.timer8 import Timer8
from cyclerule.peripherals.timers.timer16 import Timer16

_ENABLE = re.compile(r"(?:TOIE|OCIE|ICIE|TICIE)(?P<timer>\d)[A-D]?")

# Clock select CSn2:0 of a timer on the shared prescaler: DS40002061A table 15-9 and sec. 17.1.
SHARED_TAPS = (1, 8, 64, 256, 1024)
# Of one with a prescaler of its own: sec. 18.11, TCCR2B.
OWN_TAPS = (1, 8, 32, 64, 128, 256, 1024)


def fit_timers(chip: Chip, ports: Ports, power: PowerReduction, system_clock: SystemClock) -> dict[int, Timer]:
    """Gives a chip its timers by number."""
    part = chip.part
    layouts = [layout for number in NUMBERS if (layout := layout_of(part, number)) is not None]
    # Without a timer that counts its ticks, the prescaler's register is left to be reported.
    if not layouts:
        return {}
    shared = Prescaler(chip)
    own = Prescaler(chip) if any(is_asynchronous(part, layout.number) for layout in layouts) else None
    fast = Prescaler(chip) if any(has_high_speed_clock(part, layout.number) for layout in layouts) else None
    _control_prescalers(chip, shared, own, fast)
    for prescaler in (shared, own, fast):
        if prescaler is not None:
            power.on_change(partial(prescaler.follow, partial(_is_still, power, prescaler, "")))
    fitter = _Fitter(chip, ports, shared)
    timers = dict[int, Timer]()
    for layout in layouts:
        if own is not None and is_asynchronous(part, layout.number):
            prescaler, timer = own, fitter.asynchronous(layout, own, system_clock)
            system_clock.on_division(own.schedule)
        elif fast is not None and has_high_speed_clock(part, layout.number):
            prescaler, timer = fast, fitter.high_speed(layout, fast)
        else:
            prescaler, timer = shared, fitter.synchronous(layout)
        timer.reset_prescaler = prescaler.reset
        timers[layout.number] = timer
        prescaler.on_change(timer.settle, timer.schedule)
        power.on_change(partial(_follow_power, power, prescaler, timer))
    return timers


def _control_prescalers(chip: Chip, shared: Prescaler, own: Prescaler | None, fast: Prescaler | None) -> None:
    bits = chip.part.bits
    resets: list[tuple[Prescaler, tuple[str, ...]]] = [(shared, SHARED_RESET_BITS)]
    if own is not None:
        resets.append((own, OWN_RESET_BITS))
    elif "PSR0" in bits:
        # Timers 0 and 1 have a prescaler each: ATtiny15, ATtiny25/45/85.
        resets = [(shared, ("PSR0",))]
    strobes = 0
    if fast is not None:
        resets.append((fast, ("PSR1",)))
        strobes = sum(1 << bits[name] for name in ("FOC1A", "FOC1B") if name in bits)
    PrescalerControl(chip, resets, strobes if "GTCCR" in chip.part.registers else 0)


def _is_still(power: PowerReduction, prescaler: Prescaler, bit: str) -> bool:
    return power.is_on(bit, "io" if prescaler.source is None else "asy")


def _follow_power(power: PowerReduction, prescaler: Prescaler, timer: Timer, cycle: int) -> None:
    timer.halt(_is_still(power, prescaler, f"PRTIM{timer.number}"), cycle)


class _Fitter:
    """Makes timers with what they share."""

    def __init__(self, chip: Chip, ports: Ports, shared: Prescaler) -> None:
        self._chip, self._ports, self._shared = chip, ports, shared
        self._registers, self._outputs = _flag_registers(chip), _Outputs(chip, ports)

    def _pin(self, function: str) -> Pin | None:
        return self._ports.pin(pin_of(self._chip.part, function))

    def synchronous(self, layout: Layout) -> Timer:
        """Makes a timer on the shared prescaler."""
        clocks, outputs = self._shared_clocks(layout.number), self._outputs.of(layout)
        if layout.size_bytes == 1:
            return Timer8(self._chip, layout, clocks, self._registers, outputs=outputs)
        pin = self._pin(f"ICP{layout.number}")
        return Timer16(self._chip, layout, clocks, self._registers, outputs=outputs, capture_pin=pin)

    def asynchronous(self, layout: Layout, prescaler: Prescaler, system_clock: SystemClock) -> Timer:
        """Makes a timer with a prescaler, and at choice a clock, of its own."""
        pin = self._pin("TOSC1")
        # An edge is known one cycle ahead, as the timer has to know it.
        external = None if pin is None else ExternalClock(self._chip, pin, is_rising=True, delay=1)
        return AsynchronousTimer8(
            self._chip,
            layout,
            (None, *map(prescaler.tap, OWN_TAPS)),
            self._registers,
            outputs=self._outputs.of(layout),
            prescaler=prescaler,
            crystal=Crystal(system_clock),
            oscillator_pin=external,
        )

    def high_speed(self, layout: Layout, prescaler: Prescaler) -> Timer:
        """Makes a timer with four clock select bits, on a prescaler of its own."""
        clocks = None, *map(prescaler.tap, DIVISORS)
        return HighSpeedTimer8(self._chip, layout, clocks, self._registers, outputs=self._outputs.of(layout))

    def _shared_clocks(self, number: int) -> tuple[ClockSelect, ...]:
        pin = self._pin(f"T{number}")
        if pin is None:
            edges: tuple[ClockSelect, ...] = (f"the external clock T{number} of the timer, whose pin is not known",) * 2
        else:
            edges = tuple(ExternalClock(self._chip, pin, is_rising=is_rising) for is_rising in (False, True))
        return None, *map(self._shared.tap, SHARED_TAPS), *edges


class _Outputs:
    """Makes compare outputs, which those on one port share something for."""

    def __init__(self, chip: Chip, ports: Ports) -> None:
        self._chip, self._ports = chip, ports
        self._by_port: dict[str, PortOutputs] = {}

    def of(self, layout: Layout) -> dict[str, CompareOutput]:
        """Makes those of a timer by channel."""
        return {channel: self._make(f"OC{unit.name}") for channel, unit in layout.units.items()}

    def _make(self, name: str) -> CompareOutput:
        pin = self._ports.pin(pin_of(self._chip.part, name))
        output = CompareOutput(self._chip, name, pin)
        if pin is not None:
            if pin.letter not in self._by_port:
                self._by_port[pin.letter] = PortOutputs(pin.port)
                self._chip.add(self._by_port[pin.letter])
            self._by_port[pin.letter].add(output)
        return output


def _flag_registers(chip: Chip) -> Callable[[str], FlagRegisters]:
    """Gives what finds, and makes when first asked for, the pair of registers that an enable bit stands in."""
    part, made = chip.part, dict[str, FlagRegisters]()

    def find(enable: str) -> FlagRegisters:
        mask = _mask_register(part, enable)
        if mask not in made:
            flag = mask.replace("TIMSK", "TIFR")
            names = {part.bits[name]: name for name in _enable_bits(part) if _mask_register(part, name) == mask}
            made[mask] = FlagRegisters(chip, part.registers[flag].address, part.registers[mask].address, names)
        return made[mask]

    return find


def _enable_bits(part: Part) -> Iterator[str]:
    return (name for name in part.bits if _ENABLE.fullmatch(name))


def _mask_register(part: Part, enable: str) -> str:
    """Names the register that a timer's interrupt enable bit stands in; its flag stands in the TIFR of the same name.

    One for each timer from the ATmega48 on, before that TIMSK for all, and where that is full ETIMSK for timer 3 and
    the third compare unit of timer 1 (ATmega128 datasheet 2467, register description of ETIMSK; ATmega162 2513).
    """
    match = _ENABLE.fullmatch(enable)
    number = "" if match is None else match["timer"]
    if f"TIMSK{number}" in part.registers:
        return f"TIMSK{number}"
    if "ETIMSK" in part.registers and (number == "3" or enable == "OCIE1C"):
        return "ETIMSK"
    return "TIMSK"
