"""The loop over inputs, compiled too: place arguments, call, keep what came of it, set everything back.

Python comes in once for a batch, and for a row that compiled code cannot finish alone.
"""

import ctypes
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from cyclerule.engines.llvm.layout import Cpu, World, offset
from cyclerule.engines.tracking import READ_FIRST

if TYPE_CHECKING:
    import numpy as np

    from cyclerule.engines.llvm.scalar import Scalar

ALL_DONE, ROW_LEFT, ROW_TOUCHED = 0, 1, 2
"""Why the loop comes back: no row is left; this row must go on elsewhere; this row is done but devices were touched."""


class Plan(ctypes.Structure):
    """What the loop works on. Sizes are in bytes; the return address is in `saved_data` already."""

    _fields_ = tuple(
        (name, ctypes.c_int64)
        for name in (
            "index",
            "count",
            "arguments",
            "argument_bytes",
            "argument_registers",
            "saved_data",
            "data",
            "data_bytes",
            "saved_flags",
            "flags",
            "cpu",
            "flash",
            "world",
            "entry",
            "return_word",
            "stack_pointer",
            "return_bytes",
            "start_cycle",
            "deadline",
            "floor",
            "seen",
            "seen_template",
            "seen_union",
            "cycles",
            "instructions",
            "stack",
            "results",
            "result_bytes",
            "result_registers",
            "table",
        )
    )


