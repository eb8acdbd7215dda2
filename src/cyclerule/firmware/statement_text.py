"""Statements as a user types them: their tokens, their placeholders, and whether their brackets close."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from cyclerule.errors import ArgumentError

FILE = "--code"
"""What the user's text is called in messages, as the compiler calls a file."""

_OPENING, _CLOSING = "([{", ")]}"
_PARTNER = dict(zip(_CLOSING, _OPENING, strict=True))

_TOKEN = re.compile(
    r"""(?P<comment>//(?:\\\r?\n|[^\n])*|/\*.*?\*/)
      | (?P<raw>(?:u8|[uUL])?R"(?P<mark>[^()\\\s]{0,16})\(.*?\)(?P=mark)")
      | (?P<string>"(?:\\.|[^"\\\n])*")
      | (?P<character>'(?:\\.|[^'\\\n])+')
      | (?P<placeholder>\{(?P<name>[A-Za-z_]\w*)\})
      | (?P<word>[A-Za-z_$][\w$]*)
      | (?P<number>\.?\d(?:[eEpP][-+]|[\w.])*)
      | (?P<bracket>[][(){}])
      | (?P<other>\S)""",
    re.VERBOSE | re.DOTALL,
)
_IN_STRING = re.compile(r"\{([A-Za-z_]\w*)\}")


class Token(NamedTuple):
    """A piece of the text: its kind, its characters and where they begin."""

    kind: str
    text: str
    start: int


class Placeholder(NamedTuple):
    """A name in braces: where it begins, and whether it stands inside a string."""

    name: str
    start: int
    in_string: bool


@dataclass(frozen=True)
class Statements:
    """Statements of C or C++ with placeholders."""

    text: str

    def place(self, start: int) -> str:
        """Says where a character of the text is, as the compiler says it: "--code:1:5"."""
        line = self.text.count("\n", 0, start)
        return f"{FILE}:{line + 1}:{start - (self.text.rfind(chr(10), 0, start) + 1) + 1}"

    @property
    def tokens(self) -> list[Token]:
        """The pieces of the text, comments left out."""
        return [token for token in _tokens(self.text) if token.kind != "comment"]

    @property
    def shown(self) -> str:
        """The text in one line, without blanks and a semicolon at its end."""
        return " ".join(self.text.split()).rstrip("; ") or ";"

    def placeholders(self, names: Sequence[str]) -> list[Placeholder]:
        """Gives the places of these names in braces, in order; those in strings count, as in an `__asm__`."""
        found = []
        for token in self.tokens:
            if token.kind == "placeholder" and (name := token.text[1:-1]) in names:
                found.append(Placeholder(name, token.start, in_string=False))
            elif token.kind in ("string", "raw"):
                found += [
                    Placeholder(match[1], token.start + match.start(), in_string=True)
                    for match in _IN_STRING.finditer(token.text)
                    if match[1] in names
                ]
        return found

    def filled(self, values: Mapping[str, str]) -> "Filled":
        """Puts a text in the place of each placeholder."""
        pieces: list[tuple[int, int, int]] = []
        written, end, length = [], 0, 0
        for each in self.placeholders(tuple(values)):
            before = self.text[end : each.start]
            text = values[each.name]
            written += [before, text]
            length += len(before) + len(text)
            end = each.start + len(each.name) + 2
            pieces.append((length - len(text), len(text), end))
        written.append(self.text[end:])
        return Filled(self, "".join(written), tuple(pieces))

    def check(self, names: Sequence[str], *, is_cpp: bool) -> None:
        """Raises ArgumentError for what is no statement by its form.

        That is nothing at all, brackets that do not close, and a name in braces that has no values where C allows no
        list of values.
        """
        tokens = self.tokens
        if not tokens:
            raise ArgumentError("--code needs statements, for example --code 'PORTB |= 1'")
        if not any(token.text == "#" for token in tokens):
            # Branches of #if may each open what only one of them closes.
            self._check_brackets(tokens)
        for place, token in enumerate(tokens):
            if token.kind != "placeholder" or token.text[1:-1] in names:
                continue
            if not may_be_list(tokens[:place], is_cpp=is_cpp):
                name = token.text[1:-1]
                raise ArgumentError(
                    f"{self.place(token.start)}: {token.text} has no values; give them, as in {name}=0..7, or "
                    f"--variable {name} with values for a value that the compiler does not know"
                )

    def _check_brackets(self, tokens: Sequence[Token]) -> None:
        opened: list[Token] = []
        for token in tokens:
            if token.kind != "bracket":
                if token.text in ('"', "'"):
                    raise ArgumentError(f"{self.place(token.start)}: the {token.text} is never closed")
                continue
            if token.text in _OPENING:
                opened.append(token)
            elif not opened or opened[-1].text != _PARTNER[token.text]:
                inside = f" the {opened[-1].text} of {self.place(opened[-1].start)}" if opened else " anything"
                raise ArgumentError(
                    f"{self.place(token.start)}: this {token.text} does not close{inside}; statements are whole in "
                    "themselves, with as many brackets opened as closed"
                )
            else:
                opened.pop()
        if opened:
            raise ArgumentError(f"{self.place(opened[-1].start)}: this {opened[-1].text} is never closed")


@dataclass(frozen=True)
class Filled:
    """Statements with their placeholders filled in; knows where its characters stand in the text with the placeholders.

    `pieces` are the texts put in: where each begins, how long it is, and where the text goes on behind its placeholder.
    """

    of: Statements
    text: str
    pieces: tuple[tuple[int, int, int], ...]

    def place(self, line: int, column: int) -> str:
        """Says where a line and column of the filled text is in the user's text: "--code:1:5"."""
        lines = self.text.split("\n")
        if line > len(lines):
            # The compiler has met what stands behind the text.
            return self.of.place(len(self.of.text))
        offset = sum(len(each) + 1 for each in lines[: line - 1]) + column - 1
        shift = 0
        for start, length, follows in self.pieces:
            if offset < start:
                break
            if offset < start + length:
                # Inside what was put in: its placeholder.
                return self.of.place(start + shift)
            shift = follows - (start + length)
        return self.of.place(min(offset + shift, len(self.of.text)))


def may_be_list(before: Sequence[Token], *, is_cpp: bool) -> bool:
    """Whether braces behind these tokens may be a list of values, as in `int a[] = {x};`, and no placeholder."""
    if not before:
        return False
    last = before[-1]
    if is_cpp:
        return last.text not in (";", "}") and last.kind != "number"
    if last.text in ("=", ")"):
        return True
    depth = 0
    for token in reversed(before):
        if token.kind == "bracket":
            depth += 1 if token.text in _CLOSING else -1
            if depth < 0:
                return token.text == "{" and last.text in (",", "{")
    return False


def _tokens(text: str) -> Iterator[Token]:
    for match in _TOKEN.finditer(text):
        kind = str(match.lastgroup)
        for named in ("raw", "placeholder"):
            # The last group that matched is one inside these.
            kind = named if match[named] is not None else kind
        yield Token(kind, match[0], match.start())
