"""The watchdog: time-outs of its own oscillator, interrupt, reset, and the timed sequence that changes it.

Datasheet: ATmega48A/…/328P DS40002061A sec. 11.8 and 11.9.2; parts before the ATmega48 have no interrupt, a quicker
oscillator, and WDTOE for WDCE on some: ATmega8A 40001974 sec. 15.4 and 15.6.2, ATmega32A clarification sec. 3.2, 3.3.
"""

from fractions import Fraction
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.power import TIMED_SEQUENCE_CYCLES, Clock
from cyclerule.peripherals.reset import ResetCauses

VECTORS = ("WDT", "WATCHDOG", "WDT_OVERFLOW")
LONGEST = 9
"""WDP above 9 is reserved (DS40002061A table 11-3)."""


class Watchdog:
    """The watchdog of a part; the fuse WDTON is taken as not programmed, so it is off at power-on.

    Its oscillator is taken to run at its nominal frequency: 128 kHz, before the ATmega48 1 MHz (5 V), on the ATmega32A
    1.25 MHz.

    UNVERIFIED: its phase. A time-out is taken to come a whole number of periods after WDR, as if an edge of the
    oscillator fell on it; a board that times many of them with a timer would settle how far they are off.
    UNVERIFIED: that a shorter time-out chosen while it runs comes at the next multiple of the new period, the count
    going on; a board that does so late in a long period would settle it.
    """

    def __init__(self, chip: Chip, clock: Clock, causes: ResetCauses) -> None:
        self.chip, self._clock, self._causes = chip, clock, causes
        bits = chip.part.bits
        self._register = "WDTCSR" if "WDTCSR" in chip.part.registers else "WDTCR"
        self._address = chip.bus.address(self._register)
        names = ("WDIE", "WDIF") if "WDIE" in bits else ("WDTIE", "WDTIF")
        self._interrupt, self._flag = (1 << bits[name] if name in bits else 0 for name in names)
        change = next((name for name in ("WDCE", "WDTOE") if name in bits), None)
        self._change = 0 if change is None else 1 << bits[change]
        # With WDTOE, and without either, the time-out may be changed at will.
        self._guards_period = change == "WDCE"
        self._enable = 1 << bits["WDE"]
        self._period_bits = [1 << bits[name] for name in ("WDP0", "WDP1", "WDP2", "WDP3") if name in bits]
        self._period_mask = sum(self._period_bits)
        self._hertz = 128_000 if self._interrupt else 1_250_000 if chip.part.name == "atmega32a" else 1_000_000
        self._first = 2_048 if self._interrupt else 16_384
        self._vector = next((chip.part.vectors[name] for name in VECTORS if name in chip.part.vectors), None)
        self._value = 0
        self._armed: int | None = None
        self._origin_tick: int | None = None
        if self._address is not None:
            chip.bus.attach(self._address, None, self._write)
        if self._vector is not None:
            chip.interrupts.on_entry(self._vector, self._enters)
        self._disarm = chip.events.alarm(self._times_out)
        self._alarm = clock.timed(self._comes, "the watchdog")
        chip.resets_watchdog = self._restart
        chip.add(self)

    # What it is set to.

    @property
    def resets(self) -> bool:
        """Whether a time-out resets: WDE."""
        return bool(self._value & self._enable)

    @property
    def interrupts(self) -> bool:
        """Whether a time-out interrupts."""
        return bool(self._value & self._interrupt)

    @property
    def period_seconds(self) -> Fraction:
        """The time-out: 2K to 1024K cycles of 128 kHz (table 11-3), or 16K to 2048K of 1 MHz."""
        select = sum(1 << n for n, bit in enumerate(self._period_bits) if self._value & bit)
        return Fraction(self._first << min(select, LONGEST), self._hertz)

    # Registers.

    def _write(self, value: int, mask: int, cycle: int) -> None:
        bits = value & mask
        was_on, armed = self._is_on, self._armed
        is_enabled = armed is not None and cycle - armed <= TIMED_SEQUENCE_CYCLES
        kept = self._interrupt & mask
        if bits & self._flag:
            self._value &= ~self._flag
        if bits & self._enable or is_enabled or not self._change:
            kept |= self._enable & mask
        # The write that sets WDCE and WDE changes nothing else; the next one within four cycles does.
        arms = bool(bits & self._change and bits & self._enable)
        if (is_enabled and not bits & self._change) or not self._guards_period:
            kept |= self._period_mask & mask
        self._value = self._value & ~kept | bits & kept | self._held_enable
        if arms:
            self._armed = cycle
            self._disarm.set(cycle + TIMED_SEQUENCE_CYCLES)
        elif is_enabled and mask == 0xFF:
            self._armed = None
            self._disarm.clear()
        self._follow(cycle, was_on=was_on)

    @property
    def _held_enable(self) -> int:
        """WDE while WDRF is set, which holds it set where there is an interrupt mode (sec. 11.9.2)."""
        return self._enable if self._interrupt and self._causes.is_set("WDRF") else 0

    @property
    def _is_on(self) -> bool:
        return self.resets or self.interrupts

    def _follow(self, cycle: int, *, was_on: bool) -> None:
        """Starts, stops or goes on after a change."""
        if not self._is_on:
            # It is held at zero while it is off.
            self._origin_tick = None
            self._alarm.clear()
        elif not was_on or self._origin_tick is None:
            self.chip.bus.report_assumed(
                self._register,
                f"the watchdog's oscillator is taken to run at its nominal {self._hertz // 1000:,} kHz; chips differ",
            )
            self._origin_tick = self._clock.tick(cycle)
            self._schedule(cycle)
        else:
            self._schedule(cycle)
        self._update(cycle)

    def _schedule(self, cycle: int) -> None:
        """Sets the alarm to the next whole period after the count began."""
        if self._origin_tick is None:
            return
        period = self._clock.ticks_in(self.period_seconds, "the watchdog")
        passed = self._clock.tick(cycle) - self._origin_tick
        self._alarm.set_at(cycle, period - passed % period)

    def _restart(self, cycle: int) -> None:
        # WDR leaves the alarm where it is, which then finds that it is too early: programs do it all the time.
        if self._origin_tick is not None:
            self._origin_tick = self._clock.tick(cycle)

    def _comes(self, cycle: int) -> None:
        if self._origin_tick is None:
            return
        passed = self._clock.tick(cycle) - self._origin_tick
        is_due = passed >= self._clock.ticks_in(self.period_seconds, "the watchdog")
        self._schedule(cycle)
        if not is_due:
            return
        # With both, the first time-out interrupts; if that is not served, the next one resets (sec. 11.8.2).
        if self.resets and (not self.interrupts or self._value & self._flag):
            self.chip.request_reset("WDRF", cycle)
        elif self.interrupts:
            self._value |= self._flag
        self._update(cycle)

    def _enters(self, cycle: int) -> None:
        self._value &= ~self._flag
        if self.resets:
            self._value &= ~self._interrupt
        self._update(cycle)

    def _times_out(self, cycle: int) -> None:
        self._update(cycle)

    def _update(self, cycle: int) -> None:
        if self._address is not None:
            armed = self._armed
            is_armed = armed is not None and cycle - armed < TIMED_SEQUENCE_CYCLES
            self.chip.data[self._address] = self._value | (self._change if is_armed else 0)
        if self._vector is not None:
            self.chip.interrupts.set_request(self._vector, self.interrupts and self._value & self._flag)

    def at_reset(self, cycle: int) -> None:
        """Stops it; after a watchdog reset WDRF keeps it on, at its shortest time-out, where it can interrupt."""
        self._value, self._armed, self._origin_tick = self._held_enable, None, None
        self._follow(cycle, was_on=False)

    def save(self) -> Any:
        """Gives its state."""
        return self._value, self._armed, self._origin_tick

    def restore(self, saved: Any) -> None:
        """Sets its state."""
        self._value, self._armed, self._origin_tick = saved


def has_watchdog(chip: Chip) -> bool:
    """Whether the part has a watchdog that is modelled.

    Not modelled: those whose changes are guarded by CCP (ATtiny441/841/828/1634) and those of parts without data.
    """
    bits, name = chip.part.bits, chip.part.name
    is_known = not name.startswith(("at43", "at76", "at86", "at94"))
    guarded_elsewhere = "WDIE" in bits and "WDCE" not in bits
    return is_known and {"WDE", "WDP0"} <= set(bits) and not guarded_elsewhere
