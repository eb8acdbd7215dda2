"""What a function is made of before it is written: blocks with small callees in place, and what is known of them.

A spot is a block in a frame: the function's own, or that of a callee that is written in place of its call. Which
flags somebody may still look at, how far the stack pointer is from where it was, which registers memory may lack and
where the deadline is looked at is all decided here.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from cyclerule.engines.ir import Argument, Block, Ref, Region, Translated
from cyclerule.engines.llvm.values import plain
from cyclerule.isa.operations import I
from cyclerule.machine.chip import SPH, SPL, SREG, Chip

IO_OFFSET = 0x20
ALL_FLAGS = frozenset(range(8))
ALL_REGISTERS = frozenset(range(32))

LONGEST_STRETCH = 100
"""Cycles after which the deadline is looked at again, where a block's end allows."""


@dataclass(frozen=True)
class Effects:
    """What an instruction touches.

    `needs` are the flags whose value on entry is looked at, a way out included. `leaves` says that there may be a way
    out other than a push or pop that is refused.
    """

    needs: frozenset[int]
    sets: frozenset[int]
    reads: frozenset[int]
    writes: frozenset[int]
    leaves: bool
    pushes: int
    pops: int
    moves_stack: bool
    longest: int


def effects(each: Translated, chip: Chip) -> Effects:
    """Finds what an instruction touches."""
    found = _Found(chip)
    for operation in each.operations:
        found.add(operation.name, operation.arguments)
    timing = each.timing
    is_skip = each.flow is not None and each.flow.name == "skip"
    return Effects(
        needs=frozenset(found.needs),
        sets=frozenset(found.sets),
        reads=frozenset(found.reads),
        writes=frozenset(found.writes),
        leaves=found.leaves or each.stands_apart,
        pushes=found.pushes,
        pops=found.pops,
        moves_stack=found.moves_stack,
        longest=max(timing.base, timing.taken, timing.skipping(each.following) if is_skip else 0),
    )


class _Found:
    """The effects of an instruction, operation by operation."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self.needs: set[int] = set()
        self.sets: set[int] = set()
        self.reads: set[int] = set()
        self.writes: set[int] = set()
        self.leaves = self.moves_stack = False
        self.pushes = self.pops = 0

    def add(self, name: str, arguments: tuple[Argument, ...]) -> None:
        """Adds an operation."""
        match name:
            case "read":
                self.reads.add(plain(arguments[0]))
            case "write":
                self.writes.add(plain(arguments[0]))
            case "flag":
                self._look_at({plain(arguments[0])})
            case "set_flag":
                self._set_flag(plain(arguments[0]), arguments[1])
            case "push":
                self.pushes += 1
                self._look_at(ALL_FLAGS)
            case "pop":
                self.pops += 1
                self._look_at(ALL_FLAGS)
            case "return_from_call" | "return_from_interrupt":
                self.pops += self._chip.core.pc_bytes
                self._may_leave()
            case "load" | "store":
                self._access(arguments[0], is_write=name == "store", is_whole=True)
            case "io_read" | "io_read_bit" | "io_write" | "io_write_bit":
                address = plain(arguments[0]) + IO_OFFSET
                self._access(address, is_write=name.startswith("io_write"), is_whole=not name.endswith("bit"))
            case "reset_watchdog":
                # A device is told, and may want a look.
                self._may_leave()
            case _:
                pass

    def _look_at(self, flags: Iterable[int]) -> None:
        self.needs.update(set(flags) - self.sets)

    def _may_leave(self) -> None:
        self.leaves = True
        self._look_at(ALL_FLAGS)

    def _set_flag(self, flag: int, value: Argument) -> None:
        if flag == I:
            self._look_at({I})
        self.sets.add(flag)
        if flag == I and value != 0:
            self._may_leave()

    def _access(self, address: Argument, *, is_write: bool, is_whole: bool) -> None:
        chip = self._chip
        if isinstance(address, Ref) or address > chip.ram_end:
            self._may_leave()
        elif address < IO_OFFSET:
            (self.writes if is_write else self.reads).add(address)
        elif address == SREG and is_whole:
            self._look_at({I} if is_write else ALL_FLAGS)
            if is_write:
                # It may be left after it, with the flags that it has set.
                self.leaves = True
                self.sets.update(ALL_FLAGS)
        elif address < chip.ram_start:
            self.moves_stack = self.moves_stack or (is_write and address in (SPL, SPH))
            self._may_leave()


@dataclass(frozen=True)
class Summary:
    """What a caller has to know of a function with code of its own.

    `flags` are those whose value on entry somebody may look at; `longest` is the most cycles from the entry, or from
    a look at the deadline, to the next look or the return. `is_level` says that it returns with the stack pointer
    above the return address only.
    """

    reads: frozenset[int]
    writes: frozenset[int]
    flags: frozenset[int]
    is_level: bool
    longest: int
    is_known: bool = True


UNKNOWN = Summary(ALL_REGISTERS, ALL_REGISTERS, ALL_FLAGS, is_level=False, longest=0, is_known=False)


@dataclass(eq=False)
class Frame:
    """An activation: the function's own, or one that is written in place, with the word that it returns to."""

    region: Region
    parent: "Frame | None" = None
    return_word: int = -1
    spots: dict[int, "Spot"] = field(default_factory=dict)

    def contains(self, word: int) -> bool:
        """Tells whether a region is being executed in this frame or one around it."""
        frame: Frame | None = self
        while frame is not None:
            if frame.region.entry == word:
                return True
            frame = frame.parent
        return False


