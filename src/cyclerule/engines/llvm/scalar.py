"""The compiled engine for one chip: runs ahead in host code, and exactly where something can happen."""

import ctypes
from collections import Counter
from collections.abc import Container, Iterable
from typing import Any

from cyclerule.engines.engine import Stop
from cyclerule.engines.ir import Region
from cyclerule.engines.llvm.advance import OPEN_HANDLERS, RECURRING, UNCOUNTED, Beats, Course, Why, advance_text
from cyclerule.engines.llvm.compile import Compiler, host
from cyclerule.engines.llvm.layout import REFUSED, RETURNED, WATCHDOG, Cpu, IoRead, IoWrite, World
from cyclerule.engines.llvm.lower import Lowering, function_name, inner_name, looked_at
from cyclerule.engines.llvm.rows import Plan, loop_text
from cyclerule.engines.llvm.streams import NativeStreams, write_text
from cyclerule.engines.reference import Reference
from cyclerule.engines.trace import Tracer
from cyclerule.engines.tracking import READ_FIRST, TrackingReference
from cyclerule.errors import FaultError
from cyclerule.firmware.object_cache import Made, ObjectCache
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip
from cyclerule.machine.events import NEVER, Alarm
from cyclerule.machine.interrupts import OpenHandler

LoopFunction = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_void_p)

ENGINE_VERSION = "3"
"""Part of the cache's key beside the text of a module, for what the text does not show."""

BEGINNINGS = 3
"""Runs that begin at a word before that is translated; where a run was stopped once is no place to come back to."""

WALK = 120
"""Instructions that one function of the exact way strings together at the most; more takes long to compile."""

QUICK, BEST = 0, 2
"""Levels of optimisation: code at the second runs about five times as fast, and takes five times as long to make."""

WORTH_COMPILING_AGAIN = 1_000_000
"""Instructions executed in quick code, for each one compiled, after which the best code is made.

By then executing has taken about as long as making the best code will."""

CALL_DEPTH = 64
"""Calls followed when a function is translated together with those it calls."""


