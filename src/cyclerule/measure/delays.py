"""What the delays of a program take, as they are met in a run or a call."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from cyclerule.measure.delay_sites import DelayFunction, InlinedDelay, argument_of
from cyclerule.measure.delay_stats import DelayStats
from cyclerule.measure.follow import MOST_EXITS, return_address
from cyclerule.measure.stage import Stage
from cyclerule.units import Hertz

MEASURED_TURNS = 2_000
"""So many turns of each delay are measured, the first ones: a program may wait a million times a second."""


@dataclass
class _Turns:
    """The turns of one delay so far."""

    name: str
    place: str
    own_cycles: int | None
    is_measured: bool
    count: int = 0
    total: int = 0
    cycles: list[int] = field(default_factory=list)
    asked: list[Fraction | None] = field(default_factory=list)
    errors: list[Fraction] = field(default_factory=list)
    is_complete: bool = True

    def add(self, cycles: int, asked: Fraction | None, clock: Hertz | None) -> None:
        """Adds a turn."""
        self.count += 1
        self.total += cycles
        self.cycles = [min([*self.cycles[:1], cycles]), max([*self.cycles[1:], cycles])]
        self._ask(asked)
        if asked is not None and clock is not None:
            error = cycles - asked * clock / 1_000_000
            self.errors = [min([*self.errors[:1], error]), max([*self.errors[1:], error])]

    def count_only(self, asked: Fraction | None) -> None:
        """Counts a turn whose cycles are not known."""
        self.count += 1
        self._ask(asked)

    def _ask(self, asked: Fraction | None) -> None:
        known = [each for each in (*self.asked, asked) if each is not None]
        self.asked = [min(known), max(known)] if asked is not None and None not in self.asked else [None, None]

    def stats(self) -> DelayStats:
        """Gives what the turns add up to."""
        least, most = self.cycles or (0, 0)
        asked_least, asked_most = self.asked or (None, None)
        error_least, error_most = self.errors or (None, None)
        return DelayStats(
            name=self.name,
            place=self.place,
            asked_least=asked_least,
            asked_most=asked_most,
            count=self.count,
            minimum=least,
            maximum=most,
            total=self.total,
            own_cycles=self.own_cycles,
            error_least=error_least,
            error_most=error_most,
            is_measured=self.is_measured,
            is_complete=self.is_complete,
        )


@dataclass(frozen=True)
class _OpenDelay:
    """A delay that has begun: where it ends, and at which level of the stack."""

    turns: _Turns
    end: int
    stack_pointer: int
    start_cycle: int
    asked: Fraction | None
    is_call: bool


class DelayWatch:
    """Follows the delays of a program: entered at their first word, over at the word behind them or at the caller.

    `entries` and `exits` are the words to stop at; they change as delays have been measured often enough.
    """

    def __init__(self, stage: Stage, clock: Hertz | None) -> None:
        self._stage, self._clock = stage, clock
        self._inlined: dict[int, InlinedDelay] = {each.word: each for each in stage.delay_sites.inlined}
        self._functions: dict[int, DelayFunction] = {each.word: each for each in stage.delay_sites.functions}
        self._turns: dict[tuple[int, int], _Turns] = {}
        self._open: list[_OpenDelay] = []
        self._returns: frozenset[int] = frozenset()
        self._change()

    def _change(self) -> None:
        self.entries = frozenset(self._inlined) | frozenset(self._functions)
        ends = frozenset(each.end for each in self._inlined.values() if each.end is not None)
        # Words that are watched in vain cost less than telling the engine each time that one is no longer.
        self._returns = self._returns if len(self._returns) < MOST_EXITS else frozenset()
        self._returns |= frozenset(each.end for each in self._open if each.is_call)
        self.exits = ends | self._returns

    def at_entry(self) -> bool:
        """Notes that control has come to a word; tells whether the words to stop at have changed."""
        chip = self._stage.chip
        word = chip.program_counter
        if word in self._inlined:
            return self._begin_inlined(self._inlined[word])
        if word in self._functions:
            return self._begin_called(self._functions[word])
        return False

    def _begin_inlined(self, site: InlinedDelay) -> bool:
        turns = self._turns_of((site.word, 0), site.name, site.place, site.cycles, is_measured=site.end is not None)
        if turns.count >= MEASURED_TURNS:
            turns.is_complete = False
            del self._inlined[site.word]
            self._change()
            return True
        if site.end is None:
            turns.count_only(site.asked)
        else:
            self._begin(turns, site.end, self._stage.chip.stack_pointer, site.asked, is_call=False)
        return False

    def _begin_called(self, function: DelayFunction) -> bool:
        stage, chip = self._stage, self._stage.chip
        back = return_address(chip)
        place = stage.place(2 * (back - 1)) if back else ""
        turns = self._turns_of((function.word, back), function.name, place, None, is_measured=True)
        if turns.count >= MEASURED_TURNS:
            turns.is_complete = False
            return False
        asked = argument_of(chip, function)
        self._begin(turns, back, chip.stack_pointer + chip.core.pc_bytes, asked, is_call=True)
        self._change()
        return True

    def _turns_of(
        self, key: tuple[int, int], name: str, place: str, own_cycles: int | None, *, is_measured: bool
    ) -> _Turns:
        return self._turns.setdefault(key, _Turns(name, place, own_cycles, is_measured))

    def _begin(self, turns: _Turns, end: int, stack_pointer: int, asked: Fraction | None, *, is_call: bool) -> None:
        # What was left by a jump past it never ends.
        here = self._stage.chip.stack_pointer
        self._open = [
            each
            for each in self._open
            if each.stack_pointer >= here and (each.end, each.stack_pointer) != (end, stack_pointer)
        ]
        self._open.append(_OpenDelay(turns, end, stack_pointer, self._stage.chip.cycle, asked, is_call))

    def at_exit(self) -> None:
        """Notes that control has come to the end of delays."""
        chip = self._stage.chip
        over = [
            each for each in self._open if each.end == chip.program_counter and each.stack_pointer == chip.stack_pointer
        ]
        for each in over:
            each.turns.add(chip.cycle - each.start_cycle, each.asked, self._clock)
        if over:
            self._open = [each for each in self._open if each not in over]

    def at_reset(self) -> None:
        """Forgets the delays that a reset of the chip has ended."""
        self._open.clear()

    def stats(self) -> tuple[DelayStats, ...]:
        """Gives the delays that were met, in the order in which they were first met."""
        return tuple(self._finished())

    def _finished(self) -> Iterator[DelayStats]:
        for turns in self._turns.values():
            if turns.count:
                yield turns.stats()
