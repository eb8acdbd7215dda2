"""The compiled engine for one chip: runs ahead in host code, and exactly where something can happen."""

import ctypes
from collections import Counter
from collections.abc import Container, Iterable
from typing import Any

from cyclerule.engines.engine import Stop
from cyclerule.engines.ir import Region
from cyclerule.engines.llvm.compile import Compiler, host
from cyclerule.engines.llvm.layout import CONTINUE, LEAVE, SLOW, Cpu, IoRead, IoWrite, World
from cyclerule.engines.llvm.lower import Lowering, function_name
from cyclerule.engines.llvm.rows import Plan, loop_text
from cyclerule.engines.reference import Reference
from cyclerule.engines.trace import Tracer
from cyclerule.engines.tracking import READ_FIRST, TrackingReference
from cyclerule.firmware.object_cache import Made, ObjectCache
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip

Compiled = ctypes.CFUNCTYPE(
    ctypes.c_int32,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_void_p,
)

RowsFunction = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_void_p)

PASSES_BEFORE_TRANSLATION = 8
"""How often control comes to a word in the middle of a function before that gets code of its own."""

ENGINE_VERSION = "1"
"""Part of the cache's key beside the text of a module, for what the text does not show."""

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
        level: int = 2,
        reference: Reference | None = None,
        cache: ObjectCache | None = None,
    ) -> None:
        self.chip = chip
        self.level = level
        self._reference = reference or Reference(chip)
        self.tracking = reference if isinstance(reference, TrackingReference) else None
        self._tracer = Tracer(chip)
        self._lowering = Lowering(chip, tracks=self.tracking is not None)
        self._compiler = Compiler()
        self._cache = cache or ObjectCache(None)
        self._native_instructions = 0
        self._stop_requested = False
        self._error: BaseException | None = None
        self._stops: frozenset[int] = frozenset()
        self._regions: dict[int, Region | None] = {}
        self._checked: set[int] = set()
        self._passes: Counter[int] = Counter()
        self._margin = 0
        self._armed_event = 0
        self._cpu = Cpu()
        self._hooks = (ctypes.c_uint8 * chip.flash_words)()
        self._hooked: set[int] = set()
        self._table = (ctypes.c_void_p * chip.flash_words)()
        self._functions: dict[int, ctypes._CFuncPtr] = {}
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
            io=data,
            io_read=self._callbacks[0],
            io_write=self._callbacks[1],
            seen=seen,
        )
        self._passed = (data, data, flags, ctypes.addressof(self._cpu), flash, ctypes.addressof(self._world))

    # The engine's face.

    @property
    def instructions(self) -> int:
        """Instructions executed since the engine was made or the count was set."""
        return self._native_instructions + self._reference.instructions

    @instructions.setter
    def instructions(self, count: int) -> None:
        self._native_instructions, self._reference.instructions = count, 0

    def request_stop(self) -> None:
        """Stops the run at the next instruction boundary."""
        self._stop_requested = True

    def forget_code(self) -> None:
        """Drops all translations, after flash was changed."""
        self._reference.forget_code()
        self._forget_regions()

    def _forget_regions(self) -> None:
        self._regions.clear()
        self._functions.clear()
        self._checked.clear()
        ctypes.memset(self._table, 0, ctypes.sizeof(self._table))

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
        moved = False
        while True:
            if events.next_cycle <= chip.cycle:
                events.run_until(chip.cycle)
            if moved and chip.program_counter in exits:
                return Stop.AT_EXIT
            if chip.cycle >= limit:
                return Stop.LIMIT
            if self._stop_requested:
                self._stop_requested = False
                return Stop.REQUESTED
            special = chip.is_asleep or chip.interrupt_shadow
            wanted = interrupts.requests and chip.flags[I] and interrupts.delivers
            if moved and not (wanted and not chip.interrupt_shadow) and chip.program_counter in entries:
                return Stop.AT_ENTRY
            soonest = min(limit, events.next_cycle) if interrupts.delivers else limit
            if special or wanted:
                stop = self._step(chip.cycle + 1, exits, entries, stops_at_break)
            elif soonest - self._margin <= chip.cycle:
                stop = self._step(soonest, exits, entries, stops_at_break)
            else:
                function = self._function(chip.program_counter, at_once=not moved)
                soonest = min(limit, events.next_cycle) if interrupts.delivers else limit
                if function is None or soonest - self._margin <= chip.cycle:
                    stop = self._step(chip.cycle + 1, exits, entries, stops_at_break)
                else:
                    stop = self._run_compiled(function, soonest, exits, entries, stops_at_break)
            moved = True
            if stop is not None:
                return stop

    def _step(self, limit: int, exits: frozenset[int], entries: frozenset[int], stops_at_break: bool) -> Stop | None:
        """Lets the reference engine go up to a cycle; gives its reason to stop unless that is this cycle."""
        stop = self._reference.run(limit, exits=exits, entries=entries, stops_at_break=stops_at_break)
        return None if stop is Stop.LIMIT else stop

    def _run_compiled(
        self,
        function: "ctypes._CFuncPtr",
        soonest: int,
        exits: frozenset[int],
        entries: frozenset[int],
        stops_at_break: bool,
    ) -> Stop | None:
        chip, cpu = self.chip, self._cpu
        cpu.cycle, cpu.pc, cpu.sp = chip.cycle, chip.program_counter, chip.stack_pointer
        cpu.lowest, cpu.floor = chip.lowest_stack_pointer, chip.stack_floor
        cpu.deadline = soonest - self._margin
        cpu.instructions = cpu.depth = cpu.shadow = 0
        cpu.fresh = 1
        self._armed_event = self._world.next_event = chip.events.next_cycle
        status = function(*self._passed)
        self.take_over()
        if status == SLOW:
            # The instruction of a slow exit is executed apart, from the very boundary where compiled code left.
            return self._step(chip.cycle + 1, exits, entries, stops_at_break)
        if status not in (CONTINUE, LEAVE):
            raise AssertionError(f"compiled code came back with {status}")
        return None

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
            self._rows = RowsFunction(self._compiler.load(self._object_code(text), ["rows"])["rows"])
        return self._rows

    def prepare_rows(self, plan: Plan, word: int, limit: int) -> None:
        """Fills in what of a plan is this engine's, for rows that enter at a flash word and end by a cycle."""
        self._set_hooks(frozenset())
        if word not in self._functions:
            self.translate([word])
        data, _, flags, cpu, flash, world = self._passed
        plan.data, plan.flags, plan.cpu, plan.flash, plan.world = data, flags, cpu, flash, world
        plan.seen = self._world.seen or 0
        plan.table = ctypes.addressof(self._table)
        plan.entry = self._table[word] or 0
        plan.deadline = limit - self._margin
        self._world.touched = 0
        self._armed_event = self._world.next_event = self.chip.events.next_cycle
        self.instructions = 0

    def take_over(self) -> None:
        """Takes over the state in which compiled code left a row; `run` goes on from there."""
        chip, cpu = self.chip, self._cpu
        self._native_instructions += cpu.instructions
        chip.cycle, chip.program_counter, chip.stack_pointer = cpu.cycle, cpu.pc, cpu.sp
        chip.lowest_stack_pointer = cpu.lowest
        if cpu.shadow:
            chip.interrupt_shadow = True
            chip.interrupts.note_return(chip.cycle, chip.stack_pointer)
        if self._error is not None:
            error, self._error = self._error, None
            raise error

    # Translation.

    def _function(self, word: int, *, at_once: bool) -> "ctypes._CFuncPtr | None":
        found = self._functions.get(word)
        if found is not None:
            return found
        if word in self._regions:
            return None
        self._passes[word] += 1
        if not at_once and self._passes[word] < PASSES_BEFORE_TRANSLATION:
            return None
        self.translate([word])
        return self._functions.get(word)

    def translate(self, words: Iterable[int]) -> None:
        """Translates regions with everything they call directly, so far as it has no code yet."""
        made: dict[int, Region] = {}
        waiting = [(word, 0) for word in words]
        while waiting:
            word, depth = waiting.pop()
            if word in self._regions or word in made:
                continue
            region = self._tracer.region(word, self._stops)
            if region is None:
                self._regions[word] = None
                continue
            made[word] = region
            if depth < CALL_DEPTH:
                waiting.extend((callee, depth + 1) for callee in region.callees)
        if not made:
            return
        text = self._lowering.module(made.values(), self._stops)
        addresses = self._compiler.load(self._object_code(text), [function_name(word) for word in made])
        for word, region in made.items():
            address = addresses[function_name(word)]
            self._regions[word] = region
            self._functions[word] = Compiled(address)
            self._table[word] = address
            self._checked.add(word)
            self._checked.update(_return_points(region))
            self._margin = max(self._margin, _longest_stretch(region))

    def _object_code(self, text: str) -> bytes:
        """Gives a module's object code, from the cache where the same text was compiled for the same host before."""
        request = ("code", ENGINE_VERSION, host(), str(self.level), text)
        return self._cache.product(request, lambda: Made(self._compiler.object_code(text, self.level))).data

    def _set_hooks(self, words: frozenset[int]) -> None:
        """Has compiled code come back at these words; those that it does not look at yet become ends of blocks."""
        if words == self._hooked:
            return
        for word in self._hooked - words:
            self._hooks[word] = 0
        for word in words:
            self._hooks[word] = 1
        self._hooked = set(words)
        inside = {word for region in self._regions.values() if region is not None for word in region.blocks}
        del inside
        new = words - self._checked - self._stops
        new = {word for word in new if self._is_inside(word)}
        if new:
            self._stops |= new
            self._forget_regions()

    def _is_inside(self, word: int) -> bool:
        """Tells whether compiled code passes over a word without looking at hooks."""
        return any(
            each.word == word
            for region in self._regions.values()
            if region is not None
            for each in region.instructions()
        )

    # I/O on behalf of compiled code.

    def _io_read(self, address: int, cycle: int, word: int, enabled: int) -> int:
        bus = self.chip.bus
        bus.current_flash_word = word
        try:
            value = bus.read(address, cycle)
        except Exception as error:  # noqa: BLE001 - an exception cannot pass through compiled code; `run` raises it
            self._error = error
            return 256
        if self.tracking is not None:
            self.tracking.note_read(address, value)
        return value | self._answer(enabled)

    def _io_write(self, address: int, value: int, mask: int, cycle: int, word: int, enabled: int) -> int:
        bus = self.chip.bus
        bus.current_flash_word = word
        try:
            bus.write(address, value, cycle, mask)
        except Exception as error:  # noqa: BLE001 - the same
            self._error = error
            return 256
        return self._answer(enabled)

    def _answer(self, enabled: int) -> int:
        interrupts, following = self.chip.interrupts, self.chip.events.next_cycle
        self._world.next_event = following
        self._world.touched = 1
        wanted = interrupts.requests and enabled and interrupts.delivers
        sooner = interrupts.delivers and following < self._armed_event
        return 256 if wanted or sooner or self._stop_requested else 0


def _words(given: Container[int]) -> Iterable[int]:
    if not isinstance(given, Iterable):
        raise TypeError("exits and entries are collections of flash words")
    return given


def _return_points(region: Region) -> set[int]:
    return {
        each.word + each.words
        for each in region.instructions()
        if each.flow is not None and each.flow.name.startswith("call")
    }


def _longest_stretch(region: Region) -> int:
    """Gives the most cycles that can pass in a region from one look at the deadline to the next."""
    longest: dict[int, int] = {}
    for word in sorted(region.blocks, reverse=True):
        block = region.blocks[word]
        own = sum(each.timing.taken + 3 for each in block.instructions)
        # Looks are taken on the way back, so only successors further on lengthen a stretch.
        longest[word] = own + max((longest[s] for s in block.successors if s > word), default=0)
    return max(longest.values(), default=0)
