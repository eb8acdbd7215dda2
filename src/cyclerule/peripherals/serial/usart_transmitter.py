"""The transmitter of a serial port: buffer, shift register, frame times and the TXD pin.

Datasheet: ATmega48A/…/328P DS40002061A sec. 20.6.
"""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.serial.usart_frame import FrameFormat, Pace, asynchronous
from cyclerule.peripherals.serial.waveform import Waveform


class SentByte(NamedTuple):
    """A byte that has left the transmitter, the cycle at which its last stop bit ended, and the ninth bit if any."""

    cycle: int
    value: int
    ninth: bool = False


class Transmitter:
    """One serial port, transmitting; `changed` is called whenever UDRE or TXC may have changed.

    UNVERIFIED: the phase of the start bit. The baud generator runs freely from the last write to UBRRL, so a
    frame begins at its next bit edge, up to one bit time after the write; a logic analyser on TXD would settle it.
    """

    def __init__(self, chip: Chip, name: str, pin: Pin | None, changed: Callable[[], None]) -> None:
        self._sent: list[SentByte] = []
        # What compiled code has sent, as (cycles, bytes, mask of the data bits); it is read through `sent`.
        self._unread: list[tuple[Sequence[int], Sequence[int], int]] = []
        # Called at the end of each frame; and with each byte in turn, but later where nobody asks at once.
        self.on_sent: Callable[[SentByte], None] | None = None
        self.on_text: Callable[[SentByte], None] | None = None
        self.format = FrameFormat()
        self.pace: Pace = asynchronous(0, 0, is_double=False)
        self.is_on = False
        self.is_empty = True
        self.is_complete = False
        self._chip, self._changed = chip, changed
        self._shifting: int | None = None
        self._waiting: int | None = None
        self._left = 0
        self.alarm = chip.events.alarm(self._frame_ends)
        self._wave = Waveform(chip, pin, name, forces_output=True)
        chip.add(self)

    @property
    def sent(self) -> list[SentByte]:
        """All bytes sent so far."""
        for cycles, values, mask in self._unread:
            sent = zip(cycles, values, strict=True)
            self._sent.extend(SentByte(cycle, value & mask & 0xFF, (value & mask) > 0xFF) for cycle, value in sent)
        self._unread.clear()
        return self._sent

    @property
    def is_busy(self) -> bool:
        """Whether a frame is under way."""
        return self._shifting is not None

    def switch(self, is_on: bool, cycle: int) -> None:
        """Takes over TXEN. Switched off, what is under way and what waits is still sent: sec. 20.11.3."""
        if is_on == self.is_on:
            return
        self.is_on = is_on
        if self.is_busy:
            return
        if is_on:
            self._wave.hold(True, cycle)
        else:
            self._wave.release(cycle)

    def send(self, value: int, cycle: int) -> None:
        """Takes a byte written to UDR, of up to nine bits."""
        if self._shifting is None:
            # UNVERIFIED: that the first byte moves to the shift register at once, so that UDRE is never seen as 0; a
            # board that writes UDR0 and reads UCSR0A in the next cycles would settle it.
            self._begin(value, cycle)
        elif self._waiting is None:
            self._waiting = value
            self.is_empty = False
        # Data written while the buffer is full is ignored: DS40002061A sec. 20.11.1.
        self._changed()

    def _begin(self, value: int, cycle: int) -> None:
        frame, pace = self.format, self.pace
        self._shifting = value & (1 << frame.data_bits) - 1
        start = pace.bit_edge(cycle)
        self.alarm.set(start + frame.bits * pace.bit_cycles)
        if self._wave.has_pin:
            self._wave.play(_edges(start, pace.bit_cycles, frame.levels(value)))

    def _frame_ends(self, cycle: int) -> None:
        value = self._shifting or 0
        self._shifting = None
        if self._waiting is not None:
            # The next frame follows right after the last stop bit: sec. 20.6.1.
            following, self._waiting = self._waiting, None
            self.is_empty = True
            self._begin(following, cycle)
        else:
            self.is_complete = True
            if not self.is_on:
                self._wave.release(cycle)
        self._changed()
        sent = SentByte(cycle, value & 0xFF, value > 0xFF)
        self.sent.append(sent)
        for listen in (self.on_sent, self.on_text):
            if listen is not None:
                listen(sent)

    def promise(self) -> tuple[int, int | None, int | None] | None:
        """Gives a frame's cycles, the bytes on their way and waiting; None where somebody follows each frame."""
        if not self.is_on or self._wave.is_heard or self.on_sent is not None:
            return None
        return self.format.bits * self.pace.bit_cycles, self._shifting, self._waiting

    def take_over(
        self, busy: int | None, waiting: int | None, due: int, passed_on: tuple[Sequence[int], Sequence[int]]
    ) -> None:
        """Takes over what the transmitter has become by itself: see `StreamSource`."""
        mask = (1 << self.format.data_bits) - 1
        began = due != self.alarm.due
        if passed_on[0]:
            known = len(self._sent)
            self._unread.append((*passed_on, mask))
            if self.on_text is not None:
                for byte in self.sent[known:]:
                    self.on_text(byte)
        self._shifting = None if busy is None else busy & mask
        self._waiting, self.is_empty, self.alarm.due = waiting, waiting is None, due
        if busy is not None and began and self._wave.has_pin:
            frame, bit_cycles = self.format, self.pace.bit_cycles
            start = due - frame.bits * bit_cycles
            self._wave.play(_edges(start, bit_cycles, frame.levels(self._shifting or 0)))

    def clear_complete(self) -> None:
        """Clears TXC."""
        self.is_complete = False
        self._changed()

    def stop_clock(self, cycle: int) -> None:
        """Stands still, because the clock does."""
        self._left = self.alarm.due - cycle
        self.alarm.clear()
        self._wave.stop_clock(cycle)

    def go_on(self, cycle: int) -> None:
        """Goes on where it stood still."""
        if self.is_busy:
            self.alarm.set(cycle + self._left)
        self._wave.go_on(cycle)

    def at_reset(self, cycle: int) -> None:
        """Breaks off what is being sent; what was sent stays sent."""
        sent = tuple(self.sent)
        self.restore(self._chip.state_at_power_on(self))
        self.sent[:] = sent

    def save(self) -> Any:
        """Gives the transmitter's state, with how much was sent."""
        return (
            self.is_on,
            self.is_empty,
            self.is_complete,
            self._shifting,
            self._waiting,
            self._left,
            tuple(self.sent),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state, with what was sent up to it."""
        (
            self.is_on,
            self.is_empty,
            self.is_complete,
            self._shifting,
            self._waiting,
            self._left,
            sent,
        ) = saved
        self.sent[:] = sent


def _edges(start: int, bit_cycles: int, levels: tuple[int, ...]) -> list[tuple[int, bool]]:
    """Gives a frame's changes of level, the start bit's first."""
    before, edges = 1, []
    for place, level in enumerate(levels):
        if level != before:
            edges.append((start + place * bit_cycles, bool(level)))
        before = level
    return edges
