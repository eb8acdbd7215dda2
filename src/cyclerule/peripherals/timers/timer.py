"""What all timer/counters have in common: settings, the count, flags, and compare registers with their buffers.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 15 (8-bit), 16 (16-bit) and 18 (8-bit, asynchronous);
for the first generation AT90S8515, 0841G, "Timer/Counter1". Figures 15-8 to 15-11 and 16-10 to 16-13 give the tick at
which each flag is set.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.timers.clock import Clock, ClockSelect, Run
from cyclerule.peripherals.timers.compare_output import Action, CompareOutput, Wave, action_of
from cyclerule.peripherals.timers.counter import course
from cyclerule.peripherals.timers.layout import Layout, Unit
from cyclerule.peripherals.timers.mark import Mark
from cyclerule.peripherals.timers.moments import overflow_value, update_tick
from cyclerule.peripherals.timers.sources import OVERFLOW, Registers, sources_of
from cyclerule.peripherals.timers.waveform import Mode, Slope, Top


class Timer:
    """One timer/counter.

    Between settings the count is a function of the clock's ticks: `_run` from the setting at `_since` on, None while it
    stands still.
    """

    def __init__(
        self,
        chip: Chip,
        layout: Layout,
        clocks: Sequence[ClockSelect],
        registers: Registers,
        *,
        outputs: Mapping[str, CompareOutput],
    ) -> None:
        self.chip, self.layout, self.number = chip, layout, layout.number
        self._clocks, self._outputs = clocks, outputs
        self._control = dict.fromkeys(layout.controls, 0)
        self._is_halted = False
        self.reset_prescaler: Callable[[int], None] | None = None
        self._run: Run | None = None
        self._used: ClockSelect = None
        self._count, self._is_falling, self._since = 0, False, 0
        # Whether the count at hand raises no match at the next tick, because it was written. On the first generation
        # a match only comes when the timer counts to the value (AT90S8515 datasheet, OCR1A).
        self._is_match_blocked = layout.is_first_generation
        # Whether the count is left over from a way of counting that is not modelled.
        self._is_count_stale = False
        self._capture = 0
        self._compare = dict.fromkeys(layout.units, 0)
        self._buffers = dict.fromkeys(layout.units, 0)
        self._marks: dict[str, Mark] = {}
        # The last overflow, and whether its flag had been set before.
        self._overflowed = (-1, False)
        self._add_marks(registers)
        # Compare registers take their buffers only when every flag of that tick is set.
        self._update = chip.events.alarm(self._take_buffers, priority=2)
        self._attach_controls()
        self._attach_count()
        for channel, unit in layout.units.items():
            self._attach_compare(channel, unit)
        chip.add(self)

    # What the part has of it.

    def _add_marks(self, registers: Registers) -> None:
        for name, source in sources_of(self.chip.part, self.layout, registers).items():
            # An overflow's flag is set before those of matches, which matters to no program.
            alarm = self.chip.events.alarm(partial(self._reach, name), priority=int(name != OVERFLOW))
            is_late = self.layout.is_first_generation and name in self.layout.units
            mark = self._marks[name] = Mark(alarm, source, is_late)
            source.on_clear = partial(self._rearm, mark)
            source.registers.on_enable.append(partial(self._rearm, mark))

    def _attach_controls(self) -> None:
        self._strobes = {
            letter: {
                unit.strobe.position: channel
                for channel, unit in self.layout.units.items()
                if unit.strobe is not None and unit.strobe.letter == letter
            }
            for letter in self.layout.controls
        }
        for letter, register in self.layout.controls.items():
            address = self.chip.part.registers[register].address
            self.chip.bus.attach(address, None, partial(self._write_control, letter, address))

    def _attach_count(self) -> None:
        raise NotImplementedError

    def _attach_compare(self, channel: str, unit: Unit) -> None:
        raise NotImplementedError

    # Settings.

    @property
    def mode_number(self) -> int:
        """The waveform generation mode WGMn; on the first generation CTCn and PWMn stand in the same places."""
        return sum((self._control[bit.letter] >> bit.position & 1) << n for n, bit in enumerate(self.layout.mode_bits))

    @property
    def mode(self) -> Mode | None:
        """The waveform mode; None for a reserved one."""
        return self.layout.modes.get(self.mode_number)

    @property
    def clock(self) -> ClockSelect:
        """What the clock select bits say; None, too, while power reduction or sleep stops the clock."""
        select = self._control[self.layout.clock_letter] & len(self._clocks) - 1
        return None if self._is_halted else self._clocks[select]

    def _is_buffered(self, channel: str) -> bool:
        """Tells whether a channel's compare register takes a new value only at the end of a period."""
        mode = self.mode
        return mode is not None and mode.is_buffered

    def _clears_late(self, mode: Mode, clock: Clock) -> bool:
        # With a prescaled clock it clears one CPU cycle after the match (AT90S8515 datasheet, TCCR1B, bit CTC1).
        return self.layout.is_first_generation and mode.slope is Slope.CLEAR_ON_COMPARE and clock.period != 1

    def _top(self, mode: Mode) -> int:
        if mode.top is Top.OCRA:
            return self._compare.get("A", self.layout.maximum)
        return mode.top if isinstance(mode.top, int) else self._capture

    def _write_control(self, letter: str, address: int, value: int, mask: int, cycle: int) -> None:
        if self._refuses(self.layout.controls[letter]):
            return
        strobes = self._strobes[letter]
        # The strobes FOCnx read as zero.
        kept = ~sum(1 << position for position in strobes) & 0xFF
        reset = self.layout.prescaler_reset
        resets = reset is not None and reset.letter == letter and bool(value & mask & 1 << reset.position)
        if reset is not None and resets:
            kept &= ~(1 << reset.position)
        whole = (self._control[letter] & ~mask | value & mask) & kept
        self.chip.data[address] = whole
        forced = [channel for position, channel in strobes.items() if value & mask & 1 << position]
        self._change_control(letter, whole, forced, cycle)
        if resets and self.reset_prescaler is not None:
            self.reset_prescaler(cycle)

    def _change_control(self, letter: str, value: int, forced: Sequence[str], cycle: int) -> None:
        """Goes on with a new value of a control register, and has the outputs of channels forced."""
        # UNVERIFIED: that a new clock select counts from the cycle after the write and the old one up to it, so that
        # two writes of two cycles each, start and stop, give 2; a board that does so and reads TCNT1 would settle it.
        self.settle(cycle)
        if self.layout.is_first_generation and self.clock is None:
            self._is_match_blocked = True
        self._control[letter] = value
        mode = self.mode
        # UNVERIFIED: that a mode with a dual slope begins on the way up; a board that leaves mode 8 on the way down,
        # comes back and reads TCNT1 twice would settle it.
        self._is_falling = self._is_falling and mode is not None and mode.is_dual
        for channel in self._compare:
            if not self._is_buffered(channel):
                # UNVERIFIED: that leaving a mode with double buffering brings the buffers into force at once; a board
                # that writes OCR0A in fast PWM, turns to CTC in mid-period and reads when it clears would settle it.
                self._compare[channel] = self._buffers[channel]
        for channel in forced:
            if not self._is_buffered(channel):
                # The COMnx bits written with the strobe hold for it already: DS40002061A sec. 15.9.2, FOC0A.
                self._outputs[channel].force(self._action(channel))
        self._tell_unmodelled(letter)
        self.schedule()

    def _tell_unmodelled(self, letter: str) -> None:
        mode, clock = self.mode, self.clock
        if isinstance(clock, str):
            self._tell(letter, clock)
        elif clock is not None and mode is None:
            self._tell(letter, f"the reserved waveform mode {self.mode_number} of the timer")
        elif clock is not None and mode is not None and self._clears_late(mode, clock):
            self._tell(letter, f"waveform mode {self.mode_number} of the timer with a prescaled clock")

    def _tell(self, letter: str, what: str) -> None:
        register = self.layout.controls.get(letter) or next(iter(self.layout.controls.values()))
        self.chip.bus.report_unmodelled(register, what)

    def _refuses(self, register: str) -> bool:
        """Tells whether a register takes nothing because the clock is off: DS40002061A sec. 10.10."""
        if self._is_halted:
            self.chip.bus.report_assumed(register, "written while power reduction stops its timer: the write is lost")
        return self._is_halted

    def halt(self, is_halted: bool, cycle: int) -> None:
        """Stops the clock for power reduction or sleep, or lets it go on."""
        if is_halted != self._is_halted:
            self.settle(cycle)
            self._is_halted = is_halted
            self.schedule()

    # The count.

    def count(self, cycle: int) -> int:
        """Gives TCNTn at a cycle; raises NotModelled when it counts in a way that is not modelled."""
        if self._run is not None:
            return self._run.value(cycle)
        if self.clock is None:
            return self._count
        what = self.clock if isinstance(self.clock, str) else f"waveform mode {self.mode_number} of this timer"
        raise NotModelled(f"{self.layout.name} is read, but {what} is not modelled")

    def settle(self, cycle: int) -> None:
        """Makes `cycle` the new reference point, before anything changes how the timer counts."""
        for output in self._outputs.values():
            output.settle(cycle)
        if self._run is not None:
            tick = self._run.tick(cycle)
            self._count, self._is_falling = self._run.course.value(tick), self._run.course.is_falling(tick)
            # On the first generation a match comes soon after the count, and then not again.
            is_over = self.layout.is_first_generation and self._run.cycle(tick) < cycle
            self._is_match_blocked = is_over or (self._is_match_blocked and tick == 0)
        elif self.clock is not None and cycle > self._since:
            self._is_count_stale = True
        self._since = cycle

    def schedule(self) -> None:
        """Lays the course from the reference point on, with every alarm on it."""
        mode, clock = self.mode, self.clock
        if clock is not self._used:
            self._use(clock)
        if mode is None or clock is None or isinstance(clock, str) or self._clears_late(mode, clock):
            self._run = None
            self._update.clear()
        else:
            self._run_in(mode, clock)
        for mark in self._marks.values():
            mark.arm(self._run, self._since, is_steady=not self._is_count_stale)
        for channel in self._outputs:
            self._connect(channel)

    def _use(self, clock: ClockSelect) -> None:
        before, self._used = self._used, clock
        if before is not None and not isinstance(before, str):
            before.use(None, self._since)
        if clock is not None and not isinstance(clock, str):
            clock.use(self._foresee, self._since)

    def _foresee(self, cycle: int) -> None:
        """Takes note that a tick of the clock is known to come."""
        self.settle(cycle)
        self.schedule()

    def _run_in(self, mode: Mode, clock: Clock) -> None:
        top = self._top(mode)
        misses_top = self._misses_top(mode)
        # UNVERIFIED: that a count above TOP on its way up in a mode with a dual slope goes on to MAX and 0, and that
        # a write to TCNT leaves the direction; a board that lowers ICR1, or writes TCNT1, in mid-period in mode 8 and
        # reads TCNT1 twice would settle it.
        is_falling = self._is_falling and mode.is_dual
        line = course(
            self._count,
            top,
            self.layout.maximum,
            is_dual=mode.is_dual,
            is_falling=is_falling,
            misses_top=misses_top,
        )
        self._run = Run(line, clock, clock.ticks(self._since))
        self._place_marks(mode, top, misses_top)
        self._arm_update(self._run, mode, self._since)

    def _misses_top(self, mode: Mode) -> bool:
        # A match for a TOP in a register is ignored after TCNT was written, and the count goes on to MAX: DS40002061A
        # sec. 16.7.3 (there said of PWM modes; in CTC it follows from the match being what clears).
        return self._is_match_blocked and isinstance(mode.top, Top)

    def _place_marks(self, mode: Mode, top: int, misses_top: bool) -> None:
        for name, mark in self._marks.items():
            if name in self._compare:
                mark.value, mark.first = self._compare[name], int(self._is_match_blocked)
            elif name == OVERFLOW:
                mark.value = overflow_value(mode, top, self.layout.maximum)
                mark.first = int(misses_top and mode.slope is Slope.FAST)
            else:
                # Where ICR is TOP, ICF is set when the count reaches it: DS40002061A sec. 16.11, ICF1; in figure 16-12
                # at the tick from TOP on, as OCF. In other modes by an edge on a pin or by the comparator.
                mark.value, mark.first = top if mode.top is Top.ICR else None, int(misses_top)

    def _arm_update(self, run: Run, mode: Mode, cycle: int) -> None:
        """Sets the alarm for the tick with which compare registers take their buffers, if any waits for it."""
        waits = mode.is_buffered and self._compare != self._buffers
        at = update_tick(run, mode, run.tick(cycle), first=int(self._misses_top(mode))) if waits else None
        if at is None:
            self._update.clear()
        else:
            self._update.set(run.cycle(at))

    def _take_buffers(self, cycle: int) -> None:
        self.settle(cycle)
        mode = self.mode
        if mode is not None and mode.slope is Slope.PHASE:
            top = self._top(mode)
            for channel, value in self._compare.items():
                if value == top > self._buffers[channel]:
                    # From TOP to less: at TOP the output becomes that of a match on the way up, sec. 15.7.4.
                    self._outputs[channel].match_upwards()
        self._compare.update(self._buffers)
        self.schedule()

    # Flags.

    def _rearm(self, mark: Mark, cycle: int) -> None:
        """Sets a mark's alarm anew where it was left out because the flag was set."""
        if mark.is_dormant:
            mark.arm(self._run, cycle, is_steady=not self._is_count_stale)

    def _reach(self, name: str, cycle: int) -> None:
        self._use_count()
        mark = self._marks[name]
        if name == OVERFLOW:
            self._overflowed = (cycle, mark.source.is_set)
        mark.source.registers.raise_flag(mark.source)
        mark.arm(self._run, cycle, is_steady=not self._is_count_stale)

    def _use_count(self) -> None:
        # Programs that set a board's timer up anew seldom care where it counts on from, so it is told, not refused.
        if self._is_count_stale:
            self._is_count_stale = False
            self._tell(self.layout.clock_letter, "the count left over from another waveform mode or clock")

    # Outputs.

    def _connect(self, channel: str) -> None:
        """Has an output follow the present settings from the reference point on."""
        output, place, mode = self._outputs[channel], self.layout.units[channel].output, self.mode
        action, wave = self._action(channel), None
        if action is not None and place is not None:
            if output.pin is None:
                self._tell(place.letter, f"the compare output {output.name}, whose pin is not known")
            elif output.is_beside_another:
                self._tell(place.letter, f"the output compare modulator of {output.name}")
        if action is not None and self._run is not None and mode is not None:
            wave = self._wave(self._run, mode, action, self._compare[channel])
        output.begin(action, wave, self._since)

    def _reconnect(self, channel: str, run: Run, mode: Mode, cycle: int) -> None:
        """Has a connected output follow a new compare value, on the same course."""
        output = self._outputs[channel]
        if output.action is None:
            return
        output.settle(cycle)
        wave = self._wave(run, mode, output.action, self._compare[channel])
        # Earlier matches are in the level by now.
        output.begin(output.action, wave._replace(first=max(wave.first, run.tick(cycle))), cycle)

    def _action(self, channel: str) -> Action | None:
        place = self.layout.units[channel].output
        select = 0 if place is None else self._control[place.letter] >> place.position & 3
        return action_of(self.mode, channel, select, toggles_below_icr=self.layout.is_current_generation)

    def _wave(self, run: Run, mode: Mode, action: Action, value: int) -> Wave:
        is_late, first = self.layout.is_first_generation, int(self._is_match_blocked)
        top_first = first if is_late or isinstance(mode.top, Top) else 0
        return Wave(run, mode.slope, action, value, first, top_first, is_late)

    # Registers of either width.

    def _set_count(self, value: int, cycle: int) -> None:
        if self._refuses(self.layout.name):
            return
        # The write has priority over the count at that clock (family text of the timers).
        # UNVERIFIED: that the count which the write suppresses sets no overflow flag, while a match of the value before
        # sets its flag; a board that writes TCNT1 in the clock in which it would wrap and reads TIFR1 would settle it.
        overflow = self._marks.get(OVERFLOW)
        if self._overflowed == (cycle, False) and overflow is not None:
            overflow.source.put(False)
        self.settle(cycle)
        self._count = value
        # At BOTTOM the counter is on its way up, however it came there.
        self._is_falling = self._is_falling and value > 0
        self._is_count_stale = False
        # "Writing to TCNT1 blocks the compare match on the following timer clock": DS40002061A sec. 16.11, TCNT1.
        self._is_match_blocked = True
        self.schedule()

    def _set_compare(self, channel: str, value: int, cycle: int) -> None:
        run, mode = self._run, self.mode
        self._buffers[channel] = value
        is_top = mode is not None and mode.top is Top.OCRA and channel == "A"
        if run is None or mode is None or self.layout.is_first_generation:
            self._set_compare_anew(channel, value, cycle)
        elif self._is_buffered(channel):
            self._arm_update(run, mode, cycle)
        elif is_top or mode.is_buffered:
            self._set_compare_anew(channel, value, cycle)
        else:
            # Programs do this at each interrupt, so it is worth a way that leaves the course as it is.
            self._compare[channel] = value
            mark = self._marks.get(channel)
            if mark is not None:
                mark.value = value
                mark.arm(run, cycle, is_steady=not self._is_count_stale)
            self._reconnect(channel, run, mode, cycle)

    def _set_compare_anew(self, channel: str, value: int, cycle: int) -> None:
        self.settle(cycle)
        if not self._is_buffered(channel):
            self._compare[channel] = value
            if self.layout.is_first_generation and value == self._count:
                self._is_match_blocked = True
        self.schedule()

    def _set_capture(self, value: int, cycle: int) -> None:
        if self._refuses(f"ICR{self.number}"):
            return
        # ICR can only be written in a mode whose TOP it is (DS40002061A sec. 16.6), on the first generation never.
        mode = self.mode
        if mode is None or mode.top is not Top.ICR:
            self.chip.bus.report_assumed(
                f"ICR{self.number}",
                "written in a mode in which it is not TOP: the write is lost (set the mode before it)",
            )
            return
        self.settle(cycle)
        self._capture = value
        self.schedule()

    def save(self) -> Any:
        """Gives the timer's state."""
        return (
            tuple(self._control.items()),
            tuple(self._compare.items()),
            tuple(self._buffers.items()),
            (self._capture, self._count, self._is_falling, self._since, self._run, self._used),
            (self._is_match_blocked, self._is_count_stale, self._is_halted),
            tuple((mark.value, mark.first) for mark in self._marks.values()),
            tuple(output.save() for output in self._outputs.values()),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        control, compare, buffers, counting, states, marks, outputs = saved
        self._control, self._compare, self._buffers = dict(control), dict(compare), dict(buffers)
        self._capture, self._count, self._is_falling, self._since, self._run, self._used = counting
        self._is_match_blocked, self._is_count_stale, self._is_halted = states
        for mark, (value, first) in zip(self._marks.values(), marks, strict=True):
            mark.value, mark.first = value, first
        for output, state in zip(self._outputs.values(), outputs, strict=True):
            output.restore(state)
        self._overflowed = (-1, False)
