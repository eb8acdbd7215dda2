"""What a frame of a serial port consists of: start bit, data bits, parity, stop bits; and how fast it goes.

Datasheet: ATmega48A/…/328P DS40002061A sec. 20.3 (clock) and 20.4 (frame formats).
"""

from typing import NamedTuple

NO_PARITY, RESERVED_PARITY, EVEN, ODD = range(4)
"""The values of UPM1:0; sec. 20.11.4, table 20-9."""


class FrameFormat(NamedTuple):
    """Data bits, 5 to 9; parity as UPM1:0 says it; stop bits, 1 or 2."""

    data_bits: int = 8
    parity: int = NO_PARITY
    stop_bits: int = 1

    @property
    def has_parity(self) -> bool:
        """Whether a parity bit follows the data."""
        return self.parity in (EVEN, ODD)

    @property
    def stop_index(self) -> int:
        """How many bits come before the first stop bit, the start bit among them."""
        return 1 + self.data_bits + self.has_parity

    @property
    def bits(self) -> int:
        """Bits a frame: start, data, parity and stop bits."""
        return self.stop_index + self.stop_bits

    def parity_bit(self, value: int) -> int:
        """Gives the parity bit of data: the XOR of all data bits, with 1 for odd; sec. 20.4.1."""
        return value.bit_count() & 1 ^ (self.parity == ODD)

    def levels(self, value: int) -> tuple[int, ...]:
        """Gives the levels of a frame's bits in the order they go over the line, the data's lowest bit first."""
        data = tuple(value >> place & 1 for place in range(self.data_bits))
        parity = (self.parity_bit(value),) if self.has_parity else ()
        return (0, *data, *parity, *((1,) * self.stop_bits))


class Pace(NamedTuple):
    """The baud generator as it is set: a tick each `tick_cycles`, counted from `origin`, and `bit_cycles` a bit.

    `samples` of one bit are looked at, at the ticks numbered in `votes`, and the majority is its level.
    """

    origin: int
    tick_cycles: int
    bit_cycles: int
    votes: tuple[int, ...]
    phase: int = 0

    def tick(self, cycle: int) -> int:
        """Gives the cycle of the first tick at or after a cycle."""
        first = self.origin + self.phase
        return first + -(-(cycle - first) // self.tick_cycles) * self.tick_cycles

    def bit_edge(self, cycle: int) -> int:
        """Gives the cycle at or after a cycle at which a bit of the transmitter may begin."""
        return self.origin + -(-(cycle - self.origin) // self.bit_cycles) * self.bit_cycles


# Counted from 0 for the first low sample: numbers 8, 9, 10 and 4, 5, 6 of sec. 20.8.1.
VOTES_NORMAL, VOTES_DOUBLE, VOTES_SYNCHRONOUS = (7, 8, 9), (3, 4, 5), (0,)


def asynchronous(origin: int, baud: int, *, is_double: bool) -> Pace:
    """Gives the pace of asynchronous modes: 16 (UBRR + 1) cycles a bit, or 8 (UBRR + 1); table 20-1."""
    tick = baud + 1
    return Pace(origin, tick, 8 * tick, VOTES_DOUBLE) if is_double else Pace(origin, tick, 16 * tick, VOTES_NORMAL)


def synchronous(origin: int, baud: int) -> Pace:
    """Gives the pace of the synchronous master: 2 (UBRR + 1) cycles a bit, table 20-1, sampled once in its middle.

    Data changes at one edge of XCK and is sampled at the opposite one: sec. 20.3.4.
    """
    bit = 2 * (baud + 1)
    return Pace(origin, bit, bit, VOTES_SYNCHRONOUS, phase=baud + 1)
