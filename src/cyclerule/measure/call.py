"""One call of one function, from the starting state to its return."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from cyclerule.engines.engine import Stop
from cyclerule.errors import ArgumentError, FaultError
from cyclerule.firmware.convention import Placement, place_arguments, result_place
from cyclerule.firmware.image import Function
from cyclerule.firmware.types import FunctionType
from cyclerule.isa.operations import I
from cyclerule.machine.bus import IoWrite
from cyclerule.measure.delays import DelayWatch
from cyclerule.measure.domains import parameter_key
from cyclerule.measure.held import name_held
from cyclerule.measure.results import Call, Measured
from cyclerule.measure.settings import Setting, places, write_all
from cyclerule.measure.stage import AUTO, Stage, StartingState
from cyclerule.measure.waiting import explain_runaway, explain_stray_return

DEFAULT_LIMIT = 50_000_000
"""Cycles after which a call counts as one that does not come back, unless told otherwise."""

PROBE_AFTER = 400_000
"""Cycles after which a call that has not come back is looked at for a loop that cannot end."""


@dataclass(frozen=True)
class Callee:
    """A function that can be called: where it is, how, and what its linked caller's call instruction takes.

    `name` is what the user calls it, for messages.
    """

    name: str
    word: int
    signature: FunctionType
    call_cycles: int


def place_call(stage: Stage, callee: Callee, values: Sequence[object]) -> Placement:
    """Places the arguments below the stage's stack pointer."""
    chip = stage.chip
    return place_arguments(
        callee.signature,
        values,
        stack_pointer=chip.stack_pointer,
        flash_free=stage.flash_free,
        symbols=places(stage),
        pc_bytes=chip.core.pc_bytes,
        architecture=chip.part.architecture,
        ram_start=stage.stack_end,
        flash_end=2 * stage.return_word,
        name=callee.name,
    )


def apply_placement(stage: Stage, placement: Placement) -> set[int]:
    """Writes what a caller would have set up; gives the data addresses that belong to the arguments."""
    chip = stage.chip
    for register, value in placement.registers.items():
        chip.data[register] = value
    placed = set(placement.registers)
    for address, data in placement.memory:
        chip.data[address : address + len(data)] = data
        placed.update(range(address, address + len(data)))
    stage.add_to_flash(placement.flash)
    chip.stack_pointer = placement.stack_pointer
    return placed


def enter(stage: Stage, word: int, *, interrupts: bool = False) -> None:
    """Puts the return address on the stack and the program counter at a function, as a call instruction does.

    With `interrupts` the I flag is set and handlers run; else none does, whatever the function sets.
    """
    chip = stage.chip
    chip.interrupts.delivers = interrupts
    if interrupts:
        chip.flags[I] = 1
    chip.lowest_stack_pointer = chip.stack_pointer
    stage.engine.call_from_outside(word, stage.return_word)


def run_to_return(
    stage: Stage,
    callee: Callee,
    stack_pointer: int,
    limit: int,
    *,
    is_under_way: bool = False,
    delays: DelayWatch | None = None,
) -> int:
    """Runs a call that has been entered until it is back; gives its cycles.

    One that `is_under_way` has run already for a while, since the measurement began. `delays` follows those inside.

    Raises RunawayError when it passes the limit, waits for ever or comes back past its caller,
    FaultError with its place when the program does what the chip cannot do.
    """
    chip, name = stage.chip, callee.name
    start = stage.began if is_under_way else chip.cycle
    probe = min(limit, PROBE_AFTER)
    try:
        while True:
            if is_under_way and chip.program_counter in stage.ends_of_call:
                stop = Stop.AT_EXIT
            elif delays is None:
                stop = stage.run(start + probe, exits=stage.ends_of_call)
            else:
                stop = _run_with_delays(stage, delays, start + probe)
            is_under_way = False
            if stop is Stop.AT_EXIT:
                if chip.program_counter == stage.return_word and chip.stack_pointer == stack_pointer:
                    check_stack(stage, callee, chip.lowest_stack_pointer)
                    return chip.cycle - start
                explain_stray_return(stage, name, start, stack_pointer, callee.word)
            if stop is Stop.LIMIT and chip.cycle - start < limit:
                explain_runaway(stage, name, start, stack_pointer, limit=None)
                probe = limit
                continue
            explain_runaway(stage, name, start, stack_pointer, limit=limit)
    except FaultError as fault:
        if fault.place:
            raise
        raise stage.located(fault, f", cycle {chip.cycle - start} of {name}") from None


def _run_with_delays(stage: Stage, delays: DelayWatch, limit: int) -> Stop:
    """Executes up to an end of the call, and follows the delays on the way there."""
    chip = stage.chip
    while True:
        exits, entries = delays.exits.union(stage.ends_of_call), delays.entries
        if stage.goes_on_at(entries) and chip.cycle == stage.began:
            # The boundary at which a run begins counts for nothing: a call may begin with a delay.
            delays.at_entry()
        stop = stage.run(limit, exits=exits, entries=entries)
        if stop is Stop.AT_EXIT:
            delays.at_exit()
            if chip.program_counter in stage.ends_of_call:
                return stop
        if stop is Stop.AT_ENTRY or (stop is Stop.AT_EXIT and stage.goes_on_at(entries)):
            delays.at_entry()
        elif stop is not Stop.AT_EXIT:
            if stop is Stop.LIMIT and stage.goes_on_at(entries):
                # The next run begins here, and takes no look at where it begins.
                delays.at_entry()
            return stop


