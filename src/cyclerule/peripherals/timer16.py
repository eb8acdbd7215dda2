"""The 16-bit timer/counters: normal mode and clear on compare match, at every internal clock.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 16 (16-bit Timer/Counter1) and 17 (prescaler); for the
first generation AT90S8515, 0841G, "Timer/Counter1". Other waveform modes, the external clock, compare outputs on pins
and input capture are not modelled: setting one up is reported, and a count that depends on it is refused.
"""

from collections.abc import Callable
from functools import partial
from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import Alarm, Recurrence
from cyclerule.parts.part import Part
from cyclerule.peripherals.flags import FlagRegisters, Source
from cyclerule.peripherals.prescaler import Prescaler

# Clock select CSn2:0: divisor of the CPU clock, 0 for stopped. 6 and 7 are the external pin. DS40002061A sec. 16, 17.1.
DIVISORS = (0, 1, 8, 64, 256, 1024)
NORMAL, CLEAR_AT_OCRA, CLEAR_AT_ICR = 0, 4, 12
# The modes in which ICRn is TOP: DS40002061A sec. 16.11, table of waveform generation modes.
ICR_IS_TOP = (8, 10, 12, 14)
MAXIMUM = 0xFFFF
OVERFLOW, CAPTURE = "overflow", "capture"


def is_first_generation(part: Part, number: int) -> bool:
    """Tells whether a 16-bit timer is the one with CTCn and PWMn1:0, as in the AT90S8515."""
    return f"CTC{number}" in part.bits and f"PWM{number}1" in part.bits


def has_timer16(part: Part, number: int) -> bool:
    """Tells whether a part's timer of that number is one that this file models.

    Timers of battery parts, whose width is chosen by a bit, and those with a high byte of their own (TC4H) are others.
    """
    count = part.registers.get(f"TCNT{number}")
    if count is None or count.size_bytes != 2 or f"TCCR{number}B" not in part.registers:
        return False
    return f"WGM{number}3" in part.bits or is_first_generation(part, number)


