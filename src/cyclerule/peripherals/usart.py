"""The transmitter of a serial port: frame times, buffer, flags and interrupts.

Datasheet: ATmega48A/…/328P DS40002061A sec. 20; names without a number are those of older parts.
The receiver is not modelled: nothing arrives, as on a chip whose RXD line is idle.
"""

from collections.abc import Callable, Iterable, Mapping
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

    def _optional_bit(self, name: str) -> int | None:
        bits = self.chip.part.bits
        # UCSZ02 and MPCM0, but UCSZ2 and MPCM on parts with one port.
        numbered = f"UCSZ{self.suffix}2" if name == "UCSZ2" else name + self.suffix
        return bits.get(numbered, bits.get(name))

    def _bit(self, name: str, otherwise: int) -> int:
        found = self._optional_bit(name)
        return otherwise if found is None else found

    def _register(self, *names: str) -> int | None:
        return next((found for name in names if (found := self.chip.bus.address(name)) is not None), None)

    def _attach(self) -> None:
        chip, n = self.chip, self.suffix
        # The same places on every part whose header leaves out a name.
        self._complete = 1 << self._bit("TXC", 6)
        self._empty = 1 << self._bit("UDRE", 5)
        self._enable_bit = self._bit("TXEN", 3)
        self._empty_enable, self._complete_enable = self._bit("UDRIE", 5), self._bit("TXCIE", 6)
        self._double_bit, self._select_bit = self._optional_bit("U2X"), self._optional_bit("URSEL")
        # Bit 0 of UCSRnA is kept too; with U2X it is all of that register that a program can write.
        self._kept_status = 1 << self._bit("MPCM", 0) if self._double_bit is not None else 0
        if self._double_bit is not None:
            self._kept_status |= 1 << self._double_bit
        ninth = self._optional_bit("UCSZ2")
        self._ninth_bit = ninth if ninth is not None else self._optional_bit("CHR9")
        self._status_flags = self._empty
        # 8N1 is the reset state of UCSRnC (DS40002061A sec. 20.11.4); parts without that register have no other.
        self._control_c = 0x06
        bus = chip.bus
        data = self._register(f"UDR{n}")
        status = self._register(f"UCSR{n}A", "UCSRA", "USR")
        control = self._register(f"UCSR{n}B", "UCSRB", "UCR")
        frame = self._register(f"UCSR{n}C", "UCSRC")
        low, high = self._register(f"UBRR{n}L", "UBRRL", f"UBRR{n}"), self._register(f"UBRR{n}H", "UBRRH", "UBRRHI")
        if data is not None:
            bus.attach(data, self._read_data, self._write_data)
        if status is not None:
            bus.attach(status, None, self._write_status)
        if control is not None:
            bus.attach(control, None, self._write_control)
        if low is not None:
            bus.attach(low, None, self._write_baud_low)
        if frame is not None and frame == high:
            bus.attach(frame, self._read_shared, self._write_shared)
            frame = high = None
        if frame is not None:
            bus.attach(frame, None, self._write_frame)
        if high is not None:
            bus.attach(high, None, self._write_baud_high)
        self._kept = status, control, frame, low, high
        self._keep_registers()
        vectors = chip.part.vectors
        # The ATmega169 has UDR, but USART0_UDRE.
        devices = (f"USART{n}", "USART", "USART0", f"UART{n}", "UART", "UART0")
        self._empty_vector = _first(vectors, devices, "UDRE")
        self._complete_vector = _first(vectors, devices, "TX", "TXC")
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
        is_nine = self._ninth_bit is not None and self._control_b >> self._ninth_bit & 1
        data = 9 if is_nine else 5 + (self._control_c >> 1 & 3)
        parity = 1 if self._control_c >> 5 & 1 else 0
        stop = 2 if self._control_c >> 3 & 1 else 1
        return 1 + data + parity + stop

    def _write_data(self, value: int, mask: int, cycle: int) -> None:
        if not self._control_b >> self._enable_bit & 1:
            # UNVERIFIED: whether such a byte is sent once TXEN is set; a board that does it would settle it.
            self._tell(f"UDR{self.suffix}", "a byte written while the transmitter is off")
            return
        if self._shifting is None:
            # UNVERIFIED: that the first byte moves to the shift register at once, so that UDRE is never seen as 0; a
            # board that writes UDR0 and reads UCSR0A in the next cycles would settle it.
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

    def _keep_registers(self) -> None:
        """Puts into data space what the registers read as; nothing but writes and the end of a frame changes it."""
        values = self._status_flags, self._control_b, self._control_c, self._baud & 0xFF, self._baud >> 8
        for address, value in zip(self._kept, values, strict=True):
            if address is not None:
                self.chip.data[address] = value

    def _update(self) -> None:
        self._keep_registers()
        interrupts = self.chip.interrupts
        if self._empty_vector is not None:
            asks = self._status_flags & self._empty and self._control_b >> self._empty_enable & 1
            interrupts.set_request(self._empty_vector, bool(asks))
        if self._complete_vector is not None:
            asks = self._status_flags & self._complete and self._control_b >> self._complete_enable & 1
            interrupts.set_request(self._complete_vector, bool(asks))

    # Registers.

    def _read_data(self, cycle: int) -> int:
        self._tell(f"UDR{self.suffix}", "the receiver")
        return 0

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        if value & mask & self._complete:
            self._status_flags &= ~self._complete
        kept, before = self._kept_status & mask, self.bit_cycles
        self._status_flags = self._status_flags & ~kept | value & kept
        self._check_speed(before)
        self._update()

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        self._control_b = self._control_b & ~mask | value & mask
        for vector, bit in ((self._empty_vector, self._empty_enable), (self._complete_vector, self._complete_enable)):
            if vector is None and self._control_b >> bit & 1:
                self._tell(f"UDR{self.suffix}", f"an interrupt of the transmitter (bit {bit})")
        self._update()

    def _write_frame(self, value: int, mask: int, cycle: int) -> None:
        self._control_c = self._control_c & ~mask | value & mask
        self._keep_registers()
        if self._control_c >> 6 & 3:
            self._tell(f"UDR{self.suffix}", "a synchronous mode of the serial port")

    def _write_baud_low(self, value: int, mask: int, cycle: int) -> None:
        # Writing UBRRL starts the baud generator anew: DS40002061A sec. 20.11.5.
        self._baud = self._baud & 0xF00 | value
        self._origin = cycle
        self._keep_registers()
        self._check_speed(before=0)

    def _write_baud_high(self, value: int, mask: int, cycle: int) -> None:
        # UNVERIFIED: that a new UBRRH takes effect at once, and the phase of the baud generator stays; a logic analyser
        # on TXD, with UBRRH written long after UBRRL, would settle it.
        before = self.bit_cycles
        self._baud = (value & 0x0F) << 8 | self._baud & 0xFF
        self._keep_registers()
        self._check_speed(before)

    def _check_speed(self, before: int) -> None:
        # It corrupts the frame (DS40002061A sec. 20.11.5); the frame's end is left where it was.
        if self._shifting is not None and self.bit_cycles != before:
            self._tell(f"UDR{self.suffix}", "a change of speed in the middle of a frame")

    def _tell(self, register: str, what: str) -> None:
        self.chip.bus.report_unmodelled(register, what)

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
            tuple(self.sent),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state, with what was sent up to it."""
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
        self.sent[:] = sent


def _first(vectors: Mapping[str, int], devices: Iterable[str], *events: str) -> int | None:
    names = (f"{device}_{event}" for device in devices for event in events)
    return next((vectors[name] for name in names if name in vectors), None)
