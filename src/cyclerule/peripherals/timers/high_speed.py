"""Timer 1 of ATtiny25/45/85 and ATtiny26: a prescaler of 14 bits, TOP in OCR1C, PWM by channel.

ATtiny25/45/85 datasheet 2586Q, sec. 12 (figure 12-2: synchronisation); ATtiny26 datasheet 1477, "Timer/Counter1". The
clock of the PLL, the inverted outputs and the dead time generator are not modelled and told by name.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.timers.clock import ClockSelect
from cyclerule.peripherals.timers.compare_output import Action, CompareOutput
from cyclerule.peripherals.timers.layout import Layout
from cyclerule.peripherals.timers.sources import Registers
from cyclerule.peripherals.timers.timer8 import Timer8
from cyclerule.peripherals.timers.waveform import Mode, Slope, Top

DIVISORS = tuple(1 << n for n in range(15))
"""Clock select CS13:0 from 1 on: CK to CK/16384, 2586Q table 12-5."""

GENERAL = "G"
"""The letter under which GTCCR is known, which the ATtiny25/45/85 has bits of channel B in."""

PLL_LOCK, PLL_ENABLE, PLL_CLOCK, LOW_SPEED = 1, 2, 4, 0x80


class HighSpeedTimer8(Timer8):
    """One such timer, clocked by the CPU clock (CK).

    UNVERIFIED: its phase. What is written passes an input register and what is read an output register, half a clock
    to one and a half each (2586Q figure 12-2); here a write acts at once and a flag is seen at once, as on other
    timers, so that periods are exact and a single moment may be off by two cycles. A board that does the timer method
    on timer 1 would settle it.
    UNVERIFIED: that a PWM output is set as the count comes to 0 (2586Q table 12-1), for which edition D of the same
    datasheet has 1; an oscilloscope on OC1A with OCR1A = 0 would settle it.
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
        self._top_value = layout.maximum
        self._uses_pll = False
        super().__init__(chip, layout, clocks, registers, outputs=outputs)
        bus, n = chip.bus, layout.number
        top = chip.part.registers[f"OCR{n}C"].address
        chip.data[top] = self._top_value
        bus.attach(top, None, self._write_top)
        self._pll = bus.address("PLLCSR") or 0
        bus.attach(self._pll, None, self._write_pll)
        if any(bit.letter == GENERAL for bit in layout.mode_bits):
            self._control[GENERAL] = 0
            self._strobes[GENERAL] = {chip.part.bits[f"FOC{n}{channel}"]: channel for channel in layout.units}
            names = [f"PWM{n}B", f"COM{n}B0", f"COM{n}B1", *(f"FOC{n}{channel}" for channel in layout.units)]
            self._own = sum(1 << chip.part.bits[name] for name in names)
            self._general = chip.part.registers["GTCCR"].address
            bus.claim("GTCCR", names, self._general_changes)

    # Settings.

    def _is_pulsed(self, channel: str) -> bool:
        """Tells whether a channel's own bit makes it a PWM output."""
        place = self.layout.mode_bits[1 if channel == "A" else 2]
        return bool(self._control[place.letter] >> place.position & 1)

    def _is_buffered(self, channel: str) -> bool:
        return self._is_pulsed(channel)

    @property
    def clock(self) -> ClockSelect:
        """What the clock select bits say."""
        clock = super().clock
        return "the clock of the PLL (PCKE)" if clock is not None and self._uses_pll else clock

    def _top(self, mode: Mode) -> int:
        return self._top_value if mode.top is Top.OCRC else super()._top(mode)

    def _general_changes(self, value: int, cycle: int) -> None:
        strobes = self._strobes[GENERAL]
        forced = [channel for position, channel in strobes.items() if value >> position & 1]
        kept = value & ~sum(1 << position for position in strobes)
        self.chip.data[self._general] = kept
        if forced or (kept ^ self._control[GENERAL]) & self._own:
            self._change_control(GENERAL, kept & self._own, forced, cycle)

    def _write_top(self, value: int, mask: int, cycle: int) -> None:
        address = self.chip.part.registers[f"OCR{self.number}C"].address
        self.settle(cycle)
        self._top_value = self.chip.data[address] = self.chip.data[address] & ~mask & 0xFF | value & mask
        self.schedule()

    def _write_pll(self, value: int, mask: int, cycle: int) -> None:
        self.settle(cycle)
        kept = self.chip.data[self._pll] & ~mask & 0xFF | value & mask
        self._uses_pll = bool(kept & PLL_CLOCK)
        if kept & PLL_ENABLE:
            self.chip.bus.report_assumed("PLLCSR", "starts the PLL, which is taken to lock at once")
        self.chip.data[self._pll] = kept & ~PLL_LOCK | (PLL_LOCK if kept & PLL_ENABLE else 0)
        if self._uses_pll:
            self.chip.bus.report_unmodelled("PLLCSR", "the clock of the PLL (PCKE) for timer 1")
        self.schedule()

    def _tell_unmodelled(self, letter: str) -> None:
        super()._tell_unmodelled(letter)
        if self.clock is not None and not isinstance(self.clock, str):
            self.chip.bus.report_assumed(
                next(iter(self.layout.controls.values())),
                "starts timer 1, whose periods are exact; writes to it and its flags take up to two cycles more",
            )

    # Outputs.

    def _action(self, channel: str) -> Action | None:
        place = self.layout.units[channel].output
        select = 0 if place is None else self._control[place.letter] >> place.position & 3
        if not select:
            return None
        mode, name = self.mode, self._outputs[channel].name
        if not self._is_pulsed(channel):
            if mode is not None and mode.slope is Slope.FAST:
                self._tell(self.layout.clock_letter, f"the output {name}, which is no PWM output beside one,")
            return Action(select)
        if Action(select) is Action.TOGGLE:
            # Both OC1x and its inverse are connected: 2586Q table 12-1.
            self._tell(self.layout.clock_letter, f"the inverted output of {name}, with its dead time,")
            return Action.CLEAR
        return Action(select)

    def save(self) -> Any:
        """Gives the timer's state."""
        return self._top_value, self._uses_pll, super().save()

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarms are restored with the queue."""
        self._top_value, self._uses_pll, rest = saved
        super().restore(rest)
