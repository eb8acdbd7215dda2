"""The compiled loop around compiled code: hooks, recurring events, interrupts and the exact way up to them.

It goes on from boundary to boundary. Far from anything that could happen it calls whole regions; near an event,
and where a region begins nowhere near, single instructions. Python comes in for what has no native form.
"""

import ctypes
from enum import IntEnum

from cyclerule.engines.llvm.layout import IDLE, LEAVE, SLOW, Cpu, World, offset
from cyclerule.isa.operations import I

RECURRING = 12
"""Recurring events that are carried out natively at the most; others are Python's."""

OPEN_HANDLERS = 32
"""Handlers that may be open natively; deeper nesting is Python's."""

VECTORS = 64
PASSES_BEFORE_TRANSLATION = 40
"""How often control jumps back to a word without code of its own before it is translated as an entry."""


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
    An event is a flag that is set at `due` and again each `period` later; `vector` is its interrupt, -1 for none.
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
    )


class Course(ctypes.Structure):
    """What the loop works on, and how far it may go. `first` is 1 when the boundary at hand was looked at already."""

    _fields_ = tuple(
        (name, ctypes.c_int64)
        for name in ("data", "flags", "cpu", "flash", "world", "beats", "table", "steps", "hooks", "passes")
    ) + (("limit", ctypes.c_int64), ("margin", ctypes.c_int64), ("first", ctypes.c_int64))


