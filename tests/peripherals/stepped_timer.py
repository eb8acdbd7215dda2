"""A timer that steps at every clock, written from the datasheet's words alone: the judge of the model that does not.

DS40002061A (ATmega48A/PA/88A/PA/168A/PA/328/P) sec. 15 and 16. It shares no code with the model. Where the datasheet
leaves something open it takes what the model says it takes, so that all else can be compared.
"""

from collections import deque
from dataclasses import dataclass, field

NORMAL, CTC, FAST, PHASE, PHASE_FREQUENCY = "normal", "ctc", "fast", "phase", "phase and frequency"

EIGHT_BITS: dict[int, tuple[str, int | str]] = {
    0: (NORMAL, 0xFF),
    1: (PHASE, 0xFF),
    2: (CTC, "OCRA"),
    3: (FAST, 0xFF),
    5: (PHASE, "OCRA"),
    7: (FAST, "OCRA"),
}
"""Table 15-8."""

SIXTEEN_BITS: dict[int, tuple[str, int | str]] = {
    0: (NORMAL, 0xFFFF),
    1: (PHASE, 0x00FF),
    2: (PHASE, 0x01FF),
    3: (PHASE, 0x03FF),
    4: (CTC, "OCRA"),
    5: (FAST, 0x00FF),
    6: (FAST, 0x01FF),
    7: (FAST, 0x03FF),
    8: (PHASE_FREQUENCY, "ICR"),
    9: (PHASE_FREQUENCY, "OCRA"),
    10: (PHASE, "ICR"),
    11: (PHASE, "OCRA"),
    12: (CTC, "ICR"),
    14: (FAST, "ICR"),
    15: (FAST, "OCRA"),
}
"""Table 16-4."""


