"""The universal serial interface of the ATtiny parts: data register, counter, clock sources, pins in three-wire mode.

Datasheet: ATtiny25/45/85 2586Q sec. 15.
"""

from dataclasses import dataclass
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.serial.usart import FindPin

# USISR and USICR have the same bits on every part (sec. 15.5.3 and 15.5.4).
USISIF, USIOIF, USIPF = 1 << 7, 1 << 6, 1 << 5
COUNT = 0x0F
USISIE, USIOIE, USIWM1, USIWM0, USICS1, USICS0, USICLK, USITC = (1 << place for place in range(7, -1, -1))
THREE_WIRE = USIWM0
NAME = "USICR"


@dataclass(frozen=True)
class UsiRegisters:
    """The registers of the interface as data addresses, and its vectors; None is what the part lacks."""

    data: int
    status: int
    control: int
    buffer: int | None
    start_vector: int | None
    overflow_vector: int | None
    power_bit: str

    @classmethod
    def of(cls, part: Part) -> "UsiRegisters | None":
        """Finds them by their names; None for a part without the interface."""
        registers, vectors = part.registers, part.vectors
        if not all(name in registers for name in ("USIDR", "USISR", "USICR")):
            return None
        data, status, control = (registers[name].address for name in ("USIDR", "USISR", "USICR"))
        return cls(
            data,
            status,
            control,
            buffer=registers["USIBR"].address if "USIBR" in registers else None,
            start_vector=next((vectors[n] for n in ("USI_START", "USI_STR", "USI_STRT") if n in vectors), None),
            overflow_vector=next((vectors[n] for n in ("USI_OVF", "USI_OVERFLOW") if n in vectors), None),
            power_bit="PRUSI" if "PRUSI" in part.bits else "",
        )


