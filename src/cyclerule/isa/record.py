"""The record of one instruction: encoding, meaning, flags and cycles in one place, and how it is registered."""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from cyclerule.isa.families import Core
from cyclerule.isa.operands import KINDS, OperandKind
from cyclerule.isa.pattern import Pattern


@dataclass(frozen=True)
class Timing:
    """Cycles of one instruction on one core.

    `base` is the count of the plain path: not taken, not skipping, internal RAM. A branch that is
    taken takes `taken`; a skip over an instruction of n words takes `base` + n. Loads that reach
    I/O or memory-mapped flash take `io_extra` or `flash_extra` more (AVRxm, AVRxt and AVRrc only).
    """

    base: int
    taken: int
    io_extra: int = 0
    flash_extra: int = 0

    def skipping(self, words: int) -> int:
        """Gives the cycles when an instruction of that many words is passed over; 0 words for no skip."""
        return self.base + words


@dataclass(frozen=True)
class Cycles:
    """Cycles on every family, from the manual's table; None where a family lacks the instruction.

    `pc22` is what a 22-bit program counter adds. `varies` marks a time that the manual leaves open
    (programming time), which no figure stands for.
    """

    avre: int | None
    avrxm: int | None
    avrxt: int | None
    avrrc: int | None
    taken_extra: int = 0
    pc22: int = 0
    io_extra: Mapping[str, int] | None = None
    flash_extra: Mapping[str, int] | None = None
    varies: bool = False

    @classmethod
    def all(cls, count: int, **more: Any) -> "Cycles":
        """Gives the same count on every family."""
        return cls(count, count, count, count, **more)

    @classmethod
    def larger(cls, count: int, **more: Any) -> "Cycles":
        """Gives the same count on every family but AVRrc, which lacks the instruction."""
        return cls(count, count, count, None, **more)

    def on(self, core: Core) -> Timing | None:
        """Gives the timing on a core; None when the core's family lacks the instruction."""
        column = core.timing_column
        base = {"AVRe": self.avre, "AVRxm": self.avrxm, "AVRxt": self.avrxt, "AVRrc": self.avrrc}[column]
        if base is None:
            return None
        base += self.pc22 if core.pc_bytes == 3 else 0
        return Timing(
            base,
            base + self.taken_extra,
            (self.io_extra or {}).get(column, 0),
            (self.flash_extra or {}).get(column, 0),
        )


@dataclass(frozen=True, eq=False)
class Instruction:
    """One instruction: all that is known of it.

    `syntax` is the assembler form with the field letters as operands, `flags` the letters of the
    status register it may change, `feature` what a core must have for it, beyond its family.
    """

    mnemonic: str
    syntax: str
    pattern: Pattern
    operands: Mapping[str, OperandKind]
    cycles: Cycles
    flags: str
    feature: str | None
    meaning: Callable[..., None]
    source: str
    is_skip: bool

    @property
    def words(self) -> int:
        """The length in flash words, 1 or 2."""
        return self.pattern.words

    def is_on(self, core: Core) -> bool:
        """Tells whether a core has the instruction."""
        return self.cycles.on(core) is not None and (self.feature is None or self.feature in core.features)

    def decode(self, word: int, second: int = 0) -> tuple[int, ...]:
        """Gives the operands, in the order the meaning takes them."""
        pattern = self.pattern
        return tuple(
            kind.value(pattern.extract(letter, word, second), pattern.field_width(letter))
            for letter, kind in self.operands.items()
        )

    def encode(self, *operands: int) -> tuple[int, ...]:
        """Gives the words for operands in the order the meaning takes them; ValueError when one does not fit."""
        fields = {
            letter: kind.bits(value, self.pattern.field_width(letter))
            for (letter, kind), value in zip(self.operands.items(), operands, strict=True)
        }
        return self.pattern.insert(fields)

    def __str__(self) -> str:
        return self.syntax


REGISTERED: list[Instruction] = []
"""Every instruction, in the order of registration; read it through `isa.table`."""


def instruction(
    syntax: str,
    pattern: str,
    *,
    cycles: int | Cycles,
    flags: str = "",
    feature: str | None = None,
    is_skip: bool = False,
    source: str = "",
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Registers the decorated function as the meaning of an instruction.

    `cycles` as an integer holds on every family. The manual section defaults to the mnemonic's own
    page. The parameters after the first are the operands: the name is the field's letter in the
    pattern, the annotation its kind.
    """

    def register(meaning: Callable[..., None]) -> Callable[..., None]:
        mnemonic = syntax.split(maxsplit=1)[0]
        read = Pattern(pattern)
        parameters = list(inspect.signature(meaning).parameters.values())[1:]
        operands = {p.name: KINDS[_kind_name(p)] for p in parameters}
        letters = {*read.letters, *("k" if read.words == 2 else "")}
        if set(operands) != letters:
            raise ValueError(f"{syntax}: operands {sorted(operands)} are not the pattern's letters {sorted(letters)}")
        REGISTERED.append(
            Instruction(
                mnemonic=mnemonic,
                syntax=syntax,
                pattern=read,
                operands=operands,
                cycles=Cycles.all(cycles) if isinstance(cycles, int) else cycles,
                flags=flags,
                feature=feature,
                meaning=meaning,
                source=source or f"AVR Instruction Set Manual DS40002198, sec. 5 and the page of {mnemonic}",
                is_skip=is_skip,
            )
        )
        return meaning

    return register


def _kind_name(parameter: inspect.Parameter) -> str:
    annotation = parameter.annotation
    if not isinstance(annotation, str):
        raise TypeError(f"operand {parameter.name} needs its kind as a name: modules of instructions defer annotations")
    return annotation
