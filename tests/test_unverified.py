"""What the sources say is not verified, each with what would settle it."""

import re
import tokenize
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

import cyclerule

SOURCES = sorted(Path(cyclerule.__file__).parent.rglob("*.py"))
MARK = "UNVERIFIED"


class Unverified(NamedTuple):
    """A statement that is marked, with all that is said about it."""

    place: str
    text: str


def statements(path: Path) -> Iterator[Unverified]:
    """Gives the marked statements of a file: a comment up to its end, or a paragraph of a docstring."""
    with tokenize.open(path) as file:
        tokens = list(tokenize.generate_tokens(file.readline))
    comment: list[str] = []
    first = 0
    for token in tokens:
        if token.type == tokenize.COMMENT:
            first = first if comment else token.start[0]
            comment.append(token.string.lstrip("# "))
        elif token.type == tokenize.NL:
            continue
        else:
            yield from _marked(path, first, " ".join(comment))
            comment = []
            if token.type == tokenize.STRING:
                for paragraph in token.string.split("\n\n"):
                    yield from _marked(path, token.start[0], " ".join(paragraph.split()))


def _marked(path: Path, number: int, text: str) -> Iterator[Unverified]:
    for part in re.split(rf"(?={MARK})", text)[1:]:
        yield Unverified(f"{path.name}:{number}", part)


STATEMENTS = [each for path in SOURCES for each in statements(path)]


def test_every_mark_in_the_sources_is_found() -> None:
    """The list is complete: as many statements as the word comes in the files."""
    written = sum(path.read_text("utf-8").count(MARK) for path in SOURCES)
    assert len(STATEMENTS) == written
    assert written > 10


@pytest.mark.parametrize("statement", STATEMENTS, ids=lambda each: each.place)
def test_an_unverified_statement_says_what_would_settle_it(statement: Unverified) -> None:
    """`UNVERIFIED:` or `UNVERIFIED for …:`, the statement, and what would settle it."""
    assert re.match(rf"{MARK}( for [^:]+)?: \S", statement.text)
    assert re.search(r"would (settle|need)", statement.text), statement.text
