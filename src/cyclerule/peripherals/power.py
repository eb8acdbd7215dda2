"""The clocks: real time in CPU cycles, the clock prescaler, and which devices' clocks stand still.

Datasheet: ATmega48A/…/328P DS40002061A sec. 9 (system clock) and 10 (power management).
"""

import re
from collections.abc import Callable, Iterable
from fractions import Fraction
from functools import partial
from typing import Any, NamedTuple

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip

TIMED_SEQUENCE_CYCLES = 4
"""Cycles within which the second write of a protected change must follow the first (DS40002061A sec. 9.12.2, 11.9.2).

UNVERIFIED: that a write whose last cycle ends exactly four cycles after the first one's is still in time; a board that
puts two NOPs between OUT and OUT, and then three, would settle it.
"""

LARGEST_DIVISION = 8
"""CLKPS above 8 (division by 256) is reserved: DS40002061A table 9-18."""


class ClockChange(NamedTuple):
    """From `cycle` on the clock source is divided by `divisor`."""

    cycle: int
    divisor: int


class Timed:
    """Something that comes after a time and not after a number of cycles; made by `Clock.timed`."""

    def __init__(self, clock: "Clock", action: Callable[[int], None], what: str, *, outlives_reset: bool) -> None:
        self._clock, self._action, self.what = clock, action, what
        self.alarm = clock.chip.events.alarm(self._goes_off, outlives_reset=outlives_reset)
        self.due_tick: int | None = None

    @property
    def is_set(self) -> bool:
        """Whether it is to come."""
        return self.due_tick is not None

    def set_in(self, seconds: Fraction, cycle: int) -> None:
        """Has it come so long after a cycle; raises NotModelled where the clock is not known."""
        self.set_at(cycle, self._clock.ticks_in(seconds, self.what))

    def set_at(self, cycle: int, ticks: int) -> None:
        """Has it come so many periods of the clock source after a cycle."""
        self.due_tick = self._clock.tick(cycle) + ticks
        self.schedule()

    def clear(self) -> None:
        """Takes it back."""
        self.due_tick = None
        self.alarm.clear()

    def schedule(self) -> None:
        """Sets the alarm for the present division of the clock."""
        if self.due_tick is not None:
            self.alarm.set(self._clock.cycle_of_tick(self.due_tick))

    def _goes_off(self, cycle: int) -> None:
        self.due_tick = None
        self._action(cycle)


