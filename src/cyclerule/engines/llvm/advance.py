"""The compiled loop around compiled code: hooks, recurring events, interrupts and the exact way up to them.

It goes on from boundary to boundary. Far from anything that could happen it calls whole regions; near an event,
and where a region begins nowhere near, single instructions. Python comes in for what has no native form.
"""

import ctypes
from enum import IntEnum

from cyclerule.engines.llvm.layout import CONTINUE, IDLE, LEAVE, RETURNED, SHADOW, SLOW, Cpu, World
from cyclerule.engines.llvm.streams import FULL, Streams, write_acknowledgement, write_ends, write_requests
from cyclerule.engines.llvm.writing import Record, Writer
from cyclerule.engines.tracking import WRITTEN
from cyclerule.isa.operations import I
from cyclerule.machine.events import NEVER

RECURRING = 12
"""Recurring events that are carried out natively at the most; others are Python's."""

OPEN_HANDLERS = 32
"""Handlers that may be open natively; deeper nesting is Python's."""

VECTORS = 64
NO_VECTOR = 9_999
PASSES_BEFORE_TRANSLATION = 40
"""How often control jumps back to a word without code of its own before it is translated as an entry."""

UNCOUNTED = 255
"""Stands in place of that count for a word that is not worth an entry, however often control comes there."""


class Why(IntEnum):
    """Why the loop comes back."""

    LIMIT = 0
    HOOK = 1
    PYTHON = 2
    """An event or request that Python has to carry out."""
    SLOW = 3
    """The instruction at hand is to be executed apart."""
    NEEDS_STEP = 4
    """There is no code for the single instruction at hand."""
    HALTED = 5
    HOT = 6
    """The word at hand has been jumped back to so often that it is worth code of its own."""


class Beats(ctypes.Structure):
    """Recurring events and open handlers, natively.

    With `tells` the loop comes back whenever a handler may have returned, and Python follows the handlers.
    An event is a flag that is set at `due` and again each `period` later, with a `gap` also so long after `due`;
    `vector` is its interrupt, -1 for none.
    """

    _fields_ = (
        ("count", ctypes.c_int64),
        ("other_event", ctypes.c_int64),
        ("other_requests", ctypes.c_int64),
        ("delivers", ctypes.c_int64),
        ("vector_words", ctypes.c_int64),
        ("response", ctypes.c_int64),
        ("return_bytes", ctypes.c_int64),
        ("ram_end", ctypes.c_int64),
        ("stack_mask", ctypes.c_int64),
        ("changed", ctypes.c_int64),
        ("tells", ctypes.c_int64),
        ("due", ctypes.c_int64 * RECURRING),
        ("period", ctypes.c_int64 * RECURRING),
        ("gap", ctypes.c_int64 * RECURRING),
        ("vector", ctypes.c_int64 * RECURRING),
        ("enabled", ctypes.c_int64 * RECURRING),
        ("flag", ctypes.c_int64 * RECURRING),
        ("open_count", ctypes.c_int64),
        ("open_vector", ctypes.c_int64 * OPEN_HANDLERS),
        ("open_start", ctypes.c_int64 * OPEN_HANDLERS),
        ("open_sp", ctypes.c_int64 * OPEN_HANDLERS),
        ("runs", ctypes.c_int64 * VECTORS),
        ("least", ctypes.c_int64 * VECTORS),
        ("most", ctypes.c_int64 * VECTORS),
        ("total", ctypes.c_int64 * VECTORS),
        ("nested", ctypes.c_int64 * OPEN_HANDLERS),
    )


class Course(ctypes.Structure):
    """What the loop works on, and how far it may go. `first` is 1 when the boundary at hand was looked at already."""

    _fields_ = tuple(
        (name, ctypes.c_int64)
        for name in (
            *("data", "flags", "cpu", "flash", "world", "beats", "table", "steps", "hooks", "passes"),
            *("margins", "limit", "first"),
        )
    )


def advance_text(*, tracks: bool) -> str:
    """Gives the loop as an LLVM module with the function `advance(course)`."""
    return _Loop(tracks).text()


