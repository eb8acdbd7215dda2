"""Interrupt flags and their enable bits: a flag register and a mask register shared by several sources."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from cyclerule.machine.chip import Chip


@dataclass(eq=False)
class Source:
    """One interrupt source: its bit in the flag register, in the mask register, and its vector."""

    registers: "FlagRegisters"
    flag_bit: int
    enable_bit: int
    vector: int | None
    on_clear: Callable[[int], None] | None = None
    """Called with the cycle when the program or the entry of the handler has cleared the flag."""
    holds: bool = False
    """Whether a level asks beside the flag, as long as it is there."""
    on_set: Callable[[int], None] | None = None
    enable_mask: int = 0
    """The bits any of which enables it: its own, and more where several do."""

    def __post_init__(self) -> None:
        self.enable_mask |= 1 << self.enable_bit

    @property
    def is_set(self) -> bool:
        """Whether the flag is set."""
        return bool(self.registers.flags >> self.flag_bit & 1)

    @property
    def is_enabled(self) -> bool:
        """Whether the interrupt is enabled by its own bit."""
        return bool(self.registers.enables & self.enable_mask)

    @property
    def is_watched(self) -> bool:
        """Whether another device is told whenever the flag is set."""
        return self.on_set is not None

    def watch(self, action: Callable[[int], None] | None) -> None:
        """Has `action` called with the cycle whenever the flag goes from 0 to 1; None for no more."""
        self.on_set = action
        events = self.registers.chip.events
        for alarm in events.alarms:
            if action is not None and alarm.recurrence is not None and alarm.recurrence.source is self:
                alarm.recurrence = None
        events.version += 1

    def hold(self, holds: bool) -> None:
        """Lets a level ask, or no more."""
        self.holds = holds
        self.registers.update()

    def put(self, is_set: bool) -> None:
        """Sets or clears the flag."""
        self.registers.put(self.flag_bit, is_set)


@dataclass(eq=False)
class FlagRegisters:
    """A pair such as TIFR1 and TIMSK1. A flag is cleared by writing 1 to it, or when its handler is entered.

    Flags: ATmega48A/…/328P datasheet DS40002061A, description of TIFR1; clearing on entry: sec. 7.7.
    Older parts have one pair for all timers, some of which are not modelled; `enable_names` are the bits of the
    enable register by position, so that enabling an interrupt that never comes is reported by name.
    """

    chip: Chip
    flag_address: int | None
    enable_address: int
    enable_names: dict[int, str]
    other_names: tuple[str, ...] = ()
    """Bits of the enable register that enable no interrupt and belong to other devices."""
    sources: list[Source] = field(default_factory=list)
    on_enable: list[Callable[[int], None]] = field(default_factory=list)
    flags: int = 0
    enables: int = 0

    def __post_init__(self) -> None:
        bus = self.chip.bus
        # The flags have a reader, since compiled code that carries recurring alarms out keeps them to itself meanwhile.
        if self.flag_address is not None:
            bus.attach(self.flag_address, lambda cycle: self.flags, self._clear)
        bus.attach(self.enable_address, None, self._enable)
        self.chip.add(self)

    def add_source(self, flag_bit: int, enable_bit: int, vector: int | None) -> Source:
        """Makes a source of two bits and a vector."""
        source = Source(self, flag_bit, enable_bit, vector)
        self.sources.append(source)
        if vector is not None:
            self.chip.interrupts.on_entry(vector, lambda cycle: self._drop(1 << flag_bit, cycle))
        return source

    def raise_flag(self, source: Source) -> None:
        """Sets a source's flag."""
        self.put(source.flag_bit, True)

    def put(self, flag_bit: int, is_set: bool) -> None:
        """Sets or clears one flag."""
        rises = is_set and not self.flags >> flag_bit & 1
        self.flags = self.flags & ~(1 << flag_bit) | is_set << flag_bit
        self.update()
        if rises:
            for source in self.sources:
                if source.flag_bit == flag_bit and source.on_set is not None:
                    source.on_set(self.chip.events.now)

    def _drop(self, mask: int, cycle: int) -> None:
        dropped = self.flags & mask
        self.flags &= ~mask
        for source in self.sources:
            if dropped >> source.flag_bit & 1 and source.on_clear is not None:
                source.on_clear(cycle)
        self.update()

    def _clear(self, value: int, mask: int, cycle: int) -> None:
        # UNVERIFIED: a flag that is set at the very edge at which the program clears it is cleared here. A board that
        # clears OCF1A in a loop of a length prime to the timer's period, and counts what is lost, would settle it.
        self._drop(value & mask, cycle)

    def _enable(self, value: int, mask: int, cycle: int) -> None:
        self.enables = self.enables & ~mask | value & mask
        self.chip.data[self.enable_address] = self.enables
        self._report_others(value & mask)
        for listen in self.on_enable:
            listen(cycle)
        self.update()

    def _report_others(self, written: int) -> None:
        bus, bits = self.chip.bus, self.chip.part.bits
        known = 0
        for source in self.sources:
            known |= source.enable_mask if source.vector is not None else 0
        others = sum(1 << bits[name] for name in self.other_names if name in bits)
        register = bus.name(self.enable_address)
        for position in range(8):
            if (written & ~known & ~others) >> position & 1:
                name = self.enable_names.get(position, f"bit {position}")
                bus.report_unmodelled(register, f"the interrupt that {name} enables")
        bus.report_bits(register, written & others, self.other_names)

    def update(self) -> None:
        """Brings the requests to what flags, levels and enables say."""
        self.chip.events.version += 1
        for source in self.sources:
            if source.vector is not None:
                asks = (self.flags >> source.flag_bit | source.holds) & 1 and self.enables & source.enable_mask
                self.chip.interrupts.set_request(source.vector, asks)

    def save(self) -> Any:
        """Gives flags, enables and levels."""
        return self.flags, self.enables, tuple(source.holds for source in self.sources)

    def restore(self, saved: Any) -> None:
        """Sets what was saved; the requests are restored by the controller itself."""
        self.flags, self.enables, held = saved
        for source, holds in zip(self.sources, held, strict=True):
            source.holds = holds
