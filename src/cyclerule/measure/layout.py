"""Places in flash that measuring needs to know: where `main` is, where the vectors are, what is free."""

from cyclerule.errors import ArgumentError
from cyclerule.firmware.image import Image
from cyclerule.isa.table import Decoded
from cyclerule.machine.chip import Chip

START_UP_INSTRUCTIONS = 200
"""Start-up code whose straight way is longer than this is not that of avr-libc, which has about 40 instructions."""


def unused_word(image: Image, chip: Chip) -> int:
    """Finds the highest flash word that holds nothing of the image: a return address no function has."""
    last = 2 * chip.flash_words
    for start, end in sorted(image.flash_used, reverse=True):
        if end < last:
            break
        last = start
    if last > 0:
        return last // 2 - 1
    raise ArgumentError("the program fills all of flash, so no return address is free to measure a call with")


def reset_word(image: Image) -> int:
    """Gives the flash word at which the image begins after reset: 0, or where its first byte is.

    A program in the boot section alone begins there: its chip's BOOTRST fuse moves the reset vector (DS40002061A,
    "Boot Loader Support").
    """
    return min((start for start, _ in image.flash_used), default=0) // 2


def function_word(image: Image, name: str) -> int | None:
    """Gives the flash word of a function by its link symbol; None without such a symbol."""
    return next((s.address // 2 for s in image.symbols if s.name == name and s.space == "flash"), None)


def decoded_at(chip: Chip, word: int) -> Decoded | None:
    """Gives the instruction at a flash word; None where there is none."""
    return chip.table.decode(chip.word(word), chip.word((word + 1) % chip.flash_words))


def jump_target(chip: Chip, word: int) -> int | None:
    """Gives the flash word that an unconditional jump at `word` leads to; None for anything else."""
    return _target(chip, word, "JMP", "RJMP")


def call_target(chip: Chip, word: int) -> int | None:
    """Gives the flash word of the function that a call instruction at `word` calls; None for anything else."""
    return _target(chip, word, "CALL", "RCALL")


def _target(chip: Chip, word: int, absolute: str, relative: str) -> int | None:
    decoded = decoded_at(chip, word)
    if decoded is None:
        return None
    if decoded.instruction.mnemonic == absolute:
        return decoded.operands[0]
    if decoded.instruction.mnemonic == relative:
        return (word + 1 + decoded.operands[0]) % chip.flash_words
    return None


def has_vector_table(chip: Chip, word: int) -> bool:
    """Whether the image begins with a jump, as a program with interrupt vectors does, and not with a function."""
    return jump_target(chip, word) is not None


def main_word(image: Image, chip: Chip) -> int | None:
    """Finds the flash word of `main`; None where neither a symbol nor the start-up code tells it.

    Without symbols it is what the start-up code calls right before it jumps to `exit`: avr-libc, gcrt1.S, section
    .init9. The way there is the reset vector's, without the turns of the loops that set up data.
    """
    named = function_word(image, "main")
    if named is not None:
        return named
    word = reset_word(image)
    for _ in range(START_UP_INSTRUCTIONS):
        decoded = decoded_at(chip, word)
        if decoded is None or decoded.instruction.mnemonic in ("RET", "RETI", "IJMP", "EIJMP"):
            return None
        after = (word + decoded.instruction.words) % chip.flash_words
        called = call_target(chip, word)
        if called is not None and jump_target(chip, after) is not None:
            return called
        jumped = jump_target(chip, word)
        word = after if jumped is None else jumped
    return None
