"""A starting state later than the entry of `main`: where a function has returned in the program's own run."""

from collections.abc import Iterable
from typing import NoReturn

from cyclerule.engines.engine import Stop
from cyclerule.errors import ArgumentError, FaultError, RunawayError
from cyclerule.firmware.image import Function, InlinedCall, Range
from cyclerule.measure.call import PROBE_AFTER
from cyclerule.measure.stage import AUTO, Stage, StartingState
from cyclerule.measure.waiting import explain_standstill

START_UP = "start-up"
"""What one names instead of a function for the state at the entry of `main`."""


def state_after(stage: Stage, function: Function, limit: int) -> StartingState:
    """Gives the state when a function has returned for the first time, on the way from the entry of `main`.

    Interrupts are on as the program turns them on. Of a function that was inlined it is the state when its code is
    first left. Raises ArgumentError for one that has no code, RunawayError when the program does not get there within
    `limit` cycles, FaultError when it does what the chip cannot do.
    """
    chip = stage.chip
    stage.set_state(stage.saved)
    stage.begin(AUTO)
    chip.interrupts.keeps_log = False
    try:
        if function.address is not None:
            _run_to_return(stage, function, limit)
        else:
            _run_past_inlined(stage, function, limit)
    except FaultError as fault:
        if fault.place:
            raise
        raise stage.located(
            fault, f", cycle {chip.cycle}, on the way to the return of {function.source_name}"
        ) from None
    finally:
        chip.interrupts.keeps_log = True
    # What ran until now is no part of what is measured from here.
    chip.interrupts.finished.clear()
    return stage.keep_state()


def _run_to_return(stage: Stage, function: Function, limit: int) -> None:
    chip, name = stage.chip, function.source_name
    entry = (function.address or 0) // 2
    if chip.program_counter != entry:
        _run_to(stage, {entry}, limit, f"the program does not come to {name}")
    address, size = chip.stack_pointer + 1, chip.core.pc_bytes
    # A call pushes its low byte first, so the high one is at the lower address.
    back = int.from_bytes(chip.data[address : address + size], "big")
    level = chip.stack_pointer + size
    while True:
        _run_to(stage, {back}, limit, f"{name} does not return")
        if chip.stack_pointer == level:
            return


def _run_past_inlined(stage: Stage, function: Function, limit: int) -> None:
    name, image = function.source_name, stage.image
    calls = [call for call in image.inlined if call.name == function.name and call.ranges]
    if not calls:
        raise ArgumentError(f"{name} has no code in the program, so it never returns in its run")
    extents = {_extent(call, name): call for call in calls}
    words = {word for extent in extents for word in _words([extent])}
    if stage.chip.program_counter not in words:
        _run_to(stage, words, limit, f"the program does not come to {name}")
    inside = next(call for (start, end), call in extents.items() if start <= 2 * stage.chip.program_counter < end)
    outer = image.functions[inside.inside]
    beyond = {word for word in _words(outer.ranges) if word not in words}
    _run_to(stage, beyond, limit, f"{name} is not left")


def _extent(call: InlinedCall, name: str) -> Range:
    """Gives the stretch from the first to the last byte of inlined code, which may hold some of its surroundings."""
    start, end = min(start for start, _ in call.ranges), max(end for _, end in call.ranges)
    own = sum(end - start for start, end in call.ranges)
    if end - start > 2 * own:
        raise ArgumentError(
            f"{name} is inlined into {call.inside} in pieces that lie apart, so no place is its end; name a function "
            "that stands by itself"
        )
    return start, end


def _words(ranges: Iterable[Range]) -> set[int]:
    return {word for start, end in ranges for word in range(start // 2, end // 2)}


def _run_to(stage: Stage, words: set[int], limit: int, lacking: str) -> None:
    """Runs until control is at one of the words; `lacking` begins the message where it does not get there."""
    chip = stage.chip
    patience = min(limit, PROBE_AFTER)
    while True:
        stop = stage.run(patience, exits=words)
        if stop is Stop.AT_EXIT:
            return
        still = explain_standstill(stage, is_halted=stop is Stop.HALTED)
        if still is not None:
            _raise(stage, f"{lacking}: {still.reason} (at {still.place}, cycle {chip.cycle})")
        if chip.cycle >= limit:
            _raise(
                stage,
                f"{lacking} within {limit:,} cycles; it was at {stage.place(2 * chip.program_counter)}; "
                "max_cycles allows more",
            )
        patience = limit


def _raise(stage: Stage, message: str) -> NoReturn:
    raise RunawayError(message, place=stage.place(2 * stage.chip.program_counter), cycle=stage.chip.cycle)
