"""When TOV is set and compare registers take their buffers, by mode: DS40002061A tables 15-8 and 16-4."""

from cyclerule.peripherals.timers.clock import Run
from cyclerule.peripherals.timers.waveform import Mode, Slope


def overflow_value(mode: Mode, top: int, maximum: int) -> int:
    """Gives the count from which a tick sets TOV; that it is the tick from it on, figures 15-8 and 16-12 show."""
    if mode.is_dual:
        # UNVERIFIED: that the 8-bit timers too set TOV with the tick that leaves BOTTOM, as figure 16-12 with its
        # renaming has it for 16 bits; a board that polls TOV0 in mode 1 at clock/1024 and reads TCNT0 would settle it.
        return 0
    # UNVERIFIED: that fast PWM sets no TOV when the count wraps at MAX because it had passed TOP; a board that lowers
    # ICR1 below TCNT1 in mode 14 would settle it.
    return top if mode.slope is Slope.FAST else maximum


def update_tick(run: Run, mode: Mode, tick: int, *, first: int) -> int | None:
    """Gives the next tick after this one with which buffers are taken: figure 16-12 and its renaming.

    Before tick `first` the count at TOP does not count as being there.
    """
    line = run.course
    if mode.slope is Slope.FAST:
        # UNVERIFIED: that the update needs the count to come to BOTTOM, so that a buffer written while the timer stands
        # at 0 waits for a whole period; a board that writes OCR0B in mode 3, then starts the timer and polls OCF0B,
        # would settle it.
        return line.next_at(0, tick + 1)
    at = line.next_at(line.top, max(tick, first)) if mode.slope is Slope.PHASE else line.next_at(0, tick)
    return None if at is None else at + 1
