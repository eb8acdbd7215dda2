"""Code of some lines at one place in the program, and where passes through it begin and end.

The definition is in docs/lines.md. All that can be known without running is worked out here; `passes` runs.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from cyclerule.firmware.image import Image, InlinedCall, SourcePlace
from cyclerule.firmware.loops import Loop
from cyclerule.firmware.standing import Standing, is_partial
from cyclerule.machine.chip import Chip
from cyclerule.measure.flow import Flows, FunctionFlow
from cyclerule.measure.frames import Frame, Frames, Lines, span_of_lines
from cyclerule.parts import Part

LoopsOf = Callable[[str], Sequence[Loop] | None]
"""Gives the loop statements of a file by its name in the line table; None where its text is not to be had."""


class _Statement(NamedTuple):
    """A loop statement, and the inlined calls that lead to it; `loop` is None where the text is not to be had."""

    calls: tuple[InlinedCall, ...]
    loop: Loop | None


class Back(NamedTuple):
    """A way that leads back to the beginning of a loop, and the words of that loop."""

    word: int
    target: int
    loop: frozenset[int]


@dataclass(frozen=True, eq=False)
class Stretch:
    """The instructions of one function's code that belong to the lines, through the same inlined calls.

    `words` are they; `inlined` are the calls that lead from the function to the lines. `levels` are those of each
    instruction of the function. `begins_inside` tells of a loop statement of the lines' file whether it is one of
    theirs.
    """

    flow: FunctionFlow
    words: frozenset[int]
    inlined: tuple[InlinedCall, ...]
    levels: Mapping[int, tuple[Frame, ...]]
    loops_of: LoopsOf
    begins_inside: Callable[[Loop | None], bool]
    may_run_twice: bool

    def place(self, part: Part) -> str:
        """Says where it is: "in loop", "in loop, inlined at hive.c:60"; a handler has its vector's name."""
        function = self.flow.function
        number = function.name.removeprefix("__vector_")
        vector = part.vector_name(int(number)) if number != function.name and number.isdigit() else None
        name = vector or (function.source_name if function.clone_of is None else function.name)
        calls = [f"{call.call_file}:{call.call_line}" for call in self.inlined if call.call_line is not None]
        return f"in {name}" + (f", inlined at {', '.join(calls)}" if calls else "")

    # Loops.

    @cached_property
    def _all(self) -> tuple[tuple[Back, "_Statement | None"], ...]:
        """The ways back of loops that have something of the lines, with the statement of each, inner loops first."""
        backs = sorted((b for b in self._all_backs() if b.loop & self.words), key=lambda each: len(each.loop))
        owned: list[tuple[Back, list[_Statement]]] = []
        for back in backs:
            inner = [each.loop for each in backs if each.loop < back.loop and each.target != back.target]
            owned.append((back, self._statements(back.loop.difference(*inner) or back.loop)))
        told: list[tuple[Back, _Statement | None]] = []
        for back, statements in owned:
            # Loops inside each other are so in the source too.
            taken = {s for each, s in told if each.loop < back.loop and each.target != back.target}
            if self._is_mostly_own(back.loop):
                # A loop around has the better claim on a statement around.
                outer = [found for each, found in owned if back.loop < each.loop and each.target != back.target]
                taken |= {s for found in outer for s in found if not self._is_inside(back, s)}
            told.append((back, next((s for s in statements if s not in taken), None)))
        return tuple(told)

    @property
    def is_certain(self) -> bool:
        """Whether each loop is known to be around the lines or one of theirs; not so where the text is not there."""
        return all(each.loop is not None for _, statement in self._all if (each := statement) is not None)

    @cached_property
    def backs(self) -> tuple[Back, ...]:
        """The ways back of loops around the lines: taking one ends a pass."""
        return tuple(back for back, statement in self._all if not self._is_inside(back, statement))

    def _is_inside(self, back: Back, statement: "_Statement | None") -> bool:
        if statement is None:
            # Of assembly, of a built-in delay, or a recursion that became a loop.
            return back.loop <= self.words or (self._is_mostly_own(back.loop) and self.begins_inside(None))
        if statement.loop is None:
            # Without the text: a loop that has nothing but the lines counts as one of theirs.
            return back.loop <= self.words
        if statement.calls[: len(self.inlined)] != self.inlined:
            return False
        return len(statement.calls) > len(self.inlined) or self.begins_inside(statement.loop)

    def _is_mostly_own(self, loop: frozenset[int]) -> bool:
        return 2 * len(loop & self.words) > len(loop)

    def _statements(self, words: Iterable[int]) -> list["_Statement"]:
        """Gives the loop statements that most of a loop's own instructions are from, the innermost first.

        Not all of them need be: the compiler gives some the line of a declaration, or of what it moved them from.
        """
        votes: Counter[_Statement] = Counter()
        count = 0
        for word in words:
            count += 1
            calls: list[InlinedCall] = []
            for frame in self.levels[word]:
                if frame.call is not None:
                    calls.append(frame.call)
                if frame.place is None:
                    continue
                loops, line = self.loops_of(frame.place.file), frame.place.line
                covering = [None] if loops is None else [loop for loop in loops if loop.first <= line <= loop.last]
                votes.update(_Statement(tuple(calls), loop) for loop in covering)
        chosen = [statement for statement, times in votes.items() if 2 * times > count]
        return sorted(chosen, key=lambda each: (-len(each.calls), each.loop is None, _extent(each.loop)))

    def _all_backs(self) -> Iterable[Back]:
        """Finds the ways that lead back to where control has come from, by going once through all code."""
        steps, sources = self.flow.steps, self.flow.sources
        on_the_way: set[int] = set()
        seen: set[int] = set()
        for root in sorted(self.flow.roots, key=lambda word: (word != self.flow.entry, word)):
            if root in seen:
                continue
            seen.add(root)
            on_the_way.add(root)
            pending = [(root, iter(steps[root].ways if root in steps else ()))]
            while pending:
                word, ways = pending[-1]
                way = next(ways, None)
                if way is None:
                    on_the_way.discard(word)
                    pending.pop()
                elif way in on_the_way:
                    yield Back(word, way, _natural_loop(word, way, sources))
                elif way not in seen and way in steps:
                    seen.add(way)
                    on_the_way.add(way)
                    pending.append((way, iter(steps[way].ways)))

    # What belongs to a pass.

    @cached_property
    def around(self) -> Mapping[int, SourcePlace | None]:
        """The line by which each instruction is named that is none of the lines': where it parts from them."""
        return {word: _place(levels, self.inlined) for word, levels in self.levels.items()}

    @cached_property
    def _ends(self) -> frozenset[tuple[int, int]]:
        return frozenset((back.word, back.target) for back in self.backs)

    def _ways(self, word: int) -> list[int]:
        """Gives where control may go without ending a pass by going round."""
        step = self.flow.steps.get(word)
        return [] if step is None else [way for way in step.ways if (word, way) not in self._ends]

    @cached_property
    def between(self) -> frozenset[int]:
        """The words of other lines from which control can come back to the lines within the same pass."""
        forward = _spread({way for word in self.words for way in self._ways(word)} - self.words, self._ways, self.words)
        sources: dict[int, list[int]] = {}
        for word in self.flow.steps:
            for way in self._ways(word):
                sources.setdefault(way, []).append(word)
        before = {source for word in self.words for source in sources.get(word, ())} - self.words
        return frozenset(forward & _spread(before, lambda word: sources.get(word, []), self.words))

    # Where to look.

    @cached_property
    def beginnings(self) -> frozenset[int]:
        """Words of the lines that control can come to from other lines."""
        sources = self.flow.sources
        return frozenset(
            word
            for word in self.words
            if word in self.flow.roots or any(source not in self.words for source in sources.get(word, ()))
        )

    @cached_property
    def kinds(self) -> Mapping[str, frozenset[int]]:
        """Words of the lines with calls, returns and jumps out of the function, by kind."""
        found: dict[str, set[int]] = {"call": set(), "return": set(), "leave": set()}
        for word in self.words:
            step = self.flow.steps[word]
            kind = "leave" if step.kind == "indirect" and step.outside is not None else step.kind
            if kind in found:
                found[kind].add(word)
        return {kind: frozenset(words) for kind, words in found.items()}

    @cached_property
    def after_calls(self) -> frozenset[int]:
        """Where control is when it is back from a call of the lines."""
        return frozenset(way for word in self.kinds["call"] for way in self.flow.steps[word].ways)

    @cached_property
    def changes(self) -> frozenset[int]:
        """Words of other lines at which a pass ends or another line begins."""
        steps = self.flow.steps
        inside = self.words | self.between
        found = {way for word in inside for way in steps[word].ways if way not in inside}
        for word in self.between:
            origins = self.flow.sources.get(word, ())
            if any(source not in self.between or self.around[source] != self.around[word] for source in origins):
                found.add(word)
        return frozenset(found)

    @cached_property
    def turns(self) -> Mapping[int, frozenset[int]]:
        """The words that a way back leads to while a pass may be going on, with the words that it comes from."""
        inside = self.words | self.between
        found: dict[int, set[int]] = {}
        for back in self.backs:
            if back.word in inside:
                found.setdefault(back.target, set()).add(back.word)
        return {target: frozenset(words) for target, words in found.items()}


