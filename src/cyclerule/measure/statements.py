"""One run of statements that stand between marks in a function of their own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from cyclerule.engines.engine import Stop
from cyclerule.errors import FaultError, MarksLost, RunawayError
from cyclerule.firmware.statement_marks import Marks, is_of_statements
from cyclerule.isa.operations import I
from cyclerule.machine.bus import IoWrite
from cyclerule.measure.call import PROBE_AFTER, Callee, apply_placement, enter, own_stack, place_call
from cyclerule.measure.held import name_held, without_set_pins
from cyclerule.measure.layout import decoded_at
from cyclerule.measure.results import Held, Measured, Warned
from cyclerule.measure.rows import set_addresses
from cyclerule.measure.settings import Setting, write_all
from cyclerule.measure.stage import Stage, StartingState
from cyclerule.measure.waiting import explain_runaway

_ENDS = frozenset({"RET", "RJMP", "JMP"})

SUBJECT = "the code"
"""What messages call statements under way."""


@dataclass(frozen=True)
class Passage:
    """The statements once through, from the first instruction of theirs to the last.

    `own_cycles` leaves out interrupt handlers that ran inside. `stack_bytes` is the deepest that they pushed, below the
    variables that their function has on the stack. `io` counts cycles from the first instruction.
    """

    cycles: int
    own_cycles: int
    instructions: int
    stack_bytes: int
    io: tuple[IoWrite, ...]
    held: tuple[Held, ...]
    warnings: tuple[Warned, ...]
    engine: str


class StatementRow(NamedTuple):
    """The statements with one set of values: with constants, and with values that the compiler did not know.

    `values` are of what was set before, then of the placeholders: numbers, and texts of what is none; `shown` has each
    as one types it.
    """

    values: Mapping[str, object]
    shown: Mapping[str, str]
    constant: Passage | None
    variable: Passage | None


@dataclass(frozen=True)
class StatementTimes:
    """Statements timed with all their values.

    `domains` are the values of what was set to several before, and of each placeholder, as one types them, in the order
    in which they vary, the last fastest;
    `variables` the types, by name, of those that were passed as values; `kept` the expressions whose values were kept;
    `settings` what was set before each row.
    """

    measured: Measured
    code: str
    files: tuple[str, ...]
    domains: Mapping[str, str]
    variables: Mapping[str, str]
    kept: tuple[str, ...]
    rows: tuple[StatementRow, ...]
    notes: tuple[str, ...] = ()
    build_warnings: tuple[str, ...] = ()
    settings: Mapping[str, object] = field(default_factory=dict)

    @property
    def cycles(self) -> int:
        """The cycles of the only figure there is; ValueError where there are several, which `rows` has."""
        figures = [each.cycles for row in self.rows for each in (row.constant, row.variable) if each is not None]
        if len(figures) != 1:
            raise ValueError(f"there are {len(figures)} figures; rows has them")
        return figures[0]

    @property
    def held(self) -> list[Held]:
        """What any row read before writing it, and that was no value given to it."""
        passages = [each for row in self.rows for each in (row.constant, row.variable) if each is not None]
        return list({held.name: held for each in reversed(passages) for held in each.held}.values())

    def __repr__(self) -> str:
        return f"<StatementTimes {self.measured.function}: {len(self.rows)} rows>"


def run_statements(
    stage: Stage,
    state: StartingState,
    callee: Callee,
    marks: Marks,
    values: Sequence[object],
    *,
    engine: str,
    limit: int,
    interrupts: bool = False,
    settings: Sequence[tuple[Setting, object]] = (),
) -> Passage:
    """Runs the statements once from a state, in which `settings` are set; their function, `callee`, takes `values`.

    Raises RunawayError where they are left otherwise than through their end, wait for ever, or take more cycles than
    `limit`; FaultError as a call does.
    """
    chip = stage.chip
    stage.set_state(state)
    write_all(stage, settings)
    given = set_addresses(setting for setting, _ in settings)
    before = bytes(chip.data)
    placement = place_call(stage, callee, values)
    stage.begin(engine, apply_placement(stage, placement) | given)
    log: list[IoWrite] = []
    chip.bus.log = log
    enter(stage, callee.word, interrupts=False)
    entered = chip.cycle
    try:
        _run_to(stage, marks.begin, limit, entered, placement.stack_pointer)
        start, done, stack_pointer = chip.cycle, stage.instructions, chip.stack_pointer
        log.clear()
        chip.lowest_stack_pointer = stack_pointer
        if interrupts:
            chip.interrupts.delivers = True
            chip.flags[I] = 1
        _run_to(stage, marks.end, limit, start, placement.stack_pointer)
    finally:
        chip.bus.log = None
    handlers = sum(each.end_cycle - each.start_cycle for each in chip.interrupts.finished if each.nested_in is None)
    own = own_stack(placement.stack_pointer, placement.stack_pointer - chip.lowest_stack_pointer)
    held = name_held(stage, stage.first_reads(before), before, own, given)
    return Passage(
        cycles=chip.cycle - start,
        own_cycles=chip.cycle - start - handlers,
        instructions=stage.instructions - done,
        stack_bytes=stack_pointer - chip.lowest_stack_pointer,
        io=tuple(IoWrite(cycle - start, register, value) for cycle, register, value in log),
        held=tuple(without_set_pins(each, [setting.name for setting, _ in settings]) for each in held),
        warnings=tuple(stage.warnings()),
        engine=stage.used,
    )


def check_end(stage: Stage, marks: Marks) -> None:
    """Raises MarksLost where an instruction of the statements stands behind their end, on the way out."""
    for end in marks.end:
        word = end
        while (decoded := decoded_at(stage.chip, word)) is not None and decoded.instruction.mnemonic not in _ENDS:
            if is_of_statements(stage.image.lines.row(2 * word)):
                raise MarksLost(
                    "the compiler has moved a part of the statements behind their end, so what they take is not known"
                )
            word += decoded.instruction.words


def _run_to(stage: Stage, words: frozenset[int], limit: int, start: int, stack_pointer: int) -> None:
    """Runs to a mark; raises RunawayError where it is not come to."""
    chip = stage.chip
    if chip.program_counter in words:
        # An engine goes on from where it stands.
        return
    exits = words | set(stage.ends_of_call)
    patience = min(limit, PROBE_AFTER)
    try:
        while (stop := stage.run(start + patience, exits=exits)) is not Stop.AT_EXIT:
            is_given_up = stop is not Stop.LIMIT or chip.cycle - start >= limit
            explain_runaway(stage, SUBJECT, start, stack_pointer, limit=limit if is_given_up else None)
            patience = limit
    except FaultError as fault:
        if fault.place:
            raise
        raise stage.located(fault, f", cycle {chip.cycle - start} of {SUBJECT}") from None
    if chip.program_counter not in words:
        how = "a return or a jump out of it"
        if chip.program_counter != stage.return_word:
            how = "coming to the reset vector (a call of a null pointer, or a longjmp to a place that is not set?)"
        raise RunawayError(f"{SUBJECT} is left before its end, by {how}, so it has no length", cycle=chip.cycle - start)