@dataclass(eq=False)
class Spot:
    """A block in a frame. `targets` are the spots that control goes on to, by flash word.

    `callee` is the entry of a callee written in place; `called` the word of one that is really called, -1 for one
    that is known only when it is called.
    """

    frame: Frame
    block: Block
    number: int = -1
    is_entry: bool = False
    targets: dict[int, "Spot"] = field(default_factory=dict)
    callee: "Spot | None" = None
    called: int | None = None
    predecessors: list["Spot"] = field(default_factory=list)
    # What is known at its beginning.
    height: int | None = None
    dirty: frozenset[int] = frozenset()
    dirty_flags: frozenset[int] = frozenset()
    live_flags: frozenset[int] = frozenset()
    above: "Spot | None" = None
    is_looked_at: bool = False
    looks_before_call: bool = False

    @property
    def successors(self) -> list["Spot"]:
        """The spots that control may go on to."""
        return [self.callee] if self.callee is not None else list(self.targets.values())

    @property
    def is_merge(self) -> bool:
        """Whether control comes here in several ways, so that what is known is in variables."""
        return self.is_entry or len(self.predecessors) != 1

    @property
    def label(self) -> str:
        """The label of its text."""
        return f"b{self.number}_{self.block.word:x}"

    def is_back(self, target: "Spot") -> bool:
        """Tells whether the way from here to a target goes back."""
        return target.number <= self.number


