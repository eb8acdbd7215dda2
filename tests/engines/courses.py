"""Programs that together take every path of every instruction form, each as a loop whose course is known.

Register r25 counts the turns; a body may use all others. Pointers and constants are set anew in each turn.
"""

from dataclasses import dataclass
from functools import cached_property

from cyclerule.isa.families import Core
from cyclerule.isa.operations import C, H, I, N, S, T, V, Z
from tests.engines.listing import Boundary, Line, Listing, line, read, write

CODE = 0x100
"""The flash word at which programs are placed."""

PROBES = (0x30, 0x31, 0x32, 0x33)
"""Data addresses of the I/O registers that programs touch; all within reach of SBI, so below 0x40."""

DATA = 0x0300
"""Data addresses from here on that programs read and write; in RAM on every part used here."""

IO = 0x20
SREG = 0x3F


def _set(register: int, value: int) -> tuple[Line, ...]:
    return (line("LDI Rd, K", register, value & 0xFF), line("LDI Rd, K", register + 1, value >> 8))


ARITHMETIC = (
    line("LDI Rd, K", 16, 0x35),
    line("LDI Rd, K", 17, 0xC7),
    line("LDI Rd, K", 18, 0x80),
    line("MOV Rd, Rr", 0, 16),
    line("MOV Rd, Rr", 1, 17),
    line("ADD Rd, Rr", 16, 17),
    line("ADC Rd, Rr", 18, 0),
    line("SUB Rd, Rr", 0, 17),
    line("SUBI Rd, K", 17, 0x21),
    line("SBC Rd, Rr", 1, 16),
    line("SBCI Rd, K", 18, 0x7F),
    *_set(26, 0xFFE0),
    *_set(28, 0x0003),
    line("ADIW Rd, K", 26, 63),
    line("SBIW Rd, K", 28, 5),
    line("CP Rd, Rr", 16, 18),
    line("CPC Rd, Rr", 1, 17),
    line("CPI Rd, K", 16, 0xFC),
    line("COM Rd", 16),
    line("NEG Rd", 17),
    line("INC Rd", 18),
    line("DEC Rd", 0),
    line("AND Rd, Rr", 0, 17),
    line("ANDI Rd, K", 17, 0x3C),
    line("OR Rd, Rr", 1, 16),
    line("ORI Rd, K", 18, 0x81),
    line("EOR Rd, Rr", 0, 18),
)

SHIFTS_AND_BITS = (
    line("LDI Rd, K", 16, 0x93),
    line("LSR Rd", 16),
    line("ROR Rd", 16),
    line("ASR Rd", 16),
    line("SWAP Rd", 16),
    line("BST Rr, b", 16, 3),
    line("BLD Rd, b", 2, 6),
    *(line("BSET s", flag) for flag in (C, Z, N, V, S, H, T)),
    line("ADC Rd, Rr", 3, 16),
    *(line("BCLR s", flag) for flag in (C, Z, N, V, S, H, T)),
    line("ROR Rd", 3),
)

PRODUCTS = (
    line("LDI Rd, K", 16, 0xF3),
    line("LDI Rd, K", 17, 0x9A),
    line("MUL Rd, Rr", 16, 17),
    line("MOVW Rd, Rr", 4, 0),
    line("MULS Rd, Rr", 17, 16),
    line("MOVW Rd, Rr", 6, 0),
    line("MULSU Rd, Rr", 16, 17),
    line("FMUL Rd, Rr", 16, 17),
    line("MOVW Rd, Rr", 8, 0),
    line("FMULS Rd, Rr", 16, 17),
    line("MOVW Rd, Rr", 10, 0),
    line("FMULSU Rd, Rr", 17, 16),
)

