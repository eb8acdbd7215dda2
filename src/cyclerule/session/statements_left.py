"""Why nothing is left of statements, or only constants: from what the compiler says and what it makes."""

import re
from collections.abc import Sequence

from cyclerule.firmware.statement_marks import Marks
from cyclerule.firmware.statement_probe import Probe
from cyclerule.firmware.statement_text import Statements
from cyclerule.firmware.statements import Row
from cyclerule.measure.layout import decoded_at
from cyclerule.measure.stage import Stage

# Front end's words: GCC manual, "Warning Options".
_ASKED = ("-Wunused-variable", "-Wunused-but-set-variable", "-Wunused-value")
_UNUSED = re.compile(r"warning: (?:variable '(?P<set>\w+)' set but not used|unused variable '(?P<unused>\w+)')")
_NO_EFFECT = re.compile(r"warning: (?:statement (?:has|with) no effect|value computed is not used|.* is not used)")

_DELAYS = frozenset({"_delay_us", "_delay_ms", "__builtin_avr_delay_cycles", "delayMicroseconds"})
_LOOPS = frozenset({"for", "while", "do"})
_LOADS = frozenset({"LDI", "MOV", "MOVW"})


def why_nothing_is_left(probe: Probe, statements: Statements, row: Row, keep: Sequence[str], level: str) -> str:
    """Says that nothing is left of a row's statements, why, and what to do."""
    words = {token.text for token in statements.tokens}
    said = probe.remarks(row, _ASKED)
    named = {match["set"] or match["unused"] for match in _UNUSED.finditer(said)}.difference(keep)
    unused = list(dict.fromkeys(token.text for token in statements.tokens if token.text in named))
    found = f"no instruction is left of the statements at -O{level}"
    if unused:
        keeping = " ".join(f"--keep {name}" for name in unused)
        return f"{found}: nothing uses {' and '.join(unused)}; to time how it is computed, keep it: {keeping}"
    if _NO_EFFECT.search(said):
        return f"{found}: nothing uses their value; give it to a variable and keep that, as in 'int x = …' --keep x"
    if has_delay(statements):
        return f"{found}: a constant delay that comes to no whole cycle at this clock is no instruction at all"
    if words & _LOOPS:
        return (
            f"{found}: a loop that changes nothing is removed; for a pause use _delay_us, which is exact, or make its "
            "counter volatile"
        )
    if keep:
        return f"{found}: what is kept is there already, without any of them"
    example = next(iter(_assigned(statements)), "NAME")
    return (
        f"{found}: they change no memory, no register and no pin, and nothing keeps what they compute "
        f"(--keep {example})"
    )


def _assigned(statements: Statements) -> list[str]:
    """Gives the names that something is assigned to, the last first."""
    tokens = [*(token for token in statements.tokens), None, None, None]
    found = []
    for name, *behind in zip(tokens, tokens[1:], tokens[2:], tokens[3:], strict=False):
        texts = ["" if token is None else token.text for token in behind]
        is_assigned = (texts[0] == "=" and texts[1] != "=") or (texts[0] in "+-*/%&|^" and texts[1] == "=" != texts[2])
        if name is not None and name.kind == "word" and is_assigned:
            found.append(name.text)
    return found[::-1]


def has_delay(statements: Statements) -> bool:
    """Whether there is a delay in real time, which without optimization is another one."""
    return any(token.text in _DELAYS for token in statements.tokens)


def is_folded(stage: Stage, marks: Marks) -> bool:
    """Tells whether all that is between the marks loads constants into registers."""
    word, loads = min(marks.begin), 0
    while word not in marks.end:
        decoded = decoded_at(stage.chip, word)
        if decoded is None:
            return False
        mnemonic = decoded.instruction.mnemonic
        is_clear = mnemonic == "EOR" and decoded.operands[0] == decoded.operands[1]
        if mnemonic not in _LOADS and not is_clear:
            return False
        loads += mnemonic == "LDI" or is_clear
        word += decoded.instruction.words
    return loads > 0