class Scalar:
    """An engine that executes regions compiled by LLVM. It shares memory and flags with its chip.

    What compiled code does not do itself (sleep, SPM, faults, interrupts and the cycles around an event) the
    reference engine does on the same state.
    """

    def __init__(
        self,
        chip: Chip,
        *,
        level: int | None = None,
        reference: Reference | None = None,
        tracks: bool = True,
        cache: ObjectCache | None = None,
    ) -> None:
        self.chip = chip
        # Without a level, code is compiled quickly first, and again when it turns out to be executed a lot.
        self.level = QUICK if level is None else level
        self._is_quick = False
        self._can_climb = level is None
        self._compiled_quickly = 0
        self._reference = reference or Reference(chip)
        self.tracking = reference if tracks and isinstance(reference, TrackingReference) else None
        self._tracer = Tracer(chip)
        self._lowering = Lowering(chip, tracks=self.tracking is not None)
        self._compiler = Compiler()
        self._cache = cache or ObjectCache(None)
        self._native_instructions = self._native_total = 0
        self._stop_requested = False
        self._error: Exception | None = None
        self._error_word = 0
        self._stops: frozenset[int] = frozenset()
        self._regions: dict[int, Region | None] = {}
        self._passes = (ctypes.c_uint8 * chip.flash_words)()
        self._beats = Beats(
            vector_words=chip.interrupts.vector_words,
            response=chip.interrupts.response_cycles,
            return_bytes=chip.core.pc_bytes,
            ram_end=chip.ram_end,
            stack_mask=chip.stack_pointer_mask,
        )
        self._recurring: list[Alarm] = []
        self._streams = NativeStreams(chip.events.streams)
        self._begun: Counter[int] = Counter()
        self._known_vectors = 0
        self._tells = True
        # While a loop over inputs runs, which carries no events out.
        self._is_in_rows = False
        self._version = 0
        # How long before the deadline a region has to be told to stop, by its entry.
        self._margins = (ctypes.c_uint32 * chip.flash_words)()
        self._cpu = Cpu()
        self._hooks = (ctypes.c_uint8 * chip.flash_words)()
        self._hooked: frozenset[int] = frozenset()
        self._table = (ctypes.c_void_p * chip.flash_words)()
        self._inner = (ctypes.c_void_p * chip.flash_words)()
        self._steps = (ctypes.c_void_p * chip.flash_words)()
        # Words that the exact way may pass over without a look at hooks, and those that it must not, once hooked.
        self._walked: frozenset[int] = frozenset()
        self._looked_at_in_steps: frozenset[int] = frozenset()
        self._watches = False
        self._views = [(ctypes.c_uint8 * len(b)).from_buffer(b) for b in (chip.data, chip.flags, chip.flash)]
        data, flags, flash = (ctypes.addressof(view) for view in self._views)
        seen = None
        if self.tracking is not None:
            self._views.append((ctypes.c_uint8 * len(self.tracking.seen)).from_buffer(self.tracking.seen))
            seen = ctypes.addressof(self._views[-1])
        self._rows: Any = None
        self._callbacks = IoRead(self._io_read), IoWrite(self._io_write)
        self._world = World(
            next_event=0,
            hooks=ctypes.addressof(self._hooks),
            table=ctypes.addressof(self._table),
            inner=ctypes.addressof(self._inner),
            io=data,
            io_read=self._callbacks[0],
            io_write=self._callbacks[1],
            seen=seen,
            changed=ctypes.addressof(self._beats) + Beats.changed.offset,
            streams=self._streams.address,
            stream_write=self._compiler.load(self._object_code(write_text(), 2), ["stream_write"])["stream_write"],
        )
        self._passed = (data, data, flags, ctypes.addressof(self._cpu), flash, ctypes.addressof(self._world))
        self._course = Course(
            data=data,
            flags=flags,
            cpu=ctypes.addressof(self._cpu),
            flash=flash,
            world=ctypes.addressof(self._world),
            beats=ctypes.addressof(self._beats),
            table=ctypes.addressof(self._table),
            steps=ctypes.addressof(self._steps),
            hooks=ctypes.addressof(self._hooks),
            passes=ctypes.addressof(self._passes),
            margins=ctypes.addressof(self._margins),
        )
        self._is_stale = False
        chip.on_flash_change.append(self._flash_changes)
        text = advance_text(tracks=self.tracking is not None)
        self._advance_function = LoopFunction(self._compiler.load(self._object_code(text, 2), ["advance"])["advance"])

    # The engine's face.

    @property
    def instructions(self) -> int:
        """Instructions executed since the engine was made or the count was set."""
        return self._native_instructions + self._reference.instructions

    @instructions.setter
    def instructions(self, count: int) -> None:
        self._native_instructions, self._reference.instructions = count, 0

    @property
    def stack_floor(self) -> int:
        """The data address down to which compiled code pushes; what lies below RAM is never its own."""
        return max(self.chip.stack_floor, self.chip.ram_start - 1)

    def request_stop(self) -> None:
        """Stops the run at the next instruction boundary."""
        self._stop_requested = True

    def forget_code(self) -> None:
        """Drops all translations, after flash was changed."""
        self._reference.forget_code()
        self._forget_regions()

    def _flash_changes(self, first: int, end: int) -> None:
        """Has translations of these words dropped as soon as no compiled code is at work."""
        # The word before may be the first of two, and what skips looks at the one after it.
        words = range(max(0, first - 2), end)
        regions = [region for region in self._regions.values() if region is not None]
        is_known = any(each.word in words for region in regions for each in region.instructions())
        if is_known or any(self._steps[word] or word in self._regions for word in words):
            self._is_stale = True
            self._world.attention = 1

    def _forget_regions(self) -> None:
        self._regions.clear()
        self._lowering.forget()
        ctypes.memset(self._inner, 0, ctypes.sizeof(self._inner))
        ctypes.memset(self._table, 0, ctypes.sizeof(self._table))
        self._forget_steps()
        ctypes.memset(self._passes, 0, ctypes.sizeof(self._passes))

    def _forget_steps(self) -> None:
        self._walked = frozenset()
        ctypes.memset(self._steps, 0, ctypes.sizeof(self._steps))

    def run(
        self,
        limit: int,
        *,
        exits: Container[int] = (),
        entries: Container[int] = (),
        stops_at_break: bool = False,
    ) -> Stop:
        """Executes from the chip's state until a reason to stop; see `Engine.run`."""
        exits, entries = frozenset(_words(exits)), frozenset(_words(entries))
        self._set_hooks(exits | entries)
        chip, events, interrupts = self.chip, self.chip.events, self.chip.interrupts
        # The cycle of the boundary that was looked at last; it is not looked at twice.
        looked = chip.cycle
        if not chip.is_asleep:
            self._begin_at(chip.program_counter)
        while True:
            moved = chip.cycle != looked
            if events.next_cycle <= chip.cycle:
                events.run_until(chip.cycle)
            if moved and chip.program_counter in exits and not chip.is_asleep:
                return Stop.AT_EXIT
            if chip.cycle >= limit:
                return Stop.LIMIT
            if self._stop_requested:
                self._stop_requested = False
                return Stop.REQUESTED
            served = interrupts.requests and chip.flags[I] and interrupts.delivers and not chip.interrupt_shadow
            if moved and not served and not chip.is_asleep and chip.program_counter in entries:
                return Stop.AT_ENTRY
            looked = chip.cycle
            stop = self._go_on(limit, served=bool(served), exits=exits, entries=entries, stops_at_break=stops_at_break)
            if stop is not None:
                return stop

    def _go_on(
        self, limit: int, *, served: bool, exits: frozenset[int], entries: frozenset[int], stops_at_break: bool
    ) -> Stop | None:
        """Goes on from a boundary that was looked at, natively or for an instruction or two on the reference engine."""
        chip = self.chip
        if self._is_stale:
            self._is_stale = False
            self.forget_code()
        until = chip.cycle + 1
        why = Why.SLOW
        if chip.is_asleep:
            # One cycle past the next event: far enough for the reference engine to wake up there.
            until = min(limit, max(chip.events.next_cycle, chip.cycle) + 1)
        elif not served:
            why = self._advance(limit)
            until = chip.cycle + 1
        if why is Why.HALTED:
            return Stop.HALTED
        if why is Why.HOT:
            self.translate([chip.program_counter])
        if why is Why.SLOW or (why is Why.NEEDS_STEP and not self._make_steps(chip.program_counter)):
            stop = self._reference.run(until, exits=exits, entries=entries, stops_at_break=stops_at_break)
            return None if stop is Stop.LIMIT else stop
        return None

    def _advance(self, limit: int) -> Why:
        """Goes on natively from the boundary at hand; the chip then stands where that came back."""
        chip, cpu, course = self.chip, self._cpu, self._course
        cpu.cycle, cpu.pc, cpu.sp = chip.cycle, chip.program_counter, chip.stack_pointer
        cpu.lowest, cpu.floor = chip.lowest_stack_pointer, self.stack_floor
        cpu.instructions = cpu.depth = 0
        cpu.shadow = chip.interrupt_shadow
        chip.interrupt_shadow = False
        course.limit, course.first = min(limit, chip.cycle + self._left_until_worth()), 1
        self._world.attention = 0
        self._load_beats()
        why = Why(self._advance_function(ctypes.byref(course)))
        self._store_beats()
        self.take_over()
        return why

    # From quick code to the best.

    def _left_until_worth(self) -> int:
        """Gives how many instructions more make it worth to compile again; they take at least as many cycles."""
        if not self._is_quick:
            return NEVER // 2
        self._climb_if_worth()
        if not self._can_climb:
            return NEVER // 2
        worth = WORTH_COMPILING_AGAIN * self._compiled_quickly
        return max(worth - self._executed_quickly(), 1)

    def note_executed(self, instructions: int) -> None:
        """Counts instructions that rows executed towards what makes the best code worth while."""
        self._native_total += instructions

    def _executed_quickly(self) -> int:
        return self._native_total

    def _climb_if_worth(self) -> None:
        """Makes the best code from here on, once so much was executed that it would have paid."""
        if self._is_quick and self._executed_quickly() >= WORTH_COMPILING_AGAIN * self._compiled_quickly:
            self._can_climb = self._is_quick = False
            self.level = BEST
            self._forget_regions()

    # Recurring events, natively.

    def _load_beats(self) -> None:
        """Hands over the events that recur, the open handlers and the requests."""
        beats, events, interrupts = self._beats, self.chip.events, self.chip.interrupts
        recurring = [alarm for alarm in events.alarms if alarm.recurrence is not None and alarm.due != NEVER]
        # Who wants each run of a handler gets them from Python, so every event is Python's then.
        self._tells = interrupts.keeps_log or len(interrupts.open) > OPEN_HANDLERS // 2
        if self._tells:
            recurring = []
        self._recurring = recurring = recurring[:RECURRING]
        known = 0
        for number, alarm in enumerate(recurring):
            period, source, gap = alarm.recurrence or (1, None, 0)
            beats.due[number], beats.period[number], beats.gap[number] = alarm.due, period, gap
            vector = None if source is None else source.vector
            beats.vector[number] = -1 if vector is None else vector
            beats.enabled[number] = source is not None and source.is_enabled
            beats.flag[number] = source is not None and source.is_set
            known |= 0 if vector is None else 1 << vector
        beats.count = len(recurring)
        # A log of writes is Python's.
        may_stream = not self._tells and not self._is_in_rows and self.chip.bus.log is None
        streaming, vectors = self._streams.load(allowed=may_stream)
        known |= vectors
        beats.other_event = events.next_cycle
        if recurring or streaming:
            chosen = {id(alarm) for alarm in (*recurring, *streaming)}
            beats.other_event = min((a.due for a in events.alarms if id(a) not in chosen), default=NEVER)
        self._known_vectors = known
        beats.other_requests = _as_signed(interrupts.requests & ~known)
        beats.delivers = interrupts.delivers
        handlers = [] if self._tells else interrupts.open
        beats.tells, beats.open_count = self._tells, len(handlers)
        for number, handler in enumerate(handlers):
            beats.open_vector[number], beats.open_start[number], beats.open_sp[number] = handler
        self._world.next_event = events.next_cycle
        beats.changed = 0
        self._version = events.version

    def _store_beats(self) -> None:
        """Takes back what native events and handlers have become."""
        beats, interrupts = self._beats, self.chip.interrupts
        # Handlers begin and end with a change; most stops have none, and counts by vector take long to look through.
        if beats.changed and not self._tells:
            interrupts.take_stats(beats.runs, beats.least, beats.most, beats.total, beats.nested)
            interrupts.open = [
                OpenHandler(beats.open_vector[n], beats.open_start[n], beats.open_sp[n])
                for n in range(beats.open_count)
            ]
        if beats.changed:
            for number, alarm in enumerate(self._recurring):
                alarm.due = beats.due[number]
                if alarm.recurrence is not None:
                    alarm.recurrence.source.put(bool(beats.flag[number]))
                    alarm.recurrence = alarm.recurrence._replace(gap=beats.gap[number])
            self._streams.store()
            self.chip.events.refresh()
            beats.changed = 0

    def first_reads(self, before: bytes) -> dict[int, int]:
        """Gives what was read before it was written since tracking began, with the values; `before` is memory then."""
        if self.tracking is None:
            return {}
        found = dict(self.tracking.first_reads)
        for address, seen in enumerate(self.tracking.seen):
            if seen & READ_FIRST and address not in found:
                found[address] = before[address]
        return found

    # The loop over inputs.

    def rows_function(self) -> Any:
        """Gives the compiled loop over rows, for `Rows`."""
        if self._rows is None:
            text = loop_text(tracks=self.tracking is not None)
            self._rows = LoopFunction(self._compiler.load(self._object_code(text), ["rows"])["rows"])
        return self._rows

    def prepare_rows(self, plan: Plan, word: int, ends: frozenset[int], limit: int) -> None:
        """Fills in what of a plan is this engine's, for rows that enter at a flash word and end by a cycle.

        `ends` are words at which a row is handed over.
        """
        self._set_hooks(ends)
        self._climb_if_worth()
        if word not in self._regions:
            self.translate([word])
        data, _, flags, cpu, flash, world = self._passed
        plan.data, plan.flags, plan.cpu, plan.flash, plan.world = data, flags, cpu, flash, world
        plan.seen = self._world.seen or 0
        plan.table = ctypes.addressof(self._table)
        plan.entry = self._table[word] or 0
        plan.deadline = limit - self._margins[word]
        self._world.touched = self._world.waiting = 0
        self._is_in_rows = True
        self._load_beats()
        self._is_in_rows = False
        self._world.next_event = self.chip.events.next_cycle
        self.instructions = 0

    def take_over(self) -> None:
        """Takes over the state in which compiled code left a row; `run` goes on from there."""
        chip, cpu = self.chip, self._cpu
        self._native_instructions += cpu.instructions
        self._native_total += cpu.instructions
        chip.cycle, chip.program_counter, chip.stack_pointer = cpu.cycle, cpu.pc, cpu.sp
        # A device that halts the CPU has compiled code come back right after the instruction.
        chip.cycle += chip.bus.take_halt()
        chip.lowest_stack_pointer = cpu.lowest
        if cpu.shadow:
            chip.interrupt_shadow = True
        if cpu.shadow == RETURNED:
            chip.interrupts.note_return(chip.cycle, chip.stack_pointer)
        if self._error is not None:
            error, self._error = self._error, None
            # The instruction that failed is the one at hand, as it is on the reference engine.
            chip.program_counter = self._error_word
            if isinstance(error, FaultError) and not error.address and not error.cycle:
                # A device does not know which instruction touched it.
                error.address, error.cycle = 2 * self._error_word, chip.cycle
            raise error

    # Translation.

    def _begin_at(self, word: int) -> None:
        """Makes code for a word at which runs begin: at once for the first, then for one that is begun at again."""
        if word in self._regions:
            return
        self._begun[word] += 1
        if not self._regions or self._begun[word] >= BEGINNINGS:
            self.translate([word])

    def _make_steps(self, word: int) -> bool:
        """Makes code for the exact way on from a word and its neighbours; tells whether there is an instruction."""
        region = next(
            (
                r
                for r in self._regions.values()
                if r is not None and any(each.word == word for each in r.instructions())
            ),
            None,
        ) or self._tracer.region(word)
        if region is None:
            return False
        new = {each.word: each for each in region.instructions() if not self._steps[each.word]}
        if word not in new:
            return False
        words = sorted(new)
        at = words.index(word) // WALK * WALK
        chosen = words[at : at + WALK]
        name = f"walk_{chosen[0]:x}"
        text, inner = self._lowering.walk(name, [new[each] for each in chosen], self._looked_at_in_steps | self._hooked)
        self._walked |= inner
        code = self._object_code(text, min(self.level, 1))
        address = self._compiler.load(code, [name])[name]
        # From where a call returns to, the exact way goes on to the head of the loop around it, or to the next call.
        # A region that begins in the middle of a loop is slower, as host code, than one that begins at its head.
        for made in new.values():
            if made.flow is not None and made.flow.name.startswith("call"):
                self._passes[(made.word + made.words) % self.chip.flash_words] = UNCOUNTED
        for each in chosen:
            self._steps[each] = address
        return True

    def translate(self, words: Iterable[int]) -> None:
        """Translates regions with everything they call directly, so far as it has no code yet."""
        words = list(words)
        made: dict[int, Region] = {}
        waiting = [(word, 0) for word in words]
        while waiting:
            word, depth = waiting.pop()
            if word in self._regions or word in made:
                continue
            region = self._trace(word)
            if region is None:
                self._regions[word] = None
                continue
            made[word] = region
            if depth < CALL_DEPTH:
                waiting.extend((callee, depth + 1) for callee in region.callees)
        if not made:
            return
        if not self._watches and any(_has_any(region, self._hooked) for region in made.values()):
            self._watches = True
            self._forget_regions()
            self.translate(words)
            return
        text = self._lowering.module(made.values(), self._stops, known=self._regions, watches=self._watches)
        names = [name(word) for word in made for name in (function_name, inner_name)]
        addresses = self._compiler.load(self._object_code(text), names)
        for word, region in made.items():
            self._regions[word] = region
            self._table[word] = addresses[function_name(word)]
            self._inner[word] = addresses[inner_name(word)]
        self._compiled_quickly += sum(1 for region in made.values() for _ in region.instructions())
        for word, margin in self._lowering.margins().items():
            self._margins[word] = margin

    def _trace(self, word: int) -> Region | None:
        """Gives the region of an entry, in which every hook that is set now is looked at."""
        region = self._tracer.region(word, self._stops)
        unlooked = frozenset() if region is None else self._unlooked(region, self._hooked)
        if unlooked:
            self._stops |= unlooked
            region = self._tracer.region(word, self._stops)
        return region

    def _unlooked(self, region: Region, hooked: frozenset[int]) -> frozenset[int]:
        """Gives the hooked words that a region's code would pass over without a look."""
        if not hooked:
            return frozenset()
        return hooked.intersection(each.word for each in region.instructions()) - looked_at(region) - self._stops

    def _object_code(self, text: str, level: int | None = None) -> bytes:
        """Gives a module's object code, from the cache where the same text was compiled for the same host before."""
        level = self.level if level is None else level
        if self._can_climb and level == QUICK:
            best = self._cache.found(_request(text, BEST))
            if best is not None:
                return best.data
            self._is_quick = True
        return self._cache.product(_request(text, level), lambda: Made(self._compiler.object_code(text, level))).data

    def _set_hooks(self, words: frozenset[int]) -> None:
        """Has compiled code come back at these words; those that it does not look at yet become ends of blocks."""
        if words == self._hooked:
            return
        for word in self._hooked - words:
            self._hooks[word] = 0
        for word in words:
            self._hooks[word] = 1
        new = words - self._hooked
        self._hooked = words
        passed = new & self._walked
        if passed:
            self._looked_at_in_steps |= passed
            self._forget_steps()
        known = [region for region in self._regions.values() if region is not None]
        unlooked = frozenset[int]().union(*(self._unlooked(region, new) for region in known))
        # Code that looks at hooks is slower, so it is made only once there are any in its way.
        begins = not self._watches and any(_has_any(region, new) for region in known)
        if unlooked or begins:
            self._stops |= unlooked
            self._watches = self._watches or begins
            self._forget_regions()

    # I/O on behalf of compiled code.

    def _io_read(self, address: int, cycle: int, word: int, enabled: int) -> int:
        bus = self.chip.bus
        bus.current_flash_word = word
        try:
            if self._beats.changed:
                self._store_beats()
            value = bus.read(address, cycle)
        except Exception as error:  # noqa: BLE001 - an exception cannot pass through compiled code; `run` raises it
            return self._refuse(error, word)
        if self.tracking is not None:
            self.tracking.note_read(address, value)
        return value | self._answer(enabled)

    def _io_write(  # noqa: PLR0917 - called from compiled code, in this order
        self, address: int, value: int, mask: int, cycle: int, word: int, enabled: int
    ) -> int:
        bus = self.chip.bus
        bus.current_flash_word = word
        try:
            if self._beats.changed:
                self._store_beats()
            if address == WATCHDOG and self.chip.resets_watchdog is not None:
                self.chip.resets_watchdog(cycle)
            else:
                bus.write(address, value, cycle, mask)
        except Exception as error:  # noqa: BLE001 - the same
            return self._refuse(error, word)
        return self._answer(enabled)

    def _refuse(self, error: Exception, word: int) -> int:
        self._error, self._error_word = error, word
        self._world.attention = 1
        return REFUSED

    def _answer(self, enabled: int) -> int:
        """Brings native events up to date after a device was touched; tells whether compiled code is to come back."""
        interrupts, events, beats = self.chip.interrupts, self.chip.events, self._beats
        self._world.touched = 1
        if interrupts.requests and interrupts.delivers:
            self._world.waiting = 1
        requests = interrupts.requests & ~self._known_vectors
        beats.other_requests = _as_signed(requests)
        comes_back = bool(requests and enabled and interrupts.delivers)
        if events.version != self._version:
            self._load_beats()
            comes_back = True
        if self._stop_requested or self._is_stale or self.chip.bus.halted_cycles:
            self._world.attention = 1
            comes_back = True
        return 256 if comes_back else 0


def _request(text: str, level: int) -> tuple[str, ...]:
    return ("code", ENGINE_VERSION, host(), str(level), text)


def _as_signed(number: int) -> int:
    """Gives the 64 bits of a number as a signed one."""
    number &= (1 << 64) - 1
    return number - (1 << 64) if number >> 63 else number


def _words(given: Container[int]) -> Iterable[int]:
    if not isinstance(given, Iterable):
        raise TypeError("exits and entries are collections of flash words")
    return given


def _has_any(region: Region, words: frozenset[int]) -> bool:
    """Tells whether a region has an instruction at one of these words."""
    return bool(words) and any(each.word in words for each in region.instructions())
