"""The calls of some functions through a run: entered by address, over at the return address and its stack level."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from cyclerule.machine.chip import Chip
from cyclerule.measure.results import CallRow, CallStats, PassStats
from cyclerule.measure.stage import Stage

MOST_EXITS = 64
"""Words that calls returned to stay watched up to so many: a loop calls from the same few places again and again."""


MEASURED_PASSES = 50_000
"""So many passes are measured where they are only summed up, the first ones: a loop that does little makes millions."""


class _OpenCall(NamedTuple):
    word: int
    start_cycle: int
    return_word: int
    stack_pointer: int


@dataclass
class _Sums:
    """What the passes through one function add up to so far."""

    first_cycle: int
    last_cycle: int = 0
    begun: int = 0
    count: int = 0
    minimum: int = 0
    maximum: int = 0
    total: int = 0
    is_complete: bool = True

    def add(self, cycles: int) -> None:
        """Adds a pass that is over."""
        self.minimum = min(self.minimum, cycles) if self.count else cycles
        self.maximum = max(self.maximum, cycles)
        self.count += 1
        self.total += cycles

    def stats(self) -> PassStats:
        """Gives them as a result."""
        return PassStats(
            self.count,
            self.minimum,
            self.maximum,
            self.total,
            self.begun,
            self.first_cycle,
            self.last_cycle,
            self.is_complete,
        )


@dataclass
class CallWatch:
    """Follows the calls of some functions through a run: entries by address, returns by return address and stack.

    `functions` are flash words by name; `longjmp` is that function's, None where the program has none. Calls of the
    words in `summed` are counted and summed up, and not kept one by one; after so many passes a word leaves it.
    """

    stage: Stage
    functions: Mapping[str, int]
    longjmp: int | None
    summed: frozenset[int] = frozenset()
    open: list[_OpenCall] = field(default_factory=list)
    rows: dict[int, list[CallRow]] = field(default_factory=dict)
    sums: dict[int, _Sums] = field(default_factory=dict)
    exits: set[int] = field(default_factory=set)

    def at_entry(self) -> bool:
        """Notes that control has come to the first instruction of a function; tells whether one is watched no more."""
        chip = self.stage.chip
        word = chip.program_counter
        if word == self.longjmp:
            self._abandon(_target_of_longjmp(chip))
        is_kept = word in self.functions.values()
        if word not in self.summed and not is_kept:
            return False
        return_word = return_address(chip)
        stack_pointer = chip.stack_pointer + chip.core.pc_bytes
        # A jump back to the first instruction from inside the same activation is a loop, not a call.
        if any((c.word, c.return_word, c.stack_pointer) == (word, return_word, stack_pointer) for c in self.open):
            return False
        if not is_kept and self._has_enough(word):
            return True
        self.open.append(_OpenCall(word, chip.cycle, return_word, stack_pointer))
        self.exits.add(return_word)
        if word in self.summed:
            sums = self.sums.setdefault(word, _Sums(chip.cycle))
            sums.begun, sums.last_cycle = sums.begun + 1, chip.cycle
        return False

    def _has_enough(self, word: int) -> bool:
        """Tells whether enough passes through a function are measured, and watches it no more then."""
        sums = self.sums.get(word)
        if sums is None or sums.begun < MEASURED_PASSES:
            return False
        sums.is_complete = False
        self.summed -= {word}
        self._forget_returns()
        return True

    def _abandon(self, stack_pointer: int) -> None:
        """Forgets the calls that a jump to this level of the stack leaves: they never return."""
        while self.open and self.open[-1].stack_pointer <= stack_pointer:
            self.open.pop()
        self._watch_returns()

    def _watch_returns(self) -> None:
        # Words that are watched in vain cost less than telling the engine each time that one is no longer.
        if len(self.exits) > MOST_EXITS:
            self._forget_returns()

    def _forget_returns(self) -> None:
        self.exits.clear()
        self.exits.update(call.return_word for call in self.open)

    def at_reset(self) -> None:
        """Forgets the calls that a reset of the chip broke off."""
        self.open.clear()
        self._watch_returns()

    def at_exit(self) -> None:
        """Notes that control has come to an address that watched calls return to."""
        chip = self.stage.chip
        while self.open and self.open[-1].stack_pointer <= chip.stack_pointer:
            call = self.open[-1]
            if call.stack_pointer == chip.stack_pointer and call.return_word != chip.program_counter:
                break
            self.open.pop()
            # A frame below the stack pointer was left by a jump past it; it never returned.
            if call.stack_pointer == chip.stack_pointer:
                self._note(call, chip.cycle - call.start_cycle)
        self._watch_returns()

    def _note(self, call: _OpenCall, cycles: int) -> None:
        if call.word in self.functions.values():
            row = CallRow(call.start_cycle, cycles, self._caller(call.return_word))
            self.rows.setdefault(call.word, []).append(row)
        sums = self.sums.get(call.word)
        if sums is not None:
            sums.add(cycles)

    def _caller(self, return_word: int) -> str:
        function = self.stage.image.function_at(2 * return_word - 2)
        if function is not None:
            return function.source_name
        return f"0x{2 * return_word:04x}"

    def stats(self) -> dict[str, CallStats]:
        """Gives the finished calls of each function, ordered by start."""
        return {name: CallStats(tuple(sorted(self.rows.get(word, ())))) for name, word in self.functions.items()}


def _target_of_longjmp(chip: Chip) -> int:
    """Gives the stack pointer that `longjmp` is going to set, from the buffer that its first argument points to.

    It lies behind the 18 registers that a function has to keep: avr-libc, setjmp.S.
    """
    place = chip.data[24] + (chip.data[25] << 8) + 18
    return int.from_bytes(chip.data[place : place + 2], "little") & chip.stack_pointer_mask


def return_address(chip: Chip) -> int:
    """Gives the flash word that is on top of the stack."""
    data, top = chip.data, chip.stack_pointer
    word = 0
    for place in range(1, chip.core.pc_bytes + 1):
        address = top + place
        word = word << 8 | (data[address] if address <= chip.ram_end else 0xFF)
    return word
