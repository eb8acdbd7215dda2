"""From the intermediate form to LLVM: one function for each region.

A function takes the general registers, RAM, flags, CPU state, flash and world, and gives CONTINUE,
LEAVE or SLOW with the program counter set. Within a block registers and flags are kept as values
and stored at its end; a flag that nothing uses is never computed. Cycles are added once a block;
an exit inside adds what had passed up to there.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from cyclerule.engines.ir import Argument, Block, Ref, Region, Translated
from cyclerule.engines.llvm.layout import (
    CONTINUE,
    DEEPEST,
    IDLE,
    LEAVE,
    REFUSED,
    RETURNED,
    SHADOW,
    SLOW,
    Cpu,
    World,
    offset,
)
from cyclerule.engines.tracking import KEPT_REGISTERS
from cyclerule.isa.operations import I
from cyclerule.machine.chip import EIND, RAMPZ, SPH, SPL, SREG, Chip

IO_OFFSET = 0x20
SIGNATURE = "ptr noalias %regs, ptr noalias %ram, ptr noalias %flags, ptr noalias %cpu, ptr noalias %flash, ptr %world"
_PASSED = "ptr %regs, ptr %ram, ptr %flags, ptr %cpu, ptr %flash, ptr %world"
_TYPES = {1: "i1", 8: "i8", 16: "i16", 64: "i64", 32: "i32"}


class Node:
    """A value to be: an operation on other values, written out where it is first needed."""

    __slots__ = ("arguments", "name", "operation", "width")

    def __init__(self, operation: str, arguments: tuple["Node | int", ...], width: int, name: str = "") -> None:
        self.operation, self.arguments, self.width, self.name = operation, arguments, width, name


Value = Node | int


@dataclass
class _State:
    """What is known inside a block: registers and flags as values, which of them memory lacks, and what has passed."""

    registers: dict[int, Value]
    dirty_registers: set[int]
    flags: dict[int, Value]
    dirty_flags: set[int]
    cycles: int = 0
    instructions: int = 0

    def copy(self) -> "_State":
        return _State(
            dict(self.registers),
            set(self.dirty_registers),
            dict(self.flags),
            set(self.dirty_flags),
            self.cycles,
            self.instructions,
        )


class _Text:
    """Lines of LLVM text with the names that values have got in them."""

    def __init__(
        self, lines: list[str], names: dict[int, str], counter: list[int], base: dict[int, str] | None
    ) -> None:
        self.lines, self._names, self._counter, self._base = lines, names, counter, base
        self._kept: list[Node] = []

    def fresh(self) -> str:
        """Gives a new name."""
        self._counter[0] += 1
        return f"%t{self._counter[0]}"

    def put(self, instruction: str) -> str:
        """Writes an instruction that gives a value, and gives its name."""
        name = self.fresh()
        self.lines.append(f"  {name} = {instruction}")
        return name

    def do(self, instruction: str) -> None:
        """Writes an instruction that gives nothing."""
        self.lines.append(f"  {instruction}")

    def aside(self, lines: list[str]) -> "_Text":
        """Gives a text for an exit out of this one: what is named here is known there, but not the other way round."""
        known = dict(self._names) if self._base is None else {**self._base, **self._names}
        return _Text(lines, {}, self._counter, known)

    def value(self, value: Value, width: int) -> str:
        """Writes whatever is needed for a value, and gives its name or number."""
        if isinstance(value, int):
            return str(value) if width != 1 else ("true" if value else "false")
        if value.name:
            return value.name
        key = id(value)
        found = self._names.get(key)
        if found is None and self._base is not None:
            found = self._base.get(key)
        if found is None:
            found = _PURE[value.operation](self, value)
            self._names[key] = found
            self._kept.append(value)
        return found


def _binary(instruction: str) -> Callable[[_Text, Node], str]:
    def write(text: _Text, node: Node) -> str:
        left, right = (text.value(argument, node.width) for argument in node.arguments)
        return text.put(f"{instruction} {_TYPES[node.width]} {left}, {right}")

    return write


def _extended(text: _Text, value: Value, width: int, to: int) -> str:
    if isinstance(value, int):
        return str(value)
    return text.put(f"zext {_TYPES[width]} {text.value(value, width)} to {_TYPES[to]}")


def _sum(text: _Text, node: Node) -> str:
    left, right, carry = node.arguments
    total = text.put(f"add i8 {text.value(left, 8)}, {text.value(right, 8)}")
    return total if carry == 0 else text.put(f"add i8 {total}, {_extended(text, carry, 1, 8)}")


def _difference(text: _Text, node: Node) -> str:
    left, right, borrow = node.arguments
    total = text.put(f"sub i8 {text.value(left, 8)}, {text.value(right, 8)}")
    return total if borrow == 0 else text.put(f"sub i8 {total}, {_extended(text, borrow, 1, 8)}")


def _half(text: _Text, node: Node) -> str:
    left, right, result = (text.value(argument, 8) for argument in node.arguments)
    mixed = text.put(f"xor i8 {text.put(f'xor i8 {left}, {right}')}, {result}")
    return text.put(f"icmp ne i8 {text.put(f'and i8 {mixed}, 16')}, 0")


def _sum_overflow(text: _Text, node: Node) -> str:
    left, right, result = (text.value(argument, 8) for argument in node.arguments)
    both = text.put(f"and i8 {text.put(f'xor i8 {left}, {result}')}, {text.put(f'xor i8 {right}, {result}')}")
    return text.put(f"icmp slt i8 {both}, 0")


def _difference_overflow(text: _Text, node: Node) -> str:
    left, right, result = (text.value(argument, 8) for argument in node.arguments)
    both = text.put(f"and i8 {text.put(f'xor i8 {left}, {right}')}, {text.put(f'xor i8 {left}, {result}')}")
    return text.put(f"icmp slt i8 {both}, 0")


def _carry(text: _Text, node: Node) -> str:
    # Compared step by step, and not in a wider type: this is the form that becomes the host's add with carry.
    left, right, carry = node.arguments
    first = text.put(f"add i8 {text.value(left, 8)}, {text.value(right, 8)}")
    out = text.put(f"icmp ult i8 {first}, {text.value(left, 8)}")
    if carry == 0:
        return out
    more = _extended(text, carry, 1, 8)
    total = text.put(f"add i8 {first}, {more}")
    return text.put(f"or i1 {out}, {text.put(f'icmp ult i8 {total}, {more}')}")


def _borrow(text: _Text, node: Node) -> str:
    left, right, borrow = node.arguments
    out = text.put(f"icmp ult i8 {text.value(left, 8)}, {text.value(right, 8)}")
    if borrow == 0:
        return out
    first = text.put(f"sub i8 {text.value(left, 8)}, {text.value(right, 8)}")
    more = _extended(text, borrow, 1, 8)
    return text.put(f"or i1 {out}, {text.put(f'icmp ult i8 {first}, {more}')}")


def _multiply(text: _Text, node: Node) -> str:
    left, right, left_signed, right_signed = node.arguments
    wide = []
    for value, signed in ((left, left_signed), (right, right_signed)):
        wide.append(text.put(f"{'sext' if signed else 'zext'} i8 {text.value(value, 8)} to i16"))
    return text.put(f"mul i16 {wide[0]}, {wide[1]}")


def _bit(text: _Text, node: Node) -> str:
    value, position = node.arguments
    width = value.width if isinstance(value, Node) else 8
    kind = _TYPES[width]
    if position == width - 1:
        return text.put(f"icmp slt {kind} {text.value(value, width)}, 0")
    masked = text.put(f"and {kind} {text.value(value, width)}, {1 << int(_plain(position))}")
    return text.put(f"icmp ne {kind} {masked}, 0")


def _with_bit(text: _Text, node: Node) -> str:
    value, position, bit = node.arguments
    place = int(_plain(position))
    kept = text.put(f"and i8 {text.value(value, 8)}, {0xFF ^ 1 << place}")
    if isinstance(bit, int):
        return text.put(f"or i8 {kept}, {bit << place}")
    moved = text.put(f"shl i8 {_extended(text, bit, 1, 8)}, {place}")
    return text.put(f"or i8 {kept}, {moved}")


def _is_zero(text: _Text, node: Node) -> str:
    (value,) = node.arguments
    width = value.width if isinstance(value, Node) else 8
    return text.put(f"icmp eq {_TYPES[width]} {text.value(value, width)}, 0")


def _shift_right(text: _Text, node: Node) -> str:
    value, high = node.arguments
    moved = text.put(f"lshr i8 {text.value(value, 8)}, 1")
    if high == 0:
        return moved
    top = "128" if high == 1 else text.put(f"shl i8 {_extended(text, high, 1, 8)}, 7")
    return text.put(f"or i8 {moved}, {top}")


def _swap(text: _Text, node: Node) -> str:
    name = text.value(node.arguments[0], 8)
    return text.put(f"or i8 {text.put(f'shl i8 {name}, 4')}, {text.put(f'lshr i8 {name}, 4')}")


def _join(text: _Text, node: Node) -> str:
    high, low = node.arguments
    moved = text.put(f"shl i16 {_extended(text, high, 8, 16)}, 8")
    return text.put(f"or i16 {moved}, {_extended(text, low, 8, 16)}")


def _high(text: _Text, node: Node) -> str:
    moved = text.put(f"lshr i16 {text.value(node.arguments[0], 16)}, 8")
    return text.put(f"trunc i16 {moved} to i8")


def _select(text: _Text, node: Node) -> str:
    one, zero, condition = node.arguments
    kind = _TYPES[node.width]
    values = f"{kind} {text.value(one, node.width)}, {kind} {text.value(zero, node.width)}"
    return text.put(f"select i1 {text.value(condition, 1)}, {values}")


_PURE: dict[str, Callable[[_Text, Node], str]] = {
    "sum": _sum,
    "sum.half": _half,
    "sum.overflow": _sum_overflow,
    "sum.carry": _carry,
    "difference": _difference,
    "difference.half": _half,
    "difference.overflow": _difference_overflow,
    "difference.borrow": _borrow,
    "add_words": _binary("add"),
    "subtract_words": _binary("sub"),
    "multiply": _multiply,
    "both": _binary("and"),
    "either": _binary("or"),
    "differ": _binary("xor"),
    "complement": lambda text, node: text.put(f"xor i8 {text.value(node.arguments[0], 8)}, 255"),
    "negate": lambda text, node: text.put(f"xor i1 {text.value(node.arguments[0], 1)}, true"),
    "bit": _bit,
    "with_bit": _with_bit,
    "is_zero": _is_zero,
    "shift_right": _shift_right,
    "swap_halves": _swap,
    "double": lambda text, node: text.put(f"shl i16 {text.value(node.arguments[0], 16)}, 1"),
    "join": _join,
    "low": lambda text, node: text.put(f"trunc i16 {text.value(node.arguments[0], 16)} to i8"),
    "high": _high,
    "select": _select,
}


class Lowering:
    """Writes the LLVM functions of a chip's regions; `tracks` adds the notes on what is read before it is written."""

    def __init__(self, chip: Chip, *, tracks: bool = False) -> None:
        self.chip, self.tracks = chip, tracks
        self.flash_bytes = len(chip.flash)

    def module(self, regions: Iterable[Region], stops: frozenset[int]) -> str:
        """Gives a module with a function for each region; at the words of `stops` control always comes back first."""
        regions = list(regions)
        together = frozenset(region.entry for region in regions)
        return "".join(_Function(self, region, together, stops).text() for region in regions)

    def steps(self, instructions: Iterable[Translated]) -> str:
        """Gives a module with a function for each single instruction, which never goes on to the next."""
        texts = []
        for each in instructions:
            region = Region(each.word, {each.word: Block(each.word, [each])}, frozenset())
            texts.append(_Function(self, region, frozenset(), frozenset(), is_step=True).text())
        return "".join(texts)


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


