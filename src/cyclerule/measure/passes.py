"""Passes through some lines, timed while the whole program runs; docs/lines.md says what a pass is."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import NamedTuple

from cyclerule.engines.engine import Stop
from cyclerule.errors import FaultError
from cyclerule.firmware.image import SourcePlace
from cyclerule.measure.follow import return_address
from cyclerule.measure.pass_results import LinesRun, Pass, PassStats
from cyclerule.measure.results import Measured
from cyclerule.measure.run import listen_to_serial
from cyclerule.measure.slices import CycleProgress, Slices, interruptible
from cyclerule.measure.stage import Stage
from cyclerule.measure.stretch import Stretch
from cyclerule.measure.until import Until

MOST_PASSES = 20_000
"""Passes after which a run ends unless another number is asked for."""


class _Where(Enum):
    """Where control is, as far as one activation of the function goes."""

    OUTSIDE = "no pass"
    LINES = "in the lines"
    OTHER = "in other lines, and may come back"
    CALLED = "in a function that the lines called"
    JUMPED = "in a function that the lines jumped to"


class _Moment(NamedTuple):
    cycle: int
    in_handlers: int


_RESET = _Moment(0, 0)


@dataclass
class _Open:
    """A pass that has begun; what came after the lines' last instruction is kept apart until control is back."""

    begin: _Moment
    last: _Moment
    own: int = 0
    called: int = 0
    others: Counter[SourcePlace | None] = field(default_factory=Counter)
    since_last: Counter[SourcePlace | None] = field(default_factory=Counter)


@dataclass
class _Activation:
    """One activation of the function: where it returns to, and the pass that it is in."""

    return_word: int | None = None
    stack_pointer: int | None = None
    where: _Where = _Where.OUTSIDE
    at: _Moment = _RESET
    label: SourcePlace | None = None
    call_word: int = -1
    call_stack_pointer: int = -1
    turn_word: int = -1
    open: _Open | None = None


