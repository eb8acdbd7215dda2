"""Instructions as assembly text, in the spelling of the manual's assembler, lower case."""

from cyclerule.isa.record import Instruction
from cyclerule.isa.table import InstructionTable

# Short forms of the flag instructions, by flag number: DS40002198 sec. 5.
_WHEN_SET = ("brcs", "breq", "brmi", "brvs", "brlt", "brhs", "brts", "brie")
_WHEN_CLEAR = ("brcc", "brne", "brpl", "brvc", "brge", "brhc", "brtc", "brid")
_FLAG_LETTERS = "cznvshti"


def assembly(instruction: Instruction, operands: tuple[int, ...]) -> str:
    """Writes one instruction: `ldi r24, 0x1f`, `brne .-6`, `ldd r18, Y+3`; distances are in bytes after it."""
    named = dict(zip(instruction.operands, operands, strict=True))
    mnemonic = instruction.mnemonic
    if mnemonic == "BRBS":
        return f"{_WHEN_SET[named['s']]} {_distance(named['k'])}"
    if mnemonic == "BRBC":
        return f"{_WHEN_CLEAR[named['s']]} {_distance(named['k'])}"
    if mnemonic == "BSET":
        return f"se{_FLAG_LETTERS[named['s']]}"
    if mnemonic == "BCLR":
        return f"cl{_FLAG_LETTERS[named['s']]}"
    head, _, tail = instruction.syntax.partition(" ")
    written = [_operand(instruction, form, named) for form in tail.split(", ") if form]
    return f"{head.lower()} {', '.join(written)}".rstrip()


def _operand(instruction: Instruction, form: str, named: dict[str, int]) -> str:
    if form in ("Rd", "Rr"):
        return f"r{named[form[1]]}"
    if form in ("Y+q", "Z+q"):
        return f"{form[0]}+{named['q']}"
    if form not in named:
        return form  # X, -X, X+ and the like stand for themselves.
    kind, value = instruction.operands[form].name, named[form]
    if kind.startswith("distance"):
        return _distance(value)
    if kind == "flash word":
        return f"0x{value * 2:x}"
    if kind.startswith("data address"):
        return f"0x{value:04x}"
    if kind.startswith(("bit number", "flag number", "round")):
        return str(value)
    return f"0x{value:02x}"


def _distance(words: int) -> str:
    return f".{words * 2:+d}"


def disassemble(table: InstructionTable, word: int, second: int = 0) -> str:
    """Writes the instruction that starts with a word; a word that is none becomes `.word 0x…`."""
    decoded = table.decode(word, second)
    return f".word 0x{word:04x}" if decoded is None else assembly(decoded.instruction, decoded.operands)
