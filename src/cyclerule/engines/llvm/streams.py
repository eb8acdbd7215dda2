"""Streams natively: bytes that a program hands to a device one after another, each passed on after a fixed time.

A write, the end of a byte and the interrupts of both cost no Python. What has been passed on stands in a list that
Python takes over when it next comes in, or when the list is full.
"""

import ctypes
from collections.abc import Sequence

from cyclerule.engines.llvm.layout import World
from cyclerule.engines.llvm.writing import Record, Writer
from cyclerule.machine.events import NEVER, Alarm, StreamSource

STREAMS = 4
PASSED_ON = 4096
"""Bytes that the list holds; Python comes in before that many."""

FULL = PASSED_ON - 16
NONE = -1
EMPTY, COMPLETE = 0x20, 0x40
"""The flags of a stream, and its interrupts' enable bits at the same places: room for a byte, and all passed on."""


class Streams(ctypes.Structure):
    """All streams. `busy` and `waiting` are the bytes on their way and in the buffer, -1 for none.

    A byte begins at a multiple of `grid` after `origin`, takes `length`, and ends at `due`. Its flags stand at the
    data address `status`, the enable bits at `control`, where bit 0 is the byte's ninth.
    """

    _fields_ = (
        ("count", ctypes.c_int64),
        ("passed_on", ctypes.c_int64),
        *(
            (name, ctypes.c_int64 * STREAMS)
            for name in (
                *("data", "status", "control", "origin", "grid", "length"),
                *("busy", "waiting", "due", "empty_vector", "complete_vector"),
            )
        ),
        *((name, ctypes.c_int64 * PASSED_ON) for name in ("which", "cycle", "value")),
    )


class NativeStreams:
    """The streams of a chip that are native at the moment, between Python and compiled code."""

    def __init__(self, sources: Sequence[StreamSource]) -> None:
        self.memory = Streams()
        self._sources = sources
        self._native: list[StreamSource] = []

    @property
    def address(self) -> int:
        """Where they are in memory."""
        return ctypes.addressof(self.memory)

    def load(self, *, allowed: bool) -> tuple[list[Alarm], int]:
        """Hands over the streams that may be native, and gives their alarms and a mask of their vectors."""
        memory, vectors = self.memory, 0
        self._native = []
        for source in self._sources if allowed else ():
            stream = source.promise()
            if stream is None or len(self._native) == STREAMS:
                continue
            n = len(self._native)
            self._native.append(source)
            memory.data[n], memory.status[n], memory.control[n] = stream.data, stream.status, stream.control
            memory.origin[n], memory.grid[n], memory.length[n] = stream.origin, stream.grid, stream.length
            memory.busy[n] = NONE if stream.busy is None else stream.busy
            memory.waiting[n] = NONE if stream.waiting is None else stream.waiting
            memory.due[n] = source.alarm.due
            memory.empty_vector[n] = NONE if stream.empty_vector is None else stream.empty_vector
            memory.complete_vector[n] = NONE if stream.complete_vector is None else stream.complete_vector
            known = (each for each in (stream.empty_vector, stream.complete_vector) if each is not None)
            vectors |= sum(1 << each for each in known)
        memory.count, memory.passed_on = len(self._native), 0
        return [source.alarm for source in self._native], vectors

    def store(self) -> None:
        """Takes back what they have become."""
        memory = self.memory
        passed = self._passed_on()
        for n, source in enumerate(self._native):
            busy, waiting = memory.busy[n], memory.waiting[n]
            source.take_over(
                None if busy == NONE else busy, None if waiting == NONE else waiting, memory.due[n], passed[n]
            )

    def _passed_on(self) -> list[tuple[Sequence[int], Sequence[int]]]:
        """Empties the list of what was passed on: cycles and bytes for each stream."""
        memory = self.memory
        count, memory.passed_on = memory.passed_on, 0
        if not count:
            return [((), ())] * len(self._native)
        which, cycles, values = (
            memoryview(field).cast("B").cast("q")[:count].tolist()
            for field in (memory.which, memory.cycle, memory.value)
        )
        if len(self._native) == 1:
            return [(cycles, values)]
        places = [[place for place, each in enumerate(which) if each == n] for n in range(len(self._native))]
        return [([cycles[p] for p in each], [values[p] for p in each]) for each in places]