class PassWatch:
    """Follows the passes through one stretch: looks where control comes to the lines, leaves them, calls and returns.

    `entries` and `exits` are the words to stop at, for `Engine.run`; `exits` changes as the program runs.
    """

    def __init__(self, stage: Stage, stretch: Stretch) -> None:
        self._stage, self._stretch = stage, stretch
        self._steps = stretch.flow.steps
        kinds = stretch.kinds
        self._calls, self._returns, self._leaves = kinds["call"], kinds["return"], kinds["leave"]
        self._follows_activations = stretch.may_run_twice or bool(self._leaves)
        looked = stretch.beginnings | self._calls | self._returns | self._leaves | stretch.after_calls
        looked |= stretch.changes | stretch.turns.keys() | self._ambiguous_turns()
        looked |= {way for word in self._leaves for way in self._steps[word].ways}
        if self._follows_activations:
            looked |= self._activation_words()
        self.entries = looked & stretch.words
        self._fixed_exits = looked - stretch.words
        self.exits: set[int] = set(self._fixed_exits)
        self.words: frozenset[int] = looked
        self._stack: list[_Activation] = []
        self._only = _Activation()
        self.passes: list[Pass] = []
        self.others: Counter[SourcePlace | None] = Counter()
        self.left = 0
        self._last = _RESET

    def _ambiguous_turns(self) -> frozenset[int]:
        """Words from which a way back leads to where control may also come from elsewhere in the same pass."""
        stretch = self._stretch
        inside = stretch.words | stretch.between
        found: set[int] = set()
        for target, words in stretch.turns.items():
            if any(source in inside and source not in words for source in stretch.flow.sources.get(target, ())):
                found |= words
        return frozenset(found)

    def _activation_words(self) -> frozenset[int]:
        ends = {word for word, step in self._steps.items() if step.kind in ("return", "leave")}
        return frozenset(ends | {self._stretch.flow.entry})

    def at_word(self, word: int) -> None:
        """Takes notice that control has come to one of the words."""
        chip = self._stage.chip
        interrupts = chip.interrupts
        now = _Moment(chip.cycle, interrupts.nested_cycles[len(interrupts.open)])
        if self._stack:
            self._return_to(word, now)
            if word not in self.words:
                return
        activation = self._activation(word) if self._follows_activations else self._only
        if activation.where is _Where.CALLED:
            self._back_from_call(activation, word, now)
        elif activation.where is _Where.JUMPED and activation.open is not None:
            # What was jumped to has jumped back: libgcc's shared prologues and tables of jumps.
            activation.open.called += _between(activation.at, now)
            activation.where = _Where.LINES
        else:
            self._add(activation, now)
        self._turn(activation, word, now)
        self._go_on(activation, word, now)
        self._leave(activation, word)

    # Activations.

    def _activation(self, word: int) -> _Activation:
        chip, stack = self._stage.chip, self._stack
        while stack and stack[-1].stack_pointer is not None and stack[-1].stack_pointer <= chip.stack_pointer:
            self._forget(stack.pop())
        if word == self._stretch.flow.entry:
            return_word = return_address(chip)
            stack_pointer = chip.stack_pointer + chip.core.pc_bytes
            top = stack[-1] if stack else None
            is_same = top is not None and (top.return_word, top.stack_pointer) == (return_word, stack_pointer)
            # A jump to the first instruction from inside is a loop; from a function that was jumped to it is a call.
            if top is None or not is_same or top.where is _Where.JUMPED:
                stack.append(_Activation(return_word, stack_pointer))
        if not stack:
            stack.append(_Activation())
        return stack[-1]

    def _forget(self, activation: _Activation) -> None:
        if activation.open is not None:
            if activation.where is _Where.OTHER:
                self._close(activation)
            else:
                self.left += 1

    def _return_to(self, word: int, now: _Moment) -> None:
        """Ends the passes whose last instruction was a jump to a function that has now returned to their caller."""
        stack, chip = self._stack, self._stage.chip
        while stack and stack[-1].where is _Where.JUMPED and stack[-1].return_word == word:
            activation = stack[-1]
            if activation.stack_pointer != chip.stack_pointer or activation.open is None:
                break
            activation.open.called += _between(activation.at, now)
            activation.open.last = now
            self._close(activation)
            stack.pop()
        if len(self.exits) > len(self._fixed_exits):
            self._set_exits()

    def _set_exits(self) -> None:
        # The engine holds on to the set itself.
        self.exits.clear()
        self.exits |= self._fixed_exits
        self.exits.update(a.return_word for a in self._stack if a.where is _Where.JUMPED and a.return_word is not None)

    def _leave(self, activation: _Activation, word: int) -> None:
        """Forgets an activation that ends with the instruction at hand."""
        step = self._steps.get(word)
        # What may go on inside, as behind a jump to a shared prologue, ends nothing.
        kind = "plain" if step is None or (step.kind == "leave" and step.ways) else step.kind
        if not self._follows_activations or not self._stack or activation is not self._stack[-1]:
            return
        if activation.where is _Where.JUMPED:
            self._set_exits()
        elif kind in ("return", "leave") and word not in self._leaves:
            pops = self._stage.chip.core.pc_bytes if kind == "return" else 0
            is_last = activation.stack_pointer == self._stage.chip.stack_pointer + pops
            if kind == "leave" or activation.stack_pointer is None or is_last:
                self._stack.pop()

    # Passes.

    def _add(self, activation: _Activation, now: _Moment) -> None:
        """Adds what ran since the last look."""
        took = _between(activation.at, now)
        if activation.open is not None:
            if activation.where is _Where.LINES:
                activation.open.own += took
            elif activation.where is _Where.OTHER:
                activation.open.since_last[activation.label] += took
        activation.at = now

    def _back_from_call(self, activation: _Activation, word: int, now: _Moment) -> None:
        stack_pointer = self._stage.chip.stack_pointer
        # Behind another call of the lines it is when longjmp came back to where they called setjmp.
        is_back = word in self._stretch.after_calls and stack_pointer == activation.call_stack_pointer
        if is_back and activation.open is not None:
            activation.open.called += _between(activation.at, now)
            activation.where = _Where.LINES
        else:
            self.left += 1
            activation.where, activation.open = _Where.OUTSIDE, None
        activation.at = now

    def _turn(self, activation: _Activation, word: int, now: _Moment) -> None:
        """Ends the pass where control has come round a loop that is around the lines."""
        sources = self._stretch.turns.get(word)
        if sources is None or activation.open is None:
            activation.turn_word = word
            return
        came_from, activation.turn_word = activation.turn_word, word
        ambiguous = sources & self.words
        if ambiguous:
            if came_from not in ambiguous:
                return
            step = self._steps[came_from]
            # The way that does not branch is longer when it comes here too.
            if _between(self._last, now) != (step.taken if len(step.ways) > 1 else step.cycles):
                return
        if activation.where is _Where.LINES:
            activation.open.last = now
        self._close(activation)

    def _go_on(self, activation: _Activation, word: int, now: _Moment) -> None:
        """Takes notice of what the instruction at hand belongs to, and of a call, return or jump that it is."""
        stretch = self._stretch
        self._last = now
        activation.at = now
        if word in stretch.words:
            if activation.open is None:
                activation.open = _Open(now, now)
            opened = activation.open
            if opened.since_last:
                opened.others.update(opened.since_last)
                opened.since_last = Counter()
            activation.where = _Where.LINES
            if word in self._calls or word in self._returns or word in self._leaves:
                self._go_out(activation, opened, word, now)
        elif activation.open is not None:
            if activation.where is _Where.LINES:
                activation.open.last = now
            if word in stretch.between:
                activation.where, activation.label = _Where.OTHER, stretch.around[word]
            else:
                self._close(activation)

    def _go_out(self, activation: _Activation, opened: _Open, word: int, now: _Moment) -> None:
        cycles = self._steps[word].cycles
        opened.own += cycles
        activation.at = _Moment(now.cycle + cycles, now.in_handlers)
        if word in self._calls:
            activation.where = _Where.CALLED
            activation.call_word, activation.call_stack_pointer = word, self._stage.chip.stack_pointer
        elif word in self._leaves:
            activation.where = _Where.JUMPED
        else:
            opened.last = activation.at
            self._close(activation)

    def _close(self, activation: _Activation) -> None:
        opened = activation.open
        activation.open, activation.where = None, _Where.OUTSIDE
        if opened is None:
            return
        if opened.others:
            self.others.update(opened.others)
        self.passes.append(
            Pass(
                opened.begin.cycle,
                opened.own,
                opened.called,
                sum(opened.others.values()) if opened.others else 0,
                opened.last.in_handlers - opened.begin.in_handlers,
            )
        )

    def stats(self) -> PassStats:
        """Gives the passes so far."""
        stretch = self._stretch
        opened = [each for each in (*self._stack, self._only) if each.open is not None]
        return PassStats(
            place=stretch.place(self._stage.chip.part),
            function=stretch.flow.function.name,
            passes=tuple(sorted(self.passes, key=lambda each: each.start_cycle)),
            others=dict(self.others),
            unfinished=len(opened),
            left=self.left,
            is_certain=stretch.is_certain,
        )


