"""Two engines side by side on equal chips: everything a program can tell apart is compared after every run."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from functools import cache
from random import Random
from typing import Any, NamedTuple

from cyclerule.engines.engine import Engine, Stop
from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.engines.reference import Reference
from cyclerule.errors import FaultError
from cyclerule.machine.bus import IoWrite
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER
from cyclerule.parts import load_part
from cyclerule.parts.part import Part
from cyclerule.toolchain import find

EngineFactory = Callable[[Chip], Engine]


@cache
def part(name: str) -> Part:
    """Gives a part, loaded once."""
    return load_part(name, find())


class Prober:
    """A device that shows when it was touched: what it gives and does depends on the cycle and on what was written.

    Its registers take turns among four kinds: with a reader and a writer, kept by the bus with a writer, kept by
    the bus and changed by an alarm, and kept by the bus alone. One vector asks a while after each write to the
    first kind; another one whenever the recurring alarm has gone off.
    """

    def __init__(self, chip: Chip, addresses: Collection[int], vectors: tuple[int, int], period: int) -> None:
        self.seen: list[tuple[str, int, int, int]] = []
        self._chip, self._vectors, self._period = chip, vectors, period
        self._changed = []
        bus = chip.bus
        for number, address in enumerate(addresses):
            kind = number % 4
            if kind == 0:
                bus.attach(address, self._reader(address), self._asks_later(address))
            elif kind == 1:
                bus.attach(address, None, self._keeps(address))
            else:
                bus.attach(address, None, None)
                if kind == 2:
                    self._changed.append(address)
        self._recurring = chip.events.alarm(self._beat)
        self._later = chip.events.alarm(self._ask, priority=1)
        for vector in vectors:
            chip.interrupts.on_entry(vector, self._entered(vector))
        chip.add(self)

    def begin(self, cycle: int) -> None:
        """Has the recurring alarm go off from a cycle on."""
        self._recurring.set(cycle)

    def _reader(self, address: int) -> Callable[[int], int]:
        def read(cycle: int) -> int:
            self.seen.append(("read", address, 0, cycle))
            return (cycle * 37 + address) >> 2 & 0xFF

        return read

    def _asks_later(self, address: int) -> Callable[[int, int, int], None]:
        def write(value: int, mask: int, cycle: int) -> None:
            self.seen.append(("write", address, value & mask, cycle))
            self._later.set(cycle + (value & mask))

        return write

    def _keeps(self, address: int) -> Callable[[int, int, int], None]:
        def write(value: int, mask: int, cycle: int) -> None:
            self.seen.append(("keep", address, value & mask, cycle))
            self._chip.data[address] = self._chip.data[address] & ~mask & 0xFF | value & mask
            if value & mask & 1:
                self._chip.interrupts.set_request(self._vectors[0], value & mask & 2)

        return write

    def _beat(self, cycle: int) -> None:
        for address in self._changed:
            self._chip.data[address] = self._chip.data[address] + 1 & 0xFF
        self._chip.interrupts.set_request(self._vectors[1], 1)
        self._recurring.set(cycle + self._period)

    def _ask(self, cycle: int) -> None:
        self.seen.append(("ask", 0, 0, cycle))
        self._chip.interrupts.set_request(self._vectors[0], 1)

    def _entered(self, vector: int) -> Callable[[int], None]:
        def enter(cycle: int) -> None:
            self.seen.append(("enter", vector, 0, cycle))
            self._chip.interrupts.set_request(vector, 0)

        return enter

    def save(self) -> Any:
        """Gives nothing: alarms and requests are the chip's, the rest is a log."""

    def restore(self, saved: Any) -> None:
        """Empties the log."""
        self.seen.clear()


class Outcome(NamedTuple):
    """All that a run leaves behind, the log of what happened on the way included."""

    stop: Any
    program_counter: int
    cycle: int
    instructions: int
    stack_pointer: int
    lowest_stack_pointer: int
    flags: bytes
    is_asleep: bool
    interrupt_shadow: bool
    registers: bytes
    memory: bytes
    events: tuple[int, ...]
    interrupts: tuple[Any, ...]
    handlers: tuple[Any, ...]
    handler_times: dict[int, Any]
    log: tuple[IoWrite, ...]
    unmodelled: tuple[Any, ...]
    devices: tuple[Any, ...]


def outcome(engine: Engine, stop: Any) -> Outcome:
    """Gives what there is to compare after a run."""
    chip = engine.chip
    return Outcome(
        stop,
        chip.program_counter,
        chip.cycle,
        engine.instructions,
        chip.stack_pointer,
        chip.lowest_stack_pointer,
        bytes(chip.flags),
        chip.is_asleep,
        chip.interrupt_shadow,
        bytes(chip.data[:32]),
        bytes(chip.data[32:]),
        chip.events.save(),
        chip.interrupts.save(),
        tuple(chip.interrupts.finished),
        dict(chip.interrupts.stats),
        tuple(chip.bus.log or ()),
        tuple(chip.bus.unmodelled.values()),
        tuple(tuple(d.seen) if isinstance(d, Prober) else _plain(d.save()) for d in chip.devices),
    )