def write_text() -> str:
    """Gives an LLVM module with `stream_write`, which compiled code calls in place of `io_write` at a stream's data."""
    w = Writer()
    w.label("entry")
    world = Record(w, "%world", World)
    at = world.load("streams", "ptr")
    streams = Record(w, at, Streams)
    address = w.put("zext i32 %address to i64")
    count = streams.load("count")
    io = world.load("io", "ptr")
    w.go("each")
    w.label("each")
    w.do("%k = phi i64 [ 0, %entry ], [ %k1, %next ]")
    w.branch(w.compare("sge", "%k", count), "python", "one")
    w.label("one")
    w.do("%k1 = add i64 %k, 1")
    w.branch(w.compare("eq", streams.load("data", index="%k"), address), "found", "next")
    w.label("next")
    w.go("each")
    w.label("python")
    passed = "i32 %address, i32 %value, i32 255, i64 %cycle, i32 %word, i32 %flag"
    w.do(f"%answer = call i32 {world.load('io_write', 'ptr')}({passed})")
    w.do("ret i32 %answer")
    w.label("found")
    # Whatever is due by then comes first, and is Python's in the middle of an instruction.
    following = world.load("next_event")
    is_full = w.compare("sge", streams.load("passed_on"), FULL)
    w.branch(w.put(f"or i1 {w.compare('sle', following, '%cycle')}, {is_full}"), "python", "take")
    w.label("take")
    world.store("touched", "1")
    w.do(f"store i64 1, ptr {world.load('changed', 'ptr')}")
    control = w.put(f"load i8, ptr {w.element(io, streams.load('control', index='%k'))}")
    ninth = w.put(f"zext i8 {w.put(f'and i8 {control}, 1')} to i64")
    byte = w.put(f"or i64 {w.put('zext i32 %value to i64')}, {w.put(f'shl i64 {ninth}, 8')}")
    w.branch(w.compare("slt", streams.load("busy", index="%k"), 0), "begin", "buffer")
    w.label("buffer")
    w.branch(w.compare("slt", streams.load("waiting", index="%k"), 0), "keep", "done")
    w.label("keep")
    streams.store("waiting", byte, index="%k")
    status = w.element(io, streams.load("status", index="%k"))
    flags = w.put(f"load i8, ptr {status}")
    w.do(f"store i8 {w.put(f'and i8 {flags}, {~EMPTY & 0xFF}')}, ptr {status}")
    w.go("done")
    w.label("done")
    w.do("ret i32 0")
    w.label("begin")
    streams.store("busy", byte, index="%k")
    origin, grid = streams.load("origin", index="%k"), streams.load("grid", index="%k")
    since = w.put(f"sub i64 %cycle, {origin}")
    rounded = w.put(f"add i64 {since}, {w.put(f'sub i64 {grid}, 1')}")
    turns = w.put(f"sdiv i64 {rounded}, {grid}")
    start = w.put(f"add i64 {origin}, {w.put(f'mul i64 {turns}, {grid}')}")
    due = w.put(f"add i64 {start}, {streams.load('length', index='%k')}")
    streams.store("due", due, index="%k")
    w.branch(w.compare("slt", due, following), "sooner", "done")
    w.label("sooner")
    world.store("next_event", due)
    w.do("ret i32 256")
    parameters = "ptr %world, i32 %address, i32 %value, i64 %cycle, i32 %word, i32 %flag"
    body = "\n".join(w.lines)
    return f"define i32 @stream_write({parameters}) nounwind {{\n{body}\n}}\n"