def step_name(word: int) -> str:
    """Gives the name of the function for a single instruction."""
    return f"step_{word:x}"


def function_name(word: int) -> str:
    """Gives the name of the function for an entry."""
    return f"avr_{word:x}"


class _Function:
    """One region on its way to text."""

    def __init__(
        self,
        lowering: Lowering,
        region: Region,
        together: frozenset[int],
        stops: frozenset[int],
        *,
        is_step: bool = False,
    ) -> None:
        self.is_step = is_step
        self.chip, self.tracks, self.flash_bytes = lowering.chip, lowering.tracks, lowering.flash_bytes
        self.region, self.together, self.stops = region, together, stops
        self.looked = looked_at(region)
        self.lines: list[str] = []
        self.aside: list[str] = []
        self.main = _Text(self.lines, {}, [0], None)
        self.label_count = 0
        self.state = _State({}, set(), {}, set())
        self.attention: str | None = None
        self.block = region.blocks[region.entry]
        self.before = self.state
        self.noted: set[int] = set()

    # Pieces of text.

    def label(self, hint: str) -> str:
        """Gives a new label."""
        self.label_count += 1
        return f"{hint}{self.label_count}"

    def field(self, text: _Text, name: str, structure: type[Cpu] | type[World] = Cpu) -> str:
        """Writes the address of a field."""
        base = "%cpu" if structure is Cpu else "%world"
        return text.put(f"getelementptr i8, ptr {base}, i64 {offset(structure, name)}")

    def text(self) -> str:
        """Gives the whole function."""
        name = (step_name if self.is_step else function_name)(self.region.entry)
        if self.is_step:
            self.lines.append(f"entry:\n  br label %b{self.region.entry:x}")
        else:
            self._entry()
        for word in sorted(self.region.blocks):
            self._block(self.region.blocks[word])
        body = "\n".join([*self.lines, *self.aside])
        return f"define i32 @{name}({SIGNATURE}) nounwind {{\n{body}\n}}\n"

    def _entry(self) -> None:
        text, entry = self.main, self.region.entry
        self.lines.append("entry:")
        fresh_at = self.field(text, "fresh")
        fresh = text.put(f"load i8, ptr {fresh_at}")
        text.do(f"store i8 0, ptr {fresh_at}")
        is_fresh = text.put(f"icmp ne i8 {fresh}, 0")
        check = self.label("check")
        text.do(f"br i1 {is_fresh}, label %b{entry:x}, label %{check}")
        self.lines.append(f"{check}:")
        self._check(entry, f"b{entry:x}", hooked=True)

    def _check(self, word: int, then: str, *, hooked: bool) -> None:
        """Comes back at a boundary when the deadline is reached, or a hook is set there; all is in memory."""
        text = self.main
        cycle = text.put(f"load i64, ptr {self.field(text, 'cycle')}")
        deadline = text.put(f"load i64, ptr {self.field(text, 'deadline')}")
        leaves = text.put(f"icmp sge i64 {cycle}, {deadline}")
        if hooked:
            hooks = text.put(f"load ptr, ptr {self.field(text, 'hooks', World)}")
            hook = text.put(f"load i8, ptr {text.put(f'getelementptr i8, ptr {hooks}, i64 {word}')}")
            leaves = text.put(f"or i1 {leaves}, {text.put(f'icmp ne i8 {hook}, 0')}")
        out = self.label("out")
        text.do(f"br i1 {leaves}, label %{out}, label %{then}, !prof !0")
        aside = text.aside(self.aside)
        self.aside.append(f"{out}:")
        self._return(aside, LEAVE, str(word))

    def _return(self, text: _Text, status: int, pc: str) -> None:
        text.do(f"store i32 {pc}, ptr {self.field(text, 'pc')}")
        text.do(f"ret i32 {status}")

    def _flush(self, text: _Text, state: _State) -> None:
        """Writes what memory lacks: registers, flags, cycles and the count of instructions."""
        for register in sorted(state.dirty_registers):
            value = text.value(state.registers[register], 8)
            text.do(f"store i8 {value}, ptr {text.put(f'getelementptr i8, ptr %regs, i64 {register}')}")
        for flag in sorted(state.dirty_flags):
            value = _extended(text, state.flags[flag], 1, 8)
            text.do(f"store i8 {value}, ptr {text.put(f'getelementptr i8, ptr %flags, i64 {flag}')}")
        for name, count in (("cycle", state.cycles), ("instructions", state.instructions)):
            if count:
                at = self.field(text, name)
                total = text.put(f"add i64 {text.put(f'load i64, ptr {at}')}, {count}")
                text.do(f"store i64 {total}, ptr {at}")

    def _flush_main(self) -> None:
        self._flush(self.main, self.state)
        self.state.dirty_registers.clear()
        self.state.dirty_flags.clear()
        self.state.cycles = self.state.instructions = 0

    def _slow(self, condition: str, before: _State, word: int) -> None:
        """Leaves the instruction to the exact path when the condition holds, with the state before it."""
        out, on = self.label("slow"), self.label("on")
        self.main.do(f"br i1 {condition}, label %{out}, label %{on}, !prof !0")
        aside = self.main.aside(self.aside)
        self.aside.append(f"{out}:")
        self._flush(aside, before)
        self._return(aside, SLOW, str(word))
        self.lines.append(f"{on}:")

    # Blocks and instructions.

    def _block(self, block: Block) -> None:
        self.lines.append(f"b{block.word:x}:")
        self.block = block
        self.noted = set()
        self.state = _State({}, set(), {}, set())
        if block.word in self.stops and block.word != self.region.entry:
            self._return(self.main, LEAVE, str(block.word))
            return
        for each in block.instructions:
            self.attention = None
            if each.stands_apart or self._jumps_to_itself(each):
                self._flush_main()
                self._return(self.main, SLOW if each.stands_apart else IDLE + each.timing.base, str(each.word))
                return
            if self._instruction(each):
                return
        self._go(block, block.after % self.chip.flash_words)

    def _jumps_to_itself(self, each: Translated) -> bool:
        flow = each.flow
        if flow is None:
            return False
        return (flow.name == "jump_by" and flow.arguments[0] == -1) or (
            flow.name == "jump_to" and flow.arguments[0] == each.word
        )

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
            if name == "set_flag" and arguments[0] == I:
                shadow = self._sets(I, arguments[1])
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
            if not self.is_step and each is not self.block.instructions[-1]:
                # The next instruction ends the shadow, so nobody sees it unless a request is waiting.
                waiting = self.main.put(f"load i64, ptr {self.field(self.main, 'waiting', World)}")
                shadow = self.main.put(f"and i1 {shadow}, {self.main.put(f'icmp ne i64 {waiting}, 0')}")
            self._leave_if(shadow, after, sets_shadow=True)
            if shadow == "true":
                return True
        if self.attention is not None:
            self._leave_if(self.attention, after)
        return False

    def _leave_if(self, condition: str, word: int, *, sets_shadow: bool = False, extra: int = 0) -> None:
        """Comes back at the boundary after an instruction when the condition holds."""
        state = self.state.copy()
        state.cycles += extra
        if condition == "true":
            self._flush(self.main, state)
            self._leave_now(self.main, word, sets_shadow=sets_shadow)
            return
        out, on = self.label("leave"), self.label("on")
        self.main.do(f"br i1 {condition}, label %{out}, label %{on}, !prof !0")
        aside = self.main.aside(self.aside)
        self.aside.append(f"{out}:")
        self._flush(aside, state)
        self._leave_now(aside, word, sets_shadow=sets_shadow)
        self.lines.append(f"{on}:")

    def _leave_now(self, text: _Text, word: int, *, sets_shadow: bool) -> None:
        if sets_shadow:
            text.do(f"store i8 {SHADOW}, ptr {self.field(text, 'shadow')}")
        self._return(text, LEAVE, str(word))

    def _operation(  # noqa: C901, PLR0912 - one case for each operation that is not a plain value
        self, each: Translated, name: str, arguments: list[Value], widths: tuple[int, ...], before: _State
    ) -> tuple[Value, ...]:
        state = self.state
        match name:
            case "read":
                register = int(_plain(arguments[0]))
                self._note_register(each, register, is_read=True)
                return (self._register(register),)
            case "write":
                register = int(_plain(arguments[0]))
                self._note_register(each, register, is_read=False)
                state.registers[register] = arguments[1]
                state.dirty_registers.add(register)
                return ()
            case "flag":
                return (self._flag(int(_plain(arguments[0]))),)
            case "set_flag":
                flag = int(_plain(arguments[0]))
                state.flags[flag] = arguments[1]
                state.dirty_flags.add(flag)
                return ()
            case "add_with_carry":
                return _sum_nodes("sum", "carry", arguments)
            case "subtract_with_borrow":
                return _sum_nodes("difference", "borrow", arguments)
            case "load":
                return (self._load(each, arguments[0], before),)
            case "store":
                self._store(each, arguments[0], arguments[1], before)
                return ()
            case "push":
                self._push(each, [arguments[0]], before)
                return ()
            case "pop":
                return (self._pop(each, 1, before)[0],)
            case "load_flash":
                return (self._load_flash(arguments[0], arguments[1]),)
            case "io_read":
                return (self._io_read(each, int(_plain(arguments[0])) + IO_OFFSET),)
            case "io_write":
                self._io_write(each, int(_plain(arguments[0])) + IO_OFFSET, arguments[1], 0xFF)
                return ()
            case "io_read_bit":
                value = self._io_read(each, int(_plain(arguments[0])) + IO_OFFSET)
                return (Node("bit", (value, int(_plain(arguments[1]))), 1),)
            case "io_write_bit":
                address, position, bit = (int(_plain(argument)) for argument in arguments)
                self._io_write(each, address + IO_OFFSET, bit << position, 1 << position)
                return ()
            case "flash_page":
                return (self._plain_io(RAMPZ),)
            case "jump_page":
                return (self._plain_io(EIND),)
            case "set_flash_page":
                self._store_plain_io(RAMPZ, arguments[0])
                return ()
            case "reset_watchdog":
                return ()
            case _:
                return (Node(name, tuple(arguments), widths[0]),)

    def _register(self, register: int) -> Value:
        found = self.state.registers.get(register)
        if found is None:
            at = self.main.put(f"getelementptr i8, ptr %regs, i64 {register}")
            found = Node("loaded", (), 8, self.main.put(f"load i8, ptr {at}"))
            self.state.registers[register] = found
        return found

    def _note_register(self, each: Translated, register: int, *, is_read: bool) -> None:
        """Notes the first use in a block of a register that a callee has to keep, unless only saved or cleared."""
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

    def _flag(self, flag: int) -> Value:
        found = self.state.flags.get(flag)
        if found is None:
            at = self.main.put(f"getelementptr i8, ptr %flags, i64 {flag}")
            found = Node("loaded", (), 1, self.main.put(f"icmp ne i8 {self.main.put(f'load i8, ptr {at}')}, 0"))
            self.state.flags[flag] = found
        return found

    # Data space.

    def _io_address(self, name: str, arguments: list[Value]) -> int | None:
        """Gives the data address of a write when it is known to be an I/O register."""
        address = arguments[0]
        if not isinstance(address, int):
            return None
        if name == "io_write":
            return address + IO_OFFSET
        return address if IO_OFFSET <= address < self.chip.ram_start else None

    def _ram_guard(self, address: Value, before: _State, word: int) -> str:
        """Leaves the instruction unless an address is in RAM; gives the address as an index."""
        text, chip = self.main, self.chip
        name = text.value(address, 16)
        inside = text.put(f"sub i16 {name}, {chip.ram_start}")
        outside = text.put(f"icmp ugt i16 {inside}, {chip.ram_end - chip.ram_start}")
        self._slow(outside, before, word)
        return text.put(f"zext i16 {name} to i64")

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
        else:
            index = self._ram_guard(address, before, each.word)
        self._note_read(index)
        return Node("loaded", (), 8, text.put(f"load i8, ptr {text.put(f'getelementptr i8, ptr %ram, i64 {index}')}"))

    def _store(self, each: Translated, address: Value, value: Value, before: _State) -> None:
        text, chip = self.main, self.chip
        if isinstance(address, int):
            if address < IO_OFFSET:
                self.state.registers[address] = value
                self.state.dirty_registers.add(address)
                return
            if address < chip.ram_start:
                self._io_write(each, address, value, 0xFF)
                return
            if address > chip.ram_end:
                self._slow("true", before, each.word)
                return
            index = str(address)
        else:
            index = self._ram_guard(address, before, each.word)
        self._note_write(index)
        text.do(f"store i8 {text.value(value, 8)}, ptr {text.put(f'getelementptr i8, ptr %ram, i64 {index}')}")

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
        text = self.main
        seen = text.put(f"load ptr, ptr {self.field(text, 'seen', World)}")
        return text.put(f"getelementptr i8, ptr {seen}, i64 {index}")

    def _push(self, each: Translated, values: list[Value], before: _State) -> None:
        """Pushes bytes one after the other; all of them fit or the instruction is left."""
        text, chip = self.main, self.chip
        at = self.field(text, "sp")
        top = text.put(f"load i16, ptr {at}")
        floor = text.put(f"load i16, ptr {self.field(text, 'floor')}")
        # The lowest byte must be above the floor and the highest in RAM.
        if len(values) == 1:
            outside = text.put(f"icmp ule i16 {top}, {floor}")
        else:
            lowest = text.put(f"sub i16 {top}, {len(values) - 1}")
            outside = text.put(f"icmp ule i16 {lowest}, {floor}")
            wrapped = text.put(f"icmp ult i16 {top}, {len(values) - 1}")
            outside = text.put(f"or i1 {outside}, {wrapped}")
        above = text.put(f"icmp ugt i16 {top}, {chip.ram_end}")
        self._slow(text.put(f"or i1 {outside}, {above}"), before, each.word)
        index = text.put(f"zext i16 {top} to i64")
        for number, value in enumerate(values):
            place = index if number == 0 else text.put(f"sub i64 {index}, {number}")
            self._note_write(place)
            text.do(f"store i8 {text.value(value, 8)}, ptr {text.put(f'getelementptr i8, ptr %ram, i64 {place}')}")
        self._set_stack_pointer(text.put(f"sub i16 {top}, {len(values)}"), at)

    def _set_stack_pointer(self, name: str, at: str) -> None:
        text = self.main
        mask = self.chip.stack_pointer_mask
        if mask != 0xFFFF:
            name = text.put(f"and i16 {name}, {mask}")
        text.do(f"store i16 {name}, ptr {at}")
        lowest_at = self.field(text, "lowest")
        lowest = text.put(f"load i16, ptr {lowest_at}")
        is_lower = text.put(f"icmp ult i16 {name}, {lowest}")
        text.do(f"store i16 {text.put(f'select i1 {is_lower}, i16 {name}, i16 {lowest}')}, ptr {lowest_at}")

    def _pop(self, each: Translated, count: int, before: _State) -> list[Value]:
        text, chip = self.main, self.chip
        at = self.field(text, "sp")
        top = text.put(f"load i16, ptr {at}")
        first = text.put(f"add i16 {top}, 1")
        below = text.put(f"icmp ult i16 {first}, {chip.ram_start}")
        above = text.put(f"icmp ugt i16 {first}, {chip.ram_end - count + 1}")
        self._slow(text.put(f"or i1 {below}, {above}"), before, each.word)
        index = text.put(f"zext i16 {first} to i64")
        values: list[Value] = []
        for number in range(count):
            place = index if number == 0 else text.put(f"add i64 {index}, {number}")
            pointer = text.put(f"getelementptr i8, ptr %ram, i64 {place}")
            values.append(Node("loaded", (), 8, text.put(f"load i8, ptr {pointer}")))
        after = text.put(f"add i16 {top}, {count}")
        if chip.stack_pointer_mask != 0xFFFF:
            after = text.put(f"and i16 {after}, {chip.stack_pointer_mask}")
        text.do(f"store i16 {after}, ptr {at}")
        return values

    def _load_flash(self, page: Value, address: Value) -> Value:
        text, size = self.main, self.flash_bytes
        index = _extended(text, address, 16, 64)
        largest = 0xFFFF
        if page != 0:
            high = text.put(f"shl i64 {_extended(text, page, 8, 64)}, 16")
            index = text.put(f"or i64 {high}, {index}")
            largest = 0xFFFFFF
        if largest >= size:
            is_power = size & (size - 1) == 0
            index = text.put(f"and i64 {index}, {size - 1}" if is_power else f"urem i64 {index}, {size}")
        return Node("loaded", (), 8, text.put(f"load i8, ptr {text.put(f'getelementptr i8, ptr %flash, i64 {index}')}"))

    # I/O.

    def _plain_io(self, address: int) -> Value:
        text = self.main
        io = text.put(f"load ptr, ptr {self.field(text, 'io', World)}")
        return Node("loaded", (), 8, text.put(f"load i8, ptr {text.put(f'getelementptr i8, ptr {io}, i64 {address}')}"))

    def _store_plain_io(self, address: int, value: Value) -> None:
        text = self.main
        io = text.put(f"load ptr, ptr {self.field(text, 'io', World)}")
        text.do(f"store i8 {text.value(value, 8)}, ptr {text.put(f'getelementptr i8, ptr {io}, i64 {address}')}")

    def _cycle(self, extra: int) -> str:
        text = self.main
        cycle = text.put(f"load i64, ptr {self.field(text, 'cycle')}")
        return text.put(f"add i64 {cycle}, {self.state.cycles + extra}")

    def _io_read(self, each: Translated, address: int) -> Value:
        text, chip = self.main, self.chip
        if address == SREG:
            return self._status()
        if address in (SPL, SPH) and (address == SPL or chip.stack_pointer_mask == 0xFFFF):
            pointer = text.put(f"load i16, ptr {self.field(text, 'sp')}")
            return Node("low" if address == SPL else "high", (Node("loaded", (), 16, pointer),), 8)
        if chip.bus.is_modelled(address) and chip.bus.is_quiet(address):
            return self._plain_io(address)
        cycle = self._cycle(each.timing.base - 1)
        plain = chip.bus.is_modelled(address) and chip.bus.readers[address] is None
        if not plain:
            both = self._call_read(address, cycle, each.word)
            self._pay_attention(each, both)
            return Node("loaded", (), 8, text.put(f"trunc i32 {both} to i8"))
        # Nothing but an event changes it, so without one due it is what memory holds.
        self._note_read(str(address))
        following = text.put(f"load i64, ptr {self.field(text, 'next_event', World)}")
        is_due = text.put(f"icmp sle i64 {following}, {cycle}")
        due, calm, on = self.label("due"), self.label("calm"), self.label("on")
        flag = self._flag_as_i32()
        text.do(f"br i1 {is_due}, label %{due}, label %{calm}")
        self.lines.append(f"{due}:")
        called = self._call_read(address, cycle, each.word, flag)
        text.do(f"br label %{on}")
        self.lines.append(f"{calm}:")
        value = self._plain_io(address)
        wide = _extended(text, value, 8, 32)
        text.do(f"br label %{on}")
        self.lines.append(f"{on}:")
        both = text.put(f"phi i32 [ {called}, %{due} ], [ {wide}, %{calm} ]")
        self._pay_attention(each, both)
        return Node("loaded", (), 8, text.put(f"trunc i32 {both} to i8"))

    def _flag_as_i32(self) -> str:
        return _extended(self.main, self._flag(I), 1, 32)

    def _call_read(self, address: int, cycle: str, word: int, flag: str | None = None) -> str:
        text = self.main
        flag = flag or self._flag_as_i32()
        function = text.put(f"load ptr, ptr {self.field(text, 'io_read', World)}")
        return text.put(f"call i32 {function}(i32 {address}, i64 {cycle}, i32 {word}, i32 {flag})")

    def _pay_attention(self, each: Translated, answer: str) -> None:
        self._slow(self.main.put(f"icmp uge i32 {answer}, {REFUSED}"), self.before, each.word)
        called = self.main.put(f"icmp uge i32 {answer}, 256")
        self.attention = called if self.attention is None else self.main.put(f"or i1 {self.attention}, {called}")

    def _io_write(self, each: Translated, address: int, value: Value, mask: int) -> None:
        text, chip = self.main, self.chip
        if address == SPL and mask == 0xFF:
            at = self.field(text, "sp")
            high = text.put(f"and i16 {text.put(f'load i16, ptr {at}')}, 65280")
            self._set_stack_pointer(text.put(f"or i16 {high}, {_extended(text, value, 8, 16)}"), at)
            return
        if address == SPH and mask == 0xFF and chip.stack_pointer_mask == 0xFFFF:
            at = self.field(text, "sp")
            low = text.put(f"and i16 {text.put(f'load i16, ptr {at}')}, 255")
            high = text.put(f"shl i16 {_extended(text, value, 8, 16)}, 8")
            text.do(f"store i16 {text.put(f'or i16 {high}, {low}')}, ptr {at}")
            return
        if chip.bus.is_modelled(address) and chip.bus.is_quiet(address) and mask == 0xFF:
            self._store_plain_io(address, value)
            return
        if mask == 0xFF:
            self._note_write(str(address))
        cycle = self._cycle(each.timing.base)
        number = _extended(text, value, 8, 32)
        function = text.put(f"load ptr, ptr {self.field(text, 'io_write', World)}")
        self._pay_attention(
            each,
            text.put(
                f"call i32 {function}(i32 {address}, i32 {number}, i32 {mask}, i64 {cycle}, i32 {each.word}, "
                f"i32 {self._flag_as_i32()})"
            ),
        )

    def _status(self) -> Value:
        text = self.main
        total = "0"
        for flag in range(8):
            bit = _extended(text, self._flag(flag), 1, 8)
            moved = text.put(f"shl i8 {bit}, {flag}")
            total = text.put(f"or i8 {total}, {moved}")
        return Node("loaded", (), 8, total)

    def _write_status(self, value: Value) -> str | None:
        """Sets all flags; gives the condition under which I has been set by it, None for never."""
        text = self.main
        was = self._flag(I)
        name = Node("loaded", (), 8, text.value(value, 8)) if not isinstance(value, int) else value
        for flag in range(8):
            bit: Value = (value >> flag & 1) if isinstance(value, int) else Node("bit", (name, flag), 1)
            self.state.flags[flag] = bit
            self.state.dirty_flags.add(flag)
        return self._turned_on(was, self.state.flags[I])

    def _sets(self, flag: int, value: Value) -> str | None:
        """Sets a flag; gives the condition under which it has been set by it, None for never."""
        was = self._flag(flag)
        self.state.flags[flag] = value
        self.state.dirty_flags.add(flag)
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

    def _go(self, block: Block, word: int) -> None:
        """Ends a block by going on at a word, inside the region or out of it."""
        if self.attention is not None:
            self._leave_if(self.attention, word)
            self.attention = None
        self._flush_main()
        if word not in block.successors:
            self._return(self.main, CONTINUE, str(word))
        elif word in self.looked or word <= block.instructions[-1].word:
            self._check(word, f"b{word:x}", hooked=word in self.looked)
        else:
            self.main.do(f"br label %b{word:x}")

    def _flow(self, each: Translated, name: str, arguments: list[Value], before: _State) -> None:
        words = self.chip.flash_words
        after = (each.word + each.words) % words
        block, timing = self.block, each.timing
        match name:
            case "branch":
                target = (each.word + each.words + int(_plain(arguments[1]))) % words
                self._two_ways(block, arguments[0], (target, timing.taken), (after, timing.base))
            case "skip":
                skipped = (each.word + each.words + each.following) % words
                self._two_ways(block, arguments[0], (skipped, timing.skipping(each.following)), (after, timing.base))
            case "jump_by":
                self.state.cycles += timing.base
                self._go(block, (each.word + each.words + int(_plain(arguments[0]))) % words)
            case "jump_to":
                self.state.cycles += timing.base
                self._go(block, int(_plain(arguments[0])) % words)
            case "jump_indirect":
                self.state.cycles += timing.base
                self._jump_indirect(arguments[0], arguments[1])
            case "call_by":
                self._call(each, block, (each.word + each.words + int(_plain(arguments[0]))) % words, before)
            case "call_to":
                self._call(each, block, int(_plain(arguments[0])) % words, before)
            case "call_indirect":
                self._call(each, block, (arguments[0], arguments[1]), before)
            case "return_from_call" | "return_from_interrupt":
                self._return_from_call(each, before, from_interrupt=name == "return_from_interrupt")
            case _:
                raise TypeError(f"{name} does not change the flow")

    def _two_ways(self, block: Block, condition: Value, one: tuple[int, int], zero: tuple[int, int]) -> None:
        text = self.main
        if isinstance(condition, int):
            word, cycles = one if condition else zero
            self.state.cycles += cycles
            self._go(block, word)
            return
        name = text.value(condition, 1)
        common = min(one[1], zero[1])
        self.state.cycles += common
        attention, self.attention = self.attention, None
        if attention is None:
            self._flush_main()
        first, second = self.label("edge"), self.label("edge")
        text.do(f"br i1 {name}, label %{first}, label %{second}")
        at_branch = self.state
        for label, (word, cycles) in ((first, one), (second, zero)):
            self.lines.append(f"{label}:")
            self.state = at_branch.copy()
            self.state.cycles += cycles - common
            self.attention = attention
            self._go_apart(block, word)

    def _go_apart(self, block: Block, word: int) -> None:
        """Like `_go`, for one of two edges: what is written there must not be taken as known on the other."""
        main = self.main
        self.main = main.aside(self.lines)
        self._go(block, word)
        self.main = main

    def _return_address(self, word: int) -> list[Value]:
        parts: list[Value] = [word & 0xFF, word >> 8 & 0xFF]
        return [*parts, word >> 16] if self.chip.core.pc_bytes == 3 else parts

    def _call(self, each: Translated, block: Block, target: int | tuple[Value, Value], before: _State) -> None:
        text = self.main
        after = (each.word + each.words) % self.chip.flash_words
        indirect = None if isinstance(target, int) else self._indirect(*target)
        self._push(each, self._return_address(after), before)
        self.state.cycles += each.timing.base
        self._flush_main()
        if self.is_step:
            self._return(text, CONTINUE, str(target) if indirect is None else indirect)
            return
        depth_at = self.field(text, "depth")
        depth = text.put(f"load i32, ptr {depth_at}")
        deeper = text.put(f"add i32 {depth}, 1")
        pc = str(target) if indirect is None else indirect
        if isinstance(target, int) and target in self.together:
            function = f"@{function_name(target)}"
            unready = text.put(f"icmp uge i32 {depth}, {DEEPEST}")
        else:
            function = self._table_entry(pc)
            missing = text.put(f"icmp eq ptr {function}, null")
            unready = text.put(f"or i1 {missing}, {text.put(f'icmp uge i32 {depth}, {DEEPEST}')}")
        unwind, enter, back, on = (self.label(n) for n in ("unwind", "enter", "back", "on"))
        text.do(f"br i1 {unready}, label %{unwind}, label %{enter}, !prof !0")
        aside = text.aside(self.aside)
        self.aside.append(f"{unwind}:")
        self._return(aside, CONTINUE, pc)
        self.lines.append(f"{enter}:")
        text.do(f"store i32 {deeper}, ptr {depth_at}")
        status = text.put(f"call i32 {function}({_PASSED})")
        text.do(f"store i32 {depth}, ptr {depth_at}")
        came = text.put(f"load i32, ptr {self.field(text, 'pc')}")
        elsewhere = text.put(f"icmp ne i32 {came}, {after}")
        out = text.put(f"or i1 {elsewhere}, {text.put(f'icmp ne i32 {status}, {CONTINUE}')}")
        text.do(f"br i1 {out}, label %{back}, label %{on}, !prof !0")
        self.aside.append(f"{back}:")
        text.aside(self.aside).do(f"ret i32 {status}")
        self.lines.append(f"{on}:")
        if after in block.successors:
            self._check(after, f"b{after:x}", hooked=True)
        else:
            self._return(text, CONTINUE, str(after))

    def _indirect(self, page: Value, word: Value) -> str:
        text = self.main
        pc = _extended(text, word, 16, 32)
        if page != 0:
            high = text.put(f"shl i32 {_extended(text, page, 8, 32)}, 16")
            pc = text.put(f"or i32 {high}, {pc}")
        words = self.chip.flash_words
        is_power = words & (words - 1) == 0
        return text.put(f"and i32 {pc}, {words - 1}" if is_power else f"urem i32 {pc}, {words}")

    def _table_entry(self, pc: str) -> str:
        text = self.main
        table = text.put(f"load ptr, ptr {self.field(text, 'table', World)}")
        if pc.startswith("%"):
            index = text.put(f"zext i32 {pc} to i64")
            return text.put(f"load ptr, ptr {text.put(f'getelementptr ptr, ptr {table}, i64 {index}')}")
        return text.put(f"load ptr, ptr {text.put(f'getelementptr ptr, ptr {table}, i64 {pc}')}")

    def _jump_indirect(self, page: Value, word: Value) -> None:
        text = self.main
        pc = self._indirect(page, word)
        self._flush_main()
        if self.is_step:
            self._return(text, CONTINUE, pc)
            return
        function = self._table_entry(pc)
        missing, there = self.label("missing"), self.label("there")
        text.do(f"br i1 {text.put(f'icmp eq ptr {function}, null')}, label %{missing}, label %{there}")
        self.lines.append(f"{missing}:")
        self._return(text, CONTINUE, pc)
        self.lines.append(f"{there}:")
        status = text.put(f"musttail call i32 {function}({_PASSED})")
        text.do(f"ret i32 {status}")

    def _return_from_call(self, each: Translated, before: _State, *, from_interrupt: bool) -> None:
        text = self.main
        parts = self._pop(each, self.chip.core.pc_bytes, before)
        pc = "0"
        for part in parts:
            moved = text.put(f"shl i32 {pc}, 8")
            pc = text.put(f"or i32 {moved}, {_extended(text, part, 8, 32)}")
        words = self.chip.flash_words
        is_power = words & (words - 1) == 0
        pc = text.put(f"and i32 {pc}, {words - 1}" if is_power else f"urem i32 {pc}, {words}")
        self.state.cycles += each.timing.base
        self._flush_main()
        if from_interrupt:
            text.do(f"store i8 {RETURNED}, ptr {self.field(text, 'shadow')}")
        self._return(text, LEAVE if from_interrupt else CONTINUE, pc)


def _sum_nodes(name: str, carry: str, arguments: list[Value]) -> tuple[Value, ...]:
    left, right, incoming = arguments
    result = Node(name, (left, right, incoming), 8)
    return (
        result,
        Node(f"{name}.half", (left, right, result), 1),
        Node(f"{name}.overflow", (left, right, result), 1),
        Node(f"{name}.{carry}", (left, right, incoming), 1),
    )


def _plain(value: Value | Argument) -> int:
    if isinstance(value, int):
        return value
    raise TypeError(f"{value!r} where a plain integer belongs")