class _Writer:
    """Writes LLVM text."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._count = 0

    def put(self, instruction: str) -> str:
        self._count += 1
        name = f"%n{self._count}"
        self.lines.append(f"  {name} = {instruction}")
        return name

    def do(self, instruction: str) -> None:
        self.lines.append(f"  {instruction}")

    def label(self, name: str) -> None:
        self.lines.append(f"{name}:")

    def at(self, base: str, structure: type[ctypes.Structure], field: str, index: str | None = None) -> str:
        place = self.put(f"getelementptr i8, ptr {base}, i64 {offset(structure, field)}")
        return place if index is None else self.put(f"getelementptr i64, ptr {place}, i64 {index}")

    def load(
        self, base: str, structure: type[ctypes.Structure], field: str, kind: str = "i64", index: str | None = None
    ) -> str:
        return self.put(f"load {kind}, ptr {self.at(base, structure, field, index)}")

    def store(
        self,
        value: str,
        base: str,
        structure: type[ctypes.Structure],
        field: str,
        kind: str = "i64",
        index: str | None = None,
    ) -> None:
        self.do(f"store {kind} {value}, ptr {self.at(base, structure, field, index)}")

    def back(self, why: Why) -> None:
        self.do(f"ret i64 {int(why)}")


def advance_text(*, tracks: bool) -> str:
    """Gives the loop as an LLVM module with the function `advance(course)`."""
    w = _Writer()
    w.label("entry")
    pointers = ("data", "flags", "cpu", "flash", "world", "beats", "table", "steps", "hooks", "passes")
    data, flags, cpu, flash, world, beats, table, steps, hooks, passes = (
        w.load("%course", Course, name, "ptr") for name in pointers
    )
    limit, margin = w.load("%course", Course, "limit"), w.load("%course", Course, "margin")
    first = w.put(f"icmp ne i64 {w.load('%course', Course, 'first')}, 0")
    enable = w.put(f"getelementptr i8, ptr {flags}, i64 {I}")
    w.do("br label %loop")

    w.label("loop")
    w.do(f"%looked = phi i1 [ {first}, %entry ], [ false, %entered ], [ false, %moved ]")
    cycle = w.load(cpu, Cpu, "cycle")
    pc = w.put(f"zext i32 {w.load(cpu, Cpu, 'pc', 'i32')} to i64")
    is_due = w.put(f"icmp sge i64 {cycle}, {w.load(world, World, 'next_event')}")
    w.do(f"br i1 {is_due}, label %events, label %look")

    # Events: flags are set and due again a period later; anything else is Python's.
    w.label("events")
    other = w.load(beats, Beats, "other_event")
    w.do(f"br i1 {w.put(f'icmp sge i64 {cycle}, {other}')}, label %python, label %beat")
    w.label("python")
    w.back(Why.PYTHON)
    w.label("beat")
    w.store("1", beats, Beats, "changed")
    count = w.load(beats, Beats, "count")
    w.do("br label %each")
    w.label("each")
    w.do("%k = phi i64 [ 0, %beat ], [ %k1, %counted ]")
    w.do(f"%soonest = phi i64 [ {other}, %beat ], [ %sooner, %counted ]")
    w.do(f"br i1 {w.put(f'icmp sge i64 %k, {count}')}, label %counted_all, label %one")
    w.label("one")
    due_at = w.at(beats, Beats, "due", "%k")
    due = w.put(f"load i64, ptr {due_at}")
    w.do(f"br i1 {w.put(f'icmp sle i64 {due}, {cycle}')}, label %beats, label %counted")
    w.label("beats")
    w.store("1", beats, Beats, "flag", index="%k")
    period = w.load(beats, Beats, "period", index="%k")
    late = w.put(f"sub i64 {cycle}, {due}")
    turns = w.put(f"add i64 {w.put(f'sdiv i64 {late}, {period}')}, 1")
    again = w.put(f"add i64 {due}, {w.put(f'mul i64 {turns}, {period}')}")
    w.do(f"store i64 {again}, ptr {due_at}")
    w.do("br label %counted")
    w.label("counted")
    w.do(f"%next_due = phi i64 [ {due}, %one ], [ {again}, %beats ]")
    is_sooner = w.put("icmp slt i64 %next_due, %soonest")
    w.do(f"%sooner = select i1 {is_sooner}, i64 %next_due, i64 %soonest")
    w.do("%k1 = add i64 %k, 1")
    w.do("br label %each")
    w.label("counted_all")
    w.store("%soonest", world, World, "next_event")
    w.do("br label %look")

    # Hooks, then the limit, then interrupts.
    w.label("look")
    hook = w.put(f"load i8, ptr {w.put(f'getelementptr i8, ptr {hooks}, i64 {pc}')}")
    is_hooked = w.put(f"icmp ne i8 {hook}, 0")
    stops = w.put(f"and i1 {is_hooked}, {w.put('xor i1 %looked, true')}")
    w.do(f"br i1 {stops}, label %hooked, label %unhooked")
    w.label("hooked")
    w.back(Why.HOOK)
    w.label("unhooked")
    w.do(f"br i1 {w.put(f'icmp sge i64 {cycle}, {limit}')}, label %limited, label %ask")
    w.label("limited")
    w.back(Why.LIMIT)
    w.label("ask")
    shadow = w.load(cpu, Cpu, "shadow", "i8")
    has_shadow = w.put(f"icmp ne i8 {shadow}, 0")
    enabled = w.put(f"icmp ne i8 {w.put(f'load i8, ptr {enable}')}, 0")
    delivers = w.put(f"icmp ne i64 {w.load(beats, Beats, 'delivers')}, 0")
    not_shadow = w.put(f"xor i1 {has_shadow}, true")
    may = w.put(f"and i1 {w.put(f'and i1 {enabled}, {delivers}')}, {not_shadow}")
    w.do(f"br i1 {may}, label %requests, label %execute")
    w.label("requests")
    others = w.load(beats, Beats, "other_requests")
    w.do(f"br i1 {w.put(f'icmp ne i64 {others}, 0')}, label %python, label %search")
    w.label("search")
    count2 = w.load(beats, Beats, "count")
    w.do("br label %candidate")
    w.label("candidate")
    w.do("%c = phi i64 [ 0, %search ], [ %c1, %compared ]")
    w.do("%best = phi i64 [ 9999, %search ], [ %better, %compared ]")
    w.do("%who = phi i64 [ 0, %search ], [ %whom, %compared ]")
    w.do(f"br i1 {w.put(f'icmp sge i64 %c, {count2}')}, label %chosen, label %compared")
    w.label("compared")
    vector = w.load(beats, Beats, "vector", index="%c")
    asks = w.put(f"and i64 {w.load(beats, Beats, 'flag', index='%c')}, {w.load(beats, Beats, 'enabled', index='%c')}")
    has_vector = w.put(f"icmp sge i64 {vector}, 0")
    wants = w.put(f"and i1 {w.put(f'icmp ne i64 {asks}, 0')}, {has_vector}")
    lower = w.put(f"and i1 {wants}, {w.put(f'icmp slt i64 {vector}, %best')}")
    w.do(f"%better = select i1 {lower}, i64 {vector}, i64 %best")
    w.do(f"%whom = select i1 {lower}, i64 %c, i64 %who")
    w.do("%c1 = add i64 %c, 1")
    w.do("br label %candidate")
    w.label("chosen")
    w.do(f"br i1 {w.put('icmp eq i64 %best, 9999')}, label %execute, label %accept")
    w.label("accept")
    sp = w.put(f"zext i16 {w.load(cpu, Cpu, 'sp', 'i16')} to i64")
    floor = w.put(f"zext i16 {w.load(cpu, Cpu, 'floor', 'i16')} to i64")
    size = w.load(beats, Beats, "return_bytes")
    bottom = w.put(f"sub i64 {sp}, {w.put(f'sub i64 {size}, 1')}")
    no_room = w.put(f"icmp sle i64 {bottom}, {floor}")
    above = w.put(f"icmp sgt i64 {sp}, {w.load(beats, Beats, 'ram_end')}")
    opened = w.load(beats, Beats, "open_count")
    too_deep = w.put(f"icmp sge i64 {opened}, {OPEN_HANDLERS}")
    refused = w.put(f"or i1 {w.put(f'or i1 {no_room}, {above}')}, {too_deep}")
    w.do(f"br i1 {refused}, label %python, label %enter")
    w.label("enter")
    w.store("1", beats, Beats, "changed")
    w.store("0", beats, Beats, "flag", index="%who")
    w.store("%best", beats, Beats, "open_vector", index=opened)
    w.store(cycle, beats, Beats, "open_start", index=opened)
    w.store(sp, beats, Beats, "open_sp", index=opened)
    w.store(w.put(f"add i64 {opened}, 1"), beats, Beats, "open_count")
    w.do("br label %push")
    w.label("push")
    w.do("%b = phi i64 [ 0, %enter ], [ %b1, %pushed ]")
    w.do(f"br i1 {w.put(f'icmp sge i64 %b, {size}')}, label %entered, label %pushed")
    w.label("pushed")
    shifted = w.put(f"lshr i64 {pc}, {w.put('mul i64 %b, 8')}")
    byte = w.put(f"trunc i64 {shifted} to i8")
    place = w.put(f"sub i64 {sp}, %b")
    w.do(f"store i8 {byte}, ptr {w.put(f'getelementptr i8, ptr {data}, i64 {place}')}")
    if tracks:
        seen = w.put(f"getelementptr i8, ptr {w.load(world, World, 'seen', 'ptr')}, i64 {place}")
        noted = w.put(f"load i8, ptr {seen}")
        w.do(f"store i8 {w.put(f'or i8 {noted}, 1')}, ptr {seen}")
    w.do("%b1 = add i64 %b, 1")
    w.do("br label %push")
    w.label("entered")
    after = w.put(f"and i64 {w.put(f'sub i64 {sp}, {size}')}, {w.load(beats, Beats, 'stack_mask')}")
    after16 = w.put(f"trunc i64 {after} to i16")
    w.store(after16, cpu, Cpu, "sp", "i16")
    lowest = w.load(cpu, Cpu, "lowest", "i16")
    is_lower = w.put(f"icmp ult i16 {after16}, {lowest}")
    w.store(w.put(f"select i1 {is_lower}, i16 {after16}, i16 {lowest}"), cpu, Cpu, "lowest", "i16")
    w.do(f"store i8 0, ptr {enable}")
    target = w.put(f"mul i64 %best, {w.load(beats, Beats, 'vector_words')}")
    w.store(w.put(f"trunc i64 {target} to i32"), cpu, Cpu, "pc", "i32")
    w.store(w.put(f"add i64 {cycle}, {w.load(beats, Beats, 'response')}"), cpu, Cpu, "cycle")
    w.do("br label %loop")

    # Execution: a region when nothing is near, else one instruction.
    w.label("execute")
    w.store("0", cpu, Cpu, "shadow", "i8")
    following = w.load(world, World, "next_event")
    soonest = w.put(f"select i1 {w.put(f'icmp slt i64 {following}, {limit}')}, i64 {following}, i64 {limit}")
    deadline = w.put(f"sub i64 {soonest}, {margin}")
    region = w.put(f"load ptr, ptr {w.put(f'getelementptr ptr, ptr {table}, i64 {pc}')}")
    has_region = w.put(f"icmp ne ptr {region}, null")
    is_far = w.put(f"icmp slt i64 {cycle}, {deadline}")
    whole = w.put(f"and i1 {w.put(f'and i1 {has_region}, {is_far}')}, {not_shadow}")
    w.do(f"br i1 {whole}, label %regions, label %single")
    w.label("regions")
    w.store("1", cpu, Cpu, "fresh", "i8")
    w.store(deadline, cpu, Cpu, "deadline")
    w.do("br label %call")
    w.label("single")
    step = w.put(f"load ptr, ptr {w.put(f'getelementptr ptr, ptr {steps}, i64 {pc}')}")
    w.do(f"br i1 {w.put(f'icmp eq ptr {step}, null')}, label %stepless, label %call")
    w.label("stepless")
    w.store(shadow, cpu, Cpu, "shadow", "i8")
    w.back(Why.NEEDS_STEP)
    w.label("call")
    w.do(f"%code = phi ptr [ {region}, %regions ], [ {step}, %single ]")
    passed = ", ".join(f"ptr {each}" for each in (data, data, flags, cpu, flash, world))
    status = w.put(f"call i32 %code({passed})")
    attention = w.put(f"icmp ne i64 {w.load(world, World, 'attention')}, 0")
    w.do(f"br i1 {attention}, label %python, label %calm")
    w.label("calm")
    w.do(f"switch i32 {status}, label %idle [ i32 0, label %jumped i32 {LEAVE}, label %left i32 {SLOW}, label %slow ]")
    w.label("slow")
    w.back(Why.SLOW)

    # A handler that has returned.
    w.label("left")
    now_shadow = w.put(f"icmp ne i8 {w.load(cpu, Cpu, 'shadow', 'i8')}, 0")
    opened2 = w.load(beats, Beats, "open_count")
    tells = w.put(f"icmp ne i64 {w.load(beats, Beats, 'tells')}, 0")
    w.do(f"br i1 {w.put(f'and i1 {now_shadow}, {tells}')}, label %python, label %untold")
    w.label("untold")
    some_open = w.put(f"icmp sgt i64 {opened2}, 0")
    w.do(f"br i1 {w.put(f'and i1 {now_shadow}, {some_open}')}, label %compare, label %moved")
    w.label("compare")
    top = w.put(f"sub i64 {opened2}, 1")
    its_sp = w.load(beats, Beats, "open_sp", index=top)
    our_sp = w.put(f"zext i16 {w.load(cpu, Cpu, 'sp', 'i16')} to i64")
    w.do(f"br i1 {w.put(f'icmp eq i64 {its_sp}, {our_sp}')}, label %close, label %moved")
    w.label("close")
    w.store(top, beats, Beats, "open_count")
    which = w.load(beats, Beats, "open_vector", index=top)
    took = w.put(f"sub i64 {w.load(cpu, Cpu, 'cycle')}, {w.load(beats, Beats, 'open_start', index=top)}")
    runs = w.load(beats, Beats, "runs", index=which)
    is_first = w.put(f"icmp eq i64 {runs}, 0")
    w.store(w.put(f"add i64 {runs}, 1"), beats, Beats, "runs", index=which)
    total = w.load(beats, Beats, "total", index=which)
    w.store(w.put(f"add i64 {total}, {took}"), beats, Beats, "total", index=which)
    for field, order in (("least", "slt"), ("most", "sgt")):
        before = w.load(beats, Beats, field, index=which)
        beyond = w.put(f"or i1 {is_first}, {w.put(f'icmp {order} i64 {took}, {before}')}")
        w.store(w.put(f"select i1 {beyond}, i64 {took}, i64 {before}"), beats, Beats, field, index=which)
    w.do("br label %moved")

    # A jump to itself: time passes up to the next event.
    w.label("idle")
    length = w.put(f"sub i64 {w.put(f'zext i32 {status} to i64')}, {IDLE}")
    now = w.load(cpu, Cpu, "cycle")
    event = w.load(world, World, "next_event")
    forever = w.put(f"icmp eq i64 {event}, {(1 << 63) - 1}")
    until = w.put(f"select i1 {w.put(f'icmp slt i64 {event}, {limit}')}, i64 {event}, i64 {limit}")
    span = w.put(f"sub i64 {until}, {now}")
    rounded = w.put(f"add i64 {span}, {w.put(f'sub i64 {length}, 1')}")
    many = w.put(f"sdiv i64 {rounded}, {length}")
    few = w.put(f"icmp slt i64 {many}, 1")
    single_turn = w.put(f"or i1 {w.put(f'or i1 {forever}, {is_hooked}')}, {few}")
    turns2 = w.put(f"select i1 {single_turn}, i64 1, i64 {many}")
    passed_time = w.put(f"add i64 {now}, {w.put(f'mul i64 {turns2}, {length}')}")
    w.store(passed_time, cpu, Cpu, "cycle")
    executed = w.load(cpu, Cpu, "instructions")
    w.store(w.put(f"add i64 {executed}, {turns2}"), cpu, Cpu, "instructions")
    in_time = w.put(f"icmp slt i64 {passed_time}, {limit}")
    halts = w.put(f"and i1 {w.put(f'and i1 {forever}, {in_time}')}, {w.put(f'xor i1 {is_hooked}, true')}")
    w.do(f"br i1 {halts}, label %halted, label %moved")
    w.label("halted")
    w.back(Why.HALTED)

    # Words that are jumped back to again and again become entries.
    w.label("jumped")
    new_pc = w.put(f"zext i32 {w.load(cpu, Cpu, 'pc', 'i32')} to i64")
    is_back = w.put(f"icmp ule i64 {new_pc}, {pc}")
    known = w.put(f"load ptr, ptr {w.put(f'getelementptr ptr, ptr {table}, i64 {new_pc}')}")
    unknown = w.put(f"icmp eq ptr {known}, null")
    w.do(f"br i1 {w.put(f'and i1 {is_back}, {unknown}')}, label %again, label %moved")
    w.label("again")
    seen_at = w.put(f"getelementptr i8, ptr {passes}, i64 {new_pc}")
    times = w.put(f"add i8 {w.put(f'load i8, ptr {seen_at}')}, 1")
    w.do(f"store i8 {times}, ptr {seen_at}")
    w.do(f"br i1 {w.put(f'icmp eq i8 {times}, {PASSES_BEFORE_TRANSLATION}')}, label %hot, label %moved")
    w.label("hot")
    w.back(Why.HOT)
    w.label("moved")
    w.do("br label %loop")
    body = "\n".join(w.lines)
    return f"define i64 @advance(ptr %course) nounwind {{\n{body}\n}}\n"
