"""The loop over inputs, compiled too: place arguments, call, keep what came of it, set everything back.

Python comes in once for a batch, and for a row that compiled code cannot finish alone.
"""

import ctypes
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cyclerule.engines.llvm.layout import CONTINUE, Cpu, World
from cyclerule.engines.llvm.writing import Record, Writer
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
    return _Loop(tracks).text()


class _Loop:
    """The loop, part by part. Each part begins where the one before it branched to."""

    def __init__(self, tracks: bool) -> None:
        self._tracks = tracks
        self.w = w = Writer()
        w.label("entry")
        self.plan = plan = Record(w, "%plan", Plan)
        self.data, self.flags, self.world_at = (plan.load(name, "ptr") for name in ("data", "flags", "world"))
        cpu_at = plan.load("cpu", "ptr")
        passed = (self.data, self.data, self.flags, cpu_at, plan.load("flash", "ptr"), self.world_at)
        self.passed = ", ".join(f"ptr {each}" for each in passed)
        self.cpu, self.world = Record(w, cpu_at, Cpu), Record(w, self.world_at, World)
        self.size, self.start = plan.load("data_bytes"), plan.load("start_cycle")
        self.caller = w.put(f"trunc i64 {plan.load('stack_pointer')} to i16")
        first = plan.load("index")
        w.go("head")
        w.label("head")
        w.do(f"%row = phi i64 [ {first}, %entry ], [ %next, %on ]")
        plan.store("index", "%row")
        w.branch(w.compare("sge", "%row", plan.load("count")), "done", "body")
        w.label("done")
        w.do(f"ret i64 {ALL_DONE}")

    def text(self) -> str:
        """Gives the whole module."""
        self._set_back()
        self._place_arguments()
        self._call()
        self._keep()
        self._unite()
        self._next()
        body = "\n".join(self.w.lines)
        declaration = "declare void @llvm.memcpy.p0.p0.i64(ptr, ptr, i64, i1)\n"
        return f"{declaration}define i64 @rows(ptr noalias %plan) nounwind {{\n{body}\n}}\n"

    def _copy(self, target: str, source: str, size: str) -> None:
        self.w.do(f"call void @llvm.memcpy.p0.p0.i64(ptr {target}, ptr {source}, i64 {size}, i1 false)")

    def _set_back(self) -> None:
        """The state from which every row starts, with the return address on the stack."""
        w, plan = self.w, self.plan
        w.label("body")
        self._copy(self.data, plan.load("saved_data", "ptr"), self.size)
        self._copy(self.flags, plan.load("saved_flags", "ptr"), "8")
        if self._tracks:
            self._copy(plan.load("seen", "ptr"), plan.load("seen_template", "ptr"), self.size)
        inner = w.put(f"sub i64 {plan.load('stack_pointer')}, {plan.load('return_bytes')}")
        inner = w.put(f"trunc i64 {inner} to i16")
        floor = w.put(f"trunc i64 {plan.load('floor')} to i16")
        for name, value, kind in (
            ("cycle", self.start, "i64"),
            ("deadline", plan.load("deadline"), "i64"),
            ("instructions", "0", "i64"),
            ("depth", "0", "i32"),
            ("sp", inner, "i16"),
            ("lowest", inner, "i16"),
            ("floor", floor, "i16"),
            ("shadow", "0", "i8"),
            ("fresh", "1", "i8"),
        ):
            self.cpu.store(name, value, kind)
        w.go("place")

    def _for_each(self, counter: str, before: str, count: str, each: str, after: str) -> None:
        """Begins a loop over a small count; its body is to end in `go` to the label of the same name as the counter."""
        w = self.w
        w.label(counter)
        w.do(f"%{counter}_n = phi i64 [ 0, %{before} ], [ %{counter}_m, %{each} ]")
        w.branch(w.compare("sge", f"%{counter}_n", count), after, each)
        w.label(each)
        w.do(f"%{counter}_m = add i64 %{counter}_n, 1")

    def _place_arguments(self) -> None:
        w, plan = self.w, self.plan
        w.label("place")
        registers, arguments = plan.load("argument_registers", "ptr"), plan.load("arguments", "ptr")
        entry, width = plan.load("entry", "ptr"), plan.load("argument_bytes")
        self.entry = entry
        first = w.put(f"mul i64 %row, {width}")
        w.go("argument")
        self._for_each("argument", "place", width, "placed", "call")
        place = w.element(registers, "%argument_n", "i16")
        register = w.put(f"zext i16 {w.put(f'load i16, ptr {place}')} to i64")
        byte = w.put(f"load i8, ptr {w.element(arguments, w.put(f'add i64 {first}, %argument_n'))}")
        w.do(f"store i8 {byte}, ptr {w.element(self.data, register)}")
        w.go("argument")

    def _byte(self, base: str, index: str) -> str:
        return self.w.put(f"zext i8 {self.w.put(f'load i8, ptr {self.w.element(base, index)}')} to i64")

    def _call(self) -> None:
        """The call, and again where compiled code has unwound; a row that needs more than that is handed over."""
        w, plan, cpu = self.w, self.plan, self.cpu
        w.label("call")
        w.do(f"%function = phi ptr [ {self.entry}, %argument ], [ %following, %again ]")
        status = w.put(f"call i32 %function({self.passed})")
        w.branch(w.compare("eq", status, CONTINUE, "i32"), "came", "left")
        w.label("left")
        w.do(f"ret i64 {ROW_LEFT}")
        w.label("came")
        pc = w.put(f"zext i32 {cpu.load('pc', 'i32')} to i64")
        is_there = w.compare("eq", pc, plan.load("return_word"))
        is_level = w.compare("eq", cpu.load("sp", "i16"), self.caller, "i16")
        w.branch(w.put(f"and i1 {is_there}, {is_level}"), "finish", "elsewhere")
        w.label("elsewhere")
        w.do(f"%following = load ptr, ptr {w.element(plan.load('table', 'ptr'), pc, 'ptr')}")
        w.branch(w.compare("eq", "%following", "null", "ptr"), "left", "again")
        w.label("again")
        w.go("call")

    def _keep(self) -> None:
        """What came of the row."""
        w, plan, cpu = self.w, self.plan, self.cpu
        w.label("finish")
        took = w.put(f"sub i64 {cpu.load('cycle')}, {self.start}")
        depth = w.put(f"sub i16 {self.caller}, {cpu.load('lowest', 'i16')}")
        for field, value, kind in (
            ("cycles", took, "i64"),
            ("instructions", cpu.load("instructions"), "i64"),
            ("stack", depth, "i16"),
        ):
            w.do(f"store {kind} {value}, ptr {w.element(plan.load(field, 'ptr'), '%row', kind)}")
        registers, results = plan.load("result_registers", "ptr"), plan.load("results", "ptr")
        width = plan.load("result_bytes")
        first = w.put(f"mul i64 %row, {width}")
        w.go("result")
        self._for_each("result", "finish", width, "kept", "noted")
        byte = w.put(f"load i8, ptr {w.element(self.data, self._byte(registers, '%result_n'))}")
        w.do(f"store i8 {byte}, ptr {w.element(results, w.put(f'add i64 {first}, %result_n'))}")
        w.go("result")

    def _unite(self) -> None:
        """Adds what the row read first to what all rows did, eight addresses at a time."""
        w, plan = self.w, self.plan
        w.label("noted")
        if not self._tracks:
            w.go("last")
            return
        seen, union = plan.load("seen", "ptr"), plan.load("seen_union", "ptr")
        words = w.put(f"udiv i64 {w.put(f'add i64 {self.size}, 7')}, 8")
        w.go("union")
        self._for_each("union", "noted", words, "united", "last")
        at = w.element(union, "%union_n", "i64")
        both = w.put(f"load i64, ptr {w.element(seen, '%union_n', 'i64')}, align 1")
        both = w.put(f"or i64 {w.put(f'load i64, ptr {at}, align 1')}, {both}")
        w.do(f"store i64 {both}, ptr {at}, align 1")
        w.go("union")

    def _next(self) -> None:
        """A row that touched devices ends the loop, for Python to set them back."""
        w = self.w
        w.label("last")
        w.do("%next = add i64 %row, 1")
        w.branch(w.compare("eq", self.world.load("touched"), 0), "on", "touched")
        w.label("touched")
        w.do(f"ret i64 {ROW_TOUCHED}")
        w.label("on")
        w.go("head")