MEMORY = (
    line("LDI Rd, K", 16, 0x5B),
    *_set(26, DATA),
    *_set(28, DATA + 8),
    *_set(30, DATA + 16),
    line("ST X, Rr", 16),
    line("ST X+, Rr", 16),
    line("INC Rd", 16),
    line("ST X, Rr", 16),
    line("ST Y, Rr", 16),
    line("ST Y+, Rr", 16),
    line("INC Rd", 16),
    line("ST -Y, Rr", 16),
    line("STD Y+q, Rr", 3, 16),
    line("ST Z, Rr", 16),
    line("ST Z+, Rr", 16),
    line("INC Rd", 16),
    line("ST -Z, Rr", 16),
    line("STD Z+q, Rr", 63, 16),
    line("ST -X, Rr", 16),
    line("LD Rd, X", 2),
    line("LD Rd, X+", 3),
    line("LD Rd, -X", 4),
    line("LD Rd, Y", 5),
    line("LD Rd, Y+", 6),
    line("LD Rd, -Y", 7),
    line("LDD Rd, Y+q", 8, 3),
    line("LD Rd, Z", 9),
    line("LD Rd, Z+", 10),
    line("LD Rd, -Z", 11),
    line("LDD Rd, Z+q", 12, 63),
    line("STS k, Rr", DATA + 40, 16),
    line("LDS Rd, k", 13, DATA + 40),
    line("PUSH Rr", 16),
    line("PUSH Rr", 13),
    line("POP Rd", 14),
    line("POP Rd", 15),
)

FLASH = (
    *_set(30, 2 * CODE),
    line("LPM"),
    line("LPM Rd, Z", 16),
    line("LPM Rd, Z+", 17),
    line("LPM Rd, Z+", 18),
)

INPUT_AND_OUTPUT = (
    line("LDI Rd, K", 16, 0xA5),
    line("OUT A, Rr", PROBES[0] - IO, 16, touch=write(PROBES[0], 0xA5)),
    line("IN Rd, A", 17, PROBES[1] - IO, touch=read(PROBES[1])),
    line("SBI A, b", PROBES[2] - IO, 6, touch=write(PROBES[2], 0x40, 0x40)),
    line("CBI A, b", PROBES[2] - IO, 0, touch=write(PROBES[2], 0, 1)),
    # The probes read 0x3C, so bit 2 is 1 and bit 0 is 0.
    line("SBIS A, b", PROBES[1] - IO, 0, touch=read(PROBES[1])),
    line("SBIC A, b", PROBES[1] - IO, 2, touch=read(PROBES[1])),
    line("SBIS A, b", PROBES[1] - IO, 2, path="skip1", to="one", touch=read(PROBES[1])),
    line("NOP"),
    line("SBIC A, b", PROBES[1] - IO, 0, path="skip1", to="two", touch=read(PROBES[1]), at="one"),
    line("NOP"),
    line("SBIS A, b", PROBES[1] - IO, 2, path="skip2", to="three", touch=read(PROBES[1]), at="two"),
    line("STS k, Rr", PROBES[3], 16),
    line("SBIC A, b", PROBES[1] - IO, 0, path="skip2", to="four", touch=read(PROBES[1]), at="three"),
    line("LDS Rd, k", 16, PROBES[3]),
    line("STS k, Rr", PROBES[3], 16, touch=write(PROBES[3], 0xA5), at="four"),
    line("LDS Rd, k", 18, PROBES[3], touch=read(PROBES[3])),
    *_set(26, PROBES[0]),
    *_set(28, PROBES[1]),
    *_set(30, PROBES[2]),
    line("LD Rd, X+", 19, touch=read(PROBES[0])),
    line("LD Rd, Y", 20, touch=read(PROBES[1])),
    line("LDD Rd, Z+q", 21, 1, touch=read(PROBES[3])),
    line("ST -X, Rr", 16, touch=write(PROBES[0], 0xA5)),
    line("ST Y, Rr", 16, touch=write(PROBES[1], 0xA5)),
    line("STD Z+q, Rr", 1, 16, touch=write(PROBES[3], 0xA5)),
)

