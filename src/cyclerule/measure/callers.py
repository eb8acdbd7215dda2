"""Which call instruction the linked program uses to reach a function."""

from collections.abc import Iterator, Mapping

from cyclerule.firmware.image import Image
from cyclerule.isa.table import Decoded
from cyclerule.machine.chip import Chip
from cyclerule.measure.layout import call_target, decoded_at


def instructions(chip: Chip, begin: int, end: int) -> Iterator[tuple[int, Decoded | None]]:
    """Gives the instructions between two flash byte addresses as (flash word, decoded), None for none."""
    word, last = begin // 2, min(end // 2, chip.flash_words)
    while word < last:
        decoded = decoded_at(chip, word)
        yield word, decoded
        word += 1 if decoded is None else decoded.instruction.words


def call_cycles_by_target(image: Image, chip: Chip) -> Mapping[int, int]:
    """Gives the cycles of the first call instruction to each flash word that functions of the image call directly."""
    found: dict[int, int] = {}
    for function in image.functions.values():
        if function.alias_of is not None:
            continue
        for begin, end in function.ranges:
            for word, decoded in instructions(chip, begin, end):
                called = call_target(chip, word)
                if decoded is not None and called is not None:
                    found.setdefault(called, decoded.timing.base)
    return found


def default_call_cycles(chip: Chip) -> int:
    """Gives the cycles of CALL where the core has it, else of RCALL."""
    mnemonic = "CALL" if "JMP_CALL" in chip.core.features else "RCALL"
    return chip.table.timing(next(each for each in chip.table.instructions if each.mnemonic == mnemonic)).base
