"""From the intermediate form to LLVM: two functions for each region.

`run_…` is the code itself. It takes the chip's data space, the CPU's state, what is left of the time, and the stack
pointer, and gives the time left, where control is and the stack pointer. Registers and flags are values; memory has
them at every way out. `avr_…` is its face to the outside: it hands over the CPU's state, and gives CONTINUE, LEAVE,
SLOW or IDLE with the program counter set.

Time is one number: the cycles left until the deadline times 2^32, plus the instructions executed since control came
in. So a block costs one addition, and a look at the deadline is a look at the sign.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from cyclerule.engines.ir import Block, Ref, Region, Translated
from cyclerule.engines.llvm.layout import (
    CONTINUE,
    DEEPEST,
    IDLE,
    LEAVE,
    REFUSED,
    RETURNED,
    SHADOW,
    SLOW,
    WATCHDOG,
    Cpu,
    World,
    offset,
)
from cyclerule.engines.llvm.outline import (
    ALL_FLAGS,
    IO_OFFSET,
    UNKNOWN,
    Outline,
    Spot,
    Summary,
    block_targets,
    effects,
    known_effects,
    small_callees,
)
from cyclerule.engines.llvm.values import Late, Node, Nodes, Text, Value, plain
from cyclerule.engines.llvm.walk import run_name, step_name, straight_runs, walk_text
from cyclerule.engines.tracking import KEPT_REGISTERS
from cyclerule.isa.operations import I
from cyclerule.machine.chip import EIND, RAMPZ, SPH, SPL, SREG, Chip

IN_PLACE = 60
"""Instructions of a callee, with its own callees, up to which it is written in place of its call."""

LARGEST = 700
"""Instructions of a function, with what is written in place, above which nothing more is."""

UNLIKELY, COUNTS = "!prof !0", "{ i64, i32, i16 }"
SIGNATURE = "ptr noalias %data, ptr noalias %cpu, i64 %time, i16 zeroext %stack"
_FACE = "ptr %regs, ptr %ram, ptr %flags, ptr %cpu, ptr %flash, ptr %world"
_MOST_TIME = (1 << 31) - 1


class Lowering:
    """Writes the LLVM functions of a chip's regions; `tracks` adds the notes on what is read before it is written.

    `longest` is the most cycles that can pass in any function written so far between two looks at the deadline, and
    `stretches` the most in each one alone, by its entry; `callees` are the entries that each one calls, -1 for any.
    """

    def __init__(self, chip: Chip, *, tracks: bool = False) -> None:
        self.chip, self.tracks = chip, tracks
        self.longest = 0
        self.stretches: dict[int, int] = {}
        self.callees: dict[int, frozenset[int]] = {}
        self._summaries: dict[int, Summary] = {}

    def forget(self) -> None:
        """Forgets the functions written so far, which can no longer be called."""
        self._summaries.clear()
        self.stretches.clear()
        self.callees.clear()
        self.longest = 0

    def module(
        self,
        regions: Iterable[Region],
        stops: frozenset[int],
        *,
        known: Mapping[int, Region | None] | None = None,
        watches: bool = True,
    ) -> str:
        """Gives a module with the functions of some regions; at the words of `stops` control always comes back first.

        `known` are regions that have functions already. With `watches` hooks are looked at, at every entry and
        return point; without it they are not, and small callees are written in place of their calls.
        """
        made = {region.entry: region for region in regions}
        around = {**{word: region for word, region in (known or {}).items() if region is not None}, **made}
        touched = known_effects(around.values(), self.chip)
        inlined = frozenset[int]()
        if not watches:
            inlined = small_callees(around, self.chip.flash_words, most=IN_PLACE) - stops
            inlined = frozenset(
                w for w in inlined if not any(touched[e.word].moves_stack for e in around[w].instructions())
            )
        outlines = {
            word: Outline(self.chip, region, around, inlined=inlined, stops=stops, known=touched, most=LARGEST)
            for word, region in made.items()
        }
        texts: list[str] = []
        self._write_all(outlines, texts, watches=watches)
        return "".join(texts)

    def _write_all(self, outlines: Mapping[int, Outline], texts: list[str], *, watches: bool) -> None:
        """Writes callees before callers, as far as calls do not go round."""
        begun: set[int] = set()

        def write(word: int) -> None:
            begun.add(word)
            outline = outlines[word]
            for callee in sorted(outline.callees):
                if callee in outlines and callee not in begun:
                    write(callee)
            summary = outline.study(self._summaries, watches=watches)
            function = _Function(self, outline, self._summaries, frozenset(outlines), watches=watches)
            texts.append(function.text())
            texts.append(_face(word))
            self._summaries[word] = summary
            self.longest = max(self.longest, summary.longest)
            self.stretches[word] = summary.longest
            self.callees[word] = outline.called_words()

        for word in sorted(outlines):
            if word not in begun:
                write(word)

    def margins(self) -> dict[int, int]:
        """Gives, for each function written so far, the most cycles between two looks until control is out of it.

        What it calls has the same deadline, so the longest stretch of any function that may come to run counts.
        """
        found = dict(self.stretches)
        changed = True
        while changed:
            changed = False
            for word, callees in self.callees.items():
                longest = max((self.longest if c < 0 else found.get(c, 0) for c in callees), default=0)
                if longest > found[word]:
                    found[word] = longest
                    changed = True
        return found

    def walk(self, name: str, instructions: Iterable[Translated], stops: frozenset[int]) -> tuple[str, frozenset[int]]:
        """Gives a module with a function that goes on exactly up to a cycle, from any of some instructions on.

        It executes the one at the program counter and those after it until `Cpu.deadline` is reached, a hook is set or
        anything else is to be looked at; so at most one of them when that is the next cycle. Where there is time for
        it, several run in one go; the words in between, where no hook is looked at then, come with the text, and the
        words of `stops` are none of them.
        """
        instructions = list(instructions)
        runs = straight_runs(instructions, stops, self.chip.flash_words)
        texts = [self._step(step_name(each.word), [each]) for each in instructions]
        lengths = {run[0].word: (len(run), self._longest(run)) for run in runs}
        texts += [self._step(run_name(run[0].word), run) for run in runs]
        texts.append(walk_text(name, instructions, lengths, self.chip.flash_words))
        return "".join(texts), frozenset(each.word for run in runs for each in run[1:])

    def _longest(self, instructions: Iterable[Translated]) -> int:
        return sum(effects(each, self.chip).longest for each in instructions)

    def _step(self, name: str, instructions: list[Translated]) -> str:
        word = instructions[0].word
        region = Region(word, {word: Block(word, instructions)}, frozenset())
        own = {each.word: effects(each, self.chip) for each in instructions}
        outline = Outline(self.chip, region, {}, inlined=frozenset(), stops=frozenset(), known=own, most=0)
        outline.study({}, watches=False)
        return _Function(self, outline, {}, frozenset(), watches=False, step=name).text()


def function_name(word: int) -> str:
    """Gives the name of the function for an entry, as the outside calls it."""
    return f"avr_{word:x}"


def inner_name(word: int) -> str:
    """Gives the name of the function for an entry, as compiled code calls it."""
    return f"run_{word:x}"


def looked_at(region: Region) -> frozenset[int]:
    """Gives the words at which a region looks at hooks, however control comes there: its entry and return points."""
    return frozenset(
        {
            region.entry,
            *(
                each.word + each.words
                for each in region.instructions()
                if each.flow is not None and each.flow.name.startswith("call")
            ),
        }
    )


def _field(text: Text, name: str, structure: type[Cpu] | type[World] = Cpu, base: str = "%cpu") -> str:
    return text.put(f"getelementptr i8, ptr {base}, i64 {offset(structure, name)}")


def _face(word: int) -> str:
    """Writes the function that the outside calls: the CPU's state in, the CPU's state and a status out."""
    lines: list[str | Late] = ["entry:"]
    text = Text(lines, [0])

    def load(name: str, kind: str = "i64") -> str:
        return text.put(f"load {kind}, ptr {_field(text, name)}")

    def store(name: str, value: str, kind: str = "i64") -> None:
        text.do(f"store {kind} {value}, ptr {_field(text, name)}")

    for name, value in (("flags_at", "%flags"), ("flash_at", "%flash"), ("world_at", "%world")):
        store(name, value, "ptr")
    cycle, deadline = load("cycle"), load("deadline")
    fresh = text.put(f"icmp ne i8 {load('fresh', 'i8')}, 0")
    store("fresh", "0", "i8")
    left = text.put(f"sub i64 {text.put(f'sub i64 {deadline}, {cycle}')}, 1")
    hooks = text.put(f"load ptr, ptr {_field(text, 'hooks', World, '%world')}")
    hook = text.put(f"load i8, ptr {text.put(f'getelementptr i8, ptr {hooks}, i64 {word}')}")
    stays = text.put(f"or i1 {text.put(f'icmp slt i64 {left}, 0')}, {text.put(f'icmp ne i8 {hook}, 0')}")
    stays = text.put(f"and i1 {stays}, {text.put(f'xor i1 {fresh}, true')}")
    text.do(f"br i1 {stays}, label %stay, label %go")
    text.label("stay")
    store("pc", str(word), "i32")
    text.do(f"ret i32 {LEAVE}")
    text.label("go")
    is_long = text.put(f"icmp sgt i64 {left}, {_MOST_TIME}")
    left = text.put(f"select i1 {is_long}, i64 {_MOST_TIME}, i64 {left}")
    store("horizon", text.put(f"add i64 {cycle}, {left}"))
    lowest, floor = load("lowest", "i16"), load("floor", "i16")
    store("safe", _larger(text, lowest, floor), "i16")
    time = text.put(f"shl i64 {left}, 32")
    stack = load("sp", "i16")
    came = text.put(f"call {COUNTS} @{inner_name(word)}(ptr %regs, ptr %cpu, i64 {time}, i16 zeroext {stack})")
    time = text.put(f"extractvalue {COUNTS} {came}, 0")
    where = text.put(f"extractvalue {COUNTS} {came}, 1")
    store("sp", text.put(f"extractvalue {COUNTS} {came}, 2"), "i16")
    store("cycle", text.put(f"sub i64 {load('horizon')}, {text.put(f'ashr i64 {time}, 32')}"))
    executed = text.put(f"and i64 {time}, {0xFFFFFFFF}")
    store("instructions", text.put(f"add i64 {load('instructions')}, {executed}"))
    goes_on = text.put(f"icmp sge i32 {where}, 0")
    text.do(f"br i1 {goes_on}, label %on, label %out")
    text.label("on")
    store("pc", where, "i32")
    text.do(f"ret i32 {CONTINUE}")
    text.label("out")
    text.do(f"ret i32 {text.put(f'sub i32 0, {where}')}")
    body = "\n".join(map(str, lines))
    return f"define i32 @{function_name(word)}({_FACE}) nounwind {{\n{body}\n}}\n"


def _larger(text: Text, one: str, other: str) -> str:
    return text.put(f"select i1 {text.put(f'icmp ugt i16 {one}, {other}')}, i16 {one}, i16 {other}")


@dataclass
class _Window:
    """Distances from an address, between which all is known to be RAM; it may still grow until the block ends."""

    low: int
    high: int
    spot: Spot | None = None
    base: str = ""


@dataclass
class _State:
    """What is known at a place: registers and flags as values, what their variables and memory lack, what has passed.

    `height` is the stack pointer's distance from `stack`, or from its value on entry where that is empty. `pushed`
    and `popped` are distances between which the stack may be written, or read, without a look.
    """

    registers: dict[int, Value]
    unsaved: set[int]
    dirty: set[int]
    flags: dict[int, Value]
    unsaved_flags: set[int]
    dirty_flags: set[int]
    time: str
    stack: str
    height: int
    cycles: int = 0
    instructions: int = 0
    pushed: tuple[int, int] | None = None
    popped: tuple[int, int] | None = None
    windows: dict[Value, _Window] = field(default_factory=dict)
    is_stack_saved: bool = True

    def copy(self) -> "_State":
        return _State(
            dict(self.registers),
            set(self.unsaved),
            set(self.dirty),
            dict(self.flags),
            set(self.unsaved_flags),
            set(self.dirty_flags),
            self.time,
            self.stack,
            self.height,
            self.cycles,
            self.instructions,
            self.pushed,
            self.popped,
            dict(self.windows),
            self.is_stack_saved,
        )


_Span = tuple[int, int] | None


class _Function:
    """One function on its way to text."""

    def __init__(
        self,
        lowering: Lowering,
        outline: Outline,
        summaries: Mapping[int, Summary],
        together: frozenset[int],
        *,
        watches: bool,
        step: str = "",
    ) -> None:
        self.chip, self.tracks = lowering.chip, lowering.tracks
        self.outline, self.summaries, self.together = outline, summaries, together
        self.watches, self.is_step, self._step_name = watches, bool(step), step
        # The field with the cycle at which no time is left.
        self._horizon = "cycle" if step else "horizon"
        self.looked = looked_at(outline.region) if watches else frozenset[int]()
        self.nodes = Nodes()
        self.lines: list[str | Late] = []
        self.asides: list[str | Late] = []
        self.counter = [0]
        self.labels = 0
        self.main = Text(self.lines, self.counter)
        self.spot = outline.entry
        self.root = outline.entry
        self.position = 0
        self.state = self.before = _State({}, set(), set(), {}, set(), set(), "%time", "", 0)
        self.attention: str | None = None
        self.noted: set[int] = set()
        self.handed: dict[Spot, tuple[Text, _State, Spot]] = {}
        self.spans: dict[tuple[Spot, Spot], tuple[_Span, _Span]] = {}
        self.registers: set[int] = set()
        self.flags: set[int] = set()
        touched = [outline.effects[each.word] for spot in outline.spots for each in spot.block.instructions]
        self.own_registers = frozenset[int]().union(*(effect.reads | effect.writes for effect in touched))

    # Pieces of text.

    def label(self, hint: str) -> str:
        """Gives a new label."""
        self.labels += 1
        return f"{hint}{self.labels}"

    def pointer(self, text: Text, name: str) -> str:
        """Writes the address that a field of the CPU's state holds; it does not change while code runs."""
        if self.is_step:
            return f"%{name.removesuffix('_at')}"
        return text.put(f"load ptr, ptr {_field(text, name)}, !invariant.load !1")

    def world(self, text: Text, name: str, kind: str = "ptr") -> str:
        """Writes the value of a field of the world."""
        return text.put(f"load {kind}, ptr {_field(text, name, World, self.pointer(text, 'world_at'))}")

    def text(self) -> str:
        """Gives the whole function."""
        outline = self.outline
        for spot in outline.spots:
            self._write_spot(spot)
        lines: list[str | Late] = ["entry:"]
        text = Text(lines, self.counter)
        if self.is_step:
            self._write_step_entry(text)
        text.do("%stack.wide = zext i16 %stack to i64")
        text.do("%top = getelementptr i8, ptr %data, i64 %stack.wide")
        for register in sorted(self.registers):
            text.do(f"%r{register}.at = getelementptr i8, ptr %data, i64 {register}")
            text.do(f"%r{register} = alloca i8")
            text.do(f"store i8 {text.put(f'load i8, ptr %r{register}.at')}, ptr %r{register}")
        if self.flags:
            flags = self.pointer(text, "flags_at")
            for flag in sorted(self.flags):
                text.do(f"%f{flag} = alloca i1")
                text.do(f"store i1 {self._load_flag(text, flags, flag)}, ptr %f{flag}")
        text.do("%left = alloca i64")
        text.do("store i64 %time, ptr %left")
        text.do("%sp = alloca i16")
        text.do("store i16 %stack, ptr %sp")
        text.do(f"br label %{outline.entry.label}")
        body = "\n".join(map(str, [*lines, *self.lines, *self.asides]))
        word = outline.region.entry
        if self.is_step:
            return f"define internal i32 @{self._step_name}({_FACE}) nounwind alwaysinline {{\n{body}\n}}\n"
        # With this attribute the program's branches stay branches. As choices between values both ways would be taken,
        # and each value waits for the one before: half as fast where the host foresees a branch, as it mostly does.
        return f"define {COUNTS} @{inner_name(word)}({SIGNATURE}) nounwind optforfuzzing {{\n{body}\n}}\n"

    def _write_step_entry(self, text: Text) -> None:
        text.do("%data = getelementptr i8, ptr %regs, i64 0")
        text.do(f"%stack = load i16, ptr {_field(text, 'sp')}")
        # A step counts from the cycle at hand: nothing is left of its time.
        text.do("%time = add i64 0, 0")

    def _load_flag(self, text: Text, flags: str, flag: int) -> str:
        at = text.put(f"getelementptr i8, ptr {flags}, i64 {flag}")
        return text.put(f"icmp ne i8 {text.put(f'load i8, ptr {at}')}, 0")

    # Time.

    def _pass(self, text: Text, state: _State) -> str:
        """Writes the time that is left once all that has passed is taken off."""
        if state.cycles or state.instructions:
            change = state.instructions - (state.cycles << 32)
            state.time = text.put(f"add i64 {state.time}, {change}")
            state.cycles = state.instructions = 0
        return state.time

    def _cycle(self, extra: int) -> str:
        """Writes the cycle at hand, with what has passed and `extra` cycles more."""
        text = self.main
        horizon = text.put(f"load i64, ptr {_field(text, self._horizon)}")
        left = text.put(f"ashr i64 {self.state.time}, 32")
        cycle = text.put(f"sub i64 {horizon}, {left}")
        return text.put(f"add i64 {cycle}, {self.state.cycles + extra}")

    # Ways out.

    def _flush(self, text: Text, state: _State, registers: Iterable[int], flags: Iterable[int]) -> None:
        """Writes registers and flags to memory."""
        for register in sorted(registers):
            self.registers.add(register)
            text.do(f"store i8 {self._register_in(text, state, register)}, ptr %r{register}.at")
        kept = sorted(flags)
        if kept:
            base = self.pointer(text, "flags_at")
            for flag in kept:
                bit = text.put(f"zext i1 {self._flag_in(text, state, flag)} to i8")
                text.do(f"store i8 {bit}, ptr {text.put(f'getelementptr i8, ptr {base}, i64 {flag}')}")

    def _register_in(self, text: Text, state: _State, register: int) -> str:
        value = state.registers.get(register)
        if value is None:
            self.registers.add(register)
            return text.put(f"load i8, ptr %r{register}")
        return text.value(value, 8)

    def _flag_in(self, text: Text, state: _State, flag: int) -> str:
        value = state.flags.get(flag)
        if value is None:
            return text.put(f"load i1, ptr {self._flag_variable(flag)}")
        return text.value(value, 1)

    def _flag_variable(self, flag: int) -> str:
        is_entry = self.root is self.outline.entry and not self.root.predecessors
        if flag not in self.root.live_flags and not is_entry:
            raise AssertionError(
                f"flag {flag} is used at 0x{2 * self.spot.block.word:x}, where nothing was to look at it"
            )
        self.flags.add(flag)
        return f"%f{flag}"

    def _leave(self, text: Text, state: _State, status: int, pc: str) -> None:
        """Leaves the function: everything to memory, then the status, or the word where control is."""
        self._flush(text, state, state.dirty, state.dirty_flags)
        time = self._pass(text, state)
        if self.is_step:
            left = text.put(f"ashr i64 {time}, 32")
            horizon = text.put(f"load i64, ptr {_field(text, self._horizon)}")
            text.do(f"store i64 {text.put(f'sub i64 {horizon}, {left}')}, ptr {_field(text, 'cycle')}")
            executed = text.put(f"load i64, ptr {_field(text, 'instructions')}")
            more = text.put(f"and i64 {time}, {0xFFFFFFFF}")
            text.do(f"store i64 {text.put(f'add i64 {executed}, {more}')}, ptr {_field(text, 'instructions')}")
            text.do(f"store i16 {self._stack_pointer(text, state)}, ptr {_field(text, 'sp')}")
            text.do(f"store i32 {pc}, ptr {_field(text, 'pc')}")
            text.do(f"ret i32 {status}")
            return
        if status != CONTINUE:
            text.do(f"store i32 {pc}, ptr {_field(text, 'pc')}")
        self._give_back(text, time, pc if status == CONTINUE else str(-status), self._stack_pointer(text, state))

    def _give_back(self, text: Text, time: str, where: str, stack: str) -> None:
        one = text.put(f"insertvalue {COUNTS} undef, i64 {time}, 0")
        two = text.put(f"insertvalue {COUNTS} {one}, i32 {where}, 1")
        three = text.put(f"insertvalue {COUNTS} {two}, i16 {stack}, 2")
        text.do(f"ret {COUNTS} {three}")

    def _leave_where(self, condition: str, state: _State, status: int, pc: str, *, sets_shadow: bool = False) -> None:
        """Leaves the function when a condition holds, which it seldom does."""
        if condition == "false":
            return
        out, on = self.label("out"), self.label("on")
        self.main.do(f"br i1 {condition}, label %{out}, label %{on}, {UNLIKELY}")
        away = self.main.away(self.asides)
        away.label(out)
        if sets_shadow:
            away.do(f"store i8 {SHADOW}, ptr {_field(away, 'shadow')}")
        self._leave(away, state.copy(), status, pc)
        self.main.label(on)

    def _slow(self, condition: str, before: _State, word: int) -> None:
        """Leaves the instruction to the exact path when the condition holds, with the state before it."""
        self._leave_where(condition, before, SLOW, str(word))

    # Spots and instructions.

    def _write_spot(self, spot: Spot) -> None:
        handed = self.handed.pop(spot, None)
        if handed is None:
            self.root = spot
            self.main = Text(self.lines, self.counter)
            self.main.label(spot.label)
            self.state = self._state_at(spot)
        else:
            base, self.state, self.root = handed
            self.main = base.away(self.lines)
            self.main.label(spot.label)
        self.spot, self.noted, self.attention = spot, set(), None
        block = spot.block
        if self.outline.is_stop(spot):
            self._leave(self.main, self.state, LEAVE, str(block.word))
            return
        for position, each in enumerate(block.instructions):
            self.position = position
            self.attention = None
            if each.stands_apart or _jumps_to_itself(each):
                status = SLOW if each.stands_apart else IDLE + each.timing.base
                self._leave(self.main, self.state, status, str(each.word))
                return
            if self._instruction(each):
                return
        self._go(block.after % self.chip.flash_words)

    def _state_at(self, spot: Spot) -> _State:
        """Gives what is known where several ways come together: what is in variables."""
        text = self.main
        time = text.put("load i64, ptr %left")
        dirty, dirty_flags = set(spot.dirty), set(spot.dirty_flags)
        state = _State({}, set(), dirty, {}, set(), dirty_flags, time, "", spot.height or 0)
        if spot.height is None:
            state.stack = text.put("load i16, ptr %sp")
            return state
        # What is known of the stack's room stays so. Ways back add nothing, unless they come from elsewhere.
        forth = [each for each in spot.predecessors if not each.is_back(spot)]
        back = [each for each in spot.predecessors if each.is_back(spot)]
        spans = [self.spans.get((each, spot), (None, None)) for each in forth]
        if spans and all(self.outline.dominates(spot, each) for each in back):
            state.pushed = _common([pushed for pushed, _ in spans])
            state.popped = _common([popped for _, popped in spans])
        return state

    def _instruction(self, each: Translated) -> bool:
        """Writes one instruction; tells whether it ended the block."""
        before = self.before = self.state.copy()
        results: list[tuple[Value, ...]] = []
        shadow: str | None = None
        for operation in each.operations:
            arguments = [results[a.operation][a.result] if isinstance(a, Ref) else int(a) for a in operation.arguments]
            name = operation.name
            if each.flow is operation:
                self.state.instructions += 1
                self._flow(each, name, arguments, before)
                return True
            if name in ("load", "store") and isinstance(operation.arguments[0], Ref) and _is_cpu(arguments[0]):
                # A pointer that turns out to be constant reaches the CPU itself, which the outline did not foresee.
                self._slow("true", before, each.word)
                results.append((0,) if name == "load" else ())
                continue
            if name == "set_flag" and arguments[0] == I:
                shadow = self._set_and_compare(I, arguments[1])
                results.append(())
                continue
            if name in ("io_write", "store") and self._io_address(name, arguments) == SREG:
                shadow = self._write_status(arguments[1])
                results.append(())
                continue
            results.append(self._operation(each, name, arguments, operation.results, before))
        self.state.cycles += each.timing.base
        self.state.instructions += 1
        after = (each.word + each.words) % self.chip.flash_words
        if shadow is not None:
            if not self.is_step and each is not self.spot.block.instructions[-1]:
                # The next instruction ends the shadow, so nobody sees it unless a request is waiting.
                waiting = self.main.put(f"icmp ne i64 {self.world(self.main, 'waiting', 'i64')}, 0")
                shadow = self.main.put(f"and i1 {shadow}, {waiting}")
            self._leave_where(shadow, self.state, LEAVE, str(after), sets_shadow=True)
        if self.attention is not None:
            self._leave_where(self.attention, self.state, LEAVE, str(after))
        return False

    def _operation(  # noqa: C901 - one case for each operation that is not a plain value
        self, each: Translated, name: str, arguments: list[Value], widths: tuple[int, ...], before: _State
    ) -> tuple[Value, ...]:
        match name:
            case "read":
                register = plain(arguments[0])
                self._note_register(each, register, is_read=True)
                return (self._register(register),)
            case "write":
                register = plain(arguments[0])
                self._note_register(each, register, is_read=False)
                self._set_register(register, arguments[1])
                return ()
            case "flag":
                return (self._flag(plain(arguments[0])),)
            case "set_flag":
                self._set_flag(plain(arguments[0]), arguments[1])
                return ()
            case "add_with_carry":
                return self.nodes.sums("sum", "carry", tuple(arguments))
            case "subtract_with_borrow":
                return self.nodes.sums("difference", "borrow", tuple(arguments))
            case "load":
                return (self._load(each, arguments[0], before),)
            case "store":
                self._store(each, arguments[0], arguments[1], before)
                return ()
            case "push":
                self._push(each, arguments[0], before)
                return ()
            case "pop":
                return (self._pop(each, before),)
            case "load_flash":
                return (self._load_flash(arguments[0], arguments[1]),)
            case "reset_watchdog":
                if self.chip.resets_watchdog is not None:
                    self._io_write(each, WATCHDOG, 0, 0)
                return ()
            case _:
                found = self._io_operation(each, name, arguments)
                return (self.nodes.make(name, tuple(arguments), widths[0]),) if found is None else found

    def _io_operation(self, each: Translated, name: str, arguments: list[Value]) -> tuple[Value, ...] | None:
        match name:
            case "io_read":
                return (self._io_read(each, plain(arguments[0]) + IO_OFFSET),)
            case "io_write":
                self._io_write(each, plain(arguments[0]) + IO_OFFSET, arguments[1], 0xFF)
                return ()
            case "io_read_bit":
                value = self._io_read(each, plain(arguments[0]) + IO_OFFSET)
                return (self.nodes.make("bit", (value, arguments[1]), 1),)
            case "io_write_bit":
                address, position, bit = (plain(argument) for argument in arguments)
                self._io_write(each, address + IO_OFFSET, bit << position, 1 << position)
                return ()
            case "flash_page":
                return (self._plain_io(RAMPZ),)
            case "jump_page":
                return (self._plain_io(EIND),)
            case "set_flash_page":
                self._store_plain_io(RAMPZ, arguments[0])
                return ()
            case _:
                return None

    # Registers and flags.

    def _register(self, register: int) -> Value:
        found = self.state.registers.get(register)
        if found is None:
            self.registers.add(register)
            found = self.nodes.there(self.main.put(f"load i8, ptr %r{register}"), 8)
            self.state.registers[register] = found
        return found

    def _set_register(self, register: int, value: Value) -> None:
        self.registers.add(register)
        self.state.registers[register] = value
        self.state.unsaved.add(register)
        self.state.dirty.add(register)

    def _flag(self, flag: int) -> Value:
        found = self.state.flags.get(flag)
        if found is None:
            found = self.nodes.there(self.main.put(f"load i1, ptr {self._flag_variable(flag)}"), 1)
            self.state.flags[flag] = found
        return found

    def _set_flag(self, flag: int, value: Value) -> None:
        self.state.flags[flag] = value
        self.state.unsaved_flags.add(flag)
        self.state.dirty_flags.add(flag)

    def _note_register(self, each: Translated, register: int, *, is_read: bool) -> None:
        """Notes a block's first use of a register that a callee has to keep, unless only saved or cleared."""
        if not self.tracks or register not in KEPT_REGISTERS or register in self.noted:
            return
        mnemonic, _, operands = each.text.partition(" ")
        first, _, second = operands.partition(", ")
        if is_read and (mnemonic == "push" or (mnemonic in ("eor", "sub", "sbc") and first == second)):
            return
        self.noted.add(register)
        if is_read:
            self._note_read(str(register))
        else:
            self._note_write(str(register))

    # Data space.

    def _io_address(self, name: str, arguments: list[Value]) -> int | None:
        """Gives the data address of a write when it is known to be an I/O register."""
        address = arguments[0]
        if not isinstance(address, int):
            return None
        if name == "io_write":
            return address + IO_OFFSET
        return address if IO_OFFSET <= address < self.chip.ram_start else None

    def _in_ram(self, address: Node, before: _State, word: int) -> tuple[str, str]:
        """Leaves the instruction unless an address is in RAM; gives a pointer to it and the address as an index.

        Accesses near to one another take one look together: the first one looks at all that the block will want.
        """
        root: Value = address
        distance = 0
        if address.operation == "add_words" and isinstance(address.arguments[1], int):
            root = address.arguments[0]
            distance = (address.arguments[1] + 0x8000 & 0xFFFF) - 0x8000
        assert isinstance(root, Node)  # noqa: S101 - for the type checker: of two integers no node is made
        window = self.state.windows.get(root)
        if window is not None and window.spot is self.spot:
            low, high = min(window.low, distance), max(window.high, distance)
            if high - low < 64:
                window.low, window.high = low, high
        if window is None or not window.low <= distance <= window.high:
            window = self._look_at_window(root, distance, before, word)
        text = self.main
        at = window
        pointer = text.put_late(lambda: f"getelementptr i8, ptr {at.base}.at, i64 {distance - at.low}")
        index = text.put_late(lambda: f"add i64 {at.base}.wide, {distance - at.low}") if self.tracks else ""
        return pointer, index

    def _look_at_window(self, root: Node, distance: int, before: _State, word: int) -> _Window:
        text, chip = self.main, self.chip
        name = text.value(root, 16)
        base = text.fresh()
        window = _Window(distance, distance, self.spot, base)
        text.lines.append(Late(lambda: f"  {base} = add i16 {name}, {window.low}"))
        inside = text.put(f"sub i16 {base}, {chip.ram_start}")
        outside = text.put_late(
            lambda: f"icmp ugt i16 {inside}, {chip.ram_end - chip.ram_start - (window.high - window.low)}"
        )
        self._slow(outside, before, word)
        text.do(f"{base}.wide = zext i16 {base} to i64")
        text.do(f"{base}.at = getelementptr i8, ptr %data, i64 {base}.wide")
        self.state.windows[root] = window
        return window

    def _load(self, each: Translated, address: Value, before: _State) -> Value:
        text, chip = self.main, self.chip
        if isinstance(address, int):
            if address < IO_OFFSET:
                return self._register(address)
            if address < chip.ram_start:
                return self._io_read(each, address)
            if address > chip.ram_end:
                self._slow("true", before, each.word)
                return 0
            index = str(address)
            pointer = text.put(f"getelementptr i8, ptr %data, i64 {address}")
        else:
            pointer, index = self._in_ram(address, before, each.word)
        self._note_read(index)
        return self.nodes.there(text.put(f"load i8, ptr {pointer}"), 8)

    def _store(self, each: Translated, address: Value, value: Value, before: _State) -> None:
        text, chip = self.main, self.chip
        if isinstance(address, int):
            if address < IO_OFFSET:
                self._set_register(address, value)
                return
            if address < chip.ram_start:
                self._io_write(each, address, value, 0xFF)
                return
            if address > chip.ram_end:
                self._slow("true", before, each.word)
                return
            index = str(address)
            pointer = text.put(f"getelementptr i8, ptr %data, i64 {address}")
        else:
            pointer, index = self._in_ram(address, before, each.word)
        self._note_write(index)
        text.do(f"store i8 {text.value(value, 8)}, ptr {pointer}")

    def _note_read(self, index: str) -> None:
        if self.tracks:
            text = self.main
            at = self._seen(index)
            seen = text.put(f"load i8, ptr {at}")
            is_new = text.put(f"icmp eq i8 {seen}, 0")
            text.do(f"store i8 {text.put(f'select i1 {is_new}, i8 2, i8 {seen}')}, ptr {at}")

    def _note_write(self, index: str) -> None:
        if self.tracks:
            text = self.main
            at = self._seen(index)
            seen = text.put(f"load i8, ptr {at}")
            text.do(f"store i8 {text.put(f'or i8 {seen}, 1')}, ptr {at}")

    def _seen(self, index: str) -> str:
        return self.main.put(f"getelementptr i8, ptr {self.world(self.main, 'seen')}, i64 {index}")

    def _load_flash(self, page: Value, address: Value) -> Value:
        text, size = self.main, len(self.chip.flash)
        index = text.wider(address, 16, 64)
        largest = 0xFFFF
        if page != 0:
            high = text.put(f"shl i64 {text.wider(page, 8, 64)}, 16")
            index = text.put(f"or i64 {high}, {index}")
            largest = 0xFFFFFF
        if largest >= size:
            is_power = size & (size - 1) == 0
            index = text.put(f"and i64 {index}, {size - 1}" if is_power else f"urem i64 {index}, {size}")
        at = text.put(f"getelementptr i8, ptr {self.pointer(text, 'flash_at')}, i64 {index}")
        # Flash changes only while no compiled code runs.
        return self.nodes.there(text.put(f"load i8, ptr {at}, !invariant.load !1"), 8)

    # The stack.

    def _stack_pointer(self, text: Text, state: _State) -> str:
        """Writes the stack pointer's value."""
        base = state.stack or "%stack"
        if state.height == 0:
            return base
        value = text.put(f"add i16 {base}, {state.height}")
        mask = self.chip.stack_pointer_mask
        return value if mask == 0xFFFF else text.put(f"and i16 {value}, {mask}")

    def _stack_place(self, distance: int) -> tuple[str, str]:
        """Writes the address of a byte at a distance from the stack's base, which is known to be RAM."""
        text, state = self.main, self.state
        if not state.stack:
            at = text.put(f"getelementptr i8, ptr %top, i64 {distance}")
            return at, text.put(f"add i64 %stack.wide, {distance}") if self.tracks else ""
        index = text.put(f"add i64 {text.put(f'zext i16 {state.stack} to i64')}, {distance}")
        return text.put(f"getelementptr i8, ptr %data, i64 {index}"), index

    def _pushes_ahead(self) -> int:
        """Counts the bytes pushed from the instruction at hand on, before anything else can happen."""
        instructions = self.spot.block.instructions
        total = 0
        for each in instructions[self.position :]:
            effect = self.outline.effects[each.word]
            if each.flow is not None:
                is_call = each.flow.name.startswith("call")
                return total + (self.chip.core.pc_bytes if is_call and each.flow.name != "call_indirect" else 0)
            if effect.leaves or effect.pops:
                return total
            total += effect.pushes
        return total

    def _pops_ahead(self) -> int:
        """Counts the bytes popped from the instruction at hand on, before anything else can happen."""
        total = 0
        for each in self.spot.block.instructions[self.position :]:
            effect = self.outline.effects[each.word]
            if each.flow is not None:
                return total + effect.pops
            if effect.leaves or effect.pushes:
                return total
            total += effect.pops
        return total

    def _make_room(self, count: int, before: _State, word: int) -> None:
        """Leaves the instruction unless so many bytes can be pushed, and notes how low the stack pointer gets."""
        state, chip = self.state, self.chip
        low, high = state.height - count + 1, state.height
        if state.pushed is not None and state.pushed[0] <= low and high <= state.pushed[1]:
            return
        text = self.main
        top = text.put(f"zext i16 {self._stack_pointer(text, state)} to i32")
        bottom = text.put(f"sub i32 {top}, {count}")
        safe = self._safe(text)
        safe = text.put(f"zext i16 {safe} to i32")
        new = text.put(f"icmp slt i32 {bottom}, {safe}")
        above = text.put(f"icmp ugt i32 {top}, {chip.ram_end}")
        look, out, noted, on = (self.label(hint) for hint in ("deep", "out", "noted", "on"))
        text.do(f"br i1 {text.put(f'or i1 {new}, {above}')}, label %{look}, label %{on}, {UNLIKELY}")
        away = text.away(self.asides)
        away.label(look)
        floor = away.put(f"load i16, ptr {_field(away, 'floor')}")
        limit = away.put(f"zext i16 {floor} to i32")
        refused = away.put(f"or i1 {above}, {away.put(f'icmp slt i32 {bottom}, {limit}')}")
        away.do(f"br i1 {refused}, label %{out}, label %{noted}, {UNLIKELY}")
        refusing = away.away(self.asides)
        refusing.label(out)
        self._leave(refusing, before.copy(), SLOW, str(word))
        away.label(noted)
        lowest = away.put(f"trunc i32 {bottom} to i16")
        known_at = _field(away, "lowest")
        known = away.put(f"load i16, ptr {known_at}")
        lower = away.put(f"icmp ult i16 {lowest}, {known}")
        lowest = away.put(f"select i1 {lower}, i16 {lowest}, i16 {known}")
        away.do(f"store i16 {lowest}, ptr {known_at}")
        if not self.is_step:
            safe = _larger(away, lowest, floor)
            away.do(f"store i16 {safe}, ptr {_field(away, 'safe')}")
        away.do(f"br label %{on}")
        text.label(on)
        state.pushed = _joined(state.pushed, (low, high))
        state.popped = _joined(state.popped, (low, high))

    def _safe(self, text: Text) -> str:
        """Writes the address down to which nothing is to be noted or refused."""
        if not self.is_step:
            return text.put(f"load i16, ptr {_field(text, 'safe')}")
        floor = text.put(f"load i16, ptr {_field(text, 'floor')}")
        return _larger(text, text.put(f"load i16, ptr {_field(text, 'lowest')}"), floor)

    def _push(self, each: Translated, value: Value, before: _State) -> None:
        self._make_room(max(1, self._pushes_ahead()), before, each.word)
        at, index = self._stack_place(self.state.height)
        self._note_write(index)
        self.main.do(f"store i8 {self.main.value(value, 8)}, ptr {at}")
        self.state.height -= 1
        self.state.is_stack_saved = False

    def _push_return_address(self, each: Translated, after: int, before: _State) -> None:
        """Pushes the address after a call, its low byte first, so that in memory its high byte comes first."""
        count = self.chip.core.pc_bytes
        self._make_room(count, before, each.word)
        text = self.main
        for number in range(count):
            at, index = self._stack_place(self.state.height - number)
            self._note_write(index)
            text.do(f"store i8 {after >> 8 * number & 0xFF}, ptr {at}")
        self.state.height -= count
        self.state.is_stack_saved = False

    def _look_before_pop(self, count: int, before: _State, word: int) -> None:
        """Leaves the instruction unless so many bytes can be popped."""
        state, chip = self.state, self.chip
        low, high = state.height + 1, state.height + count
        if state.popped is not None and state.popped[0] <= low and high <= state.popped[1]:
            return
        text = self.main
        first = text.put(f"add i16 {self._stack_pointer(text, state)}, {1 - chip.ram_start}")
        self._slow(text.put(f"icmp ugt i16 {first}, {chip.ram_end - chip.ram_start - count + 1}"), before, word)
        state.popped = _joined(state.popped, (low, high))

    def _pop(self, each: Translated, before: _State) -> Value:
        self._look_before_pop(max(1, self._pops_ahead()), before, each.word)
        self.state.height += 1
        self.state.is_stack_saved = False
        at, _ = self._stack_place(self.state.height)
        return self.nodes.there(self.main.put(f"load i8, ptr {at}"), 8)

    def _pop_return_address(self, each: Translated, before: _State) -> str:
        """Pops an address and gives it as 32 bits."""
        count, text, words = self.chip.core.pc_bytes, self.main, self.chip.flash_words
        self._look_before_pop(count, before, each.word)
        pc = "0"
        for number in range(1, count + 1):
            at, _ = self._stack_place(self.state.height + number)
            byte = text.put(f"zext i8 {text.put(f'load i8, ptr {at}')} to i32")
            pc = byte if pc == "0" else text.put(f"or i32 {text.put(f'shl i32 {pc}, 8')}, {byte}")
        self.state.height += count
        self.state.is_stack_saved = False
        is_power = words & (words - 1) == 0
        return text.put(f"and i32 {pc}, {words - 1}" if is_power else f"urem i32 {pc}, {words}")

    def _set_stack_pointer(self, name: str) -> None:
        """Sets the stack pointer to a value that is no longer known as a distance."""
        state = self.state
        state.stack, state.height, state.is_stack_saved = name, 0, False
        state.pushed = state.popped = None

    # I/O.

    def _plain_io(self, address: int) -> Value:
        text = self.main
        at = text.put(f"getelementptr i8, ptr {self.world(text, 'io')}, i64 {address}")
        return self.nodes.there(text.put(f"load i8, ptr {at}"), 8)

    def _store_plain_io(self, address: int, value: Value) -> None:
        text = self.main
        at = text.put(f"getelementptr i8, ptr {self.world(text, 'io')}, i64 {address}")
        text.do(f"store i8 {text.value(value, 8)}, ptr {at}")

    def _io_read(self, each: Translated, address: int) -> Value:
        text, chip = self.main, self.chip
        if address == SREG:
            return self._status()
        if address in (SPL, SPH) and (address == SPL or chip.stack_pointer_mask == 0xFFFF):
            pointer = self.nodes.there(self._stack_pointer(text, self.state), 16)
            return self.nodes.make("low" if address == SPL else "high", (pointer,), 8)
        if chip.bus.is_modelled(address) and chip.bus.is_quiet(address):
            return self._plain_io(address)
        cycle = self._cycle(each.timing.base - 1)
        is_kept = chip.bus.is_modelled(address) and chip.bus.readers[address] is None
        if not is_kept:
            both = self._call_read(address, cycle, each.word)
            self._pay_attention(each, both)
            return self.nodes.there(text.put(f"trunc i32 {both} to i8"), 8)
        # Nothing but an event changes it, so without one due it is what memory holds.
        self._note_read(str(address))
        is_due = text.put(f"icmp sle i64 {self.world(text, 'next_event', 'i64')}, {cycle}")
        due, calm, on = self.label("due"), self.label("calm"), self.label("on")
        flag = text.wider(self._flag(I), 1, 32)
        text.do(f"br i1 {is_due}, label %{due}, label %{calm}")
        text.label(due)
        called = self._call_read(address, cycle, each.word, flag)
        text.do(f"br label %{on}")
        text.label(calm)
        wide = text.wider(self._plain_io(address), 8, 32)
        text.do(f"br label %{on}")
        text.label(on)
        both = text.put(f"phi i32 [ {called}, %{due} ], [ {wide}, %{calm} ]")
        self._pay_attention(each, both)
        return self.nodes.there(text.put(f"trunc i32 {both} to i8"), 8)

    def _call_read(self, address: int, cycle: str, word: int, flag: str | None = None) -> str:
        text = self.main
        flag = flag or text.wider(self._flag(I), 1, 32)
        function = self.world(text, "io_read")
        return text.put(f"call i32 {function}(i32 {address}, i64 {cycle}, i32 {word}, i32 {flag})")

    def _pay_attention(self, each: Translated, answer: str) -> None:
        self._slow(self.main.put(f"icmp uge i32 {answer}, {REFUSED}"), self.before, each.word)
        called = self.main.put(f"icmp uge i32 {answer}, 256")
        self.attention = called if self.attention is None else self.main.put(f"or i1 {self.attention}, {called}")

    def _io_write(self, each: Translated, address: int, value: Value, mask: int) -> None:
        text, chip = self.main, self.chip
        if address == SPL and mask == 0xFF:
            high = text.put(f"and i16 {self._stack_pointer(text, self.state)}, 65280")
            pointer = text.put(f"or i16 {high}, {text.wider(value, 8, 16)}")
            if chip.stack_pointer_mask != 0xFFFF:
                pointer = text.put(f"and i16 {pointer}, {chip.stack_pointer_mask}")
            self._set_stack_pointer(pointer)
            at = _field(text, "lowest")
            lowest = text.put(f"load i16, ptr {at}")
            is_lower = text.put(f"icmp ult i16 {pointer}, {lowest}")
            text.do(f"store i16 {text.put(f'select i1 {is_lower}, i16 {pointer}, i16 {lowest}')}, ptr {at}")
            return
        if address == SPH and mask == 0xFF and chip.stack_pointer_mask == 0xFFFF:
            low = text.put(f"and i16 {self._stack_pointer(text, self.state)}, 255")
            high = text.put(f"shl i16 {text.wider(value, 8, 16)}, 8")
            self._set_stack_pointer(text.put(f"or i16 {high}, {low}"))
            return
        if chip.bus.is_modelled(address) and chip.bus.is_quiet(address) and mask == 0xFF:
            self._store_plain_io(address, value)
            return
        if mask == 0xFF:
            self._note_write(str(address))
        cycle = self._cycle(each.timing.base)
        number = text.wider(value, 8, 32)
        flag = text.wider(self._flag(I), 1, 32)
        if mask == 0xFF and address in chip.events.stream_registers:
            function = self.world(text, "stream_write")
            world = self.pointer(text, "world_at")
            passed = f"ptr {world}, i32 {address}, i32 {number}, i64 {cycle}, i32 {each.word}, i32 {flag}"
            self._pay_attention(each, text.put(f"call i32 {function}({passed})"))
            return
        function = self.world(text, "io_write")
        passed = f"i32 {address}, i32 {number}, i32 {mask}, i64 {cycle}, i32 {each.word}, i32 {flag}"
        self._pay_attention(each, text.put(f"call i32 {function}({passed})"))

    def _status(self) -> Value:
        text = self.main
        total = "0"
        for flag in range(8):
            moved = text.put(f"shl i8 {text.wider(self._flag(flag), 1, 8)}, {flag}")
            total = text.put(f"or i8 {total}, {moved}")
        return self.nodes.there(total, 8)

    def _write_status(self, value: Value) -> str | None:
        """Sets all flags; gives the condition under which I has been set by it, None for never."""
        was = self._flag(I)
        for flag in range(8):
            self._set_flag(flag, self.nodes.make("bit", (value, flag), 1))
        return self._turned_on(was, self.state.flags[I])

    def _set_and_compare(self, flag: int, value: Value) -> str | None:
        """Sets a flag; gives the condition under which it has been set by it, None for never."""
        was = self._flag(flag)
        self._set_flag(flag, value)
        return self._turned_on(was, value)

    def _turned_on(self, was: Value, now: Value) -> str | None:
        text = self.main
        if was == 1 or now == 0:
            return None
        if was == 0:
            return text.value(now, 1)
        turned = text.put(f"xor i1 {text.value(was, 1)}, true")
        return turned if now == 1 else text.put(f"and i1 {text.value(now, 1)}, {turned}")

    # Flow.

    def _flow(self, each: Translated, name: str, arguments: list[Value], before: _State) -> None:
        timing = each.timing
        if name in ("branch", "skip"):
            plain_way, other_way = block_targets(self.spot.block, self.chip.flash_words)
            cycles = timing.taken if name == "branch" else timing.skipping(each.following)
            self._two_ways(arguments[0], (other_way, cycles), (plain_way, timing.base))
        elif name in ("jump_by", "jump_to"):
            self.state.cycles += timing.base
            self._go(block_targets(self.spot.block, self.chip.flash_words)[0])
        elif name == "jump_indirect":
            self.state.cycles += timing.base
            self._jump_indirect(arguments[0], arguments[1])
        elif name == "call_indirect":
            self._call(each, self._indirect(arguments[0], arguments[1]), before)
        elif name in ("call_by", "call_to"):
            self._call(each, None, before)
        else:
            self._return_from_call(each, before, from_interrupt=name == "return_from_interrupt")

    def _two_ways(self, condition: Value, one: tuple[int, int], zero: tuple[int, int]) -> None:
        text = self.main
        if isinstance(condition, int):
            word, cycles = one if condition else zero
            self.state.cycles += cycles
            self._go(word)
            return
        name = text.value(condition, 1)
        if one[0] == zero[0]:
            # Both ways lead to the same place and only take different times.
            longer = text.put(f"select i1 {name}, i64 {one[1] << 32}, i64 {zero[1] << 32}")
            self.state.time = text.put(f"sub i64 {self._pass(text, self.state)}, {longer}")
            self._go(one[0])
            return
        attention = self.attention
        at_branch = self.state
        ways: list[tuple[str, int, _State]] = []
        for word, cycles in (one, zero):
            state = at_branch.copy()
            state.cycles += cycles
            target = self.spot.targets.get(word)
            is_bare = attention is None and target is not None and self._is_bare(target)
            ways.append((self.label("way") if target is None or not is_bare else target.label, word, state))
        text.do(f"br i1 {name}, label %{ways[0][0]}, label %{ways[1][0]}")
        for label, word, state in ways:
            target = self.spot.targets.get(word)
            self.state, self.attention = state, attention
            if target is not None and label == target.label:
                self.handed[target] = (text, state, self.root)
                continue
            self.main = text.away(self.lines)
            self.main.label(label)
            self._go(word)

    def _is_bare(self, target: Spot) -> bool:
        """Tells whether the way to a target needs no text of its own."""
        is_watched = target.block.word in self.looked
        return not (target.is_merge or is_watched or self.outline.looks_on_the_way(self.spot, target))

    def _go(self, word: int) -> None:
        """Ends a block by going on at a word, inside the function or out of it."""
        if self.attention is not None:
            self._leave_where(self.attention, self.state, LEAVE, str(word))
            self.attention = None
        target = self.spot.targets.get(word)
        if target is None:
            self._leave(self.main, self.state, CONTINUE, str(word))
            return
        self._go_to(target)

    def _go_to(self, target: Spot) -> None:
        """Goes on at a spot: a look at the deadline and at hooks where there is to be one, then what it expects."""
        text, state, word = self.main, self.state, target.block.word
        if self.outline.looks_on_the_way(self.spot, target):
            leaves = text.put(f"icmp slt i64 {self._pass(text, state)}, 0")
            self._leave_where(leaves, state, LEAVE, str(word))
        if word in self.looked:
            self._leave_where(self._is_hooked(str(word)), state, LEAVE, str(word))
        if target.is_merge:
            self._save(target)
        else:
            self.handed[target] = (text, state, self.root)
        text.do(f"br label %{target.label}")

    def _is_hooked(self, word: str) -> str:
        text = self.main
        index = text.put(f"zext i32 {word} to i64") if word.startswith("%") else word
        hook = text.put(f"getelementptr i8, ptr {self.world(text, 'hooks')}, i64 {index}")
        return text.put(f"icmp ne i8 {text.put(f'load i8, ptr {hook}')}, 0")

    def _save(self, target: Spot) -> None:
        """Brings variables up to date for a spot where several ways come together."""
        text, state = self.main, self.state
        text.do(f"store i64 {self._pass(text, state)}, ptr %left")
        for register in sorted(state.unsaved):
            text.do(f"store i8 {text.value(state.registers[register], 8)}, ptr %r{register}")
        for flag in sorted(state.unsaved_flags & target.live_flags):
            self.flags.add(flag)
            text.do(f"store i1 {text.value(state.flags[flag], 1)}, ptr %f{flag}")
        if target.height is None:
            text.do(f"store i16 {self._stack_pointer(text, state)}, ptr %sp")
        else:
            if state.stack or state.height != target.height:
                raise AssertionError(f"the stack at 0x{2 * target.block.word:x} is not as high as it was to be")
            self.spans[self.spot, target] = (state.pushed, state.popped)

    def _call(self, each: Translated, indirect: str | None, before: _State) -> None:
        spot, words = self.spot, self.chip.flash_words
        after = (each.word + each.words) % words
        self._push_return_address(each, after, before)
        self.state.cycles += each.timing.base
        if spot.callee is not None:
            self._go_to(spot.callee)
            return
        called = spot.called if spot.called is not None else -1
        target = str(called) if indirect is None else indirect
        if self.is_step:
            self._leave(self.main, self.state, CONTINUE, target)
            return
        self._call_really(called, target, after)

    def _call_really(self, called: int, target: str, after: int) -> None:
        text, state, spot = self.main, self.state, self.spot
        summary = self.summaries.get(called, UNKNOWN)
        if spot.looks_before_call:
            leaves = text.put(f"icmp slt i64 {self._pass(text, state)}, 0")
            self._leave_where(leaves, state, LEAVE, target)
        if self.watches:
            self._leave_where(self._is_hooked(target), state, LEAVE, target)
        if called in self.together:
            function, unready = f"@{inner_name(called)}", ""
        else:
            function = self._table_entry(target)
            unready = text.put(f"icmp eq ptr {function}, null")
        depth, depth_at = "", ""
        if not summary.is_known:
            # Only calls that may go round are counted: others cannot nest deeper than the program is long.
            depth_at = _field(text, "depth")
            depth = text.put(f"load i32, ptr {depth_at}")
            is_deep = text.put(f"icmp uge i32 {depth}, {DEEPEST}")
            unready = is_deep if not unready else text.put(f"or i1 {unready}, {is_deep}")
        if unready:
            self._leave_where(unready, state, CONTINUE, target)
        if depth:
            text.do(f"store i32 {text.put(f'add i32 {depth}, 1')}, ptr {depth_at}")
        self._flush(text, state, state.dirty & (summary.reads | summary.writes), state.dirty_flags & summary.flags)
        time, stack = self._pass(text, state), self._stack_pointer(text, state)
        came = text.put(f"call {COUNTS} {function}(ptr %data, ptr %cpu, i64 {time}, i16 zeroext {stack})")
        if depth:
            text.do(f"store i32 {depth}, ptr {depth_at}")
        self._come_back(came, summary, after)

    def _come_back(self, came: str, summary: Summary, after: int) -> None:
        """Goes on after a real call if control is back at the instruction after it; else this function is over too."""
        text, state = self.main, self.state
        state.time = text.put(f"extractvalue {COUNTS} {came}, 0")
        where = text.put(f"extractvalue {COUNTS} {came}, 1")
        state.dirty -= summary.reads | summary.writes
        state.dirty_flags.clear()
        state.height += self.chip.core.pc_bytes
        elsewhere = text.put(f"icmp ne i32 {where}, {after}")
        stack = text.put(f"extractvalue {COUNTS} {came}, 2")
        if not summary.is_level:
            moved = text.put(f"icmp ne i16 {stack}, {self._stack_pointer(text, state)}")
            elsewhere = text.put(f"or i1 {elsewhere}, {moved}")
        out, on = self.label("elsewhere"), self.label("on")
        text.do(f"br i1 {elsewhere}, label %{out}, label %{on}, {UNLIKELY}")
        away = text.away(self.asides)
        away.label(out)
        self._flush(away, state, state.dirty, ())
        self._give_back(away, state.time, where, stack)
        text.label(on)
        self._take_back(summary)
        self._go(after)

    def _take_back(self, summary: Summary) -> None:
        """Takes the registers and flags that a callee may have changed from memory."""
        text, state = self.main, self.state
        for register in sorted(summary.writes):
            if register in self.own_registers:
                self.registers.add(register)
                state.registers[register] = self.nodes.there(text.put(f"load i8, ptr %r{register}.at"), 8)
                state.unsaved.add(register)
            else:
                state.registers.pop(register, None)
                state.unsaved.discard(register)
        state.flags.clear()
        state.unsaved_flags.clear()
        live = frozenset[int]().union(*(target.live_flags for target in self.spot.targets.values()))
        base = self.pointer(text, "flags_at") if live else ""
        for flag in sorted(live):
            state.flags[flag] = self.nodes.there(self._load_flag(text, base, flag), 1)
            state.unsaved_flags.add(flag)

    def _indirect(self, page: Value, word: Value) -> str:
        text = self.main
        pc = text.wider(word, 16, 32)
        if page != 0:
            high = text.put(f"shl i32 {text.wider(page, 8, 32)}, 16")
            pc = text.put(f"or i32 {high}, {pc}")
        words = self.chip.flash_words
        is_power = words & (words - 1) == 0
        return text.put(f"and i32 {pc}, {words - 1}" if is_power else f"urem i32 {pc}, {words}")

    def _table_entry(self, pc: str) -> str:
        text = self.main
        index = text.put(f"zext i32 {pc} to i64") if pc.startswith("%") else pc
        at = text.put(f"getelementptr ptr, ptr {self.world(text, 'inner')}, i64 {index}")
        return text.put(f"load ptr, ptr {at}")

    def _jump_indirect(self, page: Value, word: Value) -> None:
        text, state = self.main, self.state
        pc = self._indirect(page, word)
        if self.is_step:
            self._leave(text, state, CONTINUE, pc)
            return
        leaves = text.put(f"icmp slt i64 {self._pass(text, state)}, 0")
        self._leave_where(leaves, state, LEAVE, pc)
        if self.watches:
            self._leave_where(self._is_hooked(pc), state, LEAVE, pc)
        function = self._table_entry(pc)
        self._leave_where(text.put(f"icmp eq ptr {function}, null"), state, CONTINUE, pc)
        self._flush(text, state, state.dirty, state.dirty_flags)
        time, stack = self._pass(text, state), self._stack_pointer(text, state)
        came = text.put(f"musttail call {COUNTS} {function}(ptr %data, ptr %cpu, i64 {time}, i16 zeroext {stack})")
        text.do(f"ret {COUNTS} {came}")

    def _return_from_call(self, each: Translated, before: _State, *, from_interrupt: bool) -> None:
        text, spot = self.main, self.spot
        pc = self._pop_return_address(each, before)
        self.state.cycles += each.timing.base
        if from_interrupt:
            text.do(f"store i8 {RETURNED}, ptr {_field(text, 'shadow')}")
            self._leave(text, self.state, LEAVE, pc)
            return
        for word in spot.targets:
            # A callee in place: control is expected back at the instruction after the call.
            self._leave_where(text.put(f"icmp ne i32 {pc}, {word}"), self.state, CONTINUE, pc)
            self._go(word)
            return
        self._leave(text, self.state, CONTINUE, pc)


def _is_cpu(address: Value) -> bool:
    """Tells whether a data address is known to be a general register, the status register or the stack pointer."""
    return isinstance(address, int) and (address < IO_OFFSET or address in (SREG, SPL, SPH))


def _jumps_to_itself(each: Translated) -> bool:
    flow = each.flow
    if flow is None:
        return False
    return (flow.name == "jump_by" and flow.arguments[0] == -1) or (
        flow.name == "jump_to" and flow.arguments[0] == each.word
    )


def _joined(one: _Span, other: tuple[int, int]) -> tuple[int, int]:
    """Gives two spans as one where they touch, else the second."""
    if one is None or one[0] > other[1] + 1 or other[0] > one[1] + 1:
        return other
    return min(one[0], other[0]), max(one[1], other[1])


def _common(spans: list[_Span]) -> _Span:
    """Gives what several spans have in common."""
    low, high = -(1 << 20), 1 << 20
    for span in spans:
        if span is None:
            return None
        low, high = max(low, span[0]), min(high, span[1])
    return (low, high) if low <= high else None


__all__ = ["ALL_FLAGS", "Lowering", "function_name", "inner_name", "looked_at"]