BRANCHES = tuple(
    each
    for flag in (C, Z, N, V, S, H, T)
    for each in (
        line("BSET s", flag),
        line("BRBC s, k", flag, f"on{flag}"),
        line("BRBS s, k", flag, f"on{flag}", path="taken", to=f"on{flag}"),
        line("NOP"),
        line("BCLR s", flag, at=f"on{flag}"),
        line("BRBS s, k", flag, f"off{flag}"),
        line("BRBC s, k", flag, f"off{flag}", path="taken", to=f"off{flag}"),
        line("NOP"),
        line("INC Rd", 2, at=f"off{flag}"),
    )
)

BRANCHES_ON_I = (
    line("BRBC s, k", I, "on"),
    line("BRBS s, k", I, "on", path="taken", to="on"),
    line("NOP"),
    line("INC Rd", 2, at="on"),
    line("RJMP k", "there", to="there"),
    line("INC Rd", 3, at="back"),
    line("RJMP k", "out", to="out"),
    line("BRBS s, k", I, "back", path="taken", to="back", at="there"),
    line("NOP", at="out"),
)

SKIPS = (
    line("LDI Rd, K", 16, 0x0F),
    line("LDI Rd, K", 17, 0x0F),
    line("CPSE Rd, Rr", 16, 25, at="none"),
    line("SBRC Rr, b", 16, 0),
    line("SBRS Rr, b", 16, 7),
    line("CPSE Rd, Rr", 16, 17, path="skip1", to="a"),
    line("INC Rd", 2),
    line("SBRC Rr, b", 16, 7, path="skip1", to="b", at="a"),
    line("INC Rd", 2),
    line("SBRS Rr, b", 16, 3, path="skip1", to="c", at="b"),
    line("RJMP k", "none"),
    line("CPSE Rd, Rr", 17, 16, path="skip2", to="d", at="c"),
    line("LDS Rd, k", 16, DATA),
    line("SBRC Rr, b", 17, 4, path="skip2", to="e", at="d"),
    line("STS k, Rr", DATA, 16),
    line("SBRS Rr, b", 17, 0, path="skip2", to="f", at="e"),
    line("JMP k", "none"),
    line("SBRS Rr, b", 17, 1, path="skip2", to="g", at="f"),
    line("CALL k", "none"),
    line("INC Rd", 3, at="g"),
)

CALLS = (
    line("RCALL k", "near", to="near"),
    line("CALL k", "far", to="far", at="after_near"),
    line("LDI Rd, K", 30, "<pointed", at="after_far"),
    line("LDI Rd, K", 31, ">pointed"),
    line("ICALL", to="pointed"),
    line("LDI Rd, K", 30, "<jumped", at="after_pointed"),
    line("LDI Rd, K", 31, ">jumped"),
    line("IJMP", to="jumped"),
    line("NOP"),
    line("INC Rd", 2, at="near"),
    line("RET", to="after_near"),
    line("PUSH Rr", 2, at="far"),
    line("RCALL k", "inner", to="inner"),
    line("POP Rd", 3, at="after_inner"),
    line("RET", to="after_far"),
    line("INC Rd", 2, at="inner"),
    line("RET", to="after_inner"),
    line("INC Rd", 2, at="pointed"),
    line("RET", to="after_pointed"),
    line("JMP k", "finish", to="finish", at="jumped"),
    line("NOP"),
    line("INC Rd", 2, at="finish"),
)

CONTROL = (
    line("NOP"),
    line("WDR"),
    line("BREAK"),
    line("SLEEP"),
    line("INC Rd", 2),
)
"""No watchdog runs, no debugger is there, and sleeping is not enabled: each is a NOP."""

