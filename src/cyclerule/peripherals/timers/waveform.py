"""The waveform generation modes: what each counts to, and when compare registers and the overflow flag follow.

Documents: [A] ATmega48A/PA/88A/PA/168A/PA/328/P, DS40002061A; [B] ATmega8, 2486; [C] AT90S8515, 0841G.
"""

from enum import Enum
from typing import NamedTuple


class Slope(Enum):
    """How the counter moves, and what follows from it."""

    NORMAL = "normal"
    CLEAR_ON_COMPARE = "clear on compare match"
    FAST = "fast PWM"
    PHASE = "phase correct PWM"
    PHASE_AND_FREQUENCY = "phase and frequency correct PWM"


class Top(Enum):
    """A register that is TOP."""

    OCRA = "OCRA"
    OCRC = "OCRC"
    ICR = "ICR"


class Mode(NamedTuple):
    """One waveform mode; `top` is a fixed value or the register that holds it."""

    slope: Slope
    top: int | Top

    @property
    def is_dual(self) -> bool:
        """Whether the counter goes up and down."""
        return self.slope in (Slope.PHASE, Slope.PHASE_AND_FREQUENCY)

    @property
    def is_buffered(self) -> bool:
        """Whether a compare register takes a new value only at the end of a period: [A] sec. 15.5, 16.7."""
        return self.slope not in (Slope.NORMAL, Slope.CLEAR_ON_COMPARE)

    def __str__(self) -> str:
        top = self.top.value if isinstance(self.top, Top) else f"0x{self.top:x}"
        return f"{self.slope.value} with TOP {top}"


MODES_8_BIT = {
    0: Mode(Slope.NORMAL, 0xFF),
    1: Mode(Slope.PHASE, 0xFF),
    2: Mode(Slope.CLEAR_ON_COMPARE, Top.OCRA),
    3: Mode(Slope.FAST, 0xFF),
    5: Mode(Slope.PHASE, Top.OCRA),
    7: Mode(Slope.FAST, Top.OCRA),
}
"""WGMn2:0, [A] table 15-8; 4 and 6 are reserved. With a single TCCRn, WGMn1:0 are the first four: [B] TCCR2."""

MODES_16_BIT = {
    0: Mode(Slope.NORMAL, 0xFFFF),
    1: Mode(Slope.PHASE, 0xFF),
    2: Mode(Slope.PHASE, 0x1FF),
    3: Mode(Slope.PHASE, 0x3FF),
    4: Mode(Slope.CLEAR_ON_COMPARE, Top.OCRA),
    5: Mode(Slope.FAST, 0xFF),
    6: Mode(Slope.FAST, 0x1FF),
    7: Mode(Slope.FAST, 0x3FF),
    8: Mode(Slope.PHASE_AND_FREQUENCY, Top.ICR),
    9: Mode(Slope.PHASE_AND_FREQUENCY, Top.OCRA),
    10: Mode(Slope.PHASE, Top.ICR),
    11: Mode(Slope.PHASE, Top.OCRA),
    12: Mode(Slope.CLEAR_ON_COMPARE, Top.ICR),
    14: Mode(Slope.FAST, Top.ICR),
    15: Mode(Slope.FAST, Top.OCRA),
}
"""WGMn3:0, [A] table 16-4; 13 is reserved."""