class Usi:
    """The universal serial interface.

    UNVERIFIED: that an edge on USCK acts in the cycle in which the pin changes, ahead of the synchroniser; a board that
    toggles USCK with USITC and reads USIDR in each of the next cycles would settle it.
    """

    def __init__(self, chip: Chip, registers: UsiRegisters, find_pin: FindPin, power: PowerReduction) -> None:
        self._chip, self._at, self._power = chip, registers, power
        self._control = self._flags = self._count = self._data = self._buffer = 0
        # USICLK reads as zero, but with an external clock it selects the counter's source.
        self._counts_strobes = False
        self._output = False
        self._is_stopped = False
        self._input, self._clock, self._shows = find_pin("DI"), find_pin("USCK"), find_pin("DO")
        if self._clock is not None:
            self._clock.listen(self._clock_changes)
        bus = chip.bus
        bus.attach(registers.data, None, self._write_data)
        bus.attach(registers.status, None, self._write_status)
        bus.attach(registers.control, None, self._write_control)
        if registers.buffer is not None:
            bus.attach(registers.buffer, None, lambda value, mask, cycle: None)
        power.on_change(self._power_changes)
        chip.add(self)

    def _update(self) -> None:
        at, data, requests = self._at, self._chip.data, self._chip.interrupts
        data[at.data], data[at.status] = self._data, self._flags | self._count
        data[at.control] = self._control
        if at.buffer is not None:
            data[at.buffer] = self._buffer
        # Neither flag is cleared when its handler is entered: sec. 15.5.3.
        if at.start_vector is not None:
            requests.set_request(at.start_vector, bool(self._flags & USISIF and self._control & USISIE))
        if at.overflow_vector is not None:
            requests.set_request(at.overflow_vector, bool(self._flags & USIOIF and self._control & USIOIE))

    # Registers.

    def _write_data(self, value: int, mask: int, cycle: int) -> None:
        if self._is_reachable():
            self._data = self._data & ~mask | value & mask
            self._show(cycle)
            self._update()

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        if self._is_reachable():
            self._flags &= ~(value & mask & (USISIF | USIOIF | USIPF))
            self._count = (self._count & ~mask | value & mask) & COUNT
            self._update()

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        if not self._is_reachable():
            return
        before, bits = self._control, value & mask
        self._control = (before & ~mask | bits) & ~(USICLK | USITC) & 0xFF
        self._check(before)
        if self._control & USICS1:
            if mask & USICLK:
                self._counts_strobes = bool(bits & USICLK)
            if bits & USITC and self._counts_strobes:
                self._count_clock()
        else:
            self._counts_strobes = False
            if bits & USICLK and not self._control & USICS0:
                # The value shifted in was sampled in the cycle before: sec. 15.5.4, USICLK.
                self._shift()
                self._count_clock()
        self._show(cycle)
        if bits & USITC:
            self._toggle_clock(cycle)
        self._update()

    def _toggle_clock(self, cycle: int) -> None:
        if self._clock is None:
            self._tell("USITC, since which pin is USCK is not known")
        else:
            self._clock.port.toggle(1 << self._clock.bit, cycle)

    def _check(self, before: int) -> None:
        """Tells what the model lacks of what was set."""
        control = self._control
        if control & USIWM1:
            self._tell("a two-wire mode")
        if control & (USICS1 | USICS0) == USICS0:
            self._tell("the clock from compare matches of timer 0")
        if control & USICS1 and self._clock is None:
            self._tell("the external clock, since which pin is USCK is not known")
        at = self._at
        for enable, vector in ((USISIE, at.start_vector), (USIOIE, at.overflow_vector)):
            if control & enable and vector is None:
                self._tell(f"an interrupt (bit {enable.bit_length() - 1})")
        if (before ^ control) & (USIWM1 | USIWM0) and control & USIWM0 and self._shows is None:
            self._tell("the data output, since which pin is DO is not known")

    # Clocks.

    def _clock_changes(self, level: bool, cycle: int) -> None:
        if not self._control & USICS1 or self._is_stopped:
            return
        if not self._counts_strobes:
            # An external clock counts both edges, and in this mode each edge on the pin sets the start flag.
            self._count_clock()
            if not self._control & USIWM1:
                self._flags |= USISIF
        # Mode 0 samples at rising edges, mode 1 at falling ones: sec. 15.3.1, figure 15-3.
        if level != bool(self._control & USICS0):
            self._shift()
        self._show(cycle)
        self._update()

    def _shift(self) -> None:
        pin = self._input
        if pin is None:
            self._tell("what is shifted in, since which pin is DI is not known")
        self._data = self._data << 1 & 0xFF | (pin is not None and pin.level)

    def _count_clock(self) -> None:
        self._count = self._count + 1 & COUNT
        if not self._count:
            self._flags |= USIOIF
            self._buffer = self._data

    def _show(self, cycle: int) -> None:
        """Puts the highest bit on DO, through a latch that an external clock keeps shut after the sampling edge."""
        pin = self._shows
        if pin is None:
            return
        if self._control & (USIWM1 | USIWM0) != THREE_WIRE:
            pin.release("USI", cycle)
            return
        if self._is_latch_open():
            self._output = bool(self._data >> 7)
        pin.take("USI", self._output, cycle)

    def _is_latch_open(self) -> bool:
        if not self._control & USICS1:
            return True
        # Open in the first half of a clock cycle, before the edge at which DI is sampled: sec. 15.5.1.
        clock: Pin | None = self._clock
        return clock is None or clock.level == bool(self._control & USICS0)

    # Power.

    def _is_reachable(self) -> bool:
        if self._is_stopped:
            self._tell("a register written while its clock is off")
        return not self._is_stopped

    def _power_changes(self, cycle: int) -> None:
        # UNVERIFIED: that an external clock does nothing while the interface's clock is off, but for waking from sleep,
        # which is not modelled; a board that clocks USCK from outside in Power-down would settle it.
        self._is_stopped = self._power.is_on(self._at.power_bit)

    def _tell(self, what: str) -> None:
        self._chip.bus.report_unmodelled(NAME, what)

    def save(self) -> Any:
        """Gives the state."""
        return (
            (self._control, self._flags, self._count, self._data, self._buffer),
            (self._counts_strobes, self._output, self._is_stopped),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state."""
        registers, (self._counts_strobes, self._output, self._is_stopped) = saved
        self._control, self._flags, self._count, self._data, self._buffer = registers
