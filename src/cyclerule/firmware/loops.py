"""Loop statements in source text: on which line each begins and ends, as the preprocessor left them or as written.

A debugger's line table does not tell a loop around some lines from one inside them; the source does.
"""

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple


class Loop(NamedTuple):
    """The first and last line of a loop statement, or from a label to the goto that leads back to it."""

    first: int
    last: int


class _Token(NamedTuple):
    text: str
    file: str
    line: int


# C11 6.4, as far as statements need it; a raw string of C++ counts as one token.
_LEXICAL = re.compile(
    r"""(?P<blank>[ \t\f\v\r]+|\\\r?\n|/\*.*?\*/|//(?:\\\r?\n|[^\n])*)
      | (?P<line>\n)
      | (?P<directive>\#(?:\\\r?\n|/\*.*?\*/|[^\n])*)
      | (?P<string>R"(?P<mark>[^()\s\\]{0,16})\(.*?\)(?P=mark)"|"(?:\\.|[^"\\\n])*"?|'(?:\\.|[^'\\\n])*'?)
      | (?P<word>[A-Za-z_$][\w$]*|\.?\d[\w.]*)
      | (?P<sign>.)""",
    re.VERBOSE | re.DOTALL,
)
_PLACE = re.compile(r'#(?:line)?[ \t]+(?P<line>\d+)(?:[ \t]+"(?P<file>(?:\\.|[^"\\])*)")?')
_OPENING = {"(": ")", "[": "]", "{": "}"}


def read_loops(text: str, file: str) -> dict[str, tuple[Loop, ...]]:
    """Finds the loop statements of a text by file; `file` is where it is from until a line marker says otherwise."""
    return _Statements(tuple(_tokens(text, file))).loops()


def _tokens(text: str, file: str) -> Iterator[_Token]:
    line = 1
    begins_line = True
    for match in _LEXICAL.finditer(text):
        kind = match.lastgroup if match.lastgroup != "mark" else "string"
        if kind == "directive" and begins_line:
            place = _PLACE.match(match[0])
            if place is not None:
                # The line after the marker has that number.
                line = int(place["line"]) - 1
                file = file if place["file"] is None else place["file"].replace("\\\\", "\\").replace('\\"', '"')
        elif kind in ("string", "word", "sign", "directive"):
            yield _Token(match[0], file, line)
        begins_line = kind == "line" or (begins_line and kind == "blank")
        line += match[0].count("\n")


class _Statements:
    def __init__(self, tokens: Sequence[_Token]) -> None:
        self._tokens = tokens
        self._found: dict[str, list[Loop]] = {}
        # The `while` at the end of a `do` begins no loop.
        self._ends: set[int] = set()

    def loops(self) -> dict[str, tuple[Loop, ...]]:
        for number, token in enumerate(self._tokens):
            if token.text in ("for", "while", "do") and number not in self._ends:
                self._note(token, self._tokens[min(self._statement(number), len(self._tokens)) - 1])
        self._note_gotos()
        return {file: tuple(sorted(loops)) for file, loops in self._found.items()}

    def _note(self, first: _Token, last: _Token) -> None:
        end = last.line if last.file == first.file else first.line
        if first.line <= end:
            self._found.setdefault(first.file, []).append(Loop(first.line, end))

    def _note_gotos(self) -> None:
        labels: dict[str, _Token] = {}
        for number, token in enumerate(self._tokens[:-1]):
            following = self._tokens[number + 1]
            before = self._tokens[number - 1].text if number else ";"
            if token.text == "goto":
                if following.text in labels:
                    self._note(labels[following.text], following)
            elif following.text == ":" and before in (";", "{", "}", ")", ":") and token.text.isidentifier():
                labels[token.text] = token

    def _text(self, number: int) -> str:
        return self._tokens[number].text if number < len(self._tokens) else ""

    def _group(self, number: int) -> int:
        """Gives the token after the group in brackets that begins at a token; the token itself where none does."""
        expected: list[str] = []
        place = number
        while place < len(self._tokens):
            text = self._text(place)
            if text in _OPENING:
                expected.append(_OPENING[text])
            elif expected and text == expected[-1]:
                expected.pop()
            if not expected:
                break
            place += 1
        return place + 1 if place > number else number

    def _statement(self, number: int) -> int:
        """Gives the token after the statement that begins at a token."""
        number = self._after_labels(number)
        text = self._text(number)
        if text == "{":
            return self._group(number)
        if text in ("for", "while", "switch"):
            return self._statement(self._group(number + 1))
        if text == "if":
            return self._choice(number)
        if text == "do":
            after = self._statement(number + 1)
            if self._text(after) != "while":
                return after
            self._ends.add(after)
            return self._group(after + 1) + 1
        while number < len(self._tokens) and self._text(number) not in (";", "}"):
            number = self._group(number) if self._text(number) in _OPENING else number + 1
        return number + 1 if self._text(number) == ";" else number

    def _choice(self, number: int) -> int:
        """Gives the token after an `if`; its branches go on one after the other, since a chain of them may be long."""
        while True:
            # `if constexpr (…)` of C++17.
            condition = number + 1 if self._text(number + 1) == "(" else number + 2
            after = self._statement(self._group(condition))
            if self._text(after) != "else":
                return after
            if self._text(after + 1) != "if":
                return self._statement(after + 1)
            number = after + 1

    def _after_labels(self, number: int) -> int:
        while True:
            text = self._text(number)
            if text in ("case", "default"):
                while number < len(self._tokens) and self._text(number) != ":":
                    number += 1
            elif text.isidentifier() and self._text(number + 1) == ":":
                number += 1
            else:
                return number
            number += 1
