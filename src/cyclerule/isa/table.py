"""All instructions, and which of them a word is on a given core."""

from functools import cache
from typing import NamedTuple

# Importing the groups registers their instructions.
from cyclerule.isa import arithmetic_and_logic, bits, change_of_flow, chip_control, data_transfer
from cyclerule.isa.families import Core
from cyclerule.isa.record import REGISTERED, Instruction, Timing

GROUPS = (arithmetic_and_logic, bits, change_of_flow, chip_control, data_transfer)


class Decoded(NamedTuple):
    """One instruction as it stands in flash: its record, operands and cycles on the core at hand."""

    instruction: Instruction
    operands: tuple[int, ...]
    timing: Timing


class InstructionTable:
    """The instructions of one core, found by their first word."""

    def __init__(self, core: Core) -> None:
        self.core = core
        self._timings = {id(i): t for i in REGISTERED if i.is_on(core) and (t := i.cycles.on(core)) is not None}
        self.instructions = tuple(i for i in REGISTERED if id(i) in self._timings)
        # Few masks, most specific first: LD Rd, Y is also LDD Rd, Y+q with q = 0, and the former names it.
        by_mask: dict[int, dict[int, Instruction]] = {}
        for each in self.instructions:
            by_mask.setdefault(each.pattern.mask, {})[each.pattern.value] = each
        self._by_mask = sorted(by_mask.items(), key=lambda item: -item[0].bit_count())

    def find(self, word: int) -> Instruction | None:
        """Gives the instruction whose first word this is; None when the core has none."""
        for mask, instructions in self._by_mask:
            found = instructions.get(word & mask)
            if found is not None:
                return found
        return None

    def decode(self, word: int, second: int = 0) -> Decoded | None:
        """Gives the instruction with its operands and timing; `second` is the word after, used by two-word forms."""
        found = self.find(word)
        if found is None:
            return None
        return Decoded(found, found.decode(word, second), self._timings[id(found)])

    def timing(self, instruction: Instruction) -> Timing:
        """Gives the timing of an instruction of this core."""
        return self._timings[id(instruction)]

    def words(self, word: int) -> int:
        """Gives the length of the instruction that starts with a word; words that are none count 1."""
        found = self.find(word)
        return 1 if found is None else found.words


@cache
def table_for(core: Core) -> InstructionTable:
    """Gives the instruction table of a core, made once."""
    return InstructionTable(core)