class _Loop:
    """The loop, part by part. Each part begins where the one before it branched to."""

    def __init__(self, tracks: bool) -> None:
        self._tracks = tracks
        self.w = w = Writer()
        w.label("entry")
        course = Record(w, "%course", Course)
        self.data, self.flags, cpu, self.flash, world, beats, self.table, self.steps, self.hooks, self.passes = (
            course.load(name, "ptr")
            for name in ("data", "flags", "cpu", "flash", "world", "beats", "table", "steps", "hooks", "passes")
        )
        self.passed = ", ".join(f"ptr {each}" for each in (self.data, self.data, self.flags, cpu, self.flash, world))
        self.cpu, self.world, self.beats = Record(w, cpu, Cpu), Record(w, world, World), Record(w, beats, Beats)
        self.streams = Record(w, self.world.load("streams", "ptr"), Streams)
        self.margins, self.limit = course.load("margins", "ptr"), course.load("limit")
        first = w.compare("ne", course.load("first"), 0)
        self.enable = w.element(self.flags, str(int(I)))
        w.go("loop")
        w.label("loop")
        w.do(f"%looked = phi i1 [ {first}, %entry ], [ false, %moved ]")
        self.cycle = self.cpu.load("cycle")
        self.pc = w.put(f"zext i32 {self.cpu.load('pc', 'i32')} to i64")

    def text(self) -> str:
        """Gives the whole function."""
        self._events()
        self._hooks_and_limit()
        self._requests()
        self._accept()
        self._execute()
        self._handler_returned()
        self._idle()
        self._jumped()
        body = "\n".join(self.w.lines)
        return f"define i64 @advance(ptr %course) nounwind {{\n{body}\n}}\n"

    def _back(self, label: str, why: Why) -> None:
        self.w.label(label)
        self.w.do(f"ret i64 {int(why)}")

    def _events(self) -> None:
        """Events that are due: flags are set, and due again a period later; anything else is Python's."""
        w, beats, cycle = self.w, self.beats, self.cycle
        w.branch(w.compare("sge", cycle, self.world.load("next_event")), "events", "look")
        w.label("events")
        other = beats.load("other_event")
        # A full list of bytes passed on is Python's to empty.
        is_full = w.compare("sge", self.streams.load("passed_on"), FULL)
        w.branch(w.put(f"or i1 {w.compare('sge', cycle, other)}, {is_full}"), "python", "beat")
        self._back("python", Why.PYTHON)
        w.label("beat")
        beats.store("changed", "1")
        count = beats.load("count")
        w.go("each")
        w.label("each")
        w.do("%k = phi i64 [ 0, %beat ], [ %k1, %counted ]")
        w.do(f"%soonest = phi i64 [ {other}, %beat ], [ %sooner, %counted ]")
        w.branch(w.compare("sge", "%k", count), "streams", "one")
        w.label("one")
        due = beats.load("due", index="%k")
        w.branch(w.compare("sle", due, cycle), "is_due", "counted")
        w.label("is_due")
        beats.store("flag", "1", index="%k")
        period = beats.load("period", index="%k")
        late = w.put(f"sub i64 {cycle}, {due}")
        turns = w.put(f"sdiv i64 {late}, {period}")
        last = w.put(f"add i64 {due}, {w.put(f'mul i64 {turns}, {period}')}")
        # Without a gap the time in between coincides with the last.
        gap = beats.load("gap", index="%k")
        between = w.put(f"add i64 {last}, {gap}")
        is_past = w.compare("sle", between, cycle)
        following = w.put(f"add i64 {last}, {period}")
        again = w.put(f"select i1 {is_past}, i64 {following}, i64 {between}")
        beats.store("due", again, index="%k")
        rest = w.put(f"sub i64 {period}, {gap}")
        beats.store("gap", w.put(f"select i1 {is_past}, i64 {gap}, i64 {rest}"), index="%k")
        w.go("counted")
        w.label("counted")
        w.do(f"%next_due = phi i64 [ {due}, %one ], [ {again}, %is_due ]")
        w.do(f"%sooner = select i1 {w.compare('slt', '%next_due', '%soonest')}, i64 %next_due, i64 %soonest")
        w.do("%k1 = add i64 %k, 1")
        w.go("each")
        soonest = write_ends(w, self.streams, self.data, cycle, soonest="%soonest", after="counted_all")
        w.label("counted_all")
        self.world.store("next_event", soonest)
        w.go("look")

    def _hooks_and_limit(self) -> None:
        w = self.w
        w.label("look")
        is_hooked = w.compare("ne", w.put(f"load i8, ptr {w.element(self.hooks, self.pc)}"), 0, "i8")
        w.branch(w.put(f"and i1 {is_hooked}, {w.put('xor i1 %looked, true')}"), "hooked", "unhooked")
        self._back("hooked", Why.HOOK)
        w.label("unhooked")
        w.branch(w.compare("sge", self.cycle, self.limit), "limited", "ask")
        self._back("limited", Why.LIMIT)

    def _requests(self) -> None:
        """The lowest vector that asks, when an interrupt may be served now."""
        w, beats = self.w, self.beats
        w.label("ask")
        self.shadow = self.cpu.load("shadow", "i8")
        self.not_shadow = w.compare("eq", self.shadow, 0, "i8")
        enabled = w.compare("ne", w.put(f"load i8, ptr {self.enable}"), 0, "i8")
        delivers = w.compare("ne", beats.load("delivers"), 0)
        # With I set, no request is left over once the region begins.
        self.may_wait = w.put(f"and i1 {delivers}, {w.put(f'xor i1 {enabled}, true')}")
        w.branch(w.put(f"and i1 {w.put(f'and i1 {enabled}, {delivers}')}, {self.not_shadow}"), "requests", "execute")
        w.label("requests")
        w.branch(w.compare("ne", beats.load("other_requests"), 0), "python", "search")
        w.label("search")
        count = beats.load("count")
        w.go("candidate")
        w.label("candidate")
        w.do("%c = phi i64 [ 0, %search ], [ %c1, %compared ]")
        w.do(f"%best = phi i64 [ {NO_VECTOR}, %search ], [ %better, %compared ]")
        w.do("%who = phi i64 [ 0, %search ], [ %whom, %compared ]")
        w.branch(w.compare("sge", "%c", count), "stream_requests", "compared")
        w.label("compared")
        vector = beats.load("vector", index="%c")
        asks = w.put(f"and i64 {beats.load('flag', index='%c')}, {beats.load('enabled', index='%c')}")
        wants = w.put(f"and i1 {w.compare('ne', asks, 0)}, {w.compare('sge', vector, 0)}")
        lower = w.put(f"and i1 {wants}, {w.compare('slt', vector, '%best')}")
        w.do(f"%better = select i1 {lower}, i64 {vector}, i64 %best")
        w.do(f"%whom = select i1 {lower}, i64 %c, i64 %who")
        w.do("%c1 = add i64 %c, 1")
        w.go("candidate")
        self.best, self.who = write_requests(w, self.streams, self.data, best="%best", who="%who", after="chosen")
        w.label("chosen")
        w.branch(w.compare("eq", self.best, NO_VECTOR), "execute", "accept")

    def _accept(self) -> None:
        """Enters a handler: the program counter is pushed, I cleared, the flag too."""
        w, cpu, beats = self.w, self.cpu, self.beats
        w.label("accept")
        sp = w.put(f"zext i16 {cpu.load('sp', 'i16')} to i64")
        floor = w.put(f"zext i16 {cpu.load('floor', 'i16')} to i64")
        size = beats.load("return_bytes")
        bottom = w.put(f"sub i64 {sp}, {w.put(f'sub i64 {size}, 1')}")
        opened = beats.load("open_count")
        # Where it cannot be done here, Python does it, or says why it cannot be done at all.
        refused = w.put(f"or i1 {w.compare('sle', bottom, floor)}, {w.compare('sgt', sp, beats.load('ram_end'))}")
        w.branch(w.put(f"or i1 {refused}, {w.compare('sge', opened, OPEN_HANDLERS)}"), "python", "enter")
        w.label("enter")
        beats.store("changed", "1")
        w.branch(w.compare("slt", self.who, 0), "stream_entered", "beat_entered")
        write_acknowledgement(w, self.streams, self.data, self.who, "acknowledged")
        w.label("beat_entered")
        beats.store("flag", "0", index=self.who)
        w.go("acknowledged")
        w.label("acknowledged")
        for field, value in (("open_vector", self.best), ("open_start", self.cycle), ("open_sp", sp)):
            beats.store(field, value, index=opened)
        beats.store("open_count", w.put(f"add i64 {opened}, 1"))
        w.go("push")
        w.label("push")
        w.do("%b = phi i64 [ 0, %acknowledged ], [ %b1, %pushed ]")
        w.branch(w.compare("sge", "%b", size), "entered", "pushed")
        w.label("pushed")
        shifted = w.put(f"lshr i64 {self.pc}, {w.put('mul i64 %b, 8')}")
        place = w.put(f"sub i64 {sp}, %b")
        w.do(f"store i8 {w.put(f'trunc i64 {shifted} to i8')}, ptr {w.element(self.data, place)}")
        if self._tracks:
            seen = w.element(self.world.load("seen", "ptr"), place)
            noted = w.put(f"load i8, ptr {seen}")
            w.do(f"store i8 {w.put(f'or i8 {noted}, {WRITTEN}')}, ptr {seen}")
        w.do("%b1 = add i64 %b, 1")
        w.go("push")
        w.label("entered")
        after = w.put(f"and i64 {w.put(f'sub i64 {sp}, {size}')}, {beats.load('stack_mask')}")
        after = w.put(f"trunc i64 {after} to i16")
        cpu.store("sp", after, "i16")
        lowest = cpu.load("lowest", "i16")
        is_lower = w.compare("ult", after, lowest, "i16")
        cpu.store("lowest", w.put(f"select i1 {is_lower}, i16 {after}, i16 {lowest}"), "i16")
        w.do(f"store i8 0, ptr {self.enable}")
        self.vector_word = target = w.put(f"mul i64 {self.best}, {beats.load('vector_words')}")
        cpu.store("pc", w.put(f"trunc i64 {target} to i32"), "i32")
        cpu.add("cycle", beats.load("response"))
        handler = w.put(f"load ptr, ptr {w.element(self.table, target, 'ptr')}")
        w.branch(w.compare("eq", handler, "null", "ptr"), "again", "moved")

    def _execute(self) -> None:
        """A region when nothing is near, else a single instruction."""
        w, cpu = self.w, self.cpu
        w.label("execute")
        cpu.store("shadow", "0", "i8")
        following = self.world.load("next_event")
        is_sooner = w.compare("slt", following, self.limit)
        soonest = w.put(f"select i1 {is_sooner}, i64 {following}, i64 {self.limit}")
        margin = w.put(f"load i32, ptr {w.element(self.margins, self.pc, 'i32')}")
        deadline = w.put(f"sub i64 {soonest}, {w.put(f'zext i32 {margin} to i64')}")
        region = w.put(f"load ptr, ptr {w.element(self.table, self.pc, 'ptr')}")
        is_far = w.compare("slt", self.cycle, deadline)
        whole = w.put(f"and i1 {w.compare('ne', region, 'null', 'ptr')}, {is_far}")
        w.branch(w.put(f"and i1 {whole}, {self.not_shadow}"), "regions", "single")
        w.label("regions")
        cpu.store("fresh", "1", "i8")
        cpu.store("deadline", deadline)
        self.world.store("waiting", w.put(f"zext i1 {self.may_wait} to i64"))
        w.go("call")
        w.label("single")
        # Exactly up to the next event, and in the shadow of SEI or RETI a single instruction.
        soon = w.put(f"add i64 {self.cycle}, 1")
        cpu.store("deadline", w.put(f"select i1 {self.not_shadow}, i64 {soonest}, i64 {soon}"))
        step = w.put(f"load ptr, ptr {w.element(self.steps, self.pc, 'ptr')}")
        w.branch(w.compare("eq", step, "null", "ptr"), "stepless", "call")
        w.label("stepless")
        cpu.store("shadow", self.shadow, "i8")
        w.do(f"ret i64 {int(Why.NEEDS_STEP)}")
        w.label("call")
        w.do(f"%code = phi ptr [ {region}, %regions ], [ {step}, %single ]")
        w.do(f"%status = call i32 %code({self.passed})")
        w.branch(w.compare("ne", self.world.load("attention"), 0), "python", "calm")
        w.label("calm")
        ways = f"i32 {CONTINUE}, label %jumped i32 {LEAVE}, label %left i32 {SLOW}, label %slow"
        w.do(f"switch i32 %status, label %idle [ {ways} ]")
        w.label("slow")
        # The instruction did not happen, so what it was to be shielded from is still kept off.
        cpu.store("shadow", self.shadow, "i8")
        w.do(f"ret i64 {int(Why.SLOW)}")

    def _handler_returned(self) -> None:
        """A boundary after RETI: the handler on top is closed when the stack pointer is back where it began."""
        w, beats = self.w, self.beats
        w.label("left")
        w.branch(w.compare("eq", self.cpu.load("shadow", "i8"), RETURNED, "i8"), "returned", "moved")
        w.label("returned")
        w.branch(w.compare("ne", beats.load("tells"), 0), "python", "untold")
        w.label("untold")
        self.cpu.store("shadow", str(SHADOW), "i8")
        opened = beats.load("open_count")
        w.branch(w.compare("sgt", opened, 0), "top", "moved")
        w.label("top")
        top = w.put(f"sub i64 {opened}, 1")
        sp = w.put(f"zext i16 {self.cpu.load('sp', 'i16')} to i64")
        w.branch(w.compare("eq", beats.load("open_sp", index=top), sp), "close", "moved")
        w.label("close")
        beats.store("changed", "1")
        beats.store("open_count", top)
        which = beats.load("open_vector", index=top)
        took = w.put(f"sub i64 {self.cpu.load('cycle')}, {beats.load('open_start', index=top)}")
        is_first = w.compare("eq", beats.load("runs", index=which), 0)
        beats.add("runs", "1", index=which)
        beats.add("total", took, index=which)
        beats.add("nested", took, index=top)
        for field, order in (("least", "slt"), ("most", "sgt")):
            before = beats.load(field, index=which)
            beyond = w.put(f"or i1 {is_first}, {w.compare(order, took, before)}")
            beats.store(field, w.put(f"select i1 {beyond}, i64 {took}, i64 {before}"), index=which)
        w.go("moved")

    def _idle(self) -> None:
        """A jump to itself: time passes up to the next event, in whole turns; for ever when nothing is to come."""
        w, cpu = self.w, self.cpu
        w.label("idle")
        length = w.put(f"sub i64 {w.put('zext i32 %status to i64')}, {IDLE}")
        now, event = cpu.load("cycle"), self.world.load("next_event")
        forever = w.compare("eq", event, NEVER)
        until = w.put(f"select i1 {w.compare('slt', event, self.limit)}, i64 {event}, i64 {self.limit}")
        rounded = w.put(f"add i64 {w.put(f'sub i64 {until}, {now}')}, {w.put(f'sub i64 {length}, 1')}")
        many = w.put(f"sdiv i64 {rounded}, {length}")
        # A single turn where the next boundary is to be looked at: at a hook, and where the shadow of the instruction
        # before ends and a request may be waiting.
        here = w.put(f"zext i32 {cpu.load('pc', 'i32')} to i64")
        is_hooked = w.compare("ne", w.put(f"load i8, ptr {w.element(self.hooks, here)}"), 0, "i8")
        looks = w.put(f"or i1 {is_hooked}, {w.put(f'xor i1 {self.not_shadow}, true')}")
        one_turn = w.put(f"or i1 {w.put(f'or i1 {forever}, {looks}')}, {w.compare('slt', many, 1)}")
        turns = w.put(f"select i1 {one_turn}, i64 1, i64 {many}")
        then = w.put(f"add i64 {now}, {w.put(f'mul i64 {turns}, {length}')}")
        cpu.store("cycle", then)
        cpu.add("instructions", turns)
        unlooked = w.put(f"xor i1 {looks}, true")
        ends = w.put(f"and i1 {w.put(f'and i1 {forever}, {unlooked}')}, {w.compare('slt', then, self.limit)}")
        w.branch(ends, "halted", "moved")
        self._back("halted", Why.HALTED)

    def _jumped(self) -> None:
        """Words without code of their own that are jumped back to again and again are worth being entries."""
        w = self.w
        w.label("jumped")
        pc = w.put(f"zext i32 {self.cpu.load('pc', 'i32')} to i64")
        known = w.put(f"load ptr, ptr {w.element(self.table, pc, 'ptr')}")
        is_new = w.put(f"and i1 {w.compare('ule', pc, self.pc)}, {w.compare('eq', known, 'null', 'ptr')}")
        w.branch(is_new, "again", "moved")
        w.label("again")
        w.do(f"%entry_word = phi i64 [ {self.vector_word}, %entered ], [ {pc}, %jumped ]")
        at = w.element(self.passes, "%entry_word")
        before = w.put(f"load i8, ptr {at}")
        w.branch(w.compare("eq", before, UNCOUNTED, "i8"), "moved", "count")
        w.label("count")
        times = w.put(f"add i8 {before}, 1")
        w.do(f"store i8 {times}, ptr {at}")
        w.branch(w.compare("eq", times, PASSES_BEFORE_TRANSLATION, "i8"), "hot", "moved")
        self._back("hot", Why.HOT)
        w.label("moved")
        w.go("loop")
