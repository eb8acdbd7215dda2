"""The timer that can have a clock of its own: a 32.768 kHz crystal, or a clock on the pin TOSC1.

ATmega48A/…/328P datasheet DS40002061A sec. 18.9 (asynchronous operation) and 18.11.8 (ASSR); before it ATmega8, 2486.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER
from cyclerule.peripherals import power
from cyclerule.peripherals.timers.clock import Clock, ClockSelect
from cyclerule.peripherals.timers.compare_output import CompareOutput
from cyclerule.peripherals.timers.layout import Layout
from cyclerule.peripherals.timers.prescaler import Prescaler
from cyclerule.peripherals.timers.sources import Registers
from cyclerule.peripherals.timers.timer8 import Timer8

CRYSTAL_HERTZ = 32_768
FLAG_DELAY = 3
"""CPU cycles that an interrupt flag takes from the timer to the CPU: sec. 18.9."""

EDGES_TO_LATCH = 2
"""Positive edges of the clock after which a written register takes its value: sec. 18.9."""


class Crystal:
    """The crystal's edges in CPU cycles: each in the first cycle that begins at it or after it.

    Its phase differs from start to start and drifts, so no board can tell it: an edge is taken to lie at reset, and
    what depends on it, such as the cycle of an interrupt, holds up to one period of the crystal.
    """

    def __init__(self, clock: power.Clock) -> None:
        self._clock = clock

    @property
    def _hertz(self) -> int:
        hertz = self._clock.chip.clock_hz
        if hertz is None:
            raise NotModelled(
                "the timer runs on a 32.768 kHz crystal, and the clock is not known: give it with --clock (clock= in "
                "Python), for example --clock 16MHz"
            )
        return hertz

    def ticks(self, cycle: int) -> int:
        """Gives the edges at or before a cycle."""
        return self._clock.tick(cycle) * CRYSTAL_HERTZ // self._hertz

    def tick_cycle(self, number: int) -> int:
        """Gives the cycle of an edge."""
        return self._clock.cycle_of_tick(-(-number * self._hertz // CRYSTAL_HERTZ))

    @property
    def period(self) -> int | None:
        """The cycles from edge to edge where that is always the same number."""
        cycles, rest = divmod(self._hertz, CRYSTAL_HERTZ * self._clock.divisor)
        return None if rest else cycles

    def use(self, listener: Callable[[int], None] | None, cycle: int) -> None:
        """Checks that the CPU's clock is known, without which nothing can be said of the crystal's."""
        if listener is not None and self._hertz <= 4 * CRYSTAL_HERTZ:
            raise NotModelled("the CPU clock must be more than four times that of the timer's crystal (32.768 kHz)")


class AsynchronousTimer8(Timer8):
    """Timer 2 of most parts, timer 0 of some: a Timer8 that the bit ASn gives a clock of its own.

    A register written then goes to a temporary one, from which it is latched at the second edge of the clock.
    """

    def __init__(
        self,
        chip: Chip,
        layout: Layout,
        clocks: Sequence[ClockSelect],
        registers: Registers,
        *,
        outputs: Mapping[str, CompareOutput],
        prescaler: Prescaler,
        crystal: Clock,
        oscillator_pin: Clock | None,
    ) -> None:
        self._prescaler, self._crystal, self._oscillator_pin = prescaler, crystal, oscillator_pin
        # What is to be latched, by register ("TCNT2"): the edge that does it, and the value.
        self._pending: dict[str, tuple[int, int]] = {}
        bits, n = chip.part.bits, layout.number
        self._select = 1 << bits[f"AS{n}"]
        self._external = 1 << bits["EXCLK"] if "EXCLK" in bits else 0
        self._status = chip.part.registers["ASSR"].address
        # Shared names of older parts (OCR2UB, TCR2UB) come last.
        self._busy = {f"TCNT{n}": _bit(chip, f"TCN{n}UB")}
        for channel, unit in layout.units.items():
            self._busy[unit.register] = _bit(chip, f"OCR{n}{channel}UB", f"OCR{n}UB")
        for letter, register in layout.controls.items():
            self._busy[register] = _bit(chip, f"TCR{n}{letter}UB", f"TCR{n}UB")
        super().__init__(chip, layout, clocks, registers, outputs=outputs)
        self._latch = chip.events.alarm(self._take_written, priority=2)
        chip.bus.attach(self._status, None, self._write_status)
        prescaler.on_change(lambda cycle: None, self._arm_latch)

    @property
    def is_asynchronous(self) -> bool:
        """Whether it has a clock of its own."""
        return self._prescaler.source is not None

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        data, own = self.chip.data, self._select | self._external
        before = data[self._status]
        now = data[self._status] = before & ~(mask & own) | value & mask & own
        if not (before ^ now) & own:
            return
        source = None
        if now & self._select:
            source = self._oscillator_pin if now & self._external else self._crystal
            if source is None:
                raise NotModelled("the timer is clocked on its pin TOSC1, which is not known for this part")
        # "The contents of TCNT2 … might be corrupted" (sec. 18.11.8): a count not written anew is told when used.
        self._pending.clear()
        self._is_count_stale = True
        data[self._status] = now & own
        self._prescaler.switch(source, cycle)
        for mark in self._marks.values():
            mark.delay = 0 if source is None else FLAG_DELAY
        if source is self._crystal:
            self.chip.bus.report_assumed(
                "ASSR", "clocks the timer by a 32.768 kHz crystal, whose phase is taken to be that of the reset"
            )

    # Writing.

    def _write_control(self, letter: str, address: int, value: int, mask: int, cycle: int) -> None:
        if not self.is_asynchronous:
            super()._write_control(letter, address, value, mask, cycle)
            return
        whole = self.chip.data[address] & ~mask & 0xFF | value & mask
        self.chip.data[address] = whole & ~sum(1 << position for position in self._strobes[letter])
        self._defer(self.layout.controls[letter], whole, cycle)

    def _write_count(self, value: int, mask: int, cycle: int) -> None:
        if self.is_asynchronous:
            self._defer(self.layout.name, value, cycle)
        else:
            super()._write_count(value, mask, cycle)

    def _write_compare(self, channel: str, address: int, value: int, mask: int, cycle: int) -> None:
        if not self.is_asynchronous:
            super()._write_compare(channel, address, value, mask, cycle)
            return
        data = self.chip.data
        data[address] = data[address] & ~mask & 0xFF | value & mask
        self._defer(self.layout.units[channel].register, data[address], cycle)

    def _defer(self, register: str, value: int, cycle: int) -> None:
        source = self._prescaler.source
        if source is None:
            return
        if register in self._pending:
            # "The updated value might get corrupted": sec. 18.11.8.
            self.chip.bus.report_assumed(register, "written while its update was busy: a chip may take another value")
        self._pending[register] = source.ticks(cycle) + EDGES_TO_LATCH, value
        self.chip.data[self._status] |= self._busy[register]
        self._arm_latch()

    def _arm_latch(self) -> None:
        source = self._prescaler.source
        edges = [edge for edge, _ in self._pending.values()]
        due = NEVER if source is None or not edges else source.tick_cycle(min(edges))
        if due == NEVER:
            self._latch.clear()
        else:
            self._latch.set(due)

    def _take_written(self, cycle: int) -> None:
        source = self._prescaler.source
        edge = 0 if source is None else source.ticks(cycle)
        for register in [name for name, (due, _) in self._pending.items() if due <= edge]:
            _, value = self._pending.pop(register)
            self.chip.data[self._status] &= ~self._busy[register]
            self._put(register, value, cycle)
        self._arm_latch()

    def _put(self, register: str, value: int, cycle: int) -> None:
        if register == self.layout.name:
            self._set_count(value, cycle)
        for channel, unit in self.layout.units.items():
            if unit.register == register:
                self._set_compare(channel, value, cycle)
        for letter, name in self.layout.controls.items():
            if name == register:
                address = self.chip.part.registers[register].address
                super()._write_control(letter, address, value, 0xFF, cycle)

    def save(self) -> Any:
        """Gives the timer's state."""
        delays = tuple(mark.delay for mark in self._marks.values())
        return tuple(self._pending.items()), delays, super().save()

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        pending, delays, rest = saved
        self._pending = dict(pending)
        for mark, delay in zip(self._marks.values(), delays, strict=True):
            mark.delay = delay
        super().restore(rest)


def _bit(chip: Chip, *names: str) -> int:
    return next((1 << chip.part.bits[name] for name in names if name in chip.part.bits), 0)