def loop_text(*, tracks: bool) -> str:
    """Gives the loop as an LLVM module with the function `rows(plan)`."""
    lines: list[str] = []
    names = iter(range(1_000_000))

    def put(instruction: str) -> str:
        name = f"%n{next(names)}"
        lines.append(f"  {name} = {instruction}")
        return name

    def at(base: str, structure: type[ctypes.Structure], field: str) -> str:
        return put(f"getelementptr i8, ptr {base}, i64 {offset(structure, field)}")

    def number(field: str) -> str:
        return put(f"load i64, ptr {at('%plan', Plan, field)}")

    def pointer(field: str) -> str:
        return put(f"load ptr, ptr {at('%plan', Plan, field)}")

    lines.append("entry:")
    pointers = {
        name: pointer(name)
        for name in (
            *("arguments", "argument_registers", "saved_data", "data", "saved_flags", "flags", "cpu", "flash", "world"),
            *("entry", "seen", "seen_template", "seen_union", "cycles", "instructions", "stack", "results"),
            *("result_registers", "table"),
        )
    }
    numbers = {
        name: number(name)
        for name in (
            *("count", "argument_bytes", "data_bytes", "return_word", "stack_pointer", "return_bytes", "start_cycle"),
            *("deadline", "floor", "result_bytes", "index"),
        )
    }
    p = SimpleNamespace(**pointers)
    count, argb, resb = numbers["count"], numbers["argument_bytes"], numbers["result_bytes"]
    inner = put(f"sub i64 {numbers['stack_pointer']}, {numbers['return_bytes']}")
    inner16 = put(f"trunc i64 {inner} to i16")
    floor16 = put(f"trunc i64 {numbers['floor']} to i16")
    caller16 = put(f"trunc i64 {numbers['stack_pointer']} to i16")
    return32 = put(f"trunc i64 {numbers['return_word']} to i32")
    lines.append("  br label %head")
    lines.append("head:")
    lines.append(f"  %row = phi i64 [ {numbers['index']}, %entry ], [ %next, %on ]")
    lines.append(f"  store i64 %row, ptr {at('%plan', Plan, 'index')}")
    lines.append(f"  br i1 {put(f'icmp sge i64 %row, {count}')}, label %done, label %body")
    lines.append("done:")
    lines.append(f"  ret i64 {ALL_DONE}")
    lines.append("body:")
    copy = "call void @llvm.memcpy.p0.p0.i64"
    size = numbers["data_bytes"]
    lines.append(f"  {copy}(ptr {pointers['data']}, ptr {pointers['saved_data']}, i64 {size}, i1 false)")
    lines.append(f"  {copy}(ptr {pointers['flags']}, ptr {pointers['saved_flags']}, i64 8, i1 false)")
    if tracks:
        lines.append(f"  {copy}(ptr {pointers['seen']}, ptr {pointers['seen_template']}, i64 {size}, i1 false)")
    for name, value, kind in (
        ("cycle", numbers["start_cycle"], "i64"),
        ("deadline", numbers["deadline"], "i64"),
        ("instructions", "0", "i64"),
        ("depth", "0", "i32"),
        ("sp", inner16, "i16"),
        ("lowest", inner16, "i16"),
        ("floor", floor16, "i16"),
        ("shadow", "0", "i8"),
        ("fresh", "1", "i8"),
    ):
        lines.append(f"  store {kind} {value}, ptr {at(pointers['cpu'], Cpu, name)}")
    first_argument = put(f"mul i64 %row, {numbers['argument_bytes']}")
    lines.append("  br label %place")
    lines.append("place:")
    lines.append("  %a = phi i64 [ 0, %body ], [ %a1, %placed ]")
    lines.append(f"  br i1 {put(f'icmp sge i64 %a, {argb}')}, label %call, label %placed")
    lines.append("placed:")
    register = put(f"load i8, ptr {put(f'getelementptr i8, ptr {p.argument_registers}, i64 %a')}")
    source = put(f"add i64 {first_argument}, %a")
    byte = put(f"load i8, ptr {put(f'getelementptr i8, ptr {p.arguments}, i64 {source}')}")
    wide = put(f"zext i8 {register} to i64")
    lines.append(f"  store i8 {byte}, ptr {put(f'getelementptr i8, ptr {p.data}, i64 {wide}')}")
    lines.append("  %a1 = add i64 %a, 1")
    lines.append("  br label %place")
    lines.append("call:")
    lines.append(f"  %function = phi ptr [ {pointers['entry']}, %place ], [ %following, %again ]")
    passed = ", ".join(f"ptr {pointers[n]}" for n in ("data", "data", "flags", "cpu", "flash", "world"))
    status = put(f"call i32 %function({passed})")
    lines.append(f"  br i1 {put(f'icmp eq i32 {status}, 0')}, label %came, label %left")
    lines.append("left:")
    lines.append(f"  ret i64 {ROW_LEFT}")
    lines.append("came:")
    pc = put(f"load i32, ptr {at(pointers['cpu'], Cpu, 'pc')}")
    sp = put(f"load i16, ptr {at(pointers['cpu'], Cpu, 'sp')}")
    is_there = put(f"icmp eq i32 {pc}, {return32}")
    is_level = put(f"icmp eq i16 {sp}, {caller16}")
    lines.append(f"  br i1 {put(f'and i1 {is_there}, {is_level}')}, label %finish, label %elsewhere")
    lines.append("elsewhere:")
    place = put(f"zext i32 {pc} to i64")
    lines.append(f"  %following = load ptr, ptr {put(f'getelementptr ptr, ptr {p.table}, i64 {place}')}")
    lines.append(f"  br i1 {put('icmp eq ptr %following, null')}, label %left, label %again")
    lines.append("again:")
    lines.append("  br label %call")
    lines.append("finish:")
    cycle = put(f"load i64, ptr {at(pointers['cpu'], Cpu, 'cycle')}")
    took = put(f"sub i64 {cycle}, {numbers['start_cycle']}")
    lines.append(f"  store i64 {took}, ptr {put(f'getelementptr i64, ptr {p.cycles}, i64 %row')}")
    executed = put(f"load i64, ptr {at(pointers['cpu'], Cpu, 'instructions')}")
    lines.append(f"  store i64 {executed}, ptr {put(f'getelementptr i64, ptr {p.instructions}, i64 %row')}")
    lowest = put(f"load i16, ptr {at(pointers['cpu'], Cpu, 'lowest')}")
    depth = put(f"sub i16 {caller16}, {lowest}")
    lines.append(f"  store i16 {depth}, ptr {put(f'getelementptr i16, ptr {p.stack}, i64 %row')}")
    first_result = put(f"mul i64 %row, {numbers['result_bytes']}")
    lines.append("  br label %keep")
    lines.append("keep:")
    lines.append("  %r = phi i64 [ 0, %finish ], [ %r1, %kept ]")
    lines.append(f"  br i1 {put(f'icmp sge i64 %r, {resb}')}, label %noted, label %kept")
    lines.append("kept:")
    register = put(f"load i8, ptr {put(f'getelementptr i8, ptr {p.result_registers}, i64 %r')}")
    wide = put(f"zext i8 {register} to i64")
    byte = put(f"load i8, ptr {put(f'getelementptr i8, ptr {p.data}, i64 {wide}')}")
    target = put(f"add i64 {first_result}, %r")
    lines.append(f"  store i8 {byte}, ptr {put(f'getelementptr i8, ptr {p.results}, i64 {target}')}")
    lines.append("  %r1 = add i64 %r, 1")
    lines.append("  br label %keep")
    lines.append("noted:")
    if tracks:
        lines.append("  br label %unite")
        lines.append("unite:")
        lines.append("  %u = phi i64 [ 0, %noted ], [ %u1, %united ]")
        lines.append(f"  br i1 {put(f'icmp sge i64 %u, {size}')}, label %last, label %united")
        lines.append("united:")
        union = put(f"getelementptr i8, ptr {pointers['seen_union']}, i64 %u")
        seen = put(f"load i64, ptr {put(f'getelementptr i8, ptr {p.seen}, i64 %u')}, align 1")
        before = put(f"load i64, ptr {union}, align 1")
        lines.append(f"  store i64 {put(f'or i64 {before}, {seen}')}, ptr {union}, align 1")
        lines.append("  %u1 = add i64 %u, 8")
        lines.append("  br label %unite")
    else:
        lines.append("  br label %last")
    lines.append("last:")
    lines.append("  %next = add i64 %row, 1")
    touched = put(f"load i64, ptr {at(pointers['world'], World, 'touched')}")
    lines.append(f"  br i1 {put(f'icmp eq i64 {touched}, 0')}, label %on, label %touched")
    lines.append("touched:")
    lines.append(f"  ret i64 {ROW_TOUCHED}")
    lines.append("on:")
    lines.append("  br label %head")
    declaration = "declare void @llvm.memcpy.p0.p0.i64(ptr, ptr, i64, i1)\n"
    body = "\n".join(lines)
    return f"{declaration}define i64 @rows(ptr noalias %plan) nounwind {{\n{body}\n}}\n"


