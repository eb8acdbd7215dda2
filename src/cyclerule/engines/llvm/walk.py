"""The exact way up to a cycle: instructions strung together, with a look at everything between them.

Single instructions, and where there is time for it whole runs of them: those that nothing jumps into and that end at
the first one which goes elsewhere.
"""

from collections.abc import Mapping, Sequence

from cyclerule.engines.ir import Block, Translated
from cyclerule.engines.llvm.layout import CONTINUE, Cpu, World
from cyclerule.engines.llvm.outline import block_targets
from cyclerule.engines.llvm.writing import Record, Writer

FACE = ("regs", "ram", "flags", "cpu", "flash", "world")

SHORTEST_RUN = 3
"""Instructions from which on a run of them is worth code of its own."""

NEAR = 200
"""Cycles before the deadline within which a loop is gone round here; before that it is counted, and may be compiled."""


def step_name(word: int) -> str:
    """Gives the name of the function for a single instruction."""
    return f"step_{word:x}"


def run_name(word: int) -> str:
    """Gives the name of the function for a run of instructions."""
    return f"straight_{word:x}"


def straight_runs(
    instructions: Sequence[Translated], stops: frozenset[int], flash_words: int
) -> list[list[Translated]]:
    """Finds the runs among instructions in order: nothing jumps into one, and no word of `stops` is inside."""
    begins = {each.word for each in instructions} & stops
    for each in instructions:
        if each.flow is not None:
            begins.update(block_targets(Block(each.word, [each]), flash_words))
            begins.add(each.word + each.words)
    runs: list[list[Translated]] = []
    expected = -1
    for each in instructions:
        if each.word in begins or each.word != expected:
            runs.append([])
        stands_alone = each.stands_apart or (
            each.flow is not None and each.word in block_targets(Block(each.word, [each]), flash_words)
        )
        if not stands_alone:
            runs[-1].append(each)
        expected = -1 if stands_alone or each.flow is not None else each.word + each.words
    return [run for run in runs if len(run) >= SHORTEST_RUN]


def walk_text(
    name: str, instructions: Sequence[Translated], runs: Mapping[int, tuple[int, int]], flash_words: int
) -> str:
    """Gives the function that strings the steps of some instructions together.

    `runs` are those that have a function: by first word, how many instructions they have and the most cycles they take.
    """
    return _Walk(instructions, runs, flash_words).text(name)


class _Walk:
    def __init__(
        self, instructions: Sequence[Translated], runs: Mapping[int, tuple[int, int]], flash_words: int
    ) -> None:
        self._instructions, self._runs, self._flash_words = instructions, runs, flash_words
        self._inside = {each.word for each in instructions}
        self._passed = ", ".join(f"ptr %{each}" for each in FACE)
        self._leaves: list[tuple[str, str]] = []
        self.w = w = Writer()
        self._cpu, world = Record(w, "%cpu", Cpu), Record(w, "%world", World)
        w.label("entry")
        self._deadline, self._hooks = self._cpu.load("deadline"), world.load("hooks", "ptr")

    def text(self, name: str) -> str:
        """Gives the whole function."""
        w, instructions = self.w, self._instructions
        first = self._cpu.load("pc", "i32")
        ways = " ".join(f"i32 {each.word}, label %at{each.word:x}" for each in instructions)
        w.do(f"switch i32 {first}, label %away [ {ways} ]")
        for number, each in enumerate(instructions):
            word = each.word
            w.label(f"at{word:x}")
            if word in self._runs:
                count, longest = self._runs[word]
                ends = w.put(f"add i64 {self._cpu.load('cycle')}, {longest}")
                w.branch(w.compare("sle", ends, self._deadline), f"run{word:x}", f"single{word:x}")
                w.label(f"run{word:x}")
                self._execute(run_name(word), f"run{word:x}", instructions[number + count - 1])
                w.label(f"single{word:x}")
                self._execute(step_name(word), f"single{word:x}", each)
            else:
                self._execute(step_name(word), f"at{word:x}", each)
        w.label("out")
        came = ", ".join(f"[ {status}, %{label} ]" for status, label in self._leaves)
        w.do(f"%status = phi i32 {came}")
        w.do("ret i32 %status")
        w.label("away")
        w.do(f"ret i32 {CONTINUE}")
        body = "\n".join(w.lines)
        # Nobody else looks at the CPU's state meanwhile, so cycle and stack pointer can stay in registers of the host.
        face = ", ".join(f"ptr {'noalias ' if each == 'cpu' else ''}%{each}" for each in FACE)
        return f"define i32 @{name}({face}) nounwind {{\n{body}\n}}\n"

    def _execute(self, function: str, label: str, last: Translated) -> None:
        """Calls a function from the block of that label, and goes on after its last instruction."""
        w = self.w
        status = w.put(f"call i32 @{function}({self._passed})")
        self._leaves.append((status, label))
        w.branch(w.compare("eq", status, CONTINUE, "i32"), f"{label}.on", "out")
        w.label(f"{label}.on")
        cycle = self._cpu.load("cycle")
        w.branch(w.compare("slt", cycle, self._deadline), f"{label}.look", "away")
        w.label(f"{label}.look")
        targets = block_targets(Block(last.word, [last]), self._flash_words)
        inside = [target for target in dict.fromkeys(targets) if target in self._inside]
        following = self._cpu.load("pc", "i32")
        ways = " ".join(f"i32 {target}, label %{label}.to{target:x}" for target in inside)
        w.do(f"switch i32 {following}, label %away [ {ways} ]")
        for target in inside:
            w.label(f"{label}.to{target:x}")
            if target <= last.word:
                near = w.compare("sge", w.put(f"add i64 {cycle}, {NEAR}"), self._deadline)
                w.branch(near, f"{label}.back{target:x}", "away")
                w.label(f"{label}.back{target:x}")
            hook = w.put(f"load i8, ptr {w.element(self._hooks, str(target))}")
            w.branch(w.compare("eq", hook, 0, "i8"), f"at{target:x}", "away")
