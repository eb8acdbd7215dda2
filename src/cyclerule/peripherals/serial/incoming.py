"""What comes in on the RXD line: frames that a sender at the other end sends, and edges that somebody drives."""

from collections import deque
from collections.abc import Iterator
from fractions import Fraction
from typing import Any, NamedTuple

from cyclerule.errors import ArgumentError
from cyclerule.peripherals.serial.usart_frame import FrameFormat, Pace, asynchronous

Cycles = int | Fraction
"""A time in CPU cycles; a sender with a clock of its own has bits that are no whole number of them."""


class Incoming(NamedTuple):
    """A frame that is to come: its data, of up to nine bits, and the cycle at which its start bit begins.

    None in `start` means right after the frame before, None in `bit_cycles` and `format` as the receiver is set when
    the frame begins. `flipped_bits` are inverted on their way: bit 0 the start bit, bit 1 the lowest data bit.
    """

    value: int
    start: int | None
    bit_cycles: Cycles | None = None
    format: FrameFormat | None = None
    flipped_bits: int = 0


class LineFrame(NamedTuple):
    """A frame as it goes over the line; `before` is the level that it begins after."""

    start: Cycles
    bit_cycles: Cycles
    levels: tuple[int, ...]
    value: int
    format: FrameFormat
    is_clean: bool
    before: int

    @property
    def end(self) -> Cycles:
        """When its last stop bit is over."""
        return self.start + len(self.levels) * self.bit_cycles

    def level(self, cycle: int) -> int:
        """Gives the level at a cycle of the frame."""
        return self.levels[int((cycle - self.start) // self.bit_cycles)]

    def fall_after(self, cycle: int) -> int | None:
        """Gives the first cycle after `cycle` from which the line is low after having been high."""
        before = self.before
        for place, level in enumerate(self.levels):
            if before and not level:
                at = -int(-(self.start + place * self.bit_cycles) // 1)
                if at > cycle:
                    return at
            before = level
        return None


class Line:
    """The line into a receiver that is set to a pace and a format: idle high, with frames in order and edges."""

    def __init__(self) -> None:
        self.pace: Pace = asynchronous(0, 0, is_double=False)
        self.format = FrameFormat()
        self._coming: deque[Incoming] = deque()
        # Frames whose beginning is past, and those to come as they will be by the present settings.
        self._begun: deque[LineFrame] = deque()
        self._expected: list[LineFrame] = []
        self._edges: deque[tuple[int, int]] = deque()
        self._last_start = 0

    def add(self, frame: Incoming) -> None:
        """Adds a frame; raises ArgumentError when it is out of order."""
        if frame.start is not None:
            if frame.start < self._last_start:
                raise ArgumentError(
                    f"a byte for a serial port is to begin at cycle {frame.start}, before one already given at "
                    f"{self._last_start}; give them in the order of time"
                )
            self._last_start = frame.start
        self._coming.append(frame)

    def add_edge(self, level: bool, cycle: int) -> None:
        """Adds a change of level that has just happened."""
        self._edges.append((cycle, int(level)))

    def configure(self, pace: Pace, settings: FrameFormat, cycle: int) -> None:
        """Takes over new settings of the receiver; frames that have begun before stay as they are."""
        self.settle(cycle)
        self.pace, self.format = pace, settings

    def settle(self, cycle: int) -> None:
        """Fixes the frames that have begun before a cycle, and drops what was over before that."""
        self._expected.clear()
        while self._coming and (following := self._on_line(self._coming[0])).start < cycle:
            self._begun.append(following)
            self._coming.popleft()
        while len(self._begun) > 1 and self._begun[1].start <= cycle and self._begun[0].end <= cycle:
            self._begun.popleft()
        while len(self._edges) > 1 and self._edges[1][0] <= cycle:
            self._edges.popleft()

    def _on_line(self, frame: Incoming) -> LineFrame:
        shape = frame.format or self.format
        frames = self._expected or self._begun
        earliest = frames[-1].end if frames else 0
        # One sender sends one frame after another: a frame whose time has come waits for the end of the one before.
        start = earliest if frame.start is None else max(frame.start, earliest)
        before = frames[-1].levels[-1] if frames and start == earliest else 1
        levels = tuple(level ^ frame.flipped_bits >> place & 1 for place, level in enumerate(shape.levels(frame.value)))
        length = self.pace.bit_cycles if frame.bit_cycles is None else frame.bit_cycles
        return LineFrame(start, length, levels, frame.value, shape, not frame.flipped_bits, before)

    def _frames(self) -> Iterator[LineFrame]:
        yield from self._begun
        for number, frame in enumerate(self._coming):
            if number == len(self._expected):
                self._expected.append(self._on_line(frame))
            yield self._expected[number]

    def frame_at(self, cycle: int) -> LineFrame | None:
        """Gives the frame that is on the line at a cycle."""
        for each in self._frames():
            if each.start > cycle:
                return None
            if cycle < each.end:
                return each
        return None

    def level(self, cycle: int) -> int:
        """Gives the level at a cycle; after the last known edge the line stays as it is."""
        frame = self.frame_at(cycle)
        if frame is not None and not frame.level(cycle):
            return 0
        return next((to for at, to in reversed(self._edges) if at <= cycle), 1)

    def next_fall(self, cycle: int) -> int | None:
        """Gives the first cycle after `cycle` at which the line goes low, as far as is known."""
        falls = [at for at, to in self._edges if at > cycle and not to][:1]
        found = (fall for each in self._frames() if (fall := each.fall_after(cycle)) is not None)
        return min((*falls, *(fall for fall in [next(found, None)] if fall is not None)), default=None)

    def is_plain(self, frame: LineFrame) -> bool:
        """Tells whether a frame comes undisturbed from a sender that is set as the receiver is."""
        return (
            frame.is_clean
            and not self._edges
            and (frame.bit_cycles, frame.format) == (self.pace.bit_cycles, self.format)
        )

    def plain_start(self, cycle: int) -> Cycles | None:
        """Gives when the next frame begins, if it is plain and the line high from a tick before a cycle up to then."""
        for each in self._frames():
            if each.end <= cycle:
                continue
            if each.start < cycle:
                from_there = int((cycle - self.pace.tick_cycles - each.start) // each.bit_cycles)
                if from_there < 0 or not all(each.levels[from_there:]):
                    return None
                continue
            return each.start if each.before and self.is_plain(each) else None
        return None

    def save(self) -> Any:
        """Gives the settings, what is on the line and what is to come."""
        return self.pace, self.format, tuple(self._coming), tuple(self._begun), tuple(self._edges), self._last_start

    def restore(self, saved: Any) -> None:
        """Sets a saved state."""
        self.pace, self.format, coming, begun, edges, self._last_start = saved
        self._coming, self._begun, self._edges = deque(coming), deque(begun), deque(edges)
        self._expected.clear()