def check_stack(stage: Stage, callee: Callee, lowest_stack_pointer: int) -> None:
    """Raises FaultError when a call that is back had its stack in the program's data.

    A push there stops a run at once; a frame of local variables is made by setting the stack pointer.
    """
    chip = stage.chip
    if lowest_stack_pointer >= chip.stack_floor:
        return
    place = stage.place(2 * callee.word)
    floor = f"0x{chip.stack_floor + 1:04x}"
    has_data = chip.stack_floor >= chip.ram_start
    into = f"into the program's data, which end below {floor}" if has_data else f"but RAM begins at {floor}"
    raise FaultError(
        f"the stack of {callee.name} reaches down to 0x{lowest_stack_pointer + 1:04x}, {into} "
        f"(at {place}, or in a function called from there)",
        address=2 * callee.word,
        cycle=chip.cycle,
        place=place,
    )


def own_stack(stack_pointer: int, stack_bytes: int) -> range:
    """Gives the data addresses of a call's own stack, from its caller's stack pointer down."""
    return range(stack_pointer + 1 - stack_bytes, stack_pointer + 1)


def run_call(
    stage: Stage,
    state: StartingState,
    callee: Callee,
    values: Sequence[object],
    *,
    measured: Measured,
    limit: int,
    interrupts: bool = False,
    settings: Mapping[str, object] | None = None,
) -> Call:
    """Measures one call from a state; `settings` says what was set in it, for the result."""
    chip = stage.chip
    stage.set_state(state)
    before = bytes(chip.data)
    placement = place_call(stage, callee, values)
    placed = apply_placement(stage, placement)
    result = result_place(callee.signature, placement)
    stage.begin(measured.engine, placed)
    stage.begin_stimuli()
    log: list[IoWrite] = []
    chip.bus.log = log
    enter(stage, callee.word, interrupts=interrupts)
    start = chip.cycle
    delays = DelayWatch(stage, measured.clock)
    try:
        cycles = run_to_return(stage, callee, placement.stack_pointer, limit, delays=delays)
    finally:
        chip.bus.log = None
    returned = result.read(chip.data.__getitem__, lambda address, size: bytes(chip.data[address : address + size]))
    handlers = list(chip.interrupts.finished)
    taken = sum(each.end_cycle - each.start_cycle for each in handlers if each.nested_in is None)
    buffers = {
        key: bytes(chip.data[buffer.address : buffer.address + buffer.size])
        for key, buffer in placement.buffers.items()
        if buffer.kind != "flash"
    }
    stack_bytes = placement.stack_pointer - chip.lowest_stack_pointer
    return Call(
        measured=replace(measured, engine=stage.used),
        given=given_values(callee, values),
        cycles=cycles,
        own_cycles=cycles - taken,
        cycles_with_call=cycles + callee.call_cycles,
        instructions=stage.instructions,
        returned=returned,
        arguments=buffers,
        stack_bytes=stack_bytes,
        io=[IoWrite(cycle - start, register, value) for cycle, register, value in log],
        held=name_held(stage, stage.first_reads(before), before, own_stack(placement.stack_pointer, stack_bytes)),
        handlers=handlers,
        warnings=stage.warnings(),
        settings=dict(settings or {}),
        delays=delays.stats(),
    )


def given_values(callee: Callee, values: Sequence[object]) -> Mapping[str, object]:
    """Names the values of a call by its parameters."""
    names = [parameter_key(parameter, n) for n, parameter in enumerate(callee.signature.parameters)]
    names += [f"argument {n + 1}" for n in range(len(names), len(values))]
    return dict(zip(names, values, strict=True))


def make_state(
    stage: Stage,
    before: Sequence[tuple[Callee, Sequence[object]]],
    settings: Sequence[tuple[Setting, object]],
    limit: int,
    origin: StartingState | None = None,
) -> StartingState:
    """Gives the state after running functions and setting things, from `origin` or the stage's own starting state.

    Buffers that these were given stay where they are, as those of a caller that goes on do.
    """
    chip = stage.chip
    stage.set_state(origin or stage.saved)
    stage.begin(AUTO)
    for callee, values in before:
        stack_pointer = chip.stack_pointer
        placement = place_call(stage, callee, values)
        apply_placement(stage, placement)
        enter(stage, callee.word)
        run_to_return(stage, callee, placement.stack_pointer, limit)
        if not placement.buffers:
            chip.stack_pointer = stack_pointer
    write_all(stage, settings)
    return stage.keep_state()


def entry_word(name: str, function: Function) -> int:
    """Gives the flash word of a function's first instruction; ArgumentError when no copy of it stands by itself."""
    if function.address is None:
        into = ", ".join(function.inlined_into)
        became = f"it was inlined into {into}" if into else "the compiler dropped it"
        raise ArgumentError(
            f"{name} does not stand by itself in the image: {became}; build with keep=[{name!r}] to measure a kept copy"
        )
    return function.address // 2


def check_callable(name: str, function: Function) -> FunctionType:
    """Gives a function's signature; ArgumentError when nothing tells it."""
    if function.signature is not None:
        return function.signature
    if function.clone_of is not None:
        raise ArgumentError(
            f"{name} is a clone that the compiler made of {function.clone_of} for some calls, with parameters of "
            f"its own; build with keep=[{function.clone_of!r}] to measure the function itself"
        )
    raise ArgumentError(
        f"{name} has no debug information that tells its parameters; declare it first, for example "
        f"declare('uint8_t {name}(uint8_t)')"
    )