def _extent(loop: Loop | None) -> tuple[int, int]:
    return (0, 0) if loop is None else (loop.last - loop.first, -loop.first)


def _natural_loop(word: int, target: int, sources: Mapping[int, Sequence[int]]) -> frozenset[int]:
    """Gives the words from which control comes to a way back without passing its target."""
    return frozenset(_spread({word} - {target}, lambda each: sources.get(each, ()), {target}) | {target})


def _spread(begin: Iterable[int], onward: Callable[[int], Iterable[int]], barred: Iterable[int]) -> set[int]:
    found = set(begin)
    stops = barred if isinstance(barred, (set, frozenset)) else set(barred)
    waiting = list(found)
    while waiting:
        for way in onward(waiting.pop()):
            if way not in found and way not in stops:
                found.add(way)
                waiting.append(way)
    return found


# Finding stretches.


def stretches_of_lines(image: Image, chip: Chip, lines: Lines, loops_of: LoopsOf) -> list[Stretch]:
    """Finds the code of some lines, a stretch for each place where it stands."""

    def level(levels: Sequence[Frame]) -> int | None:
        return next((number for number, frame in enumerate(levels) if lines.has(frame.place)), None)

    def begins_inside(loop: Loop | None) -> bool:
        return loop is not None and lines.first <= loop.first <= lines.last

    places = {row.address for row in image.lines.rows if lines.has(SourcePlace(row.file, row.line))}
    calls = [
        call
        for call in image.inlined
        if call.call_file == lines.file and lines.first <= (call.call_line or 0) <= lines.last
    ]
    names = {f.name for address in places if (f := image.function_at(address)) is not None} | {c.inside for c in calls}
    return _stretches(image, chip, names, level, loops_of, begins_inside)


