"""The bench of the engines' contract: a chip, a device that asks for interrupts, one that notes accesses."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, NamedTuple

from cyclerule.engines.engine import Engine, Stop
from cyclerule.isa.families import Core
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import Recurrence
from cyclerule.parts import load_part
from cyclerule.parts.part import Part
from cyclerule.toolchain import find
from tests.engines.courses import BODIES, CODE, DATA, HANDLER, PROBES, WIDE_BODIES, Loop
from tests.engines.listing import Boundary, Line, Listing, line
from tests.golden.tables import rows

FAR = 1 << 40
"""A cycle that no program here reaches."""

WIDE_CODE = 0x10100
"""A flash word beyond what 16 bits of a program counter reach."""

TURNS, EARLY, LATE = 14, 0, 11
"""Turns of a loop, and those in which interrupts are asked for: at once, and when an engine runs at full speed."""


@cache
def part(name: str) -> Part:
    """Gives a part, loaded once."""
    return load_part(name, find())


@cache
def core_of(part_name: str) -> Core:
    """Gives the core of a part."""
    return Chip(part(part_name), b"").core


@cache
def rule(item: str, pc_bytes: int) -> int:
    """Gives a figure of the table of interrupt times."""
    (row,) = (row for row in rows("interrupt_timing.csv") if row["item"].startswith(item))
    return int(row["avre_pc16_cycles" if pc_bytes == 2 else "avre_pc22_cycles"])


class Touched(NamedTuple):
    """An access that a probe saw."""

    address: int
    is_write: bool
    cycle: int
    value: int
    mask: int = 0xFF


class Probe:
    """I/O registers that note every access with its cycle. They read 0x3C, or with `gives` what that says."""

    def __init__(self, chip: Chip, addresses: Iterable[int], gives: Callable[[int], int] = lambda cycle: 0x3C) -> None:
        self.touched: list[Touched] = []
        self._gives = gives
        for address in addresses:
            chip.bus.attach(address, self._reader(address), self._writer(address))

    def _reader(self, address: int) -> Callable[[int], int]:
        def give(cycle: int) -> int:
            value = self._gives(cycle)
            self.touched.append(Touched(address, False, cycle, value))
            return value

        return give

    def _writer(self, address: int) -> Callable[[int, int, int], None]:
        def take(value: int, mask: int, cycle: int) -> None:
            self.touched.append(Touched(address, True, cycle, value & mask, mask))

        return take


class Entered(NamedTuple):
    """A handler that was entered: its vector, when the request was accepted, and the stack pointer before."""

    vector: int
    cycle: int
    stack_pointer: int


@dataclass
class Flag:
    """An interrupt flag of the requesting device, always enabled; compiled code may set and clear it itself."""

    device: "Requester"
    vector: int

    @property
    def is_set(self) -> bool:
        """Whether the flag is set."""
        return bool(self.device.chip.interrupts.requests >> self.vector & 1)

    @property
    def is_enabled(self) -> bool:
        """Whether the interrupt is enabled by its own bit."""
        return True

    @property
    def is_watched(self) -> bool:
        """Whether another device is told of it."""
        return False

    def put(self, is_set: bool) -> None:
        """Sets or clears the flag."""
        self.device.chip.interrupts.set_request(self.vector, is_set)


@dataclass
class Requester:
    """A device that asks for interrupts at chosen cycles. Entering a handler clears the flag, unless it is a level."""

    chip: Chip
    levels: frozenset[int] = frozenset()
    entered: list[Entered] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._alarms = {}
        for vector in range(1, self.chip.part.vector_count):
            self._alarms[vector] = self.chip.events.alarm(self._asks(vector))
            self.chip.interrupts.on_entry(vector, self._enters(vector))
        self._periods: dict[int, int] = {}

    def ask(self, vector: int, cycle: int, period: int | None = None) -> None:
        """Has a vector asked for at a cycle, and again each period."""
        self._periods.pop(vector, None)
        recurrence = None
        if period is not None:
            self._periods[vector] = period
            recurrence = Recurrence(period, Flag(self, vector))
        self._alarms[vector].set(cycle, recurrence)

    def _asks(self, vector: int) -> Callable[[int], None]:
        def ask(cycle: int) -> None:
            self.chip.interrupts.set_request(vector, True)
            period = self._periods.get(vector)
            if period is not None:
                self.ask(vector, cycle + period, period)

        return ask

    def _enters(self, vector: int) -> Callable[[int], None]:
        def enter(cycle: int) -> None:
            self.entered.append(Entered(vector, cycle, self.chip.stack_pointer))
            if vector not in self.levels:
                self.chip.interrupts.set_request(vector, False)

        return enter


class Bench:
    """A chip with a program, the two devices and an engine, and the state that runs start from."""

    def __init__(
        self, make: Callable[[Chip], Engine], part_name: str, listing: Listing, handler: str = "handler"
    ) -> None:
        self.listing = listing
        self.chip = chip = Chip(part(part_name), b"")
        listing.put(chip.flash)
        self.vector_jump = self._lay_vectors(listing.words[handler]) if handler in listing.words else 0
        self.requester = Requester(chip)
        self.probe = Probe(chip, PROBES)
        chip.enters_sleep = lambda cycle: False
        self.engine = make(chip)
        chip.program_counter = listing.words["start"]
        chip.data[chip.ram_start :] = bytes(n * 7 & 0xFF for n in range(chip.ram_end + 1 - chip.ram_start))
        chip.data[:32] = bytes(n * 29 & 0xFF for n in range(32))
        chip.flags[:] = bytes(8)
        chip.flags[I] = 1
        # A start on a round cycle would hide an engine that counts from 0.
        chip.cycle = 1_000_003
        self.begin = chip.cycle
        self.saved = chip.save()
        self.pc_bytes = chip.core.pc_bytes

    def _lay_vectors(self, handler: int) -> int:
        """Puts a jump to the handler at every vector and gives its cycles."""
        chip = self.chip
        words = chip.part.vector_bytes // 2
        syntax = "JMP k" if words == 2 else "RJMP k"
        jump = Listing((line(syntax, "handler"),), chip.core, words, words={"handler": handler})
        for vector in range(1, chip.part.vector_count):
            jump = Listing((line(syntax, "handler"),), chip.core, vector * words, words={"handler": handler})
            jump.put(chip.flash)
        return jump.cycles(jump.lines[0])

    def reset(self) -> None:
        """Sets the starting state again, with empty logs."""
        self.chip.restore(self.saved)
        self.engine.instructions = 0
        self.requester.entered.clear()
        self.probe.touched.clear()

    def run(self, limit: int = FAR, *, to: str = "end", **more: Any) -> Stop:
        """Runs up to a label or a limit in cycles since the start."""
        return self.engine.run(self.begin + limit if limit < FAR else FAR, exits={self.listing.words[to]}, **more)

    @property
    def cycle(self) -> int:
        """Cycles since the start."""
        return self.chip.cycle - self.begin

    @property
    def response(self) -> int:
        """Cycles from the acceptance of a request to the first instruction at the vector."""
        return rule("interrupt response", self.pc_bytes)

    @property
    def handler_cost(self) -> int:
        """Cycles from the acceptance of a request to the end of the handler's RETI."""
        return self.response + self.vector_jump + self.handler_course[-1].cycle

    @property
    def handler_instructions(self) -> int:
        """Instructions of a handler, the jump at the vector included."""
        return len(self.handler_course)

    @property
    def handler_course(self) -> tuple[Boundary, ...]:
        """Every boundary of the handler from its first word on."""
        return self.listing.between("handler", "handler_left")

    @property
    def course(self) -> tuple[Boundary, ...]:
        """Every boundary from "start" to "end", of a program without loops."""
        return self.listing.between("start", "end")

    def entered(self) -> list[int]:
        """Gives the cycles at which requests were accepted."""
        return [each.cycle - self.begin for each in self.requester.entered]

    def kept_state(self) -> tuple[Any, ...]:
        """Gives what a handler that keeps everything leaves alone: all but its counter and what is below the stack."""
        chip = self.chip
        below = min(chip.lowest_stack_pointer, chip.stack_pointer)
        data = bytearray(chip.data[: chip.stack_pointer + 1])
        data[DATA - 1] = 0
        data[chip.stack_pointer - STACK_AREA :] = bytes(STACK_AREA + 1)
        assert below > chip.stack_pointer - STACK_AREA
        return chip.program_counter, chip.stack_pointer, bytes(chip.flags), bytes(data)

    def accesses(self, course: Iterable[Boundary], handler_at: int = FAR, handler_cycles: int = 0) -> list[Touched]:
        """Gives what the probe sees on a course: reads in the last cycle of an instruction, writes at its end.

        The phase is deduced from common practice on the 16-bit timer (no source); see `cyclerule.machine.bus`.
        """
        found = []
        for boundary in course:
            if boundary.line is None or boundary.line.touch is None:
                continue
            address, is_write, value, mask = boundary.line.touch
            path = "plain" if boundary.line.path.startswith("skip") else boundary.line.path
            length = self.listing.cycles(boundary.line._replace(path=path))
            late = handler_cycles if boundary.cycle >= handler_at else 0
            cycle = self.begin + boundary.cycle + late + length - (0 if is_write else 1)
            found.append(Touched(address, is_write, cycle, value, mask))
        return found

    def runs_of_handler(self) -> int:
        """Gives how often the handler has counted itself."""
        first = (DATA - 1 - self.chip.ram_start) * 7 & 0xFF
        return self.chip.data[DATA - 1] - first & 0xFF


