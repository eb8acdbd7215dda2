"""The reference engine as a bench for single instructions."""

from cyclerule.engines.engine import Stop
from cyclerule.engines.reference import Reference
from cyclerule.isa.record import Instruction
from cyclerule.machine.chip import Chip


class Bench(Reference):
    """Runs one instruction at a time, encoded into flash from word 0 on."""

    def __init__(self, chip: Chip) -> None:
        super().__init__(chip)
        self._placed: tuple[int, ...] = ()

    def place(self, *words: int) -> None:
        """Puts words into flash from word 0 on and forgets what was decoded there."""
        if words != self._placed:
            self.chip.flash[: 2 * len(words)] = b"".join(word.to_bytes(2, "little") for word in words)
            self._decoded[: len(words)] = [None] * len(words)
            self._placed = words

    def run_one(self, instruction: Instruction, operands: tuple[int, ...], *following: int) -> int:
        """Executes one instruction from word 0, with `following` words after it, and gives its cycles."""
        chip = self.chip
        self.place(*instruction.encode(*operands), *following)
        chip.program_counter = 0
        start, executed = chip.cycle, self.instructions
        assert self.run(start + 1) is Stop.LIMIT
        assert self.instructions == executed + 1
        return chip.cycle - start
