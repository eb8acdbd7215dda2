"""Where control can go inside a function: its instructions and the ways between them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from cyclerule.engines.ir import Translated
from cyclerule.engines.trace import Tracer
from cyclerule.firmware.image import Function, Image
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip

Kind = Literal["plain", "call", "return", "leave", "indirect"]
"""What an instruction does to the flow: `leave` is a jump out of the function, `indirect` one to a computed place."""

# libgcc's routines for switch tables jump on into the function that jumped to them (libgcc, lib1funcs.S).
_TABLE_JUMPS = ("__tablejump", "__do_tablejump")
# The code that -mcall-prologues shares comes back to right behind the jump to it (libgcc, lib1funcs.S).
_SHARED_PROLOGUE = "__prologue_saves__"


@dataclass(frozen=True, slots=True)
class Step:
    """An instruction in a function's flow.

    `ways` are the words inside the function where control may be next, for a call when it is back; `cycles` is what it
    takes when it does not branch or skip, `taken` when it branches. `outside` is the word called or jumped to outside,
    None where that is computed.
    """

    word: int
    kind: Kind
    cycles: int
    taken: int
    ways: tuple[int, ...]
    outside: int | None = None
    enables_interrupts: bool = False


class FunctionFlow:
    """The instructions of one function by flash word.

    `roots` are the words that control can come to from elsewhere: the entry, and what nothing inside leads to.
    """

    def __init__(self, function: Function, image: Image, chip: Chip) -> None:
        self.function = function
        self.entry = (function.address or 0) // 2
        self._image, self._tracer, self._flash_words = image, Tracer(chip), chip.flash_words
        self.steps: dict[int, Step] = {}
        inside = {word for start, end in function.ranges for word in range(start // 2, end // 2)}
        for start, end in sorted(function.ranges):
            word = start // 2
            while word < end // 2:
                each = self._tracer.translate(word)
                if each is not None:
                    self.steps[word] = self._step(each, inside)
                word += 1 if each is None else each.words
        reached = {way for step in self.steps.values() for way in step.ways} | {self.entry}
        unreached = tuple(sorted(self.steps.keys() - reached))
        self.roots = frozenset((self.entry, *unreached))
        for word, step in self.steps.items():
            if step.kind == "indirect":
                # Nothing else leads to the labels of a table.
                self.steps[word] = replace(step, ways=unreached)

    @cached_property
    def sources(self) -> Mapping[int, tuple[int, ...]]:
        """The words from which control may come to a word, inside the function."""
        found: dict[int, list[int]] = {}
        for step in self.steps.values():
            for way in step.ways:
                found.setdefault(way, []).append(step.word)
        return {word: tuple(words) for word, words in found.items()}

    def _step(self, each: Translated, inside: set[int]) -> Step:
        after = self._tracer.after(each)
        kind, ways, outside = self._ways(each, after)
        left = [way for way in ways if way not in inside]
        ways = tuple(way for way in ways if way in inside)
        if left and kind == "plain":
            outside = left[0]
            kind = "leave"
            symbol = self._image.symbol_at("flash", 2 * outside)
            name = symbol.name if symbol is not None else ""
            if name.startswith(_TABLE_JUMPS):
                kind = "indirect"
            elif name.startswith(_SHARED_PROLOGUE) and after in inside:
                ways = (*ways, after)
        enables = any(o.name == "set_flag" and o.arguments == (I, 1) for o in each.operations)
        return Step(each.word, kind, each.timing.base, each.timing.taken, ways, outside, enables)

    def _ways(self, each: Translated, after: int) -> tuple[Kind, tuple[int, ...], int | None]:
        flow = each.flow
        if flow is None:
            return "plain", (after,), None
        match flow.name, flow.arguments:
            case "branch", (_, int(offset)):
                return "plain", tuple(dict.fromkeys((after, (after + offset) % self._flash_words))), None
            case "skip", _:
                return "plain", (after, (after + each.following) % self._flash_words), None
            case "jump_by", (int(offset),):
                return "plain", ((after + offset) % self._flash_words,), None
            case "jump_to", (int(target),):
                return "plain", (target % self._flash_words,), None
            case "jump_indirect", _:
                return "indirect", (), None
            case "call_by", (int(offset),):
                return "call", (after,), (after + offset) % self._flash_words
            case "call_to", (int(target),):
                return "call", (after,), target % self._flash_words
            case "call_indirect", _:
                return "call", (after,), None
            case _:
                return "return", (), None


class Flows:
    """The functions' flows, each made once, and what may run while a function is at work."""

    def __init__(self, image: Image, chip: Chip) -> None:
        self._image, self._chip = image, chip
        self._flows: dict[str, FunctionFlow] = {}

    def of(self, function: Function) -> FunctionFlow:
        """Gives the flow of a function that has code."""
        if function.name not in self._flows:
            self._flows[function.name] = FunctionFlow(function, self._image, self._chip)
        return self._flows[function.name]

    def may_run_twice(self, function: Function) -> bool:
        """Whether a function may begin once more before it has ended: recursion, or a handler that calls it too.

        A call of a computed place may be a call of anything.
        """
        if function.name in self._reached(self.of(function)):
            return True
        handlers = [
            f for f in self._image.functions.values() if f.name.startswith("__vector_") and f.address is not None
        ]
        handled: set[str] = set()
        for handler in handlers:
            handled |= {handler.name, *self._reached(self.of(handler))}
        if function.name not in handled:
            return False
        others = [f for f in self._image.functions.values() if f.name == "main" and f.address is not None]
        runs_in_main = any(function.name in self._reached(self.of(main)) for main in others)
        nests = any(step.enables_interrupts for name in handled for step in self._named(name).steps.values())
        return runs_in_main or nests or not others

    def _named(self, name: str) -> FunctionFlow:
        return self.of(self._image.functions[name])

    def _reached(self, flow: FunctionFlow) -> set[str]:
        """Gives the functions that run when one is called, that one left out unless it is called again."""
        found: set[str] = set()
        waiting = [flow]
        while waiting:
            each = waiting.pop()
            for step in each.steps.values():
                if step.kind == "call" and step.outside is None:
                    return {
                        name for name, f in self._image.functions.items() if f.address is not None and not f.alias_of
                    }
                if step.outside is None or step.outside in each.steps:
                    continue
                function = self._image.function_at(2 * step.outside)
                if function is not None and function.name not in found:
                    found.add(function.name)
                    waiting.append(self.of(function))
            # A call of its own first instruction is inside.
            if any(step.kind == "call" and step.outside in each.steps for step in each.steps.values()):
                found.add(each.function.name)
        return found