class Outline:
    """The spots of one function, in an order in which whatever comes before comes first, and what is known of them."""

    def __init__(
        self,
        chip: Chip,
        region: Region,
        regions: Mapping[int, Region],
        *,
        inlined: frozenset[int],
        stops: frozenset[int],
        known: Mapping[int, Effects],
        most: int,
    ) -> None:
        self.chip, self.region, self.stops = chip, region, stops
        self._regions, self._inlined, self._most = regions, inlined, most
        self.effects = known
        self.size = sum(len(block.instructions) for block in region.blocks.values())
        self.root = Frame(region)
        self.entry = self._spot(self.root, region.entry)
        self.entry.is_entry = True
        self.spots = self._in_order()
        self.callees = frozenset(spot.called for spot in self.spots if spot.called is not None and spot.called >= 0)

    # The spots.

    def is_stop(self, spot: Spot) -> bool:
        """Tells whether control is to come back before a spot."""
        return spot.block.word in self.stops and not spot.is_entry

    def _spot(self, frame: Frame, word: int) -> Spot:
        found = frame.spots.get(word)
        if found is None:
            found = frame.spots[word] = Spot(frame, frame.region.blocks[word])
        return found

    def _connect(self, spot: Spot) -> None:
        frame, block = spot.frame, spot.block
        if self.is_stop(spot):
            return
        last = block.instructions[-1]
        flow = last.flow
        after = block.after % self.chip.flash_words
        if flow is not None and flow.name == "return_from_call":
            self._connect_return(spot)
            return
        if flow is not None and flow.name.startswith("call"):
            target = call_target(last, self.chip.flash_words)
            region = self._regions.get(target)
            if region is not None and self._goes_in_place(frame, target, region):
                inner = Frame(region, frame, after)
                self.size += sum(len(b.instructions) for b in region.blocks.values())
                spot.callee = self._spot(inner, region.entry)
                return
            spot.called = target
        for word in block.successors:
            spot.targets[word] = self._spot(frame, word)

    def _connect_return(self, spot: Spot) -> None:
        frame = spot.frame
        if frame.parent is not None and frame.return_word in frame.parent.region.blocks:
            spot.targets[frame.return_word] = self._spot(frame.parent, frame.return_word)

    def _goes_in_place(self, frame: Frame, target: int, region: Region) -> bool:
        if target not in self._inlined or frame.contains(target):
            return False
        return self.size + sum(len(block.instructions) for block in region.blocks.values()) <= self._most

    def _in_order(self) -> list[Spot]:
        """Numbers the spots in reverse postorder and fills in predecessors."""
        done: list[Spot] = []
        self._connect(self.entry)
        seen = {self.entry}
        path = [(self.entry, iter(self.entry.successors))]
        while path:
            spot, rest = path[-1]
            following = next((each for each in rest if each not in seen), None)
            if following is None:
                done.append(spot)
                path.pop()
                continue
            seen.add(following)
            self._connect(following)
            path.append((following, iter(following.successors)))
        done.reverse()
        for number, spot in enumerate(done):
            spot.number = number
        for spot in done:
            for target in spot.successors:
                target.predecessors.append(spot)
        return done

    # What is known.

    def study(self, summaries: Mapping[int, Summary], *, watches: bool) -> Summary:
        """Works out what is known at each spot, with the summaries of all functions that are really called."""
        self._find_dominators()
        self._find_heights()
        self._place_looks(summaries)
        registers = self._find_dirty(summaries)
        flags = self._find_live_flags(summaries, watches=watches)
        reads, writes = registers
        if any(_jumps_anywhere(each) for spot in self.spots for each in spot.block.instructions):
            # Whatever stands at the end of an indirect jump returns in this function's place.
            return replace(UNKNOWN, longest=self.longest)
        return Summary(reads, writes, flags, self._is_level(summaries), self.longest)

    def summary(self, spot: Spot, summaries: Mapping[int, Summary]) -> Summary | None:
        """Gives the summary of the function that a spot really calls; None when it calls none."""
        return None if spot.called is None else summaries.get(spot.called, UNKNOWN)

    def _find_dominators(self) -> None:
        """Finds each spot's closest dominator: Cooper, Harvey and Kennedy, A Simple, Fast Dominance Algorithm."""
        above: dict[Spot, Spot] = {self.entry: self.entry}
        changed = True
        while changed:
            changed = False
            for spot in self.spots[1:]:
                found: Spot | None = None
                for each in spot.predecessors:
                    if each in above:
                        found = each if found is None else _meet(above, each, found)
                if found is not None and above.get(spot) is not found:
                    above[spot] = found
                    changed = True
        for spot in self.spots[1:]:
            spot.above = above[spot]

    def dominates(self, spot: Spot, other: Spot) -> bool:
        """Tells whether every way to `other` leads over `spot`."""
        at: Spot | None = other
        while at is not None and at.number > spot.number:
            at = at.above
        return at is spot

    def _find_heights(self) -> None:
        """Finds how far the stack pointer is from its value on entry; None where that is not one number."""
        known: dict[Spot, int | None] = {self.entry: 0}
        waiting = [self.entry]
        while waiting:
            spot = waiting.pop()
            height = known[spot]
            for each in spot.block.instructions:
                if height is None:
                    break
                effect = self.effects[each.word]
                height = None if effect.moves_stack else height - effect.pushes + effect.pops
            if height is not None and spot.callee is not None:
                height -= self.chip.core.pc_bytes
            for target in spot.successors:
                if target not in known:
                    known[target] = height
                    waiting.append(target)
                elif known[target] is not None and known[target] != height:
                    known[target] = None
                    waiting.append(target)
        for spot, found in known.items():
            spot.height = found

    def height_at_end(self, spot: Spot) -> int | None:
        """Gives the stack pointer's distance from its value on entry before the return of a spot's last instruction."""
        height = spot.height
        for each in spot.block.instructions:
            effect = self.effects[each.word]
            if height is None or effect.moves_stack:
                return None
            height += effect.pops - effect.pushes
        return height

    def _is_level(self, summaries: Mapping[int, Summary]) -> bool:
        returns = [
            spot
            for spot in self.spots
            if spot.frame is self.root
            and spot.block.instructions[-1].flow is not None
            and spot.block.instructions[-1].flow.name == "return_from_call"
        ]
        return all(self.height_at_end(spot) == self.chip.core.pc_bytes for spot in returns)

    def _place_looks(self, summaries: Mapping[int, Summary]) -> None:
        """Decides where the deadline is looked at, beside all ways back and all returns from real calls."""
        self.longest = 0
        at_end: dict[Spot, int] = {}
        for spot in self.spots:
            own = sum(self.effects[each.word].longest for each in spot.block.instructions)
            before = max((at_end[p] for p in spot.predecessors if p in at_end and p.called is None), default=0)
            if before and before + own > LONGEST_STRETCH:
                spot.is_looked_at = True
                before = 0
            at_end[spot] = before + own
            called = self.summary(spot, summaries)
            if called is not None:
                spot.looks_before_call = not called.is_known or before + own + called.longest > LONGEST_STRETCH
                self.longest = max(self.longest, before + own + (0 if spot.looks_before_call else called.longest))
            self.longest = max(self.longest, before + own)

    def called_words(self) -> frozenset[int]:
        """Gives the entries that are really called, -1 among them where one is known only when control goes there."""
        called = {spot.called for spot in self.spots if spot.called is not None}
        if any(_jumps_anywhere(spot.block.instructions[-1]) for spot in self.spots):
            called.add(-1)
        return frozenset(called)

    def looks_on_the_way(self, spot: Spot, target: Spot) -> bool:
        """Tells whether the deadline is looked at between two spots."""
        return spot.is_back(target) or target.is_looked_at or spot.called is not None

    def _find_dirty(self, summaries: Mapping[int, Summary]) -> tuple[frozenset[int], frozenset[int]]:
        """Finds which registers and flags memory may lack at each spot; gives those that the function touches."""
        reads: set[int] = set()
        writes: set[int] = set()
        made: dict[Spot, tuple[frozenset[int], frozenset[int]]] = {}
        for spot in self.spots:
            own = [self.effects[each.word] for each in spot.block.instructions]
            made[spot] = (
                frozenset[int]().union(*(e.writes for e in own)),
                frozenset[int]().union(*(e.sets for e in own)),
            )
            reads.update(*(e.reads for e in own))
            writes.update(made[spot][0])
            called = self.summary(spot, summaries)
            if called is not None:
                reads.update(called.reads)
                writes.update(called.writes)
        changed = True
        while changed:
            changed = False
            for spot in self.spots:
                registers, flags = spot.dirty | made[spot][0], spot.dirty_flags | made[spot][1]
                called = self.summary(spot, summaries)
                if called is not None:
                    # What the callee touches is in memory before it, or is there after it.
                    registers -= called.reads | called.writes
                    flags = frozenset()
                for target in spot.successors:
                    if not (registers <= target.dirty and flags <= target.dirty_flags):
                        target.dirty |= registers
                        target.dirty_flags |= flags
                        changed = True
        return frozenset(reads), frozenset(writes)

    def _find_live_flags(self, summaries: Mapping[int, Summary], *, watches: bool) -> frozenset[int]:
        """Finds the flags at each spot that something may look at before they are set anew: those have to be right."""
        needs: dict[Spot, frozenset[int]] = {}
        sets: dict[Spot, frozenset[int]] = {}
        for spot in self.spots:
            need: set[int] = set()
            made: set[int] = set()
            if self.is_stop(spot):
                need |= ALL_FLAGS
            for each in spot.block.instructions:
                effect = self.effects[each.word]
                need |= effect.needs - made
                made |= effect.sets
            if self._may_leave(spot, summaries, watches=watches):
                need |= ALL_FLAGS - made
            called = self.summary(spot, summaries)
            if called is not None:
                need |= called.flags - made
                made |= ALL_FLAGS
            needs[spot], sets[spot] = frozenset(need), frozenset(made)
            spot.live_flags = needs[spot]
        changed = True
        while changed:
            changed = False
            for spot in reversed(self.spots):
                after = frozenset[int]().union(*(target.live_flags for target in spot.successors))
                live = needs[spot] | (after - sets[spot])
                if live != spot.live_flags:
                    spot.live_flags = live
                    changed = True
        return self.entry.live_flags

    def _may_leave(self, spot: Spot, summaries: Mapping[int, Summary], *, watches: bool) -> bool:
        """Tells whether the function can be left at the end of a spot, before a call that ends it included."""
        last = spot.block.instructions[-1]
        if watches or not spot.successors or last.stands_apart:
            return True
        flow = last.flow
        if flow is not None and (flow.name.startswith("return") or flow.name == "jump_indirect"):
            return True
        if spot.callee is not None or (flow is not None and flow.name.startswith("call")):
            # The return address is pushed, which may not fit.
            return True
        if any(self.looks_on_the_way(spot, target) for target in spot.successors):
            return True
        return any(word not in spot.targets for word in block_targets(spot.block, self.chip.flash_words))