@dataclass
class Batch:
    """What a batch of rows gave: arrays with an element for each row, `results` with the bytes of each result."""

    cycles: "np.ndarray[Any, Any]"
    instructions: "np.ndarray[Any, Any]"
    stack_bytes: "np.ndarray[Any, Any]"
    results: "np.ndarray[Any, Any]"


@dataclass(frozen=True)
class Entrance:
    """How each row begins and ends: flash word, return address, the caller's stack pointer, and the registers of the arguments.

    `argument_registers` are in the order of an argument row's bytes; `result_registers` hold the result, lowest first;
    `ends` are flash words at which compiled code hands a row over.
    """

    word: int
    return_word: int
    stack_pointer: int
    argument_registers: Sequence[int]
    result_registers: Sequence[int]
    ends: frozenset[int]


class Rows:
    """Runs batches of rows on a compiled engine from one state of its chip.

    The chip must stand in the state from which every row starts. `finish` carries on a row that compiled code left:
    it is called with the row's number while the chip stands where that was, and gives when it is back.
    """

    def __init__(
        self, engine: "Scalar", saved: tuple[Any, ...], entrance: Entrance, limit: int, finish: Callable[[int], None]
    ) -> None:
        import numpy as np

        self._np = np
        self._engine, self._saved, self._entrance, self._finish = engine, saved, entrance, finish
        chip = engine.chip
        size = len(chip.data) + -len(chip.data) % 8
        data = np.zeros(size, np.uint8)
        data[: len(chip.data)] = np.frombuffer(bytes(chip.data), np.uint8)
        top = entrance.stack_pointer
        address = entrance.return_word
        self._template = np.zeros(size, np.uint8)
        for number in range(chip.core.pc_bytes):
            data[top - number] = address >> 8 * number & 0xFF
            self._template[top - number] = 1
        data[1] = 0
        for register in (*entrance.argument_registers, 1):
            self._template[register] = 1
        self._data = data
        self._flags = np.frombuffer(bytes(chip.flags), np.uint8).copy()
        self.seen = np.zeros(size, np.uint8)
        self._argument_registers = np.array(entrance.argument_registers or [0], np.uint8)
        self._result_registers = np.array(entrance.result_registers or [0], np.uint8)
        self._limit = limit
        self._function = engine.rows_function()

    @property
    def stack_pointer(self) -> int:
        """The caller's stack pointer, to which each row comes back."""
        return self._entrance.stack_pointer

    def first_reads(self, before: bytes) -> dict[int, int]:
        """Gives what any row so far has read before writing it, with the values; `before` is memory at the start."""
        tracking = self._engine.tracking
        found = {} if tracking is None else dict(tracking.first_reads)
        for address in self._np.nonzero(self.seen & READ_FIRST)[0].tolist():
            found.setdefault(address, before[address])
        return found

    def run(self, arguments: "np.ndarray[Any, Any]", first: int) -> Batch:
        """Runs a row for each line of `arguments` (uint8, one column for each argument register).

        `first` is the number of the first row, for `finish`.
        """
        np, engine, entrance = self._np, self._engine, self._entrance
        chip = engine.chip
        count = len(arguments)
        arguments = np.ascontiguousarray(arguments, np.uint8)
        batch = Batch(
            np.zeros(count, np.uint64),
            np.zeros(count, np.uint64),
            np.zeros(count, np.uint16),
            np.zeros((count, len(entrance.result_registers)), np.uint8),
        )
        plan = Plan(
            index=0,
            count=count,
            arguments=arguments.ctypes.data,
            argument_bytes=len(entrance.argument_registers),
            argument_registers=self._argument_registers.ctypes.data,
            saved_data=self._data.ctypes.data,
            data_bytes=len(chip.data),
            saved_flags=self._flags.ctypes.data,
            return_word=entrance.return_word,
            stack_pointer=entrance.stack_pointer,
            return_bytes=chip.core.pc_bytes,
            floor=chip.stack_floor,
            seen_template=self._template.ctypes.data,
            seen_union=self.seen.ctypes.data,
            cycles=batch.cycles.ctypes.data,
            instructions=batch.instructions.ctypes.data,
            stack=batch.stack_bytes.ctypes.data,
            results=batch.results.ctypes.data,
            result_bytes=len(entrance.result_registers),
            result_registers=self._result_registers.ctypes.data,
            start_cycle=chip.cycle,
        )
        while True:
            start = chip.cycle
            engine.prepare_rows(plan, entrance.word, entrance.ends, start + self._limit)
            why = self._function(ctypes.byref(plan))
            if why == ALL_DONE:
                chip.restore(self._saved)
                chip.interrupts.delivers = False
                return batch
            row = plan.index
            if why == ROW_LEFT:
                engine.take_over()
                self._finish(first + row)
                batch.cycles[row] = chip.cycle - start
                batch.instructions[row] = engine.instructions
                batch.stack_bytes[row] = entrance.stack_pointer - chip.lowest_stack_pointer
                batch.results[row] = [chip.data[register] for register in entrance.result_registers]
                self._unite()
            plan.index = row + 1
            chip.restore(self._saved)
            chip.interrupts.delivers = False

    def _unite(self) -> None:
        tracking = self._engine.tracking
        if tracking is not None:
            self.seen[: len(tracking.seen)] |= self._np.frombuffer(bytes(tracking.seen), self._np.uint8)
