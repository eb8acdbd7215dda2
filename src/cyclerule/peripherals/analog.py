"""The voltages that come from outside: on the channels of the converter, the comparator's inputs, AREF and AVCC."""

from collections.abc import Callable
from fractions import Fraction
from typing import Any

from cyclerule.errors import ArgumentError
from cyclerule.machine.chip import Chip


class Counts(int):
    """What a conversion is to give, 0 to 1023, whatever the reference: a voltage that is known in no other way."""


Volts = Fraction | float | int | str | Counts

SUPPLY = Fraction(5)
"""AVCC and AREF where nobody has said otherwise."""


class AnalogInputs:
    """Voltages by name ("ADC0", "AIN1", "AREF", "AVCC"), as functions of the cycle."""

    def __init__(self, chip: Chip) -> None:
        # For each name (cycle, volts or counts), in the order of time.
        self._steps: dict[str, list[tuple[int, Fraction | Counts]]] = {}
        self._listeners: list[tuple[str, Callable[[int], None]]] = []
        chip.add(self)

    def set_input(self, name: str, volts: Volts, cycle: int = 0) -> None:
        """Puts a voltage on a channel from a cycle on; raises ArgumentError for one out of order or no number."""
        try:
            value = volts if isinstance(volts, Counts | Fraction) else Fraction(str(volts))
        except ValueError:
            raise ArgumentError(f"{name}: {volts!r} is no voltage; give volts, for example 1.25") from None
        steps = self._steps.setdefault(name, [])
        if steps and cycle < steps[-1][0]:
            raise ArgumentError(f"{name}: a voltage from cycle {cycle} on, after one from {steps[-1][0]} on")
        steps.append((cycle, value))
        for heard, listen in self._listeners:
            if heard == name:
                listen(cycle)

    def listen(self, name: str, action: Callable[[int], None]) -> None:
        """Has `action` called with the cycle when a voltage of that name is set."""
        self._listeners.append((name, action))

    def volts(self, name: str, cycle: int) -> Fraction | None:
        """Gives the voltage at a cycle; None where none was ever given for that time, or counts were."""
        found = self._at(name, cycle)
        return None if isinstance(found, Counts) else found

    def counts(self, name: str, cycle: int) -> Counts | None:
        """Gives what a conversion at a cycle is to give; None where it follows from a voltage."""
        found = self._at(name, cycle)
        return found if isinstance(found, Counts) else None

    def _at(self, name: str, cycle: int) -> Fraction | Counts | None:
        steps = self._steps.get(name, ())
        return next((value for since, value in reversed(steps) if since <= cycle), None)

    def at_reset(self, cycle: int) -> None:
        """Keeps the voltages, which are outside the chip."""

    def save(self) -> Any:
        """Gives the voltages."""
        return {name: tuple(steps) for name, steps in self._steps.items()}

    def restore(self, saved: Any) -> None:
        """Sets them."""
        self._steps = {name: list(steps) for name, steps in saved.items()}