def stretches_in_place(image: Image, chip: Chip, standing: Standing, loops_of: LoopsOf) -> list[Stretch]:
    """Finds where a function's body stands inside others and as clones, a stretch for each place."""

    def is_inside(_: Loop | None) -> bool:
        # A loop without a statement is a recursion that became one.
        return True

    def level(levels: Sequence[Frame]) -> int | None:
        inlined = (n for n, frame in enumerate(levels) if frame.function == standing.key and frame.call is not None)
        return next(inlined, None)

    names = {call.inside for call in image.inlined if call.name == standing.key}
    found = _stretches(image, chip, names, level, loops_of, is_inside)
    # What is inlined calls its partial clones, and their time is its own.
    clones = [name for name in standing.clones if not (found and is_partial(name))]
    return found + _stretches(image, chip, clones, lambda _: 0, loops_of, is_inside)


def _stretches(  # noqa: PLR0917 - what both callers have found, in their order
    image: Image,
    chip: Chip,
    names: Iterable[str],
    level: Callable[[Sequence[Frame]], int | None],
    loops_of: LoopsOf,
    begins_inside: Callable[[Loop | None], bool],
) -> list[Stretch]:
    flows, frames = Flows(image, chip), Frames(image)
    found: list[Stretch] = []
    for function in sorted((image.functions[name] for name in names), key=lambda f: f.address or 0):
        flow = flows.of(function)
        levels = {word: frames.at(function, 2 * word) for word in flow.steps}
        words: dict[tuple[InlinedCall, ...], set[int]] = {}
        for word, each in levels.items():
            number = level(each)
            if number is not None:
                words.setdefault(_calls(each[: number + 1]), set()).add(word)
        twice = bool(words) and flows.may_run_twice(function)
        found += [
            Stretch(flow, frozenset(inside), calls, levels, loops_of, begins_inside, twice)
            for calls, inside in words.items()
        ]
    return found


def _calls(levels: Iterable[Frame]) -> tuple[InlinedCall, ...]:
    return tuple(frame.call for frame in levels if frame.call is not None)


def _place(levels: Sequence[Frame], calls: Sequence[InlinedCall]) -> SourcePlace | None:
    for number, call in enumerate(calls, 1):
        if number >= len(levels) or levels[number].call is not call:
            return levels[number - 1].place
    return levels[len(calls)].place


def named_lines(places: Iterable[SourcePlace]) -> str:
    """Writes lines for reading: "line 39", "lines 39, 52", with the file where there are several."""
    listed = sorted(set(places), key=lambda place: (place.file, place.line))
    files = {place.file for place in listed}
    texts = [span_of_lines(p.line, p.line) if len(files) == 1 else str(p) for p in listed]
    return f"{'line' if len(texts) == 1 else 'lines'} {', '.join(texts)}"