def write_ends(w: Writer, streams: Record, data: str, cycle: str, *, soonest: str, after: str) -> str:
    """Writes the ends of bytes that are due, from the label "streams" on; gives the name of the next event's cycle.

    It comes from the block "counted_all" and goes on to `after`.
    """
    w.label("streams")
    count = streams.load("count")
    w.go("stream")
    w.label("stream")
    w.do("%s = phi i64 [ 0, %streams ], [ %s1, %stream_seen ]")
    w.do(f"%s_soonest = phi i64 [ {soonest}, %streams ], [ %s_sooner, %stream_seen ]")
    w.branch(w.compare("sge", "%s", count), after, "stream_look")
    w.label("stream_look")
    due = streams.load("due", index="%s")
    w.branch(w.compare("sle", due, cycle), "stream_ends", "stream_seen")
    w.label("stream_ends")
    number = streams.load("passed_on")
    streams.store("which", "%s", index=number)
    streams.store("cycle", due, index=number)
    streams.store("value", streams.load("busy", index="%s"), index=number)
    streams.store("passed_on", w.put(f"add i64 {number}, 1"))
    waiting = streams.load("waiting", index="%s")
    # The next byte follows without a gap, or there is none.
    follows = w.compare("sge", waiting, 0)
    streams.store("busy", waiting, index="%s")
    streams.store("waiting", str(NONE), index="%s")
    onward = w.put(f"add i64 {due}, {streams.load('length', index='%s')}")
    again = w.put(f"select i1 {follows}, i64 {onward}, i64 {NEVER}")
    streams.store("due", again, index="%s")
    status = w.element(data, streams.load("status", index="%s"))
    flag = w.put(f"select i1 {follows}, i8 {EMPTY}, i8 {COMPLETE}")
    flags = w.put(f"load i8, ptr {status}")
    w.do(f"store i8 {w.put(f'or i8 {flags}, {flag}')}, ptr {status}")
    # One look may come after the ends of several short bytes.
    w.branch(w.compare("sle", again, cycle), "stream_look", "stream_seen")
    w.label("stream_seen")
    w.do(f"%s_due = phi i64 [ {due}, %stream_look ], [ {again}, %stream_ends ]")
    w.do(f"%s_sooner = select i1 {w.compare('slt', '%s_due', '%s_soonest')}, i64 %s_due, i64 %s_soonest")
    w.do("%s1 = add i64 %s, 1")
    w.go("stream")
    return "%s_soonest"


def write_requests(w: Writer, streams: Record, data: str, *, best: str, who: str, after: str) -> tuple[str, str]:
    """Writes the search for a lower vector among the streams' interrupts, from the label "stream_requests" on.

    It comes from one block and goes on to `after`; gives the names of the lowest vector and of who asks: -2 - 2 n for
    an empty buffer of stream n, -3 - 2 n where all is passed on.
    """
    w.label("stream_requests")
    count = streams.load("count")
    w.go("stream_asks")
    w.label("stream_asks")
    w.do("%r = phi i64 [ 0, %stream_requests ], [ %r1, %stream_asked ]")
    w.do(f"%r_best = phi i64 [ {best}, %stream_requests ], [ %r_better2, %stream_asked ]")
    w.do(f"%r_who = phi i64 [ {who}, %stream_requests ], [ %r_whom2, %stream_asked ]")
    w.branch(w.compare("sge", "%r", count), after, "stream_asked")
    w.label("stream_asked")
    flags = w.put(f"load i8, ptr {w.element(data, streams.load('status', index='%r'))}")
    enables = w.put(f"load i8, ptr {w.element(data, streams.load('control', index='%r'))}")
    asks = w.put(f"and i8 {flags}, {enables}")
    twice = w.put("mul i64 %r, -2")
    before, asker = "%r_best", "%r_who"
    for number, (bit, field, shift) in enumerate(((EMPTY, "empty_vector", -2), (COMPLETE, "complete_vector", -3)), 1):
        vector = streams.load(field, index="%r")
        asked = w.compare("ne", w.put(f"and i8 {asks}, {bit}"), 0, "i8")
        wants = w.put(f"and i1 {asked}, {w.compare('sge', vector, 0)}")
        lower = w.put(f"and i1 {wants}, {w.compare('slt', vector, before)}")
        w.do(f"%r_better{number} = select i1 {lower}, i64 {vector}, i64 {before}")
        name = w.put(f"add i64 {twice}, {shift}")
        w.do(f"%r_whom{number} = select i1 {lower}, i64 {name}, i64 {asker}")
        before, asker = f"%r_better{number}", f"%r_whom{number}"
    w.do("%r1 = add i64 %r, 1")
    w.go("stream_asks")
    return "%r_best", "%r_who"


def write_acknowledgement(w: Writer, streams: Record, data: str, who: str, after: str) -> None:
    """Writes what entering a stream's handler does, from the label "stream_entered" on: COMPLETE is cleared."""
    w.label("stream_entered")
    place = w.put(f"sub i64 -2, {who}")
    number = w.put(f"sdiv i64 {place}, 2")
    status = w.element(data, streams.load("status", index=number))
    is_complete = w.compare("ne", w.put(f"and i64 {place}, 1"), 0)
    kept = w.put(f"select i1 {is_complete}, i8 {~COMPLETE & 0xFF}, i8 -1")
    flags = w.put(f"load i8, ptr {status}")
    w.do(f"store i8 {w.put(f'and i8 {flags}, {kept}')}, ptr {status}")
    w.go(after)