class Timer16:
    """One 16-bit timer/counter.

    Between settings the count is a function of the cycle: `count` at `since`, then one more at each
    tick of the clock. Alarms stand only at the ticks that set a flag.
    """

    def __init__(
        self, chip: Chip, number: int, prescaler: Prescaler, registers: Callable[[str], FlagRegisters]
    ) -> None:
        self.chip, self.number, self._prescaler = chip, number, prescaler
        self._is_first_generation = is_first_generation(chip.part, number)
        self._control_a = self._control_b = 0
        self._temporary = 0
        self._count, self._since = 0, 0
        # Whether the count at hand raises no match at the next tick, because it was written. On the first generation
        # a match only comes when the timer counts to the value (AT90S8515 datasheet, OCR1A).
        self._is_match_blocked = self._is_first_generation
        # Whether the count is left over from a way of counting that is not modelled.
        self._is_count_stale = False
        self._capture = 0
        self._compare: dict[str, int] = {}
        self._sources: dict[str, Source] = {}
        self._alarms: dict[str, Alarm] = {}
        # The last overflow, and whether its flag had been set before.
        self._overflowed = (-1, False)
        self._attach(chip, str(number), registers)
        prescaler.on_change(self._settle, self._schedule)
        chip.add(self)

    # What the part has of it.

    def _attach(self, chip: Chip, n: str, registers: Callable[[str], FlagRegisters]) -> None:
        self._add_source(OVERFLOW, (f"TOV{n}",), (f"TOIE{n}",), ("OVF", f"OVF{n}"), registers)
        self._add_source(CAPTURE, (f"ICF{n}",), (f"ICIE{n}", f"TICIE{n}"), ("CAPT", f"CAPT{n}"), registers)
        self._alarms[OVERFLOW] = chip.events.alarm(self._overflow)
        self._attach_compare_units(chip, n, registers)
        self._attach_registers(chip, n)
        capture = self._sources.get(CAPTURE)
        if capture is not None:
            self._alarms[CAPTURE] = chip.events.alarm(partial(self._match, CAPTURE), priority=1)
            capture.registers.on_enable.append(lambda cycle: self._check_capture())

    def _attach_compare_units(self, chip: Chip, n: str, registers: Callable[[str], FlagRegisters]) -> None:
        bus = chip.bus
        for channel in "ABC":
            # The AT90S4433 has one unit, without a letter.
            names = (n + channel, n) if channel == "A" else (n + channel,)
            address = next((a for name in names if (a := bus.address(f"OCR{name}")) is not None), None)
            if address is None:
                continue
            self._compare[channel] = 0
            flags, enables = tuple(f"OCF{name}" for name in names), tuple(f"OCIE{name}" for name in names)
            vectors = (f"COMP{channel}", *(("COMP", f"COMP{n}") if channel == "A" else ()))
            self._add_source(channel, flags, enables, vectors, registers)
            self._alarms[channel] = chip.events.alarm(partial(self._match, channel), priority=1)
            # Reading OCR does not go through TEMP, writing does: ATmega48PA/88PA/168PA datasheet sec. 13.11.4.
            bus.attach(address, None, partial(self._write_compare, channel, address))
            bus.attach(address + 1, None, self._write_temporary)

    def _attach_registers(self, chip: Chip, n: str) -> None:
        part, bus = chip.part, chip.bus
        count = part.registers[f"TCNT{n}"].address
        bus.attach(count, self._read_low, self._write_count)
        bus.attach(count + 1, lambda cycle: self._temporary, self._write_temporary)
        capture = bus.address(f"ICR{n}")
        if capture is not None:
            bus.attach(capture, self._read_capture_low, self._write_capture)
            bus.attach(capture + 1, lambda cycle: self._temporary, self._write_temporary)
        control_a, control_b, control_c = (bus.address(f"TCCR{n}{letter}") for letter in "ABC")
        self._control_addresses = {"A": control_a, "B": control_b}
        # The strobes FOCnx read as zero. They act on pins alone, which the COMnx bits connect, and those are reported.
        strobes = 0
        if control_c is not None:
            bus.attach(control_c, None, lambda value, mask, cycle: None)
        else:
            strobes = sum(1 << part.bits[f"FOC{n}{c}"] for c in "ABC" if f"FOC{n}{c}" in part.bits)
        self._control_a_mask = 0xFF & ~strobes
        if control_a is not None:
            bus.attach(control_a, None, self._write_control_a)
        if control_b is not None:
            bus.attach(control_b, None, self._write_control_b)

    def _add_source(
        self,
        name: str,
        flags: tuple[str, ...],
        enables: tuple[str, ...],
        vectors: tuple[str, ...],
        registers: Callable[[str], FlagRegisters],
    ) -> None:
        part = self.chip.part
        flag = next((each for each in flags if each in part.bits), None)
        enable = next((each for each in enables if each in part.bits), None)
        if flag is None or enable is None:
            return
        # Headers write TIMER1_OVF, TIM1_OVF (ATtiny24) or TIMER1_OVF1 (AT90S2313).
        names = (f"{timer}{self.number}_{vector}" for timer in ("TIMER", "TIM") for vector in vectors)
        vector = next((part.vectors[each] for each in names if each in part.vectors), None)
        self._sources[name] = registers(enable).add_source(part.bits[flag], part.bits[enable], vector)

    # Settings.

    @property
    def mode(self) -> int:
        """The waveform generation mode WGMn3:0; on the first generation CTCn and PWMn1:0 stand in the same places."""
        return (self._control_a & 3) | (self._control_b >> 3 & 3) << 2

    @property
    def divisor(self) -> int:
        """CPU clocks a count; 0 when stopped, as which the external clock counts too."""
        select = self._control_b & 7
        return DIVISORS[select] if select < len(DIVISORS) else 0

    @property
    def is_modelled(self) -> bool:
        """Whether the present mode and clock are ones that this model counts exactly."""
        if self._control_b & 7 >= len(DIVISORS):
            return False
        if self._is_first_generation and self.mode == CLEAR_AT_OCRA:
            # With a prescaled clock it clears one CPU cycle after the match (AT90S8515 datasheet, TCCR1B, bit CTC1).
            return self.divisor <= 1
        return self.mode in (NORMAL, CLEAR_AT_OCRA, CLEAR_AT_ICR)

    def _top(self) -> int:
        if self.mode == CLEAR_AT_OCRA:
            return self._compare.get("A", MAXIMUM)
        return self._capture if self.mode == CLEAR_AT_ICR else MAXIMUM

    def _write_control_a(self, value: int, mask: int, cycle: int) -> None:
        self._settle(cycle)
        self._control_a = (self._control_a & ~mask | value & mask) & self._control_a_mask
        if self._control_a & 0xFC:
            self._tell("A", "a compare output on its pin")
        self._after_control("A")

    def _write_control_b(self, value: int, mask: int, cycle: int) -> None:
        # UNVERIFIED: that a new clock select counts from the cycle after the write and the old one up to it, so that
        # two writes of two cycles each, start and stop, give 2; a board that does so and reads TCNT1 would settle it.
        self._settle(cycle)
        if self._is_first_generation and not self.divisor:
            self._is_match_blocked = True
        self._control_b = self._control_b & ~mask | value & mask
        if self._control_b & 0xC0:
            self._tell("B", "input capture")
        self._after_control("B")

    def _after_control(self, letter: str) -> None:
        address = self._control_addresses[letter]
        if address is not None:
            self.chip.data[address] = self._control_a if letter == "A" else self._control_b
        if self._control_b & 7 >= len(DIVISORS):
            self._tell(letter, "the external clock of the timer")
        elif self.divisor and not self.is_modelled:
            at = " with a prescaled clock" if self._is_first_generation and self.mode == CLEAR_AT_OCRA else ""
            self._tell(letter, f"waveform mode {self.mode} of the timer{at}")
        self._check_capture()
        self._schedule()

    def _check_capture(self) -> None:
        # In other modes ICF is set by an edge on a pin or by the comparator.
        source = self._sources.get(CAPTURE)
        if source is not None and source.is_enabled and self.divisor and self.mode not in ICR_IS_TOP:
            self._tell("B", "input capture")

    def _tell(self, letter: str, what: str) -> None:
        self.chip.bus.report_unmodelled(f"TCCR{self.number}{letter}", what)

    # The count.

    def _ticks(self, cycle: int) -> int:
        return self._prescaler.ticks(cycle, self.divisor) - self._prescaler.ticks(self._since, self.divisor)

    def count(self, cycle: int) -> int:
        """Gives TCNTn at a cycle; raises NotModelled when it counts in a way that is not modelled."""
        if not self.divisor:
            return self._count
        if not self.is_modelled:
            raise NotModelled(f"TCNT{self.number} is read, but waveform mode {self.mode} of this timer is not modelled")
        ticks, top = self._ticks(cycle), self._top()
        passing = MAXIMUM if self._passes_top(top) else top
        if ticks <= passing - self._count:
            return self._count + ticks
        return (ticks - (passing - self._count) - 1) % (top + 1)

    def _passes_top(self, top: int) -> bool:
        """Tells whether the count goes on to MAX before it begins at 0.

        So it does above TOP, and at a TOP that was written to TCNT, whose match is ignored: sec. 16.7.3 of DS40002061A
        (there said of PWM modes; that TCNT passes TOP in CTC mode too follows from the match being what clears it).
        """
        return self._count > top or (self._count == top and self._is_match_blocked)

    def _ticks_to_match(self, value: int, top: int) -> int | None:
        """Gives the ticks until the count next is `value` and may match; None when it never gets there."""
        passes = self._passes_top(top)
        if value > self._count or (value == self._count and not self._is_match_blocked):
            return value - self._count if passes or value <= top else None
        around = (MAXIMUM if passes else top) - self._count + 1 + value
        return around if value <= top else None

    def _settle(self, cycle: int) -> None:
        """Makes `cycle` the new reference point, before anything changes how the timer counts."""
        if self.divisor and self.is_modelled:
            count, has_counted = self.count(cycle), self._ticks(cycle) > 0
            self._count = count
            self._is_match_blocked = self._is_match_blocked and not has_counted
        elif self._control_b & 7 and cycle > self._since:
            self._is_count_stale = True
        self._since = cycle

    def _schedule(self) -> None:
        if not self.divisor or not self.is_modelled or self._prescaler.is_held:
            for alarm in self._alarms.values():
                alarm.clear()
            return
        top = self._top()
        passes = self._passes_top(top)
        # The overflow flag is set in the clock in which the count becomes zero from MAX (normal mode; DS40002061A
        # sec. 16); with clear on compare only a count that has passed TOP gets there.
        if passes or top == MAXIMUM:
            self._set_alarm(OVERFLOW, MAXIMUM - self._count + 1, None if passes else top + 1)
        else:
            self._alarms[OVERFLOW].clear()
        for channel, value in self._compare.items():
            self._set_match(channel, value, top)
        if CAPTURE in self._alarms:
            # Where ICR is TOP, ICF is set when the count reaches it: DS40002061A sec. 16.11, ICF1; in figure 16-12 at
            # the tick from TOP to BOTTOM, as OCF.
            if self.mode == CLEAR_AT_ICR:
                self._set_match(CAPTURE, top, top)
            else:
                self._alarms[CAPTURE].clear()

    def _set_match(self, name: str, value: int, top: int) -> None:
        ticks = self._ticks_to_match(value, top)
        if ticks is None:
            self._alarms[name].clear()
            return
        recurs = top + 1 if not self._passes_top(top) and value <= top else None
        if not self._is_first_generation:
            # The flag is set at the tick after the one at which the count came to the value (figures 15-10, 15-11).
            self._set_alarm(name, ticks + 1, recurs)
            return
        # On the first generation one CPU cycle after the count came there (AT90S8515 datasheet, OCR1A).
        if self._tick_cycle(ticks) + 1 <= self._since:
            ticks += top + 1
        self._set_alarm(name, ticks, recurs, delay=1)

    def _tick_cycle(self, ticks: int) -> int:
        prescaler = self._prescaler
        return prescaler.tick_cycle(prescaler.ticks(self._since, self.divisor) + ticks, self.divisor)

    def _set_alarm(self, name: str, ticks: int, period: int | None, delay: int = 0) -> None:
        source, recurrence = self._sources.get(name), None
        if period is not None and source is not None and not self._is_count_stale:
            recurrence = Recurrence(period * self.divisor, source)
        self._alarms[name].set(self._tick_cycle(ticks) + delay, recurrence)

    def _overflow(self, cycle: int) -> None:
        source = self._sources.get(OVERFLOW)
        self._overflowed = (cycle, source is not None and source.is_set)
        self._raise(OVERFLOW)
        self._advance(cycle)

    def _match(self, name: str, cycle: int) -> None:
        self._raise(name)
        self._advance(cycle)

    def _advance(self, cycle: int) -> None:
        # Other alarms due at this very cycle must still run, so they are kept before all is laid anew.
        due_now = [alarm for alarm in self._alarms.values() if alarm.due == cycle]
        self._settle(cycle)
        self._schedule()
        for alarm in due_now:
            alarm.set(cycle)

    def _use_count(self) -> None:
        # Programs that set a board's timer up anew seldom care where it counts on from, so it is told, not refused.
        if self._is_count_stale:
            self._is_count_stale = False
            self._tell("B", "the count left over from another waveform mode or clock")

    def _raise(self, name: str) -> None:
        self._use_count()
        source = self._sources.get(name)
        if source is not None:
            source.registers.raise_flag(source)

    # Registers. 16-bit access through TEMP: ATmega48PA/88PA/168PA datasheet sec. 13.11.4.

    def _write_temporary(self, value: int, mask: int, cycle: int) -> None:
        self._temporary = value

    def _read_low(self, cycle: int) -> int:
        count = self.count(cycle)
        self._use_count()
        self._temporary = count >> 8
        return count & 0xFF

    def _write_count(self, value: int, mask: int, cycle: int) -> None:
        # The write has priority over the count at that clock (family text of the 16-bit timer).
        # UNVERIFIED: that the count which the write suppresses sets no overflow flag, while a match of the value before
        # sets its flag; a board that writes TCNT1 in the clock in which it would wrap and reads TIFR1 would settle it.
        source = self._sources.get(OVERFLOW)
        if self._overflowed == (cycle, False) and source is not None:
            source.put(False)
        self._count = self._temporary << 8 | value
        self._since = cycle
        self._is_count_stale = False
        # "Writing to TCNT1 blocks the compare match on the following timer clock": DS40002061A sec. 16.11, TCNT1.
        self._is_match_blocked = True
        self._schedule()

    def _write_compare(self, channel: str, address: int, value: int, mask: int, cycle: int) -> None:
        self._settle(cycle)
        self._compare[channel] = self._temporary << 8 | value
        self.chip.data[address], self.chip.data[address + 1] = value, self._temporary
        if self._is_first_generation and self._compare[channel] == self._count:
            self._is_match_blocked = True
        self._schedule()

    def _read_capture_low(self, cycle: int) -> int:
        self._temporary = self._capture >> 8
        return self._capture & 0xFF

    def _write_capture(self, value: int, mask: int, cycle: int) -> None:
        # ICR can only be written in a mode whose TOP it is (DS40002061A sec. 16.6), on the first generation never.
        if self.mode not in ICR_IS_TOP:
            self.chip.bus.report_unmodelled(f"ICR{self.number}", "a value written in a mode in which it is not TOP")
            return
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
            self._is_match_blocked,
            self._is_count_stale,
            self._capture,
            tuple(self._compare.items()),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        (
            self._control_a,
            self._control_b,
            self._temporary,
            self._count,
            self._since,
            self._is_match_blocked,
            self._is_count_stale,
            self._capture,
            compare,
        ) = saved
        self._compare = dict(compare)
        self._overflowed = (-1, False)
