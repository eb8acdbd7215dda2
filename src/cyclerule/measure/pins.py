"""What the pins did during a run: every change of level, and as a file that waveform viewers read."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import NamedTuple

from cyclerule.cache import write_atomically
from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.peripherals.port import Ports
from cyclerule.units import Hertz, clock_text

_PIN = re.compile(r"P[A-L][0-7]")
PICOSECONDS = 1_000_000_000_000
WITHOUT_CLOCK = 1000
"""Units of time a cycle in a file where no clock is known: a cycle is shown as a nanosecond."""

# Identifiers of variables are made of the printable characters from ! to ~ (IEEE 1364-2001 sec. 18.2.1).
FIRST_IDENTIFIER, IDENTIFIERS = ord("!"), 94


class Edge(NamedTuple):
    """A pin has a new level from a cycle on."""

    cycle: int
    pin: str
    level: bool


@dataclass
class PinTrace:
    """The levels of pins from reset to the end of a run: those at the start, and each change.

    A level is that on the pin itself, whoever drives it, ahead of the synchroniser; a pin that nobody drives is low.
    """

    part: str
    clock: Hertz | None
    start: Mapping[str, bool]
    cycles: int = 0
    edges: list[Edge] = field(default_factory=list)

    @property
    def pins(self) -> tuple[str, ...]:
        """The pins that were recorded."""
        return tuple(self.start)

    def level(self, pin: str, cycle: int) -> bool:
        """Gives the level of a pin at a cycle; raises UnknownName for one that was not recorded."""
        if pin not in self.start:
            raise UnknownName("recorded pin", pin, self.start)
        level = self.start[pin]
        for edge in self.edges:
            if edge.cycle > cycle:
                break
            if edge.pin == pin:
                level = edge.level
        return level

    def to_vcd(self, path: str | Path) -> None:
        """Writes a value change dump (IEEE 1364-2001 sec. 18), in picoseconds; raises ArgumentError where it cannot.

        Without a clock a cycle is shown as a nanosecond.
        """
        text = "".join(f"{line}\n" for line in self._vcd_lines())
        try:
            write_atomically(Path(path), text.encode("utf-8"))
        except OSError as error:
            raise ArgumentError(f"{path} cannot be written: {error.strerror or error}") from None

    def _vcd_lines(self) -> Iterator[str]:
        at = f"at {clock_text(self.clock)}" if self.clock else "without a clock: a cycle is shown as a nanosecond"
        yield f"$comment {self.part} {at}, {self.cycles} cycles from reset $end"
        yield "$timescale 1 ps $end"
        yield f"$scope module {self.part} $end"
        identifiers = {pin: _identifier(number) for number, pin in enumerate(self.start)}
        for pin, identifier in identifiers.items():
            yield f"$var wire 1 {identifier} {pin} $end"
        yield "$upscope $end"
        yield "$enddefinitions $end"
        yield "#0"
        yield "$dumpvars"
        for pin, level in self.start.items():
            yield f"{level:d}{identifiers[pin]}"
        yield "$end"
        now = 0
        for edge in self.edges:
            time = self._time(edge.cycle)
            if time != now:
                yield f"#{time}"
                now = time
            yield f"{edge.level:d}{identifiers[edge.pin]}"
        if self._time(self.cycles) != now:
            yield f"#{self._time(self.cycles)}"

    def _time(self, cycle: int) -> int:
        if self.clock is None:
            return cycle * WITHOUT_CLOCK
        # To the nearest picosecond, in whole numbers.
        return (2 * cycle * PICOSECONDS + self.clock) // (2 * self.clock)


def _identifier(number: int) -> str:
    text = ""
    while True:
        number, digit = divmod(number, IDENTIFIERS)
        text += chr(FIRST_IDENTIFIER + digit)
        if not number:
            return text


def is_pin(name: str) -> bool:
    """Tells whether a name is that of a pin: "PB0"."""
    return _PIN.fullmatch(name) is not None


def wanted_pins(pins: bool | Sequence[str], watched: Sequence[str]) -> tuple[str, ...] | None:
    """Gives the pins to record, None for all of them: those that were asked for, and those among what is watched."""
    if pins is True:
        return None
    asked = () if pins is False else (pins,) if isinstance(pins, str) else tuple(pins)
    return (*asked, *(name for name in watched if is_pin(name)))


def record_pins(ports: Ports, wanted: Sequence[str] | None, part: str, clock: Hertz | None) -> PinTrace:
    """Begins to record pins, all of them for None; raises UnknownName for one that the part lacks."""
    known = {pin.name: pin for port in ports.values() for pin in port.pins if pin is not None}
    names = list(known) if wanted is None else list(dict.fromkeys(wanted))
    for name in names:
        if name not in known:
            raise UnknownName("pin", name, known, hint=f"of {part}")
    trace = PinTrace(part, clock, {name: known[name].level for name in names})
    for name in names:
        known[name].listen(partial(_note, trace.edges, name))
    return trace


def _note(edges: list[Edge], name: str, level: bool, cycle: int) -> None:
    edges.append(Edge(cycle, name, level))


def finish_trace(trace: PinTrace, cycles: int) -> None:
    """Ends a trace at a cycle: changes after it are none of the run's, and those of one cycle have an order."""
    trace.cycles = cycles
    trace.edges = sorted((edge for edge in trace.edges if edge.cycle <= cycles), key=lambda edge: edge.cycle)
