"""The 16-bit timer/counters and their access through TEMP.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 16; 16-bit access, sec. 16.3: one TEMP for each timer,
a write takes the high byte from it, a read puts it there.
"""

from functools import partial
from typing import Any

from cyclerule.peripherals.timers.layout import Unit
from cyclerule.peripherals.timers.timer import CAPTURE, Registers, Timer
from cyclerule.peripherals.timers.waveform import Top


class Timer16(Timer):
    """One 16-bit timer/counter."""

    _temporary = 0

    def _add_flags(self, registers: Registers) -> None:
        super()._add_flags(registers)
        capture = self._marks.get(CAPTURE)
        if capture is not None:
            capture.source.registers.on_enable.append(lambda cycle: self._tell_unmodelled("B"))

    def _tell_unmodelled(self, letter: str) -> None:
        super()._tell_unmodelled(letter)
        # In modes in which ICR is not TOP ICF is set by an edge on a pin or by the comparator.
        capture, mode = self._marks.get(CAPTURE), self.mode
        is_awaited = capture is not None and capture.source.is_enabled and self.clock is not None
        if self._control["B"] & 0xC0 or (is_awaited and mode is not None and mode.top is not Top.ICR):
            self._tell("B", "input capture")

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
        self.chip.data[address], self.chip.data[address + 1] = value, self._temporary
        self._set_compare(channel, self._temporary << 8 | value, cycle)

    def _read_capture_low(self, cycle: int) -> int:
        self._temporary = self._capture >> 8
        return self._capture & 0xFF

    def _write_capture(self, value: int, mask: int, cycle: int) -> None:
        self._set_capture(self._temporary << 8 | value, cycle)

    def save(self) -> Any:
        """Gives the timer's state."""
        return self._temporary, super().save()

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        self._temporary, rest = saved
        super().restore(rest)
