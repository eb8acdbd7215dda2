"""The 16-bit timer/counters: normal mode and clear on compare match, at every internal clock.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 16 (16-bit Timer/Counter1) and 17 (prescaler).
Other waveform modes, the external clock, compare outputs on pins and input capture are not
modelled: setting one up is reported, and what depends on it is refused.
"""

from collections.abc import Callable
from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import Recurrence
from cyclerule.peripherals.flags import FlagRegisters, Source
from cyclerule.peripherals.prescaler import Prescaler

# Clock select CSn2:0: divisor of the CPU clock, 0 for stopped. 6 and 7 are the external pin. DS40002061A sec. 16 and 17.1.
DIVISORS = (0, 1, 8, 64, 256, 1024)
NORMAL, CLEAR_AT_OCRA, CLEAR_AT_ICR = 0, 4, 12
MAXIMUM = 0xFFFF


class Timer16:
    """One 16-bit timer/counter.

    Between settings the count is a function of the cycle: `count` at `since`, then one more at each
    tick of the clock. Alarms stand only at the ticks that set a flag.
    """

    def __init__(self, chip: Chip, number: int, prescaler: Prescaler, registers: FlagRegisters) -> None:
        self.chip, self.number, self._prescaler, self._registers = chip, number, prescaler, registers
        self._control_a = self._control_b = 0
        self._temporary = 0
        self._count, self._since = 0, 0
        self._match_blocked = False
        self._capture = 0
        self._compare: dict[str, int] = {}
        self._sources: dict[str, Source] = {}
        self._alarms: dict[str, Any] = {}
        self._attach(chip, str(number))
        prescaler.on_change(self._settle)
        chip.add(self)

    def _attach(self, chip: Chip, n: str) -> None:
        part, bus = chip.part, chip.bus
        overflow = self._source(f"TOV{n}", f"TOIE{n}", (f"TIMER{n}_OVF",))
        if overflow is not None:
            self._sources["overflow"] = overflow
        self._alarms["overflow"] = chip.events.alarm(self._overflow)
        for channel in "ABC":
            address = bus.address(f"OCR{n}{channel}")
            if address is None and channel == "A":
                address = bus.address(f"OCR{n}")
            if address is None:
                continue
            self._compare[channel] = 0
            vectors = (f"TIMER{n}_COMP{channel}", f"TIMER{n}_COMP")
            source = self._source(f"OCF{n}{channel}", f"OCIE{n}{channel}", vectors)
            if source is not None:
                self._sources[channel] = source
            self._alarms[channel] = chip.events.alarm(lambda cycle, c=channel: self._match(c, cycle), priority=1)
            bus.attach(address, lambda cycle, c=channel: self._compare[c] & 0xFF, self._compare_writer(channel))
            bus.attach(address + 1, lambda cycle, c=channel: self._compare[c] >> 8, self._write_temporary)
        count = part.registers[f"TCNT{n}"].address
        bus.attach(count, self._read_low, self._write_count)
        bus.attach(count + 1, lambda cycle: self._temporary, self._write_temporary)
        capture = bus.address(f"ICR{n}")
        if capture is not None:
            bus.attach(capture, self._read_capture_low, self._write_capture)
            bus.attach(capture + 1, lambda cycle: self._temporary, self._write_temporary)
        for name, read, write in (
            (f"TCCR{n}A", lambda cycle: self._control_a, self._write_control_a),
            (f"TCCR{n}B", lambda cycle: self._control_b, self._write_control_b),
        ):
            address = bus.address(name)
            if address is not None:
                bus.attach(address, read, write)

    def _source(self, flag: str, enable: str, vectors: tuple[str, ...]) -> Source | None:
        part = self.chip.part
        if flag not in part.bits or enable not in part.bits:
            return None
        vector = next((part.vectors[name] for name in vectors if name in part.vectors), None)
        return self._registers.add_source(part.bits[flag], part.bits[enable], vector)

    # Settings.

    @property
    def mode(self) -> int:
        """The waveform generation mode WGMn3:0."""
        return (self._control_a & 3) | (self._control_b >> 3 & 3) << 2

    @property
    def divisor(self) -> int:
        """CPU clocks a count; 0 when stopped. Raises nothing for the external clock, which counts as stopped."""
        select = self._control_b & 7
        return DIVISORS[select] if select < len(DIVISORS) else 0

    @property
    def is_modelled(self) -> bool:
        """Whether the present mode and clock are ones that this model counts exactly."""
        return self.mode in (NORMAL, CLEAR_AT_OCRA, CLEAR_AT_ICR) and self._control_b & 7 < len(DIVISORS)

    def _top(self) -> int:
        if self.mode == CLEAR_AT_OCRA:
            return self._compare.get("A", MAXIMUM)
        return self._capture if self.mode == CLEAR_AT_ICR else MAXIMUM

    def _write_control_a(self, value: int, mask: int, cycle: int) -> None:
        self._settle(cycle)
        self._control_a = self._control_a & ~mask | value & mask
        if self._control_a & 0xFC:
            self._tell(f"TCCR{self.number}A", "compare outputs on pins")
        self._after_control(f"TCCR{self.number}A")
        self._schedule()

    def _write_control_b(self, value: int, mask: int, cycle: int) -> None:
        # UNVERIFIED: that a new clock select counts from the cycle after the write and the old one up to it, so that
        # two writes of two cycles each, start and stop, give 2.
        self._settle(cycle)
        self._control_b = self._control_b & ~mask | value & mask
        self._after_control(f"TCCR{self.number}B")
        self._schedule()

    def _after_control(self, register: str) -> None:
        if self._control_b & 7 >= len(DIVISORS):
            self._tell(register, "the external clock of the timer")
        elif self.divisor and not self.is_modelled:
            self._tell(register, f"waveform mode {self.mode} of the timer")

    def _tell(self, register: str, what: str) -> None:
        self.chip.bus.report_unmodelled(register, what)

    # The count.

    def _ticks(self, cycle: int) -> int:
        return self._prescaler.ticks(cycle, self.divisor) - self._prescaler.ticks(self._since, self.divisor)

    def count(self, cycle: int) -> int:
        """Gives TCNTn at a cycle."""
        if not self.divisor:
            return self._count
        if not self.is_modelled:
            raise NotModelled(f"TCNT{self.number} is read, but waveform mode {self.mode} of this timer is not modelled")
        ticks, top = self._ticks(cycle), self._top()
        to_top = self._distance(self._count, top)
        if ticks <= to_top:
            return (self._count + ticks) & MAXIMUM
        return (ticks - to_top - 1) % (top + 1)

    @staticmethod
    def _distance(count: int, target: int) -> int:
        # Ticks until the count is `target`; a count beyond it passes MAX first (the missed match of a lowered OCR).
        return (target - count) & MAXIMUM

    def _settle(self, cycle: int) -> None:
        """Makes `cycle` the new reference point, before anything changes how the timer counts."""
        if not self.divisor or self.is_modelled:
            passed = bool(self.divisor) and self._ticks(cycle) > 0
            self._count = self.count(cycle)
            self._match_blocked = self._match_blocked and not passed
        self._since = cycle
        self._schedule()

    def _schedule(self) -> None:
        for alarm in self._alarms.values():
            alarm.clear()
        if not self.divisor or not self.is_modelled or self._prescaler.is_held:
            return
        top = self._top()
        period = top + 1
        reaches_top = self._distance(self._count, top)
        # The overflow flag is set in the clock in which the count becomes zero from MAX (normal mode; DS40002061A
        # sec. 16); with clear on compare only a count that has passed TOP gets there.
        if top == MAXIMUM:
            self._set_alarm("overflow", reaches_top + 1, period)
        elif self._count > top:
            self._set_alarm("overflow", self._distance(self._count, MAXIMUM) + 1)
        for channel, value in self._compare.items():
            # The match is taken at the clock after the one in which the count equals OCR.
            ticks = self._distance(self._count, value)
            if self._count <= top and value > top:
                continue
            if self._count <= top and value < self._count:
                ticks = reaches_top + 1 + value
            if ticks == 0 and self._match_blocked:
                # A write to TCNT blocks the match at the next timer clock: DS40002061A sec. 15.9.3.
                ticks = period if self._count <= top else MAXIMUM + 1
            self._set_alarm(channel, ticks + 1, period if self._count <= top else None)

    def _set_alarm(self, name: str, ticks: int, period: int | None = None) -> None:
        at = self._prescaler.ticks(self._since, self.divisor) + ticks
        source = self._sources.get(name)
        recurrence = None if period is None or source is None else Recurrence(period * self.divisor, source)
        self._alarms[name].set(self._prescaler.tick_cycle(at, self.divisor), recurrence)

    def _overflow(self, cycle: int) -> None:
        self._raise("overflow")
        self._advance(cycle)

    def _match(self, channel: str, cycle: int) -> None:
        self._raise(channel)
        self._advance(cycle)

    def _advance(self, cycle: int) -> None:
        # Other alarms due at this very cycle must still run, so their due times are kept before all is laid anew.
        due_now = [name for name, alarm in self._alarms.items() if alarm.due == cycle]
        self._settle(cycle)
        for name in due_now:
            self._alarms[name].set(cycle)

    def _raise(self, name: str) -> None:
        source = self._sources.get(name)
        if source is not None:
            self._registers.raise_flag(source)

    # Registers. 16-bit access through TEMP: ATmega48PA/88PA/168PA datasheet, sec. 13.11.4 and "Accessing 16-bit registers".

    def _write_temporary(self, value: int, mask: int, cycle: int) -> None:
        self._temporary = self._temporary & ~mask | value & mask

    def _read_low(self, cycle: int) -> int:
        count = self.count(cycle)
        self._temporary = count >> 8
        return count & 0xFF

    def _write_count(self, value: int, mask: int, cycle: int) -> None:
        # The write has priority over the count at that clock (family text of the 16-bit timer).
        self._count = self._temporary << 8 | value
        self._since = cycle
        self._match_blocked = True
        self._schedule()

    def _compare_writer(self, channel: str) -> Callable[[int, int, int], None]:
        def write(value: int, mask: int, cycle: int) -> None:
            self._settle(cycle)
            self._compare[channel] = self._temporary << 8 | value
            self._schedule()

        return write

    def _read_capture_low(self, cycle: int) -> int:
        self._temporary = self._capture >> 8
        return self._capture & 0xFF

    def _write_capture(self, value: int, mask: int, cycle: int) -> None:
        self._settle(cycle)
        self._capture = self._temporary << 8 | value
        self._schedule()

    def save(self) -> Any:
        """Gives the timer's state."""
        return (
            self._control_a,
            self._control_b,
            self._temporary,
            self._count,
            self._since,
            self._match_blocked,
            self._capture,
            dict(self._compare),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        (
            self._control_a,
            self._control_b,
            self._temporary,
            self._count,
            self._since,
            self._match_blocked,
            self._capture,
            compare,
        ) = saved
        self._compare = dict(compare)


