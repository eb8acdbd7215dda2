"""The exact way up to a cycle: single instructions strung together, with a look at everything after each of them."""

from collections.abc import Sequence

from cyclerule.engines.ir import Block, Translated
from cyclerule.engines.llvm.layout import CONTINUE, Cpu, World
from cyclerule.engines.llvm.outline import block_targets
from cyclerule.engines.llvm.writing import Record, Writer

FACE = ("regs", "ram", "flags", "cpu", "flash", "world")


def step_name(word: int) -> str:
    """Gives the name of the function for a single instruction."""
    return f"step_{word:x}"


def walk_text(name: str, instructions: Sequence[Translated], flash_words: int) -> str:
    """Gives the function that strings the steps of some instructions together."""
    w = Writer()
    cpu, world = Record(w, "%cpu", Cpu), Record(w, "%world", World)
    inside = {each.word for each in instructions}
    w.label("entry")
    deadline, hooks = cpu.load("deadline"), world.load("hooks", "ptr")
    first = cpu.load("pc", "i32")
    ways = " ".join(f"i32 {each.word}, label %at{each.word:x}" for each in instructions)
    w.do(f"switch i32 {first}, label %away [ {ways} ]")
    passed = ", ".join(f"ptr %{each}" for each in FACE)
    leaves: list[tuple[str, str]] = []
    for each in instructions:
        word = each.word
        w.label(f"at{word:x}")
        status = w.put(f"call i32 @{step_name(word)}({passed})")
        leaves.append((status, f"at{word:x}"))
        w.branch(w.compare("eq", status, CONTINUE, "i32"), f"on{word:x}", "out")
        w.label(f"on{word:x}")
        w.branch(w.compare("slt", cpu.load("cycle"), deadline), f"look{word:x}", "away")
        w.label(f"look{word:x}")
        # Only ways forward: what is jumped back to is counted, and may have code of its own.
        targets = [t for t in block_targets(Block(word, [each]), flash_words) if t > word and t in inside]
        following = cpu.load("pc", "i32")
        ways = " ".join(f"i32 {target}, label %hook{word:x}_{target:x}" for target in dict.fromkeys(targets))
        w.do(f"switch i32 {following}, label %away [ {ways} ]")
        for target in dict.fromkeys(targets):
            w.label(f"hook{word:x}_{target:x}")
            hook = w.put(f"load i8, ptr {w.element(hooks, str(target))}")
            w.branch(w.compare("eq", hook, 0, "i8"), f"at{target:x}", "away")
    w.label("out")
    came = ", ".join(f"[ {status}, %{label} ]" for status, label in leaves)
    w.do(f"%status = phi i32 {came}")
    w.do("ret i32 %status")
    w.label("away")
    w.do(f"ret i32 {CONTINUE}")
    body = "\n".join(w.lines)
    face = ", ".join(f"ptr %{each}" for each in FACE)
    return f"define i32 @{name}({face}) nounwind {{\n{body}\n}}\n"