@dataclass
class Batch:
    """What a batch of rows gave: arrays with an element for each row, `results` with the bytes of each result."""

    cycles: "np.ndarray[Any, Any]"
    instructions: "np.ndarray[Any, Any]"
    stack_bytes: "np.ndarray[Any, Any]"
    results: "np.ndarray[Any, Any]"


@dataclass(frozen=True)
class Entrance:
    """How each row begins and ends: flash word, return address, the caller's stack pointer, the arguments' registers.

    `argument_registers` are in the order of an argument row's bytes, as data addresses: of RAM too, for variables that
    each row sets; `result_registers` hold the result, lowest first; `ends` are flash words at which compiled code hands
    a row over; `given` are data addresses whose content belongs to the arguments and is in the state already.
    """

    word: int
    return_word: int
    stack_pointer: int
    argument_registers: Sequence[int]
    result_registers: Sequence[int]
    ends: frozenset[int]
    given: Sequence[int] = ()


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
        for register in (*entrance.argument_registers, *entrance.given, 1):
            self._template[register] = 1
        self._data = data
        self._flags = np.frombuffer(bytes(chip.flags), np.uint8).copy()
        self.seen = np.zeros(size, np.uint8)
        self._argument_registers = np.array(entrance.argument_registers or [0], np.uint16)
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
            floor=engine.stack_floor,
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
                engine.note_executed(int(batch.instructions.sum()))
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
