"""Why a call does not come back: where it goes round, what it waits for, and who would have changed that."""

from typing import NoReturn

from cyclerule.engines.engine import Stop
from cyclerule.errors import RunawayError
from cyclerule.measure.callers import instructions
from cyclerule.measure.stage import Stage

LOOP_INSTRUCTIONS = 2_000
"""Instructions within which a loop that changes nothing must come round to be recognised."""


def explain_runaway(stage: Stage, name: str, start: int, stack_pointer: int, *, limit: int | None) -> None:
    """Raises RunawayError when the call cannot come back, or when a limit has been passed.

    Without a limit only what is certain is said: the CPU sleeps or jumps to itself for ever, or the
    same state has come round with nothing left that could change it.
    """
    chip = stage.chip
    elapsed = chip.cycle - start
    if chip.is_asleep:
        _raise(stage, f"{name} sleeps for ever: interrupts are off", elapsed)
    loop = _find_loop(stage)
    if loop is not None:
        words, reads = loop
        waits = _what_it_waits_for(stage, reads)
        _raise(stage, f"{name} never returns: it goes round in {_extent(stage, words)}{waits}", elapsed)
    if limit is None:
        return
    lost = ""
    if chip.stack_pointer > stack_pointer:
        lost = "; the stack pointer is above the caller's, so it left past its caller (longjmp?)"
    _raise(stage, f"{name} is not back after {limit} cycles{lost}", elapsed)


def _raise(stage: Stage, message: str, elapsed: int) -> NoReturn:
    place = stage.place(2 * stage.chip.program_counter)
    raise RunawayError(f"{message} (at {place}, cycle {elapsed})", place=place, cycle=elapsed)


def _find_loop(stage: Stage) -> tuple[list[int], list[int]] | None:
    """Steps on and tells whether the whole state comes round: (flash words passed, data addresses read), or None.

    The chip is left where it was. Only a loop without any write and without an event to come proves itself.
    """
    chip, engine = stage.chip, stage.engine
    saved = chip.save()
    noted = engine.first_reads, engine.settled
    log, chip.bus.log = chip.bus.log, []
    counted = engine.instructions
    try:
        first = _state(stage)
        words: list[int] = []
        reads: set[int] = set()
        for _ in range(LOOP_INSTRUCTIONS):
            engine.begin()
            words.append(chip.program_counter)
            stop = engine.run(chip.cycle + 1)
            reads.update(address for address in engine.first_reads if address >= 32)
            if stop is Stop.HALTED:
                return words, sorted(reads)
            if stop is not Stop.LIMIT or chip.bus.log:
                return None
            if _state(stage) == first:
                # A timer that runs makes the loop's own reads of it change, so only a quiet chip proves anything.
                reads_device = any(32 <= address < chip.ram_start for address in reads)
                return None if reads_device and chip.events.is_pending else (words, sorted(reads))
        return None
    finally:
        chip.restore(saved)
        engine.first_reads, engine.settled = noted
        engine.instructions = counted
        chip.bus.log = log


def _state(stage: Stage) -> tuple[object, ...]:
    chip = stage.chip
    return chip.program_counter, chip.stack_pointer, tuple(chip.flags), bytes(chip.data)


def _extent(stage: Stage, words: list[int]) -> str:
    lines = sorted({place for word in words if (place := stage.image.lines.place(2 * word)) is not None}, key=str)
    if not lines:
        return f"0x{2 * min(words):04x} to 0x{2 * max(words):04x}"
    files = {place.file for place in lines}
    if len(files) > 1:
        return ", ".join(str(place) for place in lines)
    numbers = sorted(place.line for place in lines)
    span = str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]}-{numbers[-1]}"
    return f"{lines[0].file}:{span}"


def _what_it_waits_for(stage: Stage, reads: list[int]) -> str:
    chip, image = stage.chip, stage.image
    told = []
    for address in reads:
        if address < chip.ram_start:
            told.append(chip.bus.name(address))
            continue
        symbol = image.symbol_at("data", address)
        changed_by = _handlers_that_store(stage, address, symbol.size_bytes if symbol else 1)
        name = symbol.name if symbol else f"RAM at 0x{address:04x}"
        if changed_by:
            return f"; waits for {' or '.join(changed_by)}, which changes {name}; interrupts are off"
        told.append(name)
    return f"; waits for {', '.join(dict.fromkeys(told))} to change" if told else ""


def _handlers_that_store(stage: Stage, address: int, size: int) -> list[str]:
    """Names the interrupt vectors whose handler has an STS to one of these addresses in its own code."""
    chip, image = stage.chip, stage.image
    found = []
    for vector in range(1, chip.part.vector_count):
        target = _vector_target(stage, vector)
        function = None if target is None else image.function_at(2 * target)
        if function is None or not function.name.startswith("__vector"):
            continue
        if any(
            decoded is not None
            and decoded.instruction.mnemonic == "STS"
            and address <= decoded.operands[0] < address + size
            for begin, end in function.ranges
            for _, decoded in instructions(chip, begin, end)
        ):
            found.append(chip.part.vector_name(vector) or f"vector {vector}")
    return found


def _vector_target(stage: Stage, vector: int) -> int | None:
    chip = stage.chip
    word = vector * chip.interrupts.vector_words
    if 2 * word + 3 >= len(chip.flash):
        return None
    decoded = chip.table.decode(chip.word(word), chip.word(word + 1))
    if decoded is None:
        return None
    if decoded.instruction.mnemonic == "JMP":
        return decoded.operands[0]
    if decoded.instruction.mnemonic == "RJMP":
        return (word + 1 + decoded.operands[0]) % chip.flash_words
    return None
