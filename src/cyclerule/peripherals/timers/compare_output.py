"""Compare outputs: the level of a pin OCnx as a function of the cycle; an edge is an event only while somebody listens.

Datasheet: ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A, sec. 15.6, 15.7 and 16.8, 16.9, tables of COMnx.
"""

from enum import Enum
from typing import Any, NamedTuple

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin, Port
from cyclerule.peripherals.timers.clock import Run
from cyclerule.peripherals.timers.waveform import Mode, Slope, Top


class Action(Enum):
    """What a match does to the output; with a dual slope on the way up, and the opposite on the way down."""

    TOGGLE = 1
    CLEAR = 2
    SET = 3


def action_of(mode: Mode | None, channel: str, select: int, *, toggles_below_icr: bool) -> Action | None:
    """Gives what COMnx1:0 make a match do; None where the pin is not connected.

    In PWM modes 1 toggles only OCnA, and only where OCRnA is TOP, or where ICRn is in fast PWM: tables 15-2 to 15-7 and
    16-1 to 16-3. The ATmega8 (2486, table 37) and its generation lack the case of ICRn, `toggles_below_icr`.

    UNVERIFIED: that on the ATmega8's generation it toggles with OCR1A as TOP in the modes with a dual slope too, where
    its table 38 prints modes 9 and 14 for 9 and 11; a board with WGM1 = 11 and COM1A = 1 would settle it.
    """
    if not select or mode is None:
        return None
    action = Action(select)
    if action is Action.TOGGLE and mode.is_buffered:
        is_icr_fast = mode.slope is Slope.FAST and mode.top is Top.ICR and toggles_below_icr
        return action if channel == "A" and (mode.top is Top.OCRA or is_icr_fast) else None
    return action


class Wave(NamedTuple):
    """What happens to an output on a course: by matches of `value` from tick `first` on, and at BOTTOM or TOP.

    A match at a tick acts with the next one; with `is_late` one CPU cycle after its own.
    """

    run: Run
    slope: Slope
    action: Action
    value: int
    first: int
    top_first: int
    is_late: bool

    def passed(self, cycle: int) -> int:
        """Gives how many ticks of the course have acted at a cycle."""
        return self.run.tick(cycle - 1) + 1 if self.is_late else self.run.tick(cycle)

    def level(self, level: bool, cycle: int) -> bool:
        """Gives the output at a cycle from what it was when the course began."""
        last = self.passed(cycle) - 1
        if self.action is Action.TOGGLE:
            return level ^ bool(self.run.course.times_at(self.value, self.first, last) & 1)
        up, down = self._last_actions(last)
        if up < 0 and down < 0:
            return level
        return (up > down) == (self.action is Action.SET)

    def _last_actions(self, last: int) -> tuple[int, int]:
        """Gives the last ticks, `last` or before, after which the action and the opposite of it happened; -1 for none.

        With a dual slope the count at TOP belongs to the way down and at BOTTOM to the way up, which gives the constant
        outputs for OCRnx at TOP and BOTTOM that sec. 15.7.4 tells of.
        """
        course = self.run.course
        if self.slope is Slope.FAST:
            match = self._latest(course.last_at(self.value, last), self.first)
            # BOTTOM acts with the tick that comes there, so that a match at TOP is ignored: note to table 15-3.
            bottom = self._latest(course.last_at(0, last + 1), 1) - 1
            return (match if match > bottom else -1), max(bottom, -1)
        if self.slope in (Slope.PHASE, Slope.PHASE_AND_FREQUENCY):
            up = self._latest(course.last_at(self.value, last, falling=False), self.first)
            down = self._latest(course.last_at(self.value, last, falling=True), self.first)
            if self.value < course.top:
                # At TOP the output is that of a match on the way up, even where there was none: sec. 15.7.4.
                up = max(up, self._latest(course.last_at(course.top, last, falling=True), self.top_first))
            return up, down
        return self._latest(course.last_at(self.value, last), self.first), -1

    @staticmethod
    def _latest(tick: int | None, first: int) -> int:
        return -1 if tick is None or tick < first else tick

    def next_change(self, cycle: int) -> int | None:
        """Gives the first cycle after this one at which the output may change."""
        course, passed = self.run.course, self.passed(cycle)
        ticks = [course.next_at(self.value, max(passed, self.first))]
        if self.slope is Slope.FAST and self.action is not Action.TOGGLE:
            bottom = course.next_at(0, passed + 1)
            ticks.append(None if bottom is None else bottom - 1)
        if self.slope in (Slope.PHASE, Slope.PHASE_AND_FREQUENCY):
            ticks.append(course.next_at(course.top, max(passed, self.top_first)))
        known = [tick for tick in ticks if tick is not None]
        if not known:
            return None
        return self.run.cycle(min(known)) + 1 if self.is_late else self.run.cycle(min(known) + 1)