class Clock:
    """The clock source and its prescaler, CLKPR: how cycles and time belong together.

    `history` has each change of the division, the first entry being the start; `Chip.clock_hz` is the frequency of the
    source. The fuse CKDIV8 is taken as not programmed, so that the clock given is the one a program starts with.

    UNVERIFIED: that a new division holds from the cycle after the write. Sec. 9.10 says between T1 + T2 and T1 + 2 T2
    with the periods before and after, in which two edges come, and that it cannot be foretold: no count of cycles
    depends on it, only the time between them. An oscilloscope on CLKO would settle it.
    """

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.history = [ClockChange(0, 1)]
        self._base = 0, 0
        self._timed: list[Timed] = []
        self._on_division: list[Callable[[], None]] = []
        self._change_enabled: int | None = None
        self._disarm = chip.events.alarm(self._times_out)
        self._address = chip.bus.address("CLKPR") if "CLKPCE" in chip.part.bits else None
        if self._address is not None:
            chip.bus.attach(self._address, None, self._write)
        self._calibrated: set[str] = set()
        for name in (name for name in chip.part.registers if name.startswith("OSCCAL")):
            address = chip.part.registers[name].address
            chip.bus.attach(
                address, partial(self._read_calibration, name, address), partial(self._calibrate, name, address)
            )
        chip.add(self)

    @property
    def divisor(self) -> int:
        """What the clock source is divided by now."""
        return self.history[-1].divisor

    def tick(self, cycle: int) -> int:
        """Gives the periods of the clock source that have passed at a cycle."""
        since, ticks = self._base
        return ticks + (cycle - since) * self.divisor

    def cycle_of_tick(self, tick: int) -> int:
        """Gives the first cycle at or after a period of the clock source, at the present division."""
        since, ticks = self._base
        return since - (ticks - tick) // self.divisor

    def ticks_in(self, seconds: Fraction, what: str) -> int:
        """Gives the periods of the clock source in a time, rounded up; raises NotModelled without a known clock."""
        hertz = self.chip.clock_hz
        if hertz is None:
            raise NotModelled(
                f"{what} takes a time, not a number of cycles, and the clock is not known: give it with --clock "
                "(clock= in Python), for example --clock 16MHz"
            )
        return -int(-seconds * hertz // 1)

    def cycles_in(self, seconds: Fraction, what: str) -> int:
        """Gives the CPU cycles in a time at the present division, rounded up."""
        return -(-self.ticks_in(seconds, what) // self.divisor)

    def on_division(self, schedule: Callable[[], None]) -> None:
        """Has `schedule` called when the division has changed, and with it the cycles of what is to come."""
        self._on_division.append(schedule)

    def timed(self, action: Callable[[int], None], what: str, *, outlives_reset: bool = False) -> Timed:
        """Makes something that comes after a time; `what` is for the message where the clock is not known."""
        made = Timed(self, action, what, outlives_reset=outlives_reset)
        self._timed.append(made)
        return made

    def _write(self, value: int, mask: int, cycle: int) -> None:
        # DS40002061A sec. 9.12.2: CLKPCE is taken only with the other bits zero, and a repeated write extends nothing.
        bits, armed = value & mask, self._change_enabled
        is_enabled = armed is not None and cycle - armed <= TIMED_SEQUENCE_CYCLES
        if bits >> 7:
            if not bits & 0x7F and not is_enabled:
                self._change_enabled = cycle
                self._disarm.set(cycle + TIMED_SEQUENCE_CYCLES)
                self._keep(cycle)
            return
        if not is_enabled:
            return
        self._change_enabled = None
        self._disarm.clear()
        selected = bits & 0x0F
        if selected > LARGEST_DIVISION:
            self.chip.bus.report_unmodelled("CLKPR", f"the reserved setting CLKPS = {selected}")
        elif 1 << selected != self.divisor:
            self._divide(1 << selected, cycle)
        self._keep(cycle)

    def _divide(self, divisor: int, cycle: int) -> None:
        self._base = cycle, self.tick(cycle)
        self.history.append(ClockChange(cycle, divisor))
        for schedule in (*(each.schedule for each in self._timed), *self._on_division):
            schedule()
        if divisor == 1:
            return
        self.chip.bus.report_assumed(
            "CLKPR", f"divides the clock by {divisor}: cycles are exact, times are shown as if it were not divided"
        )

    def _times_out(self, cycle: int) -> None:
        self._keep(cycle)

    def _keep(self, cycle: int) -> None:
        if self._address is not None:
            armed = self._change_enabled
            enable = armed is not None and cycle - armed < TIMED_SEQUENCE_CYCLES
            self.chip.data[self._address] = enable << 7 | self.divisor.bit_length() - 1

    def _read_calibration(self, name: str, address: int, cycle: int) -> int:
        if name not in self._calibrated:
            self.chip.bus.report_assumed(name, "reads as 0; each chip has its own value from the factory")
        return self.chip.data[address]

    def _calibrate(self, name: str, address: int, value: int, mask: int, cycle: int) -> None:
        data = self.chip.data
        data[address] = data[address] & ~mask & 0xFF | value & mask
        self._calibrated.add(name)
        self.chip.bus.report_assumed(
            name, "the calibration of the RC oscillator was changed; cycles are exact, times at the clock given"
        )

    def at_reset(self, cycle: int) -> None:
        """Undoes the division, as a reset does; calibration registers hold their factory value again."""
        self._change_enabled = None
        self._calibrated.clear()
        for each in self._timed:
            if not each.alarm.outlives_reset:
                each.clear()
        if self.divisor != 1:
            self._divide(1, cycle)
        self._keep(cycle)

    def save(self) -> Any:
        """Gives division, phase and what is to come."""
        dues = tuple(each.due_tick for each in self._timed)
        return tuple(self.history), self._base, self._change_enabled, frozenset(self._calibrated), dues

    def restore(self, saved: Any) -> None:
        """Sets them."""
        history, self._base, self._change_enabled, calibrated, dues = saved
        self.history, self._calibrated = list(history), set(calibrated)
        for each, due in zip(self._timed, dues, strict=True):
            each.due_tick = due


REGISTERS = ("PRR", "PRR0", "PRR1", "PRR2")
BIT = re.compile(r"PR(ADC|VADC|VRM|TWI\d?|TIM\d|SPI\d?|USART\d?|USI|LIN|CAN|LCD|PSC\w*|USBH?|PGA|TRX24|RAM\d)")
SECOND_REGISTER = frozenset({"PRTIM3", "PRTIM4", "PRTIM5", "PRUSART2", "PRUSART3", "PRUSB", "PRTRX24"})
"""Bits that stand in PRR1 where there is one (ATmega640/…/2561 DS40002211 sec. 11.10.3)."""


class PowerReduction:
    """Which devices' clocks stand still: by the bits of PRR, and by sleep.

    A device asks `is_on` with the bit that stops it, and is told by `on_change` when an answer may have changed.
    """

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._listeners: list[Callable[[int], None]] = []
        self._is_set: set[str] = set()
        self._stopped: frozenset[str] = frozenset()
        bits = chip.part.bits
        # The ATA parts have other devices than those modelled, behind bits of other names.
        names = [] if "PRT1" in bits else [name for name in REGISTERS if name in chip.part.registers]
        addresses = {chip.part.registers[name].address: name for name in reversed(names)}
        own = [bit for bit in bits if BIT.fullmatch(bit)]
        # Two names may be one bit: PRUSART and PRUSART0 on the AT90PWM3.
        self._bits: dict[int, list[tuple[int, str]]] = {
            address: [(bits[bit], bit) for bit in own if _register_of(bit, chip) == name]
            for address, name in addresses.items()
        }
        for address in addresses:
            chip.bus.attach(address, None, partial(self._write, address))
        chip.add(self)

    def is_on(self, bit: str, clock: str = "io") -> bool:
        """Tells whether a device stands still: its power reduction bit is set, or its clock is stopped by sleep.

        `bit` may be one that the part lacks ("" for a device that has none). `clock` is "io", "adc" or "asy", the
        asynchronous timer clock.
        """
        return clock in self._stopped or bit in self._is_set

    def on_change(self, listener: Callable[[int], None]) -> None:
        """Has a listener called with the cycle at which the answers change, after they have."""
        self._listeners.append(listener)

    def stop_clocks(self, clocks: Iterable[str], cycle: int) -> None:
        """Stops exactly these clocks, for sleep."""
        stopped = frozenset(clocks)
        if stopped != self._stopped:
            self._stopped = stopped
            self._tell(cycle)

    def _write(self, address: int, value: int, mask: int, cycle: int) -> None:
        data, bits = self._chip.data, self._bits[address]
        data[address] = data[address] & ~mask & 0xFF | value & mask
        before = self._is_set
        own = {bit for position, bit in bits if data[address] >> position & 1}
        self._is_set = before - {bit for _, bit in bits} | own
        if self._is_set != before:
            self._tell(cycle)

    def _tell(self, cycle: int) -> None:
        for listen in self._listeners:
            listen(cycle)

    def save(self) -> Any:
        """Gives what stands still."""
        return frozenset(self._is_set), self._stopped

    def restore(self, saved: Any) -> None:
        """Sets it; devices restore what they have made of it."""
        self._is_set, self._stopped = set(saved[0]), saved[1]


def _register_of(bit: str, chip: Chip) -> str:
    """Names the power reduction register that a bit stands in, which headers do not say."""
    registers, bits = chip.part.registers, chip.part.bits
    # PRR and PRR0 are one register on the ATmega164 to 644.
    if "PRR" in registers:
        return "PRR"
    if bit.startswith("PRRAM") and "PRR2" in registers:
        return "PRR2"
    # PRUSART1 is bit 0 of PRR1 on the ATmega640/…/2561 and bit 4 of PRR0 on the ATmega164 to 1284.
    if "PRR1" in registers and (bit in SECOND_REGISTER or (bit == "PRUSART1" and bits[bit] == 0)):
        return "PRR1"
    return "PRR0"