EXTENDED = (
    line("LDI Rd, K", 16, "^pointed"),
    line("OUT A, Rr", 0x3C, 16),
    line("OUT A, Rr", 0x3B, 16),
    line("LDI Rd, K", 30, "<pointed"),
    line("LDI Rd, K", 31, ">pointed"),
    line("EICALL", to="pointed"),
    line("LDI Rd, K", 30, "<jumped", at="after_pointed"),
    line("LDI Rd, K", 31, ">jumped"),
    line("EIJMP", to="jumped"),
    line("NOP"),
    line("INC Rd", 2, at="pointed"),
    line("RET", to="after_pointed"),
    line("RCALL k", "near", to="near", at="jumped"),
    line("JMP k", "on", to="on", at="after_near"),
    line("NOP"),
    line("RET", to="after_near", at="near"),
    line("RET", to="after_far", at="far"),
    line("CALL k", "far", to="far", at="on"),
    line("RJMP k", "finish", to="finish", at="after_far"),
    line("NOP"),
    line("LDI Rd, K", 31, 0xFF, at="finish"),
    line("LDI Rd, K", 30, 0xFF),
    line("ELPM"),
    line("ELPM Rd, Z", 16),
    line("ELPM Rd, Z+", 17),
    line("ELPM Rd, Z+", 18),
    line("LDI Rd, K", 16, 0),
    line("OUT A, Rr", 0x3B, 16),
)

BODIES = {
    "arithmetic": ARITHMETIC,
    "shifts and bits": SHIFTS_AND_BITS,
    "products": PRODUCTS,
    "memory": MEMORY,
    "flash": FLASH,
    "input and output": INPUT_AND_OUTPUT,
    "branches": BRANCHES,
    "branches on I": BRANCHES_ON_I,
    "skips": SKIPS,
    "calls": CALLS,
    "control": CONTROL,
}
WIDE_BODIES = {"calls": CALLS, "extended": EXTENDED}
"""What depends on the width of the program counter, or is only on parts with more than 128 KB of flash.

ICALL and IJMP reach the lower 64 K words alone (DS40002198, their pages), so the former stand there.
"""

HANDLER = (
    line("PUSH Rr", 16, at="handler"),
    line("IN Rd, A", 16, SREG),
    line("PUSH Rr", 16),
    line("LDS Rd, k", 16, DATA - 1),
    line("INC Rd", 16),
    line("STS k, Rr", DATA - 1, 16),
    line("POP Rd", 16),
    line("OUT A, Rr", SREG, 16),
    line("POP Rd", 16),
    line("RETI", to="handler_left"),
    line("NOP", at="handler_left"),
)
"""A handler that keeps registers and flags and counts its runs at DATA - 1."""


@dataclass(frozen=True)
class Loop:
    """A body that runs `turns` times, placed with the handler after it."""

    body: tuple[Line, ...]
    core: Core
    turns: int
    start: int = CODE

    @cached_property
    def listing(self) -> Listing:
        """The lines as they lie in flash."""
        return Listing(
            (
                line("LDI Rd, K", 25, self.turns, at="start"),
                line("NOP", at="turn"),
                *self.body,
                line("DEC Rd", 25, at="tail"),
                line("BRBS s, k", Z, "end", path="taken", to="end"),
                line("RJMP k", "turn"),
                line("NOP", at="end"),
                *HANDLER,
            ),
            self.core,
            self.start,
        )

    @cached_property
    def course(self) -> tuple[Boundary, ...]:
        """Every boundary from "start" to "end"."""
        listing = self.listing
        turn, tail = listing.steps("turn", "tail"), listing.words["tail"]
        back = [(tail, line("DEC Rd", 25)), (tail + 1, line("BRBS s, k", Z, "end")), (tail + 2, line("RJMP k", "turn"))]
        steps = [
            *listing.steps("start", "turn"),
            *(turn + back) * (self.turns - 1),
            *turn,
            *listing.steps("tail", "end"),
        ]
        return listing.course(steps, "end")

    @property
    def cycles(self) -> int:
        """The published time from "start" to "end"."""
        return self.course[-1].cycle

    def turn(self, number: int) -> tuple[Boundary, ...]:
        """Gives the boundaries of one turn, the next turn's first one included."""
        starts = [place for place, each in enumerate(self.course) if each.word == self.listing.words["turn"]]
        return self.course[starts[number] : starts[number + 1] + 1]
