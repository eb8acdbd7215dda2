"""Which CPU a part has: families of the instruction manual, and what a single core has of them."""

from dataclasses import dataclass, field

# DS40002198 sec. 5 prints one column of cycles for AVR, AVRe and AVRe+ together, and one each for the others.
TIMING_COLUMN = {"AVR": "AVRe", "AVRe": "AVRe", "AVRe+": "AVRe", "AVRxm": "AVRxm", "AVRxt": "AVRxt", "AVRrc": "AVRrc"}
FAMILIES = tuple(TIMING_COLUMN)

ALL_FEATURES = frozenset(
    {
        "MUL",
        "MOVW",
        "LPM",
        "LPMX",
        "JMP_CALL",
        "ELPM",
        "ELPMX",
        "EIJMP_EICALL",
        "SPM",
        "BREAK",
        "ADIW",
        "IJMP_ICALL",
        "RAM",
        "RMW",
    }
)


@dataclass(frozen=True)
class Core:
    """One CPU: its family, which optional instructions it has, and the width of its program counter.

    `pc_bytes` is 2, or 3 on parts with more than 128 KB of flash (22-bit program counter).
    """

    family: str
    features: frozenset[str] = field(default=ALL_FEATURES)
    pc_bytes: int = 2

    def __post_init__(self) -> None:
        if self.family not in TIMING_COLUMN:
            raise ValueError(f"no family {self.family!r}; there are {', '.join(FAMILIES)}")
        if self.pc_bytes not in (2, 3):
            raise ValueError(f"a program counter has 2 or 3 bytes, not {self.pc_bytes}")

    @property
    def timing_column(self) -> str:
        """The column of the manual's timing table that holds for this core."""
        return TIMING_COLUMN[self.family]


FULL_CORE = Core("AVRe+", ALL_FEATURES, 3)
"""A core with every instruction of AVR, AVRe and AVRe+."""
