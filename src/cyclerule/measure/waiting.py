"""Why a call does not come back: where it goes round, what it waits for, and who would have changed that."""

from typing import NamedTuple, NoReturn

from cyclerule.engines.engine import Stop
from cyclerule.errors import FaultError, RunawayError
from cyclerule.firmware.image import Function
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER
from cyclerule.measure.callers import instructions
from cyclerule.measure.layout import call_target, jump_target
from cyclerule.measure.stage import Stage

LOOP_INSTRUCTIONS = 2_000
"""Instructions within which a loop that changes nothing must come round to be recognised."""

END_OF_PROGRAM = frozenset({"exit", "_exit", "__stop_program"})
"""Where avr-libc stops a program: `exit` turns interrupts off and jumps to itself (gcrt1.S and exit.S)."""


LEFT_PAST_CALLER = "the stack pointer is above the caller's, so it left past its caller (a longjmp?)"

NOTHING_STARTED_IT = "; nothing has set that up"
RUN_FIRST = ": run first what does (before=['…'] or --before)"

HOW_TO_TURN_ON = " (interrupts=True or --interrupts turns them on)"


class _Turn(NamedTuple):
    """What a call did while it was watched: the flash words passed, and the RAM and I/O addresses read before written.

    `is_endless` says that its whole state came round with nothing left that could change it.
    """

    words: list[int]
    reads: list[int]
    is_endless: bool


def explain_runaway(stage: Stage, name: str, start: int, stack_pointer: int, *, limit: int | None) -> None:
    """Raises RunawayError when the call cannot come back, or when a limit has been passed.

    Without a limit only what is certain is said: the CPU sleeps or jumps to itself for ever, or the
    same state has come round with nothing left that could change it.
    """
    chip = stage.chip
    elapsed = chip.cycle - start
    lost = chip.stack_pointer > stack_pointer
    if chip.is_asleep and (limit is not None or not chip.interrupts.delivers):
        why = "no interrupt is to come" if chip.interrupts.delivers else f"interrupts are off{HOW_TO_TURN_ON}"
        # The program counter has gone on to the instruction after SLEEP.
        _raise(stage, f"{name} never returns: it goes to sleep; {why}", elapsed, chip.program_counter - 1)
    turn = _watch(stage)
    if turn is not None and turn.is_endless:
        if lost:
            _raise(stage, f"{name} never returns: {LEFT_PAST_CALLER}", elapsed)
        if _is_end_of_program(stage, chip.program_counter):
            _raise(stage, f"{name} does not return: it ended the program through exit", elapsed)
        waits = _what_it_waits_for(stage, turn.reads, is_certain=True)
        _raise(stage, f"{name} never returns: it goes round in {_extent(stage, turn.words)}{waits}", elapsed)
    if limit is None:
        return
    told = ""
    if lost:
        told = f"; {LEFT_PAST_CALLER}"
    elif turn is not None:
        waits = _what_it_waits_for(stage, turn.reads, is_certain=False)
        told = f"; it was going round in {_extent(stage, turn.words)}{waits}"
    _raise(stage, f"{name} is not back after {limit:,} cycles{told}; max_cycles allows more", elapsed)


class Standstill(NamedTuple):
    """Why a program goes no further: where, in words, and whether it waits for something rather than goes round."""

    place: str
    reason: str
    is_wait: bool


def explain_standstill(stage: Stage, *, is_halted: bool) -> Standstill | None:
    """Says why a program that runs from reset does not go on; None where nothing proves that it cannot.

    One that `is_halted` is asleep or jumps to itself with no event to come.
    """
    chip = stage.chip
    if chip.is_asleep:
        if not is_halted and _can_interrupt(chip):
            return None
        place = stage.place(2 * (chip.program_counter - 1))
        why = "no interrupt is to come" if chip.flags[I] else "interrupts are off"
        return Standstill(place, f"asleep for ever: {why}", is_wait=True)
    place = stage.place(2 * chip.program_counter)
    if is_halted and _is_end_of_program(stage, chip.program_counter):
        return Standstill(place, "the program has ended: main returned, or it called exit", is_wait=True)
    if is_halted:
        return Standstill(place, "it jumps to itself for ever, and no interrupt is to come", is_wait=True)
    turn = _watch(stage)
    if turn is None or not turn.is_endless:
        return None
    waits = _what_it_waits_for(stage, turn.reads, is_certain=True, is_program=True)
    return Standstill(place, f"it goes round for ever in {_extent(stage, turn.words)}{waits}", is_wait=bool(waits))