@dataclass
class SteppedTimer:
    """One timer, with `maximum` 0xFF or 0xFFFF and the divisor of its clock, 0 when stopped."""

    maximum: int
    modes: dict[int, tuple[str, int | str]]
    mode: int = 0
    divisor: int = 0
    count: int = 0
    is_falling: bool = False
    is_blocked: bool = False
    icr: int = 0
    buffers: dict[str, int] = field(default_factory=lambda: {"A": 0, "B": 0})
    compare: dict[str, int] = field(default_factory=lambda: {"A": 0, "B": 0})
    flags: set[str] = field(default_factory=set)
    # COMnx1:0 and the registers OCnx.
    select: dict[str, int] = field(default_factory=lambda: {"A": 0, "B": 0})
    output: dict[str, bool] = field(default_factory=lambda: {"A": False, "B": False})
    # Whether COM1A = 1 toggles in mode 14, as from the ATmega48 on.
    toggles_in_mode_14: bool = True
    prescaler: int = 0
    # The first generation (AT90S8515, 0841G): a match comes one CPU clock after the timer has counted to the value.
    is_first: bool = False
    has_arrived: bool = False
    # Whether the clock just passed was the one in which TOV was set.
    has_just_overflowed: bool = False

    @property
    def waveform(self) -> str:
        """The kind of the present mode."""
        return self.modes[self.mode][0]

    def top(self) -> int:
        """Gives TOP."""
        fixed = self.modes[self.mode][1]
        if fixed == "OCRA":
            return self.compare["A"]
        return self.icr if fixed == "ICR" else int(fixed)

    def clock(self) -> None:
        """Passes one clock of the CPU."""
        self.has_just_overflowed = False
        if self.has_arrived:
            self.match()
            if self.waveform == PHASE and self.count == self.top():
                self._look_at_top(self.top(), self.compare)
        self.has_arrived = False
        self.prescaler += 1
        if self.divisor and self.prescaler % self.divisor == 0:
            self.tick()

    def match(self) -> None:
        """Compares, sets flags and moves outputs."""
        is_down = self.count == self.top() or (self.is_falling and self.count != 0)
        for channel in [channel for channel, value in self.compare.items() if self.count == value]:
            self.flags.add(channel)
            self.act(channel, opposite=is_down and self.waveform in (PHASE, PHASE_FREQUENCY))

    def tick(self) -> None:
        """Passes one clock of the timer."""
        top = self.top()
        if not self.is_first and not self.is_blocked:
            self.match()
        has_register = isinstance(self.modes[self.mode][1], str)
        is_top = self.count == top and not (self.is_blocked and has_register)
        self.is_blocked = False
        self.has_arrived = self.is_first
        if is_top and self.modes[self.mode][1] == "ICR":
            self.flags.add("ICF")
        if self.waveform in (PHASE, PHASE_FREQUENCY):
            self._step_dual(is_top, top)
        else:
            self._step_single(is_top)

    def is_connected(self, channel: str) -> bool:
        """Tells whether the waveform generator drives the pin: tables 15-2 to 15-7 and 16-1 to 16-3."""
        kind, top = self.modes[self.mode]
        if self.select[channel] == 1 and kind not in (NORMAL, CTC):
            is_icr = top == "ICR" and kind == FAST and self.toggles_in_mode_14
            return channel == "A" and (top == "OCRA" or is_icr)
        return self.select[channel] != 0

    def act(self, channel: str, *, opposite: bool = False) -> None:
        """Does what COMnx say of a match; the opposite on the way down."""
        if not self.is_connected(channel):
            return
        if self.select[channel] == 1:
            self.output[channel] = not self.output[channel]
        else:
            self.output[channel] = (self.select[channel] == 3) != opposite

    def force(self, channel: str) -> None:
        """Writes the strobe FOCnx, which does nothing in PWM modes."""
        if self.waveform in (NORMAL, CTC):
            self.act(channel)

    def _overflow(self) -> None:
        self.has_just_overflowed = "TOV" not in self.flags
        self.flags.add("TOV")

    def _step_single(self, is_top: bool) -> None:
        if self.waveform == FAST and is_top:
            self._overflow()
        if self.waveform != FAST and self.count == self.maximum:
            self._overflow()
        self.count = 0 if is_top or self.count == self.maximum else self.count + 1
        if self.waveform == FAST and self.count == 0:
            for channel, select in self.select.items():
                if select > 1:
                    self.output[channel] = select == 2
            self.compare = dict(self.buffers)

    def _step_dual(self, is_top: bool, top: int) -> None:
        was_bottom = self.count == 0
        if was_bottom:
            self._overflow()
            self.is_falling = False
        if self.is_falling or (is_top and not was_bottom):
            self.is_falling = True
            self.count -= 1
        elif was_bottom and top == 0 and is_top:
            pass
        else:
            self.count = 0 if self.count == self.maximum else self.count + 1
        if self.count == 0:
            self.is_falling = False
        if is_top and not self.is_first:
            self._look_at_top(top, self.buffers)
        if is_top if self.waveform == PHASE else was_bottom:
            self.compare = dict(self.buffers)

    def _look_at_top(self, top: int, buffers: dict[str, int]) -> None:
        """The output at TOP is that of a match on the way up, unless OCR is TOP itself then: sec. 15.7.4."""
        for channel, value in self.compare.items():
            new = buffers[channel] if self.waveform == PHASE else value
            if self.select[channel] > 1 and (value < top or (value == top > new)):
                self.output[channel] = self.select[channel] == 3

    # What the program does; each takes effect at the edge that has just passed.

    def write_count(self, value: int) -> None:
        """Writes TCNT, which has priority over the clock that has just passed."""
        if self.has_just_overflowed:
            self.flags.discard("TOV")
        self.count = value
        self.is_blocked = True
        self.has_arrived = False
        if value == 0:
            self.is_falling = False

    def write_compare(self, channel: str, value: int) -> None:
        """Writes a compare register."""
        self.buffers[channel] = value
        if self.waveform in (NORMAL, CTC):
            self.compare[channel] = value
            if self.is_first and value == self.count:
                self.is_blocked, self.has_arrived = True, False

    def write_settings(self, mode: int, divisor: int) -> None:
        """Sets mode and clock."""
        # A clock that starts does not compare the count at hand, nor one that has no tick just then.
        self.is_blocked = self.is_blocked or (self.is_first and (not self.divisor or not self.has_arrived))
        self.has_arrived = self.has_arrived and divisor > 0 and self.prescaler % divisor == 0
        self.mode, self.divisor = mode, divisor
        if self.waveform in (NORMAL, CTC):
            self.compare = dict(self.buffers)
        if self.waveform not in (PHASE, PHASE_FREQUENCY):
            self.is_falling = False


class Sampler:
    """Figure 17-1: two flip-flops that synchronise, one that the edge is found with; the counter is the fourth."""

    def __init__(self) -> None:
        self.stages = deque([False] * 3, 3)

    def clock(self, level: bool) -> int:
        """Takes the level of the clock that ends; gives 1 or -1 when an edge acts with this clock, else 0."""
        first, second, third = self.stages
        self.stages = deque([level, first, second], 3)
        return int(second) - int(third)