class CompareOutput:
    """The register OCnx of one channel, and the pin that it drives while it is connected."""

    def __init__(self, chip: Chip, name: str, pin: Pin | None) -> None:
        self.name, self.pin = name, pin
        # After everything else of a tick, compare registers' updates included.
        self._alarm = chip.events.alarm(self._edge, priority=3)
        self.level = False
        self.wave: Wave | None = None
        self.action: Action | None = None
        self.port: PortOutputs | None = None

    @property
    def is_beside_another(self) -> bool:
        """Whether another connected output has the same pin."""
        return self.port is not None and self.port.is_shared(self)

    @property
    def is_connected(self) -> bool:
        """Whether it drives its pin in place of PORTx; DDRx still says whether that is an output."""
        return self.action is not None

    def level_at(self, cycle: int) -> bool:
        """Gives the register at a cycle."""
        return self.level if self.wave is None else self.wave.level(self.level, cycle)

    def settle(self, cycle: int) -> None:
        """Makes the level at a cycle the one that the next course begins with."""
        if self.port is not None and self.is_connected:
            self.port.update(cycle)
        self.level = self.level_at(cycle)
        self.wave = None

    def force(self, action: Action | None) -> None:
        """Does what a match would do: the strobe FOCnx."""
        if action is not None:
            self.level = not self.level if action is Action.TOGGLE else action is Action.SET

    def match_upwards(self) -> None:
        """Takes the level that a match on the way up gives."""
        if self.action is not Action.TOGGLE:
            self.force(self.action)

    def begin(self, action: Action | None, wave: Wave | None, cycle: int) -> None:
        """Goes on with a course, or standing still, from a cycle on."""
        if self.port is not None and action is not None:
            self.port.update(cycle)
        was_connected, self.action, self.wave = self.is_connected, action, wave
        if self.pin is not None and self.is_connected:
            self.pin.take(self.name, self.level, cycle)
        elif self.pin is not None and was_connected:
            self.pin.release(self.name, cycle)
        self.arm(cycle)

    def arm(self, cycle: int) -> None:
        """Sets the alarm to the next change while somebody listens to the pin."""
        is_watched = self.pin is not None and self.pin.is_heard and self.is_connected
        due = self.wave.next_change(cycle) if self.wave is not None and is_watched else None
        if due is None:
            self._alarm.clear()
        else:
            self._alarm.set(due)

    def _edge(self, cycle: int) -> None:
        if self.port is not None:
            self.port.update(cycle)
        self.arm(cycle)

    def show(self, cycle: int) -> None:
        """Brings the pin to the level of a cycle."""
        if self.pin is not None and self.is_connected:
            self.pin.take(self.name, self.level_at(cycle), cycle)

    def save(self) -> Any:
        """Gives the register and what moves it."""
        return self.level, self.wave, self.action

    def restore(self, saved: Any) -> None:
        """Sets what was saved."""
        self.level, self.wave, self.action = saved


class PortOutputs:
    """The compare outputs on one port, brought up to date together when the port changes, is read or is listened to."""

    def __init__(self, port: Port) -> None:
        self._outputs: list[CompareOutput] = []
        self._shown = 0
        port.follow(self._follow)

    def add(self, output: CompareOutput) -> None:
        """Adds an output."""
        output.port = self
        self._outputs.append(output)

    def update(self, cycle: int) -> None:
        """Brings the pins to a cycle; the one before it too, since a read of PINx sees that."""
        if cycle <= self._shown:
            return
        before, self._shown = self._shown, cycle
        connected = [output for output in self._outputs if output.is_connected]
        if connected:
            for moment in range(max(before + 1, cycle - 1), cycle + 1):
                for output in connected:
                    output.show(moment)

    def _follow(self, cycle: int) -> None:
        if cycle >= 0:
            self.update(cycle)
            return
        # Somebody begins to listen.
        for output in self._outputs:
            output.arm(self._shown)

    def is_shared(self, output: CompareOutput) -> bool:
        """Tells whether another connected output has the same pin."""
        return any(each.is_connected and each.pin is output.pin for each in self._outputs if each is not output)

    def save(self) -> Any:
        """Gives the cycle up to which the pins are right."""
        return self._shown

    def restore(self, saved: Any) -> None:
        """Sets it."""
        self._shown = saved
