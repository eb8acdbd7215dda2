"""The input capture unit: its pin or the comparator, the noise canceller and the edge detector.

ATmega48A/…/328P datasheet DS40002061A sec. 16.6: both inputs are sampled as the pin T1 is, and the edge detector is the
same; the noise canceller stands before it and adds four clocks.
"""

from collections.abc import Callable
from typing import Any, Protocol

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.timers.external import DELAY

SAMPLES = 4
"""Equal samples that the noise canceller wants before it passes a level on: sec. 16.6.2."""


class CaptureSource(Protocol):
    """The analog comparator, as far as it can stand in for the pin."""

    @property
    def captures(self) -> bool:
        """Whether its bit ACIC joins its output to the capture unit."""

    def on_output(self, listener: Callable[[bool, int], None]) -> None:
        """Has a listener called with (level, cycle) at each change of the output."""


class InputCapture:
    """What leads to a capture; `take` is called with the cycle of each.

    UNVERIFIED: that a new selection of edge or source captures nothing by itself, and that switching the noise
    canceller leaves what is on its way; a board that switches ICES1 with ICP1 high and reads ICF1 would settle it.
    """

    def __init__(self, chip: Chip, pin: Pin | None, take: Callable[[int], None]) -> None:
        self.pin, self._take = pin, take
        self.is_rising = self.cancels_noise = False
        self.is_enabled = True
        # Levels on their way: (cycle of arrival, level).
        self._coming: list[tuple[int, bool]] = []
        self._comparator: CaptureSource | None = None
        # What has passed the noise canceller.
        self._filtered = False
        # Before anything else of the cycle, so that the count can still be asked for as it was.
        self._alarm = chip.events.alarm(self._arrive, priority=-1)
        if pin is not None:
            pin.listen(self._pin_changes)
        chip.add(self)

    def join(self, comparator: CaptureSource) -> None:
        """Lets the comparator take the pin's place."""
        self._comparator = comparator
        comparator.on_output(self._comparator_changes)

    def _is_compared(self) -> bool:
        return self._comparator is not None and self._comparator.captures

    def _pin_changes(self, level: bool, cycle: int) -> None:
        if not self._is_compared():
            self._change(level, cycle)

    def _comparator_changes(self, level: bool, cycle: int) -> None:
        if self._is_compared():
            self._change(level, cycle)

    def _change(self, level: bool, cycle: int) -> None:
        if self.cancels_noise:
            # UNVERIFIED: that a level which lasts exactly four clocks passes; a board that drives ICP1 with pulses of
            # three, four and five clocks from a pin of its own would settle it.
            recent = [each for each in self._coming if each[0] - DELAY > cycle]
            self._coming = self._coming[: len(self._coming) - len(recent)]
            last = self._coming[-1][1] if self._coming else self._filtered
            if level != last:
                self._coming.append((cycle + SAMPLES + DELAY, level))
        else:
            self._coming.append((cycle + DELAY, level))
        if self._coming:
            self._alarm.set(self._coming[0][0])
        else:
            self._alarm.clear()

    def _arrive(self, cycle: int) -> None:
        _, level = self._coming.pop(0)
        self._filtered = level
        if self._coming:
            self._alarm.set(self._coming[0][0])
        if self.is_enabled and level == self.is_rising:
            self._take(cycle)

    def settle_after_reset(self, cycle: int) -> None:
        """Takes the level that the pin has come to for granted; a reset captures nothing."""
        self._coming = []
        self._alarm.clear()
        self._filtered = self.pin is not None and self.pin.level

    def save(self) -> Any:
        """Gives settings and what is on its way."""
        settings = self.is_rising, self.cancels_noise, self.is_enabled
        return settings, tuple(self._coming), self._filtered

    def restore(self, saved: Any) -> None:
        """Sets what was saved; the alarm is restored with the queue."""
        settings, coming, self._filtered = saved
        self.is_rising, self.cancels_noise, self.is_enabled = settings
        self._coming = list(coming)
