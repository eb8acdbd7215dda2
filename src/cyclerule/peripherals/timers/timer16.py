"""The 16-bit timer/counters and their access through TEMP.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 16; 16-bit access, sec. 16.3: one TEMP for each timer,
a write takes the high byte from it, a read puts it there.
"""

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.timers.capture import InputCapture
from cyclerule.peripherals.timers.clock import ClockSelect
from cyclerule.peripherals.timers.compare_output import CompareOutput
from cyclerule.peripherals.timers.layout import Layout, Unit
from cyclerule.peripherals.timers.sources import CAPTURE, Registers
from cyclerule.peripherals.timers.timer import Timer
from cyclerule.peripherals.timers.waveform import Top

# ICESn and ICNCn of TCCRnB: DS40002061A sec. 16.11.2.
EDGE_SELECT, NOISE_CANCELLER = 6, 7


class Timer16(Timer):
    """One 16-bit timer/counter."""

    _temporary = 0

    def __init__(
        self,
        chip: Chip,
        layout: Layout,
        clocks: Sequence[ClockSelect],
        registers: Registers,
        *,
        outputs: Mapping[str, CompareOutput],
        capture_pin: Pin | None,
    ) -> None:
        super().__init__(chip, layout, clocks, registers, outputs=outputs)
        self._before = (-1, 0)
        self.capture = InputCapture(chip, capture_pin, self._take_capture)
        flag = self._marks.get(CAPTURE)
        if flag is not None:
            flag.source.registers.on_enable.append(lambda cycle: self._tell_unmodelled("B"))

    def _tell_unmodelled(self, letter: str) -> None:
        super()._tell_unmodelled(letter)
        # In modes in which ICR is not TOP ICF is set by an edge on a pin or by the comparator.
        flag, mode = self._marks.get(CAPTURE), self.mode
        is_awaited = flag is not None and flag.source.is_enabled and mode is not None and mode.top is not Top.ICR
        if is_awaited and self.capture.pin is None:
            self._tell("B", f"input capture on ICP{self.number}, whose pin is not known")

    def settle(self, cycle: int) -> None:
        """Makes `cycle` the new reference point, before anything changes how the timer counts."""
        if cycle > self._since and self._run is not None:
            self._before = cycle, self._run.value(cycle - 1)
        super().settle(cycle)

    def schedule(self) -> None:
        """Lays the course from the reference point on, with every alarm on it."""
        mode = self.mode
        # ICP is disconnected where ICR is TOP: DS40002061A sec. 16.6.1.
        self.capture.is_enabled = mode is None or mode.top is not Top.ICR
        self.capture.is_rising = bool(self._control["B"] >> EDGE_SELECT & 1)
        self.capture.cancels_noise = bool(self._control["B"] >> NOISE_CANCELLER & 1)
        super().schedule()

    def _take_capture(self, cycle: int) -> None:
        # UNVERIFIED: that ICR takes the count of the cycle before the one in which ICF is set, as a register clocked
        # together with the counter does; a program that toggles ICP1 itself at clock/1 and compares ICR1 with TCNT1
        # would settle it.
        if self._before[0] == cycle:
            self._capture = self._before[1]
        elif self._run is not None and cycle > self._since:
            self._capture = self._run.value(cycle - 1)
        else:
            self._capture = self._count
        if self._run is None and self.clock is not None:
            self._tell("B", "input capture from a count that is not modelled")
        flag = self._marks.get(CAPTURE)
        if flag is not None:
            flag.source.registers.raise_flag(flag.source)

    def _attach_count(self) -> None:
        part, bus = self.chip.part, self.chip.bus
        count = part.registers[self.layout.name].address
        bus.attach(count, self._read_low, self._write_count)
        bus.attach(count + 1, lambda cycle: self._temporary, self._write_temporary)
        capture = bus.address(f"ICR{self.number}")
        if capture is not None:
            bus.attach(capture, self._read_capture_low, self._write_capture)
            bus.attach(capture + 1, lambda cycle: self._temporary, self._write_temporary)

    def _attach_compare(self, channel: str, unit: Unit) -> None:
        # Reading OCR does not go through TEMP, writing does: ATmega48PA/88PA/168PA datasheet sec. 13.11.4.
        address = self.chip.part.registers[unit.register].address
        self.chip.bus.attach(address, None, partial(self._write_compare, channel, address))
        self.chip.bus.attach(address + 1, None, self._write_temporary)

    def _write_temporary(self, value: int, mask: int, cycle: int) -> None:
        self._temporary = value

    def _read_low(self, cycle: int) -> int:
        count = self.count(cycle)
        self._use_count()
        self._temporary = count >> 8
        return count & 0xFF

    def _write_count(self, value: int, mask: int, cycle: int) -> None:
        self._set_count(self._temporary << 8 | value, cycle)

    def _write_compare(self, channel: str, address: int, value: int, mask: int, cycle: int) -> None:
        if self._refuses(self.layout.units[channel].register):
            return
        self.chip.data[address], self.chip.data[address + 1] = value, self._temporary
        self._set_compare(channel, self._temporary << 8 | value, cycle)

    def _read_capture_low(self, cycle: int) -> int:
        self._temporary = self._capture >> 8
        return self._capture & 0xFF

    def _write_capture(self, value: int, mask: int, cycle: int) -> None:
        self._set_capture(self._temporary << 8 | value, cycle)

    def save(self) -> Any:
        """Gives the timer's state."""
        return self._temporary, self._before, super().save()

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        self._temporary, self._before, rest = saved
        super().restore(rest)