def _can_interrupt(chip: Chip) -> bool:
    """Tells whether an interrupt may come: an event that only sets a flag whose interrupt is not enabled leads to none.

    One that promises nothing may lead to an interrupt, and to a reset where interrupts are off. A request that waits
    already counts as none: with interrupts on it would have been served.
    """
    if not chip.interrupts.delivers:
        return False
    ahead = [alarm.recurrence for alarm in chip.events.alarms if alarm.due != NEVER]
    is_on = bool(chip.flags[I])
    return any(each is None or (is_on and each.source.is_enabled and each.source.vector is not None) for each in ahead)


def explain_stray_return(stage: Stage, name: str, start: int, stack_pointer: int, word: int) -> NoReturn:
    """Raises RunawayError for a call that ended elsewhere than at its caller, or with another stack pointer.

    `word` is where the function begins: where the call ended lies outside the program.
    """
    chip = stage.chip
    moved = chip.stack_pointer - stack_pointer
    if stage.resets and chip.program_counter != stage.return_word:
        reset = stage.resets[0]
        who = "the watchdog" if reset.cause == "WDRF" else "the RESET pin"
        how = f"never returns: {who} reset the chip at cycle {reset.cycle - start} of it"
    elif chip.program_counter != stage.return_word:
        how = (
            "never returns: it came to the reset vector, where the program starts anew (a call of a null pointer, "
            "or a longjmp to a place that setjmp did not fill?)"
        )
    elif moved > 0:
        how = (
            f"does not return to its caller: the stack pointer came back {moved} bytes above the caller's (a longjmp?)"
        )
    else:
        how = f"does not return to its caller: it left {-moved} byte{'s' if moved < -1 else ''} on the stack"
    _raise(stage, f"{name} {how}", chip.cycle - start, word)


def _raise(stage: Stage, message: str, elapsed: int, word: int | None = None) -> NoReturn:
    place = stage.place(2 * (stage.chip.program_counter if word is None else word))
    raise RunawayError(f"{message} (at {place}, cycle {elapsed})", place=place, cycle=elapsed)


def _is_end_of_program(stage: Stage, word: int) -> bool:
    symbol = stage.image.symbol_at("flash", 2 * word)
    return symbol is not None and symbol.name in END_OF_PROGRAM


def _watch(stage: Stage) -> _Turn | None:
    """Steps on through a loop and leaves the chip where it was; None where the call does not seem to be in a loop.

    Only a loop without any write and without an event to come that it could see proves itself endless.
    """
    chip, engine = stage.chip, stage.engine
    saved = chip.save()
    noted = engine.first_reads, bytes(engine.seen)
    log, chip.bus.log = chip.bus.log, []
    stop_run = chip.stop_run
    counted = engine.instructions
    try:
        # A watchdog that goes off meanwhile resets nothing.
        chip.stop_run = None
        first = _state(stage)
        words: list[int] = []
        reads: set[int] = set()
        engine.begin()
        for _ in range(LOOP_INSTRUCTIONS):
            words.append(chip.program_counter)
            stop = engine.run(chip.cycle + 1)
            reads = {address for address in engine.first_reads if address >= 32}
            if stop is Stop.HALTED:
                return _Turn(words, sorted(reads), True)
            if stop is not Stop.LIMIT or chip.pending_reset is not None:
                return None
            if not chip.bus.log and _state(stage) == first:
                # A timer that runs makes the loop's own reads of it change, so only a quiet chip proves anything.
                sees_events = any(32 <= address < chip.ram_start for address in reads) and chip.events.is_pending
                return _Turn(words, sorted(reads), not (sees_events or _can_interrupt(chip)))
        return _Turn(words, sorted(reads), False) if words.count(words[0]) > 1 else None
    except FaultError:
        return None
    finally:
        chip.restore(saved)
        chip.stop_run = stop_run
        engine.first_reads, engine.seen[:] = noted
        engine.instructions = counted
        chip.bus.log = log


