"""The receiver of a serial port: sampling of RXD, shift register, buffer and error flags.

Datasheet: ATmega48A/…/328P DS40002061A sec. 20.7 and 20.8. The older UART: AT90S8515 datasheet 0841G, "Data
Reception". The line is sampled at the ticks of the baud generator as sec. 20.8 says it, so a sender of another speed
is received, or not, as its bits fall on the samples.

UNVERIFIED: that RXD reaches the sampling logic without delay and a byte can be read in the cycle of the last sample of
its stop bit, so that each byte may come a few cycles early; a board on which a timer raises RXD's edges and the
program counts cycles until RXC would settle it.
"""

from collections import deque
from collections.abc import Callable, Iterable
from fractions import Fraction
from typing import Any, NamedTuple

from cyclerule.errors import ArgumentError
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.serial.incoming import Incoming, Line
from cyclerule.peripherals.serial.usart_frame import FrameFormat, Pace

DATA_AND_NINTH = 0x1FF


class ReceivedByte(NamedTuple):
    """A byte in the receive buffer, of up to nine bits, with the errors that belong to it."""

    value: int = 0
    has_frame_error: bool = False
    has_overrun: bool = False
    has_parity_error: bool = False


NOTHING = ReceivedByte()


class Receiver:
    """One serial port, receiving; `changed` is called whenever a flag of it may have changed."""

    def __init__(
        self,
        chip: Chip,
        name: str,
        pin: Pin | None,
        changed: Callable[[], None],
        tell: Callable[[str], None],
        *,
        is_uart: bool,
    ) -> None:
        self.is_on = False
        self.takes_addresses_alone = False
        self.buffer: deque[ReceivedByte] = deque()
        self._name, self._pin, self._changed, self._tell = name, pin, changed, tell
        self._chip, self._is_uart = chip, is_uart
        self._line = Line()
        self._last = NOTHING
        # A whole byte in the shift register, because the buffer is full.
        self._held: ReceivedByte | None = None
        self._has_lost = False
        self._search_from = 0
        # The tick of the first low sample of the frame that is received now or next.
        self._first_sample: int | None = None
        self._is_stopped = False
        self._alarm = chip.events.alarm(self._sampled)
        if pin is not None:
            pin.listen(self._pin_changes)
        chip.add(self)

    # What is sent to it.

    def feed(
        self,
        value: int,
        cycle: int | None = None,
        *,
        bit_cycles: int | float | Fraction | None = None,
        frame: FrameFormat | None = None,
        flipped_bits: int = 0,
    ) -> None:
        """Has a byte come in whose start bit begins at a cycle, or right after the byte before.

        The sender is set as the receiver is when the frame begins, but for a time a bit in CPU cycles or a format of
        its own. Bits that are flipped on the way make errors: bit 0 of `flipped_bits` is the start bit. Raises
        ArgumentError for a value of more than nine bits, a time in the past and a byte before one given already.
        """
        if not 0 <= value <= DATA_AND_NINTH:
            raise ArgumentError(f"a byte for a serial port is {value}; it has up to nine bits: 0 to 511")
        if cycle is not None and cycle < self._chip.cycle:
            raise ArgumentError(f"a byte for a serial port is to begin at cycle {cycle}; it is {self._chip.cycle} now")
        if bit_cycles is not None and bit_cycles <= 0:
            raise ArgumentError(f"a bit of a byte for a serial port takes {bit_cycles} cycles; it takes more than 0")
        length = Fraction(bit_cycles) if isinstance(bit_cycles, float) else bit_cycles
        self._line.add(Incoming(value, cycle, length, frame, flipped_bits))
        self._look_out()

    def feed_bytes(self, data: Iterable[int], cycle: int | None = None, *, bit_cycles: int | None = None) -> None:
        """Has bytes come in one after another without a gap, the first at a cycle; see `feed`."""
        for value in data:
            self.feed(value, cycle, bit_cycles=bit_cycles)
            cycle = None

    def _pin_changes(self, level: bool, cycle: int) -> None:
        pin = self._pin
        if pin is None:
            return
        # A pin that nobody drives is no line: it would read 0 without a pull-up.
        if not self.is_on:
            self._line.settle(cycle)
        self._line.add_edge(level or not pin.is_driven, cycle)
        self._look_out()

    # Settings.

    def configure(self, pace: Pace, frame: FrameFormat, cycle: int) -> None:
        """Takes over speed and frame format."""
        line = self._line
        if (pace, frame) == (line.pace, line.format):
            return
        if self._is_receiving(cycle):
            self._tell("a change of speed or frame format in the middle of a received frame")
        line.configure(pace, frame, cycle)
        self._search_again(cycle)

    def switch(self, is_on: bool, cycle: int) -> None:
        """Takes over RXEN; switched off, what is under way is lost and the buffer emptied: sec. 20.7.6 and 20.7.7.

        The older UART keeps its flags (AT90S8515 datasheet 0841G, UCR, RXEN).
        """
        if is_on == self.is_on:
            return
        self.is_on = is_on
        if self._pin is not None:
            if is_on:
                self._pin.force_input(self._name, cycle)
            else:
                self._pin.release(self._name, cycle)
        if not is_on and not self._is_uart:
            self.buffer.clear()
            self._last, self._held, self._has_lost = NOTHING, None, False
        self._line.settle(cycle)
        self._search_again(cycle)

    def stop_clock(self, cycle: int) -> None:
        """Stands still, because the clock does; a frame that is on the line meanwhile is not received right."""
        if self._is_receiving(cycle):
            self._tell("a frame received while its clock stops")
        self._is_stopped = True
        self._line.settle(cycle)
        self._first_sample = None
        self._alarm.clear()

    def go_on(self, cycle: int) -> None:
        """Looks out for frames again."""
        self._is_stopped = False
        self._search_again(cycle)

    def _is_receiving(self, cycle: int) -> bool:
        return self.is_on and self._first_sample is not None and self._first_sample < cycle

    def _search_again(self, cycle: int) -> None:
        self._search_from = max(self._search_from, cycle)
        self._first_sample = None
        self._alarm.clear()
        self._look_out()

    # Sampling.

    def _look_out(self) -> None:
        """Finds the next start bit, unless one is found, and sets the alarm for what comes of it."""
        if not self.is_on or self._is_stopped or self._first_sample is not None:
            return
        self._first_sample = self._find_start()
        if self._first_sample is None:
            return
        # With a byte left in the shift register the start bit itself matters, once it is one: sec. 20.7.4.
        self._alarm.set(self._verdict(self._first_sample) if self._held else self._end(self._first_sample))

    def _find_start(self) -> int | None:
        """Gives the tick of the first low sample after a high one that looks like a start bit, as far as is known."""
        line, pace = self._line, self._line.pace
        plain = line.plain_start(self._search_from)
        if plain is not None:
            return pace.tick(-int(-plain // 1))
        tick = pace.tick(self._search_from)
        while True:
            # UNVERIFIED: that a start bit takes a high sample right before a low one, be it the last of the stop bit
            # before, so that a break is one byte; a board that gets a long break would settle it.
            if not line.level(tick) and line.level(tick - pace.tick_cycles):
                if not self._vote(tick, 0):
                    return tick
                # A noise spike: the search goes on after its last sample (sec. 20.8.1).
                tick = self._verdict(tick) + pace.tick_cycles
                continue
            fall = line.next_fall(tick)
            if fall is None:
                return None
            tick = pace.tick(fall)

    def _vote(self, first: int, bit: int) -> int:
        """Gives the level of a bit, the start bit having number 0: the majority of its samples in the middle."""
        pace, level = self._line.pace, self._line.level
        start = first + bit * pace.bit_cycles
        votes = [level(start + number * pace.tick_cycles) for number in pace.votes]
        return int(2 * sum(votes) > len(votes))

    def _verdict(self, first: int) -> int:
        """Gives the cycle of the last sample of the start bit."""
        pace = self._line.pace
        return first + pace.votes[-1] * pace.tick_cycles

    def _end(self, first: int) -> int:
        """Gives the cycle of the last sample of the first stop bit."""
        return self._verdict(first) + self._line.format.stop_index * self._line.pace.bit_cycles

    def _sampled(self, cycle: int) -> None:
        first = self._first_sample
        if first is None:
            return
        received = self._plain_bits(first)
        if received is None and self._vote(first, 0):
            # An edge that came after the search has made a spike of it.
            self._first_sample, self._search_from = None, self._verdict(first) + 1
            self._look_out()
            return
        end = self._end(first)
        if cycle < end:
            if self._held is not None:
                self._held, self._has_lost = None, True
            self._alarm.set(end)
            return
        value, stop = received or self._bits(first)
        self._line.settle(cycle)
        self._first_sample, self._search_from = None, cycle + 1
        self._take(value, stop)
        self._look_out()
        self._changed()

    def _bits(self, first: int) -> tuple[int, int]:
        """Gives the bits between start and stop bit as sampled, the first lowest, and the first stop bit."""
        stop = self._line.format.stop_index
        return sum(self._vote(first, bit) << bit - 1 for bit in range(1, stop)), self._vote(first, stop)

    def _plain_bits(self, first: int) -> tuple[int, int] | None:
        """Gives the same where all samples of each bit lie within it, as with a sender of the same speed; else None."""
        line = self._line
        frame = line.frame_at(first)
        if frame is None or not line.is_plain(frame) or first - frame.start >= line.pace.tick_cycles:
            return None
        levels = frame.levels[1 : line.format.stop_index]
        return sum(level << place for place, level in enumerate(levels)), 1

    def _take(self, bits: int, stop: int) -> None:
        """Puts a received frame into the buffer, or leaves it in the shift register when that is full."""
        settings = self._line.format
        value = bits & (1 << settings.data_bits) - 1
        if self.takes_addresses_alone:
            # The ninth bit marks an address, or with fewer data bits the stop bit: sec. 20.9.
            is_address = value >> 8 if settings.data_bits == 9 else stop
            if not is_address:
                return
        is_odd = settings.has_parity and bits >> settings.data_bits != settings.parity_bit(value)
        if self._is_uart and self.buffer:
            # The last byte is lost, OR tells it once the byte before is read: AT90S8515 datasheet 0841G, USR, OR.
            self._has_lost = True
            return
        # UNVERIFIED: that DOR stands with the first frame received after the loss (sec. 20.7.4 says only: between the
        # frame last read and the next one), and that the frame that waited in the shift register is the one lost; a
        # board that gets five bytes and then reads all would settle it.
        lost = self._has_lost and not self._is_uart
        received = self._last = ReceivedByte(value, not stop, lost, is_odd)
        self._has_lost = False
        if len(self.buffer) < (1 if self._is_uart else 2):
            self.buffer.append(received)
        else:
            self._held = received

    # What the program sees.

    @property
    def next_byte(self) -> ReceivedByte:
        """The byte that UDR gives next, with its errors; none of them where there is no byte.

        The older UART's flags and ninth bit are those of the last byte it took over.
        """
        if self._is_uart:
            return self._last
        # UNVERIFIED: that the error flags and the ninth bit are 0 while the buffer is empty ("valid until the buffer
        # is read"); a board that reads UCSR0A after reading a byte with a frame error would settle it.
        return self.buffer[0] if self.buffer else NOTHING

    def read(self) -> int:
        """Gives the byte that is read from UDR, and moves the next one up."""
        if not self.buffer:
            self._tell("what it reads as while no byte is there")
            return self._last.value & 0xFF
        byte = self.buffer.popleft()
        if self._held is not None:
            self.buffer.append(self._held)
            self._held = None
        if self._is_uart:
            self._last = self._last._replace(has_overrun=self._has_lost)
            self._has_lost = False
        self._changed()
        return byte.value & 0xFF

    def at_reset(self, cycle: int) -> None:
        """Turns the receiver off; what comes on the line still comes."""
        # Frames that have begun keep the speed that they began with.
        self._line.settle(cycle)
        coming = self._line.save()[2:]
        self.restore(self._chip.state_at_power_on(self))
        self._line.restore((*self._line.save()[:2], *coming))
        self._search_from = cycle

    def save(self) -> Any:
        """Gives the receiver's state, with what is to come."""
        return (
            self.is_on,
            self.takes_addresses_alone,
            tuple(self.buffer),
            self._last,
            self._held,
            self._has_lost,
            self._search_from,
            self._first_sample,
            self._is_stopped,
            self._line.save(),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarm is restored with the queue."""
        self.is_on, self.takes_addresses_alone, buffer, self._last, self._held, self._has_lost = saved[:6]
        self._search_from, self._first_sample, self._is_stopped, line = saved[6:]
        self.buffer = deque(buffer)
        self._line.restore(line)