def _between(begin: _Moment, end: _Moment) -> int:
    """Gives the cycles between two moments, without those of interrupt handlers."""
    return end.cycle - begin.cycle - (end.in_handlers - begin.in_handlers)


@dataclass
class _Course:
    """A run under way, and the stretches that are watched on it."""

    stage: Stage
    watches: Sequence[PassWatch]
    until: Until
    slices: Slices
    max_passes: int

    def run(self, limit: int) -> str:
        """Runs up to a cycle at the latest, and gives why it stopped."""
        until, chip = self.until, self.stage.chip
        entries = until.entries.union(*(watch.entries for watch in self.watches))
        while True:
            stop = self.slices.run(limit, exits=self._exits(), entries=entries, stops_at_break=until.at_break)
            if stop is not Stop.AT_EXIT and stop is not Stop.AT_ENTRY:
                return _WHY.get(stop, "until")
            word = chip.program_counter
            for watch in self.watches:
                if word in watch.words or word in watch.exits:
                    watch.at_word(word)
            if word in until.entries and (stop is Stop.AT_ENTRY or self.stage.goes_on_at(until.entries)):
                return "until"
            if any(len(watch.passes) >= self.max_passes for watch in self.watches):
                return "passes"

    def _exits(self) -> set[int]:
        if len(self.watches) == 1:
            return self.watches[0].exits
        return {word for watch in self.watches for word in watch.exits}


_WHY = {Stop.LIMIT: "max_cycles", Stop.HALTED: "halted", None: "interrupted"}


def run_passes(
    stage: Stage,
    measured: Measured,
    what: str,
    stretches: Sequence[Stretch],
    until: Until,
    *,
    max_cycles: int,
    max_passes: int = MOST_PASSES,
    progress: CycleProgress | None = None,
) -> LinesRun:
    """Runs a fresh stage's chip from reset and times the passes through stretches of code.

    The stage is used up: its state is that of the stop. Ctrl-C ends it between two slices.
    """
    chip = stage.chip
    if until.serial is not None:
        listen_to_serial(stage, until.serial, None)
    watches = [PassWatch(stage, stretch) for stretch in stretches]
    limit = max_cycles if until.cycle is None else min(until.cycle, max_cycles)
    chip.interrupts.keeps_log = False
    stage.begin(measured.engine)
    fault = None
    with interruptible() as interruption:
        course = _Course(stage, watches, until, Slices(stage, interruption, progress, limit), max_passes)
        try:
            stopped = course.run(limit)
        except FaultError as error:
            stopped, fault = "fault", str(stage.located(error))
    if stopped == "max_cycles" and until.cycle is not None and until.cycle <= max_cycles:
        stopped = "until"
    return LinesRun(
        measured=replace(measured, engine=stage.used),
        what=what,
        places=tuple(watch.stats() for watch in watches),
        cycles=chip.cycle,
        stopped=stopped,
        stopped_at=stage.place(2 * chip.program_counter),
        fault=fault,
        warnings=stage.warnings(),
    )
