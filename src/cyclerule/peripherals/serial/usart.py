"""A serial port: its control and status registers, baud generator and interrupts; transmitter and receiver are apart.

Datasheet: ATmega48A/…/328P DS40002061A sec. 20; names without a number are those of older parts.
"""

from collections.abc import Callable, Sequence
from typing import Any

from cyclerule.machine.bus import Writer
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import Alarm, Stream
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.serial.usart_frame import (
    RESERVED_PARITY,
    FrameFormat,
    Pace,
    asynchronous,
    synchronous,
)
from cyclerule.peripherals.serial.usart_receiver import Receiver
from cyclerule.peripherals.serial.usart_registers import UsartRegisters
from cyclerule.peripherals.serial.usart_transmitter import SentByte, Transmitter

# The bits have the same places on every part (sec. 20.11; AT90S8515 datasheet 0841G, USR and UCR).
RXC, TXC, UDRE, FE, DOR, UPE = (1 << place for place in (7, 6, 5, 4, 3, 2))
RXCIE, TXCIE, UDRIE, RXEN, TXEN, NINE, RXB8, TXB8 = (1 << place for place in range(7, -1, -1))
MPCM = 1
USBS = 1 << 3
ASYNCHRONOUS, SYNCHRONOUS, RESERVED, SPI_MASTER = range(4)
MODES = {RESERVED: "a reserved mode of the serial port", SPI_MASTER: "the serial port as SPI master"}

FindPin = Callable[[str], Pin | None]
"""Gives the pin that a function has on this part, by the function's name: TXD0."""


