"""The transmitter of a serial port: frame times, buffer, flags and interrupts.

Datasheet: ATmega48A/…/328P DS40002061A sec. 20; names without a number are those of older parts.
The receiver is not modelled: nothing arrives, which is also what a chip with an idle line sees.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from cyclerule.machine.chip import Chip


class SentByte(NamedTuple):
    """A byte that has left the transmitter, and the cycle at which its last stop bit ended."""

    cycle: int
    value: int


class Transmitter:
    """One serial port, transmitting.

    UNVERIFIED: the phase of the start bit. The baud generator runs freely from the last write to UBRRL, so a
    frame begins at its next bit edge, up to one bit time after the write; a logic analyser on TXD would settle it.
    """

    def __init__(self, chip: Chip, suffix: str) -> None:
        self.chip, self.suffix = chip, suffix
        self.sent: list[SentByte] = []
        self.on_sent: Callable[[SentByte], None] | None = None
        self._status_flags = 0
        self._control_b = 0
        self._control_c = 0
        self._baud = 0
        self._origin = 0
        self._shifting: int | None = None
        self._waiting: int | None = None
        self._last_shared_read = -2
        self._attach()
        self._alarm = chip.events.alarm(self._frame_ends)
        chip.add(self)

    def _bit(self, name: str) -> int | None:
        bits = self.chip.part.bits
        return bits.get(name + self.suffix, bits.get(name))

    def _register(self, *names: str) -> int | None:
        return next((found for name in names if (found := self.chip.bus.address(name)) is not None), None)

    def _attach(self) -> None:
        chip, n = self.chip, self.suffix
        self._complete = 1 << (self._bit("TXC") or 6)
        self._empty = 1 << (self._bit("UDRE") or 5)
        self._double_bit = self._bit("U2X")
        self._enable_bit = self._bit("TXEN") or 3
        self._empty_enable, self._complete_enable = self._bit("UDRIE") or 5, self._bit("TXCIE") or 6
        self._select_bit = self._bit("URSEL")
        self._status_flags = self._empty
        # 8N1 is the reset state of UCSRnC (DS40002061A sec. 20.11.4, from memory for parts without that register).
        self._control_c = 0x06
        bus = chip.bus
        data = self._register(f"UDR{n}")
        status = self._register(f"UCSR{n}A", "UCSRA", "USR")
        control = self._register(f"UCSR{n}B", "UCSRB", "UCR")
        frame = self._register(f"UCSR{n}C", "UCSRC")
        low, high = self._register(f"UBRR{n}L", "UBRRL", f"UBRR{n}"), self._register(f"UBRR{n}H", "UBRRH")
        if data is not None:
            bus.attach(data, lambda cycle: 0, self._write_data)
        if status is not None:
            bus.attach(status, self._read_status, self._write_status)
        if control is not None:
            bus.attach(control, lambda cycle: self._control_b, self._write_control)
        if low is not None:
            bus.attach(low, lambda cycle: self._baud & 0xFF, self._write_baud_low)
        if frame is not None and frame == high:
            bus.attach(frame, self._read_shared, self._write_shared)
        else:
            if frame is not None:
                bus.attach(frame, lambda cycle: self._control_c, self._write_frame)
            if high is not None:
                bus.attach(high, lambda cycle: self._baud >> 8, self._write_baud_high)
        vectors = chip.part.vectors
        self._empty_vector = _first(vectors, f"USART{n}_UDRE", "USART_UDRE", "UART_UDRE", "UART0_UDRE")
        self._complete_vector = _first(vectors, f"USART{n}_TX", "USART_TX", "USART_TXC", "UART_TX", "UART0_TX")
        if self._complete_vector is not None:
            chip.interrupts.on_entry(self._complete_vector, lambda cycle: self._clear_complete())

    # Frames.

    @property
    def bit_cycles(self) -> int:
        """CPU cycles a bit: 16 (UBRR + 1), or 8 (UBRR + 1) in double speed; DS40002061A sec. 20.3, table 20-1."""
        is_double = self._double_bit is not None and self._status_flags >> self._double_bit & 1
        return (8 if is_double else 16) * (self._baud + 1)

    @property
    def frame_bits(self) -> int:
        """Bits a frame: start, 5 to 9 data, parity, 1 or 2 stop; DS40002061A sec. 20.11.4."""
        nine = self._bit("UCSZ2") if self._bit("UCSZ2") is not None else self._bit("CHR9")
        size = self._control_c >> 1 & 3
        data = 9 if nine is not None and self._control_b >> nine & 1 else 5 + size
        parity = 1 if self._control_c >> 5 & 1 else 0
        stop = 2 if self._control_c >> 3 & 1 else 1
        return 1 + data + parity + stop

    def _write_data(self, value: int, mask: int, cycle: int) -> None:
        if not self._control_b >> self._enable_bit & 1:
            return
        if self._shifting is None:
            # The first byte moves to the shift register at once, so the buffer is empty again (from memory).
            self._begin(value, cycle)
        elif self._waiting is None:
            self._waiting = value
            self._status_flags &= ~self._empty
        # Data written while the buffer is full is ignored: DS40002061A sec. 20.11.1.
        self._update()

    def _begin(self, value: int, cycle: int) -> None:
        self._shifting = value
        length = self.bit_cycles
        start = self._origin + -(-(cycle - self._origin) // length) * length
        self._alarm.set(start + self.frame_bits * length)

    def _frame_ends(self, cycle: int) -> None:
        value = self._shifting or 0
        self._shifting = None
        if self._waiting is not None:
            following, self._waiting = self._waiting, None
            self._status_flags |= self._empty
            self._begin(following, cycle)
        else:
            self._status_flags |= self._complete
        self._update()
        sent = SentByte(cycle, value)
        self.sent.append(sent)
        if self.on_sent is not None:
            self.on_sent(sent)

    def _clear_complete(self) -> None:
        self._status_flags &= ~self._complete
        self._update()

    def _update(self) -> None:
        interrupts = self.chip.interrupts
        if self._empty_vector is not None:
            asks = self._status_flags & self._empty and self._control_b >> self._empty_enable & 1
            interrupts.set_request(self._empty_vector, bool(asks))
        if self._complete_vector is not None:
            asks = self._status_flags & self._complete and self._control_b >> self._complete_enable & 1
            interrupts.set_request(self._complete_vector, bool(asks))

    # Registers.

    def _read_status(self, cycle: int) -> int:
        return self._status_flags

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        written = value & mask
        if written & self._complete:
            self._status_flags &= ~self._complete
        if self._double_bit is not None and mask >> self._double_bit & 1:
            place = 1 << self._double_bit
            self._status_flags = self._status_flags & ~place | value & place
        self._update()

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        self._control_b = self._control_b & ~mask | value & mask
        self._update()

    def _write_frame(self, value: int, mask: int, cycle: int) -> None:
        self._control_c = self._control_c & ~mask | value & mask
        if self._control_c >> 6 & 3:
            self.chip.bus.report_unmodelled(f"UCSR{self.suffix}C", "a synchronous mode of the serial port")

    def _write_baud_low(self, value: int, mask: int, cycle: int) -> None:
        # Writing UBRRL starts the baud generator anew: DS40002061A sec. 20.11.5.
        self._baud = self._baud & 0xF00 | value
        self._origin = cycle

    def _write_baud_high(self, value: int, mask: int, cycle: int) -> None:
        self._baud = (value & 0x0F) << 8 | self._baud & 0xFF

    def _write_shared(self, value: int, mask: int, cycle: int) -> None:
        # UBRRH and UCSRC at one address, told apart by URSEL: ATmega8 datasheet, "Accessing UBRRH/UCSRC registers".
        if self._select_bit is not None and value >> self._select_bit & 1:
            self._write_frame(value & ~(1 << self._select_bit), mask, cycle)
        else:
            self._write_baud_high(value, mask, cycle)

    def _read_shared(self, cycle: int) -> int:
        # The same section: a read gives UBRRH, a second one in the next cycle UCSRC.
        follows = cycle == self._last_shared_read + 1
        self._last_shared_read = cycle
        return self._control_c | 1 << (self._select_bit or 7) if follows else self._baud >> 8

    def save(self) -> Any:
        """Gives the port's state, with how much was sent."""
        return (
            self._status_flags,
            self._control_b,
            self._control_c,
            self._baud,
            self._origin,
            self._shifting,
            self._waiting,
            self._last_shared_read,
            len(self.sent),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state and forgets what was sent after it."""
        (
            self._status_flags,
            self._control_b,
            self._control_c,
            self._baud,
            self._origin,
            self._shifting,
            self._waiting,
            self._last_shared_read,
            sent,
        ) = saved
        del self.sent[sent:]


def _first(vectors: Any, *names: str) -> int | None:
    return next((vectors[name] for name in names if name in vectors), None)
