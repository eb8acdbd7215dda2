"""What comes to the chip from outside at given cycles: levels on pins, voltages, and bytes into serial ports."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.analog import AnalogInputs, Counts
from cyclerule.peripherals.port import Ports
from cyclerule.peripherals.serial.usart import Usart


class Stimulus(NamedTuple):
    """One thing from outside, `cycle` cycles after the start.

    `target` is a pin, a channel or the number of a serial port; `value` a level (None: nobody drives the pin), volts,
    counts or bytes; `bit_cycles` the time of a bit of them, None as the receiver is set.
    """

    cycle: int
    target: str | int
    value: bool | Fraction | Counts | bytes | None
    bit_cycles: Fraction | None = None


class Stimuli:
    """Carries out stimuli as their cycles come; one alarm, at the next of them."""

    def __init__(self, chip: Chip, ports: Ports, serial: Mapping[int, Usart], inputs: AnalogInputs) -> None:
        self._ports, self._serial, self._inputs = ports, serial, inputs
        self._alarm = chip.events.alarm(self._carry_out, outlives_reset=True)
        self._loaded: Sequence[Stimulus] = ()
        self._timed: Sequence[Stimulus] = ()
        self._bytes: Sequence[Stimulus] = ()
        self._stimuli: Sequence[Stimulus] = ()
        self._start = self._next = 0
        chip.add(self)

    def load(self, stimuli: Sequence[Stimulus], start: int) -> None:
        """Takes stimuli in the order of their cycles, counted from a cycle that is not past."""
        if stimuli is not self._loaded:
            # Sorted out once: each row of a sweep loads the same ones.
            self._loaded = stimuli
            self._timed = [each for each in stimuli if not isinstance(each.value, bytes)]
            self._bytes = [each for each in stimuli if isinstance(each.value, bytes)]
        self._stimuli, self._start, self._next = self._timed, start, 0
        self._set_alarm()
        for each in self._bytes:
            # A receiver has a queue of its own.
            if isinstance(each.value, bytes) and isinstance(each.target, int):
                receiver, begin = self._serial[each.target].receiver, start + each.cycle
                for place, value in enumerate(each.value):
                    receiver.feed(value, None if place else begin, bit_cycles=each.bit_cycles)

    def _set_alarm(self) -> None:
        if self._next < len(self._stimuli):
            self._alarm.set(self._start + self._stimuli[self._next].cycle)
        else:
            self._alarm.clear()

    def _carry_out(self, cycle: int) -> None:
        while self._next < len(self._stimuli) and self._start + self._stimuli[self._next].cycle <= cycle:
            each = self._stimuli[self._next]
            self._next += 1
            self._put(each, self._start + each.cycle)
        self._set_alarm()

    def _put(self, stimulus: Stimulus, cycle: int) -> None:
        target, value = stimulus.target, stimulus.value
        if isinstance(target, str) and isinstance(value, Fraction | Counts):
            self._inputs.set_input(target, value, cycle)
        elif isinstance(target, str) and not isinstance(value, bytes | Fraction | Counts):
            pin = self._ports.pin(target)
            if pin is not None:
                pin.drive(value, cycle)

    def at_reset(self, cycle: int) -> None:
        """Goes on as before: the world outside knows nothing of a reset of the chip."""

    def save(self) -> Any:
        """Gives the stimuli and how far they have come."""
        return self._stimuli, self._start, self._next

    def restore(self, saved: Any) -> None:
        """Sets what was saved; the alarm is restored with the queue."""
        self._stimuli, self._start, self._next = saved
