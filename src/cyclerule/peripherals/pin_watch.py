"""Pins as the interrupt logic sees them: behind the synchroniser, some clocks after they have changed."""

from bisect import insort
from collections.abc import Callable
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.power import PowerReduction


class PinWatch:
    """All the pins of a chip that interrupts watch; one alarm for all, at the next change to arrive."""

    def __init__(self, chip: Chip, power: PowerReduction) -> None:
        self._power, self._stands_still = power, False
        power.on_change(self._follow_clock)
        self._alarm = chip.events.alarm(self._arrive)
        self._watched: list[WatchedPin] = []
        # Changes on their way: (cycle of arrival, when it was noticed, number of the watched pin, level).
        self._coming: list[tuple[int, int, int, bool]] = []
        self._noticed = 0
        chip.add(self)

    def add(self, pin: Pin, delay: int) -> "WatchedPin":
        """Makes a pin that can be watched, whose changes arrive `delay` cycles after they came to the pin."""
        watched = WatchedPin(self, len(self._watched), pin, delay)
        self._watched.append(watched)
        return watched

    def _follow_clock(self, cycle: int) -> None:
        """Has the pins that are sampled with clkIO looked at no more while it stands, and again when it goes on."""
        stands_still = self._power.is_on("")
        if stands_still == self._stands_still:
            return
        self._stands_still = stands_still
        for each in self._watched:
            if each.needs_clock and each.is_wanted:
                if stands_still:
                    self.forget(each.number)
                elif each.pin.level != each.level:
                    self.expect(each, cycle, each.pin.level)

    def expect(self, watched: "WatchedPin", cycle: int, level: bool) -> None:
        """Has a level that came to a pin at a cycle arrive there in its time.

        A pulse shorter than a clock need not be seen (DS40002061A sec. 13.2.1); between two clocks it is not.
        """
        if watched.needs_clock and self._stands_still:
            return
        due, number = cycle + watched.delay, watched.number
        if not watched.keeps_pulses:
            self._coming = [each for each in self._coming if (each[0], each[2]) != (due, number)]
        self._noticed += 1
        insort(self._coming, (due, self._noticed, number, level))
        self._alarm.set(self._coming[0][0])

    def forget(self, number: int) -> None:
        """Drops what is on its way to a watched pin."""
        self._coming = [each for each in self._coming if each[2] != number]
        if self._coming:
            self._alarm.set(self._coming[0][0])
        else:
            self._alarm.clear()

    def _arrive(self, cycle: int) -> None:
        while self._coming and self._coming[0][0] <= cycle:
            _, _, number, level = self._coming.pop(0)
            self._watched[number].arrive(level, cycle)
        if self._coming:
            self._alarm.set(self._coming[0][0])

    def settle_after_reset(self, cycle: int) -> None:
        """Takes the levels that pins have come to for granted; a reset asks for no interrupt."""
        self._coming = []
        self._alarm.clear()
        for each in self._watched:
            each.level = each.pin.level

    def save(self) -> Any:
        """Gives what is on its way, and what each pin was seen as."""
        return tuple(self._coming), self._noticed, self._stands_still, tuple(each.save() for each in self._watched)

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarm is restored with the queue."""
        coming, self._noticed, self._stands_still, watched = saved
        self._coming = list(coming)
        for each, state in zip(self._watched, watched, strict=True):
            each.restore(state)


class WatchedPin:
    """One pin behind the synchroniser; `level` is what has arrived there, and `action` gets each change of it."""

    def __init__(self, watch: PinWatch, number: int, pin: Pin, delay: int) -> None:
        self._watch, self.number, self.pin = watch, number, pin
        self.delay = delay
        self.action: Callable[[bool, int], None] | None = None
        # Whether it is sampled with clkIO, which some sleep modes stop; else whether it holds a pulse between clocks.
        self.needs_clock = self.keeps_pulses = False
        self.level = False
        self.is_wanted = False

    def want(self, is_wanted: bool) -> None:
        """Begins or ends to watch; what comes to the pin before is not on its way."""
        if is_wanted == self.is_wanted:
            return
        self.is_wanted = is_wanted
        if is_wanted:
            self.level = self.pin.level
            self.pin.listen(self._change)
        else:
            self.pin.ignore(self._change)
            self._watch.forget(self.number)

    def _change(self, level: bool, cycle: int) -> None:
        self._watch.expect(self, cycle, level)

    def arrive(self, level: bool, cycle: int) -> None:
        """Takes a level that has come through the synchroniser."""
        if level != self.level:
            self.level = level
            if self.action is not None:
                self.action(level, cycle)

    def save(self) -> Any:
        """Gives whether the pin is watched, and its level."""
        return self.is_wanted, self.level

    def restore(self, saved: Any) -> None:
        """Sets what was saved."""
        is_wanted, level = saved
        if is_wanted != self.is_wanted:
            (self.pin.listen if is_wanted else self.pin.ignore)(self._change)
        self.is_wanted, self.level = is_wanted, level