class Usart:
    """One serial port; `number` is that of its registers, 0 for those without one."""

    def __init__(self, chip: Chip, suffix: str, find_pin: FindPin, power: PowerReduction) -> None:
        self.chip, self.suffix = chip, suffix
        self.registers = registers = UsartRegisters.of(chip.part, suffix)
        self.number = registers.number
        name = f"USART{self.number}"
        self._kept_status = 0
        self._control_b = 0
        # 8N1 is the reset state of UCSRnC (sec. 20.11.4); parts without that register have no other.
        self._control_c = 0x06
        self._baud = 0
        self._origin = 0
        self._last_shared_read = -2
        self._power = power
        self._stopped_at: int | None = None
        self._clock_pin = find_pin("XCK")
        self.transmitter = Transmitter(chip, name, find_pin("TXD"), self._update)
        self.receiver = Receiver(chip, name, find_pin("RXD"), self._update, self._tell, is_uart=registers.is_uart)
        self._attach()
        self._update()
        power.on_change(self._power_changes)
        at = registers
        if at.data is not None and at.status is not None and at.control is not None:
            chip.events.streams.append(self)
            chip.events.stream_registers.add(at.data)
        chip.add(self)

    def _attach(self) -> None:
        bus, at = self.chip.bus, self.registers
        if at.data is not None:
            bus.attach(at.data, self._read_data, self._reachable(self._write_data))
        if at.status is not None:
            bus.attach(at.status, None, self._reachable(self._write_status))
        if at.control is not None:
            bus.attach(at.control, None, self._reachable(self._write_control))
        if at.low is not None:
            bus.attach(at.low, None, self._reachable(self._write_baud_low))
        frame, high = at.frame, at.high
        if frame is not None and frame == high:
            bus.attach(frame, self._read_shared, self._reachable(self._write_shared))
        else:
            if frame is not None:
                bus.attach(frame, None, self._reachable(self._write_frame))
            if high is not None and at.high_shift == 0:
                bus.attach(high, None, self._reachable(self._write_baud_high))
        self._shares_address = frame is not None and frame == high
        self._keep_settings()
        if at.complete_vector is not None:
            self.chip.interrupts.on_entry(at.complete_vector, lambda cycle: self.transmitter.clear_complete())

    # Power.

    def _reachable(self, write: Writer) -> Writer:
        """Gives a writer that does nothing, and tells so, while the port's clock is off."""

        def guarded(value: int, mask: int, cycle: int) -> None:
            if self._stopped_at is None:
                write(value, mask, cycle)
            else:
                self._tell("a register written while the port's clock is off")

        return guarded

    def _power_changes(self, cycle: int) -> None:
        # Sleep stops the clock too, and with it a frame on its way: sec. 10.3 to 10.10.
        if self._power.is_on(self.registers.power_bit) == (self._stopped_at is not None):
            return
        since = self._stopped_at
        if since is None:
            self._stopped_at = cycle
            self.transmitter.stop_clock(cycle)
            self.receiver.stop_clock(cycle)
            return
        self._stopped_at = None
        # UNVERIFIED: that the baud generator keeps its phase while its clock is off; a logic analyser on TXD of a board
        # that sends, sleeps and sends on would settle it.
        self._origin += cycle - since
        self.transmitter.go_on(cycle)
        self.transmitter.pace = self._pace()
        self.receiver.go_on(cycle)
        self.receiver.configure(self._pace(), self._format(), cycle)

    # Settings.

    @property
    def bit_cycles(self) -> int:
        """CPU cycles a bit."""
        return self._pace().bit_cycles

    @property
    def frame_bits(self) -> int:
        """Bits a frame, start and stop bits included."""
        return self._format().bits

    @property
    def baud_high(self) -> int:
        """The upper four bits of UBRR."""
        return self._baud >> 8

    @property
    def mode(self) -> int:
        """UMSEL1:0, table 20-8; older parts have bit 0 of it alone."""
        mode = self._control_c >> 6 & 3
        return mode if self.registers.has_spi else mode & 1

    def _pace(self) -> Pace:
        if self.mode == SYNCHRONOUS:
            return synchronous(self._origin, self._baud)
        double = self.registers.double
        is_double = double is not None and bool(self._kept_status >> double & 1)
        return asynchronous(self._origin, self._baud, is_double=is_double)

    def _format(self) -> FrameFormat:
        control = self._control_c
        data = 9 if self._control_b & NINE else 5 + (control >> 1 & 3)
        return FrameFormat(data, control >> 4 & 3, 2 if control & USBS else 1)

    def _configure(self, cycle: int) -> None:
        """Hands changed settings over."""
        sender, pace, frame = self.transmitter, self._pace(), self._format()
        if sender.is_busy:
            # It corrupts the frame (sec. 20.11.5); the frame's end is left where it was.
            if pace.bit_cycles != sender.pace.bit_cycles or pace.origin != sender.pace.origin:
                self._tell("a change of speed in the middle of a frame")
            if frame != sender.format:
                self._tell("a change of the frame format in the middle of a frame")
        sender.pace, sender.format = pace, frame
        self.receiver.configure(pace, frame, cycle)

    # Flags.

    def _update(self) -> None:
        """Puts the flags into data space and keeps the requests right; nothing but events and writes changes them."""
        at, sender, receiver, control = self.registers, self.transmitter, self.receiver, self._control_b
        byte, has_byte = receiver.next_byte, bool(receiver.buffer)
        flags = self._kept_status | has_byte << 7 | sender.is_complete << 6 | sender.is_empty << 5
        flags |= byte.has_frame_error << 4 | byte.has_overrun << 3 | byte.has_parity_error << 2
        data = self.chip.data
        if at.status is not None:
            data[at.status] = flags
        if at.control is not None:
            data[at.control] = control | (RXB8 if byte.value > 0xFF else 0)
        # Compiled code that carries the transmitter on by itself has to hear of it.
        self.chip.events.version += 1
        asks, request = flags & control, self.chip.interrupts.set_request
        if at.receive_vector is not None:
            request(at.receive_vector, asks & RXC)
        if at.empty_vector is not None:
            request(at.empty_vector, asks & UDRE)
        if at.complete_vector is not None:
            request(at.complete_vector, asks & TXC)

    def _keep_settings(self) -> None:
        at, data = self.registers, self.chip.data
        if at.low is not None:
            data[at.low] = self._baud & 0xFF
        if at.frame is not None and not self._shares_address:
            data[at.frame] = self._control_c
        if at.high is not None and not self._shares_address:
            shift = at.high_shift
            data[at.high] = data[at.high] & ~(0x0F << shift) & 0xFF | self._baud >> 8 << shift

    # What compiled code carries on by itself: see `machine/events.py`.

    @property
    def alarm(self) -> Alarm:
        """The end of the frame on its way."""
        return self.transmitter.alarm

    def promise(self) -> Stream | None:
        """Gives what the transmitter is at, when nobody follows it frame by frame."""
        at, sending = self.registers, self.transmitter.promise()
        if sending is None or self._stopped_at is not None or self.mode not in (ASYNCHRONOUS, SYNCHRONOUS):
            return None
        if at.data is None or at.status is None or at.control is None:
            return None
        length, busy, waiting = sending
        pace = self.transmitter.pace
        return Stream(
            *(at.data, at.status, at.control, pace.origin, pace.bit_cycles, length, busy, waiting),
            *(at.empty_vector, at.complete_vector),
        )

    def take_over(
        self, busy: int | None, waiting: int | None, due: int, passed_on: tuple[Sequence[int], Sequence[int]]
    ) -> None:
        """Takes over what the transmitter has become."""
        self.transmitter.take_over(busy, waiting, due, passed_on)
        status = self.registers.status
        self.transmitter.is_complete = status is not None and bool(self.chip.data[status] & TXC)
        self._update()

    # Registers.

    def _read_data(self, cycle: int) -> int:
        if self._stopped_at is not None:
            self._tell("what it reads as while the port's clock is off")
            return 0
        return self.receiver.read()

    def _write_data(self, value: int, mask: int, cycle: int) -> None:
        if not self.transmitter.is_on:
            # UNVERIFIED: whether such a byte is sent once TXEN is set; a board that does it would settle it.
            self._tell("a byte written while the transmitter is off")
            return
        self.transmitter.send(value | (self._control_b & TXB8) << 8, cycle)

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        if value & mask & TXC:
            self.transmitter.is_complete = False
        kept, before = self.registers.kept_status & mask, self._kept_status
        self._kept_status = before & ~kept | value & kept
        if self._kept_status != before:
            self.receiver.takes_addresses_alone = bool(self._kept_status & MPCM)
            self._configure(cycle)
        self._update()

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        mask &= ~RXB8
        before = self._control_b
        self._control_b = before & ~mask | value & mask
        changed = before ^ self._control_b
        if changed & NINE:
            self._configure(cycle)
        if changed & TXEN:
            self.transmitter.switch(bool(self._control_b & TXEN), cycle)
        if changed & RXEN:
            self.receiver.switch(bool(self._control_b & RXEN), cycle)
        if changed & (TXEN | RXEN):
            self._check_mode()
        if changed & (RXCIE | TXCIE | UDRIE):
            self._check_vectors()
        self._update()

    def _check_vectors(self) -> None:
        at = self.registers
        for vector, enable in ((at.receive_vector, RXCIE), (at.complete_vector, TXCIE), (at.empty_vector, UDRIE)):
            if vector is None and self._control_b & enable:
                self._tell(f"an interrupt of the serial port (bit {enable.bit_length() - 1})")

    def _check_mode(self) -> None:
        """Tells what the model lacks of the mode, once the port is on."""
        if not self._control_b & (TXEN | RXEN):
            return
        if self.mode in MODES:
            self._tell(MODES[self.mode])
        if self.mode == SYNCHRONOUS:
            pin = self._clock_pin
            if pin is None:
                self._tell("a synchronous mode of the serial port (which pin is XCK is not known)")
            elif not pin.is_output:
                # With the pin an input the clock comes from outside: sec. 20.3.4.
                self._tell("the synchronous slave mode of the serial port")
        if self._control_c >> 4 & 3 == RESERVED_PARITY:
            self._tell("a reserved parity mode of the serial port")

    def _write_frame(self, value: int, mask: int, cycle: int) -> None:
        self._control_c = self._control_c & ~mask | value & mask
        self._keep_settings()
        self._configure(cycle)
        self._check_mode()

    def _write_baud_low(self, value: int, mask: int, cycle: int) -> None:
        # Writing UBRRL starts the baud generator anew: sec. 20.11.5.
        self._baud = self._baud & ~mask & 0xFFF | value & mask
        self._origin = cycle
        self._keep_settings()
        self._configure(cycle)

    def _write_baud_high(self, value: int, mask: int, cycle: int) -> None:
        # UNVERIFIED: that a new UBRRH takes effect at once, and the phase of the baud generator stays; a logic analyser
        # on TXD, with UBRRH written long after UBRRL, would settle it.
        self.set_baud_high(self.baud_high & ~mask | value & mask & 0x0F, cycle)

    def set_baud_high(self, value: int, cycle: int) -> None:
        """Sets the upper four bits of UBRR."""
        self._baud = value << 8 | self._baud & 0xFF
        self._keep_settings()
        self._configure(cycle)

    def _tell(self, what: str) -> None:
        self.chip.bus.report_unmodelled(f"UDR{self.suffix}", what)

    def _write_shared(self, value: int, mask: int, cycle: int) -> None:
        # UBRRH and UCSRC at one address, told apart by URSEL: ATmega8 datasheet, "Accessing UBRRH/UCSRC registers".
        select = self.registers.select
        if select is not None and value >> select & 1:
            self._write_frame(value & ~(1 << select), mask, cycle)
        else:
            self._write_baud_high(value, mask, cycle)

    def _read_shared(self, cycle: int) -> int:
        # The same section: a read gives UBRRH, a second one in the next cycle UCSRC.
        follows = cycle == self._last_shared_read + 1
        self._last_shared_read = cycle
        return self._control_c | 1 << (self.registers.select or 7) if follows else self._baud >> 8

    # What was sent.

    @property
    def sent(self) -> list[SentByte]:
        """All bytes sent so far."""
        return self.transmitter.sent

    @property
    def on_sent(self) -> Callable[[SentByte], None] | None:
        """What is called with each byte that has been sent."""
        return self.transmitter.on_sent

    @on_sent.setter
    def on_sent(self, action: Callable[[SentByte], None] | None) -> None:
        self.transmitter.on_sent = action

    def at_reset(self, cycle: int) -> None:
        """Sets the settings back; the baud generator starts anew."""
        self.restore(self.chip.state_at_power_on(self))
        self._origin = cycle
        self._configure(cycle)
        self._update()

    @property
    def on_text(self) -> Callable[[SentByte], None] | None:
        """What is called with each byte that has been sent, in turn but not at once: that keeps compiled code fast."""
        return self.transmitter.on_text

    @on_text.setter
    def on_text(self, action: Callable[[SentByte], None] | None) -> None:
        self.transmitter.on_text = action

    def save(self) -> Any:
        """Gives the settings; transmitter and receiver keep their own state."""
        return (
            self._kept_status,
            self._control_b,
            self._control_c,
            self._baud,
            self._origin,
            self._last_shared_read,
            self._stopped_at,
        )

    def restore(self, saved: Any) -> None:
        """Sets saved settings."""
        (
            self._kept_status,
            self._control_b,
            self._control_c,
            self._baud,
            self._origin,
            self._last_shared_read,
            self._stopped_at,
        ) = saved
        self.transmitter.pace, self.transmitter.format = self._pace(), self._format()


def share_baud_high(chip: Chip, first: Usart, second: Usart) -> None:
    """Attaches the UBRRH that two ports share: bits 3:0 of the first, 7:4 of the second (ATmega161, "UBRRHI")."""
    address = second.registers.high
    if address is None or second.registers.high_shift == 0:
        return

    def write(value: int, mask: int, cycle: int) -> None:
        whole = first.baud_high | second.baud_high << 4
        whole = whole & ~mask | value & mask
        first.set_baud_high(whole & 0x0F, cycle)
        second.set_baud_high(whole >> 4, cycle)

    chip.bus.attach(address, None, write)
