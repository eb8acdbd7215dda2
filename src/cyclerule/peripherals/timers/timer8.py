"""The 8-bit timer/counters, numbers 0 and 2 of most parts; their registers are bytes and need no TEMP.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 15 and 18.
"""

from functools import partial

from cyclerule.peripherals.timers.layout import Unit
from cyclerule.peripherals.timers.timer import Timer


class Timer8(Timer):
    """One 8-bit timer/counter."""

    def _attach_count(self) -> None:
        self.chip.bus.attach(self.chip.part.registers[self.layout.name].address, self._read_count, self._write_count)

    def _attach_compare(self, channel: str, unit: Unit) -> None:
        address = self.chip.part.registers[unit.register].address
        self.chip.bus.attach(address, None, partial(self._write_compare, channel, address))

    def _read_count(self, cycle: int) -> int:
        count = self.count(cycle)
        self._use_count()
        return count

    def _write_count(self, value: int, mask: int, cycle: int) -> None:
        whole = value if mask == 0xFF else self.count(cycle) & ~mask | value & mask
        self._set_count(whole, cycle)

    def _write_compare(self, channel: str, address: int, value: int, mask: int, cycle: int) -> None:
        if self._refuses(self.layout.units[channel].register):
            return
        data = self.chip.data
        data[address] = data[address] & ~mask & 0xFF | value & mask
        self._set_compare(channel, data[address], cycle)