def _plain(state: Any) -> Any:
    return tuple(_plain(each) for each in state) if isinstance(state, (list, tuple)) else state


def differences(expected: Outcome, found: Outcome) -> str:
    """Names what differs, one line each; empty when nothing does."""
    lines = []
    for name, left, right in zip(Outcome._fields, expected, found, strict=True):
        if left == right:
            continue
        if isinstance(left, (bytes, tuple)) and len(left) == len(right):
            base = 32 if name == "memory" else 0
            places = [n for n, (a, b) in enumerate(zip(left, right, strict=True)) if a != b]
            shown = ", ".join(f"[0x{base + n:x}] {left[n]} / {right[n]}" for n in places[:8])
            lines.append(f"{name}: {shown} ({len(places)} places)")
        else:
            lines.append(f"{name}: {left} / {right}")
    return "\n".join(lines)


@dataclass
class Pair:
    """The reference engine and another one, each on a chip of its own that was fitted alike."""

    reference: Reference
    other: Engine
    trail: list[str] = field(default_factory=list)
    executed: int = 0
    native: int = 0
    stops: set[str] = field(default_factory=set)

    @classmethod
    def of(
        cls,
        part_name: str,
        flash: bytes,
        fit: Callable[[Chip], object] = lambda chip: None,
        make: EngineFactory = lambda chip: Scalar(chip, level=0),
    ) -> "Pair":
        """Makes a pair for a program; `fit` gives each chip its devices."""
        chips = []
        for _ in range(2):
            chip = Chip(part(part_name), flash)
            fit(chip)
            chip.bus.log = []
            chips.append(chip)
        return cls(Reference(chips[0]), make(chips[1]))

    @property
    def engines(self) -> tuple[Engine, Engine]:
        """Both engines, the reference first."""
        return self.reference, self.other

    def set(self, change: Callable[[Chip], object]) -> None:
        """Makes the same change to both chips."""
        for engine in self.engines:
            change(engine.chip)

    def restore(self, saved: tuple[Any, ...]) -> None:
        """Sets both chips to a state, with empty logs and counts."""
        self.trail.clear()
        for engine in self.engines:
            engine.chip.restore(saved)
            engine.chip.stack_floor = self.reference.chip.stack_floor
            engine.chip.bus.log = []
            engine.chip.bus.unmodelled.clear()
            engine.instructions = 0

    def run(self, limit: int, **more: Any) -> Any:
        """Runs both engines and fails unless they come to the same; gives the reason to stop or the error's name."""
        chip = self.reference.chip
        self.trail.append(f"from 0x{2 * chip.program_counter:04x} at {chip.cycle} to {limit} {more}")
        before = self.reference.instructions
        native = self.other._native_instructions if isinstance(self.other, Scalar) else 0
        outcomes = []
        for engine in self.engines:
            stop: Any
            try:
                stop = engine.run(limit, **more)
            except FaultError as error:
                stop = (type(error).__name__, str(error), error.address, error.cycle)
            outcomes.append(outcome(engine, stop))
        unlike = differences(*outcomes)
        assert not unlike, "\n".join([*self.trail, unlike])
        self.executed += self.reference.instructions - before
        if isinstance(self.other, Scalar):
            self.native += self.other._native_instructions - native
        stop = outcomes[0].stop
        self.stops.add(stop.name if isinstance(stop, Stop) else stop[0])
        return stop


def random_state(chip: Chip, random: Random, entries: Collection[int], *, enabled: bool = False) -> tuple[Any, ...]:
    """Gives a state of a chip with random registers, flags and RAM at a random entry.

    The stack pointer is in upper RAM; above it lie return addresses that lead to other entries, so that a program goes
    on when a function returns.
    """
    entries = list(entries)
    chip.program_counter = random.choice(entries)
    chip.data[:] = random.randbytes(len(chip.data))
    chip.flags[:] = bytes(random.getrandbits(1) for _ in range(7)) + bytes([enabled and random.getrandbits(1)])
    span = chip.ram_end - chip.ram_start
    size = chip.core.pc_bytes
    chip.stack_pointer = chip.lowest_stack_pointer = chip.ram_end - random.randrange(span // 4) // size * size
    for place in range(chip.stack_pointer + 1, chip.ram_end - size + 2, size):
        chip.data[place : place + size] = random.choice(entries).to_bytes(size, "big")
    chip.stack_floor = chip.ram_start + span // 4 if random.random() < 0.5 else 0
    chip.cycle = random.randrange(1 << 40) if random.random() < 0.5 else random.randrange(1000)
    chip.is_asleep = chip.interrupt_shadow = False
    chip.events.restore([NEVER] * len(chip.events.save()))
    chip.interrupts.restore((0, True, (), -1))
    return chip.save()
