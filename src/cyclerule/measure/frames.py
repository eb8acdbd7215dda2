"""Which lines of source an instruction is from: its own, and those of the calls that are inlined around it."""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.firmware.image import Function, Image, InlinedCall, Range, SourcePlace


class Frame(NamedTuple):
    """One level of an instruction's origin: the function, and the line in it.

    For the innermost level that is the line of the instruction, for the others the line of the inlined call. `call` is
    the inlined call that the level is from, None for the function whose code it is.
    """

    function: str
    place: SourcePlace | None
    call: InlinedCall | None


class Frames:
    """The levels of every instruction of an image."""

    def __init__(self, image: Image) -> None:
        self._image = image
        self._calls: dict[str, list[InlinedCall]] = {}
        for call in image.inlined:
            self._calls.setdefault(call.inside, []).append(call)
        self._by_word: dict[str, dict[int, list[InlinedCall]]] = {}
        starts: dict[str, dict[int, set[str]]] = {}
        for function in image.functions.values():
            # A lambda's body stands inside that of another function, which goes on behind it.
            if function.file is not None and function.line is not None and "lambda" not in function.source_name:
                starts.setdefault(function.file, {}).setdefault(function.line, set()).add(function.source_name)
        self._starts = {file: (sorted(lines), lines) for file, lines in starts.items()}

    def at(self, function: Function, address: int) -> tuple[Frame, ...]:
        """Gives the levels of an instruction in a function's code, the outermost first.

        Where the compiler moved an instruction out of an inlined call, its line still tells which function it is from
        (tests/measure/test_lines.py, moved out of the call): it then counts as part of the nearest such call.
        """
        own = self._around(function, address)
        place = self._image.lines.place(address)
        origin = self._function_of(place)
        innermost = own[-1].name if own else function.name
        if place is not None and origin and self._image.functions[innermost].source_name not in origin:
            nearest = self._nearest(function, address, origin)
            if nearest is not None:
                own = [call for call in self._around(function, nearest.ranges[0][0]) if _has(call, nearest)]
        return _frames(function, own, place)

    def _around(self, function: Function, address: int) -> list[InlinedCall]:
        """Gives the inlined calls that an address is in, the outermost first."""
        if function.name not in self._by_word:
            by_word: dict[int, list[InlinedCall]] = {}
            # A call inlined into another one lies inside it; of two with the same bytes the outer one is listed first.
            for call in sorted(self._calls.get(function.name, ()), key=_size_bytes, reverse=True):
                for start, end in call.ranges:
                    for word in range(start // 2, (end + 1) // 2):
                        by_word.setdefault(word, []).append(call)
            self._by_word[function.name] = by_word
        return self._by_word[function.name].get(address // 2, [])

    def _function_of(self, place: SourcePlace | None) -> set[str]:
        """Gives the names of the functions in whose text a line stands, by where functions begin."""
        if place is None or place.file not in self._starts:
            return set()
        lines, named = self._starts[place.file]
        index = bisect_right(lines, place.line) - 1
        return named[lines[index]] if index >= 0 else set()

    def _nearest(self, function: Function, address: int, names: set[str]) -> InlinedCall | None:
        """Gives the inlined call of one of some functions whose code is nearest to an address."""
        calls = [
            call for call in self._calls.get(function.name, ()) if self._image.functions[call.name].source_name in names
        ]
        return min(calls, key=lambda call: min(_distance(address, each) for each in call.ranges), default=None)


def _frames(function: Function, calls: list[InlinedCall], place: SourcePlace | None) -> tuple[Frame, ...]:
    holders: list[tuple[str, InlinedCall | None]] = [(function.name, None), *((c.name, c) for c in calls)]
    places = [*(_call_place(call) for call in calls), place]
    return tuple(Frame(name, place, call) for (name, call), place in zip(holders, places, strict=True))


def _has(outer: InlinedCall, inner: InlinedCall) -> bool:
    """Whether a call is another one or lies around it, of two that have an address in common."""
    return _size_bytes(outer) > _size_bytes(inner) or outer is inner


def _distance(address: int, stretch: Range) -> int:
    start, end = stretch
    return max(start - address, address - end + 1, 0)


def _size_bytes(call: InlinedCall) -> int:
    return sum(end - start for start, end in call.ranges)


def _call_place(call: InlinedCall) -> SourcePlace | None:
    if call.call_file is None or call.call_line is None:
        return None
    return SourcePlace(call.call_file, call.call_line)


@dataclass(frozen=True)
class Lines:
    """Some lines of a source file, the first and the last included; `file` is named as the line table names it."""

    file: str
    first: int
    last: int

    def __str__(self) -> str:
        return f"{self.file}:{span_of_lines(self.first, self.last)}"

    def has(self, place: SourcePlace | None) -> bool:
        """Whether a place is among them."""
        return place is not None and place.file == self.file and self.first <= place.line <= self.last


def span_of_lines(first: int, last: int) -> str:
    """Writes one line's number or two: "41", "41-48"."""
    return str(first) if first == last else f"{first}-{last}"


def find_lines(image: Image, file: str, first: int, last: int) -> Lines:
    """Gives lines by the file as the user names it.

    Raises ArgumentError for numbers that are no lines, for a name that several files have, and for an image without
    line numbers; UnknownName where no code is from the file or from these lines, with the nearest lines that have some.
    """
    asked = f"{file}:{span_of_lines(first, last)}"
    if first < 1 or last < first:
        raise ArgumentError(f"{asked}: lines count from 1, and the first one comes first, as in {file}:41-48")
    if not image.lines.rows:
        raise ArgumentError(f"{asked}: {image.path} has no line numbers; build it with -g, or give the sources instead")
    names = sorted(_with_code(image))
    found = _named(image, file, names)
    if not found:
        raise UnknownName("file with code", file, names)
    if len(found) > 1:
        raise ArgumentError(f"{asked}: several files have that name: {', '.join(found)}; say which")
    lines = Lines(found[0], first, last)
    having = sorted({place.line for place in _places(image) if place.file == lines.file})
    if not any(first <= line <= last for line in having):
        below = [line for line in having if line < first][-1:]
        above = [line for line in having if line > last][:1]
        near = " and ".join(map(str, below + above))
        nearest = f"the nearest {'lines' if len(below + above) > 1 else 'line'} with code: {near}"
        raise UnknownName("line with code" if first == last else "lines with code", asked, (), hint=nearest)
    return lines


def _places(image: Image) -> Iterator[SourcePlace]:
    """Gives every place that code is from, inlined calls' included."""
    covering = {row.address: row for row in image.lines.rows}
    yield from (SourcePlace(row.file, row.line) for row in covering.values() if not row.end_sequence and row.line)
    yield from (place for call in image.inlined if (place := _call_place(call)) is not None)


def _with_code(image: Image) -> set[str]:
    return {place.file for place in _places(image)}


def _named(image: Image, file: str, names: Iterable[str]) -> list[str]:
    """Gives the files of the line table that a name may mean: the one with its whole path, else those that end so."""
    asked = file.replace("\\", "/").removeprefix("./")
    paths = {name: image.lines.paths.get(name, name).replace("\\", "/") for name in names}
    exact = [name for name, path in paths.items() if asked in (name, path)]
    if exact:
        return exact
    return [
        name
        for name, path in paths.items()
        if path.endswith(f"/{asked}") or asked.endswith(f"/{name.replace(chr(92), '/')}")
    ]