def _state(stage: Stage) -> tuple[object, ...]:
    chip = stage.chip
    return chip.program_counter, chip.stack_pointer, tuple(chip.flags), bytes(chip.data)


def _extent(stage: Stage, words: list[int]) -> str:
    lines = sorted({place for word in words if (place := stage.image.lines.place(2 * word)) is not None}, key=str)
    if not lines:
        return f"0x{2 * min(words):04x} to 0x{2 * max(words):04x}"
    files: dict[str, list[int]] = {}
    for place in lines:
        files.setdefault(place.file, []).append(place.line)
    return ", ".join(
        f"{file}:{min(numbers)}" + (f"-{max(numbers)}" if len(numbers) > 1 else "") for file, numbers in files.items()
    )


def _what_it_waits_for(stage: Stage, reads: list[int], *, is_certain: bool, is_program: bool = False) -> str:
    chip, image = stage.chip, stage.image
    told: list[str] = []
    for address in reads:
        if address < chip.ram_start:
            if not chip.bus.is_quiet(address):
                lacks = "" if chip.bus.is_modelled(address) else " (a register that is not modelled)"
                told.append(chip.bus.name(address) + lacks)
            continue
        symbol = image.symbol_at("data", address)
        begin, size = (symbol.address, symbol.size_bytes) if symbol else (address, 1)
        changed_by = _handlers_that_store(stage, range(begin, begin + max(size, 1)))
        name = symbol.name if symbol else f"RAM at 0x{address:04x}"
        if changed_by:
            state = f"; interrupts are off{HOW_TO_TURN_ON}"
            if chip.interrupts.delivers and not chip.flags[I]:
                state = "; the program has interrupts turned off"
            elif chip.interrupts.delivers:
                state = NOTHING_STARTED_IT + ("" if is_program else RUN_FIRST) if is_certain else ""
            return f"; waits for {' or '.join(changed_by)}, which changes {name}{state}"
        if is_certain:
            told.append(name)
    names = ", ".join(dict.fromkeys(told))
    if not names:
        return ""
    if not is_certain:
        return f", which reads {names}"
    registers = {chip.bus.name(address) for address in reads if address < chip.ram_start}
    why = [said for name in sorted(registers) if (said := stage.devices.system.why_still(name))]
    return f"; waits for {names} to change{''.join(f'; {each}' for each in why)}"


def _handlers_that_store(stage: Stage, addresses: range) -> list[str]:
    """Names the interrupt vectors whose handler, or what it calls directly, has an STS to one of these addresses."""
    chip, image = stage.chip, stage.image
    found = []
    for vector in range(1, chip.part.vector_count):
        word = vector * chip.interrupts.vector_words
        target = jump_target(chip, word) if word < chip.flash_words else None
        handler = None if target is None else image.function_at(2 * target)
        if handler is not None and handler.name.startswith("__vector") and _stores(stage, handler, addresses):
            found.append(chip.part.vector_name(vector) or f"vector {vector}")
    return found


def _stores(stage: Stage, function: Function, addresses: range) -> bool:
    chip, image = stage.chip, stage.image
    seen: set[str] = set()
    waiting = [function]
    while waiting:
        looked_at = waiting.pop()
        if looked_at.name in seen:
            continue
        seen.add(looked_at.name)
        for begin, end in looked_at.ranges:
            for word, decoded in instructions(chip, begin, end):
                if decoded is not None and decoded.instruction.mnemonic == "STS" and decoded.operands[0] in addresses:
                    return True
                called = call_target(chip, word)
                callee = None if called is None else image.function_at(2 * called)
                if callee is not None:
                    waiting.append(callee)
    return False