STACK_AREA = 64
"""Bytes at the top of RAM in which the programs here keep their stack."""


def first_boundary(course: Iterable[Boundary], cycle: int) -> Boundary:
    """Gives the first boundary at or after a cycle."""
    return next(boundary for boundary in course if boundary.cycle >= cycle)


def instructions_before(course: Iterable[Boundary], cycle: int) -> int:
    """Gives how many instructions have begun before a cycle."""
    return sum(boundary.cycle < cycle and boundary.line is not None for boundary in course)


def served_runs(course: Iterable[Boundary], due: int, period: int, cost: int) -> int:
    """Gives how often a handler runs whose flag is set at `due` and then each period, by the rules alone."""
    is_set, has_just_returned, added, runs = False, False, 0, 0
    for boundary in course:
        if boundary.line is None:
            break
        while True:
            now = boundary.cycle + added
            while due <= now:
                is_set, due = True, due + period
            if not is_set or has_just_returned:
                break
            is_set, has_just_returned = False, True
            added, runs = added + cost, runs + 1
        has_just_returned = False
    return runs


@dataclass(frozen=True)
class Case:
    """A part and the name of a loop on it."""

    part_name: str
    name: str

    @property
    def loop(self) -> Loop:
        """The program, its course worked out once."""
        return _loop(self.part_name, self.name)

    def __str__(self) -> str:
        return f"{self.name} on {self.part_name}"


@cache
def _loop(part_name: str, name: str) -> Loop:
    core = core_of(part_name)
    if core.pc_bytes == 3:
        return Loop(WIDE_BODIES[name], core, TURNS, WIDE_CODE if name == "extended" else CODE)
    return Loop(BODIES[name], core, TURNS)


def straight(part_name: str, *lines: Line) -> Listing:
    """Places lines from CODE on, between the labels "start" and "end", with the handler behind them."""
    first = lines[0]._replace(at="start")
    return Listing((first, *lines[1:], line("NOP", at="end"), *HANDLER), core_of(part_name), CODE)