def block_targets(block: Block, flash_words: int) -> tuple[int, ...]:
    """Gives the words that a block without a call or return goes on to, inside its region or not."""
    last = block.instructions[-1]
    after = block.after % flash_words
    flow = last.flow
    if flow is None:
        return (after,)
    match flow.name:
        case "branch":
            return after, (after + plain(flow.arguments[1])) % flash_words
        case "skip":
            return after, (after + last.following) % flash_words
        case "jump_by":
            return ((after + plain(flow.arguments[0])) % flash_words,)
        case "jump_to":
            return (plain(flow.arguments[0]) % flash_words,)
        case _:
            return ()


def call_target(each: Translated, flash_words: int) -> int:
    """Gives the word that a call instruction calls; -1 where that is known only when it is executed."""
    flow = each.flow
    assert flow is not None  # noqa: S101 - for the type checker: callers have a call
    match flow.name:
        case "call_by":
            return (each.word + each.words + plain(flow.arguments[0])) % flash_words
        case "call_to":
            return plain(flow.arguments[0]) % flash_words
        case _:
            return -1


def small_callees(regions: Mapping[int, Region], flash_words: int, *, most: int) -> frozenset[int]:
    """Gives the entries of regions that, with their own small callees in place, have at most so many instructions."""
    sizes: dict[int, int | None] = {}

    def size(entry: int) -> int | None:
        if entry in sizes:
            return sizes[entry]
        sizes[entry] = None
        region = regions.get(entry)
        if region is None:
            return None
        total = 0
        for each in region.instructions():
            total += 1
            if each.flow is not None and each.flow.name.startswith("call"):
                inner = size(call_target(each, flash_words))
                total += inner if inner is not None and inner <= most else 0
        sizes[entry] = total
        return total

    return frozenset(entry for entry in regions if (found := size(entry)) is not None and found <= most)


def _jumps_anywhere(each: Translated) -> bool:
    return each.flow is not None and each.flow.name == "jump_indirect"


def _meet(above: Mapping[Spot, Spot], one: Spot, other: Spot) -> Spot:
    while one is not other:
        while one.number > other.number:
            one = above[one]
        while other.number > one.number:
            other = above[other]
    return one


def known_effects(regions: Iterable[Region], chip: Chip) -> dict[int, Effects]:
    """Gives the effects of every instruction of some regions, by flash word."""
    return {each.word: effects(each, chip) for region in regions for each in region.instructions()}
