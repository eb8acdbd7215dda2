"""What the model takes without proof is written where it is used, each with what would settle it."""

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

SOURCES = Path(__file__).parents[2] / "src" / "cyclerule"


class Unverified(NamedTuple):
    """One statement: the file and line where it begins, and its text without the mark."""

    file: str
    line: int
    text: str


def statements(source: str, file: str) -> Iterator[Unverified]:
    """Gives every statement marked UNVERIFIED in comments and docstrings, in the order of the lines."""
    for line, text in sorted(_paragraphs(source)):
        for number, part in enumerate(re.split(r"\bUNVERIFIED\b", text)):
            if number:
                yield Unverified(file, line, " ".join(part.split()))


def _paragraphs(source: str) -> Iterator[tuple[int, str]]:
    """Gives comments, lines that follow each other joined, and the paragraphs of docstrings, each with its line."""
    first, last, lines = 0, -1, list[str]()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            stands_alone = token.line.lstrip().startswith("#")
            if token.start[0] != last + 1 or not stands_alone:
                yield first, "\n".join(lines)
                first, lines = token.start[0], []
            last = token.start[0]
            lines.append(token.string.lstrip("# "))
    yield first, "\n".join(lines)
    for node in ast.walk(ast.parse(source)):
        # A docstring, or the string under an attribute.
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            for paragraph in re.split(r"\n\s*\n", node.value.value):
                yield node.lineno, paragraph


def all_statements() -> list[Unverified]:
    """Gives the statements of the whole package."""
    files = sorted(SOURCES.rglob("*.py"))
    found = ((file.relative_to(SOURCES).as_posix(), file.read_text(encoding="utf-8")) for file in files)
    return [each for name, source in found for each in statements(source, name)]


def test_every_mark_in_the_source_is_found() -> None:
    """Nothing marked is left out of the list: as many statements as the source has marks, in any place."""
    marks = sum(file.read_text(encoding="utf-8").count("UNVERIFIED") for file in SOURCES.rglob("*.py"))
    found = all_statements()
    assert len(found) == marks
    assert marks > 10
    assert {"machine/bus.py", "machine/chip.py", "peripherals/serial/usart.py"} <= {each.file for each in found}


def test_every_unverified_fact_says_what_would_settle_it() -> None:
    """One form everywhere, so that they can be listed: "UNVERIFIED: what is assumed; what would settle it"."""
    found = all_statements()
    wrong = [each for each in found if not re.match(r": .{10,}\bwould settle\b", each.text)]
    assert not wrong, "\n".join(f"{each.file}:{each.line}: UNVERIFIED{each.text}" for each in wrong)


def test_statements_are_read_from_comments_and_docstrings() -> None:
    """A comment of several lines is one statement; a paragraph ends one in a docstring; other strings have none."""
    source = '''"""A device.

UNVERIFIED: its phase,
which a board would settle.

More about it.
"""
# UNVERIFIED: one; x would settle it. UNVERIFIED: two;
# y would settle it.
value = "UNVERIFIED in data"  # UNVERIFIED: three; z would settle it.
other = 1
'''
    assert list(statements(source, "device.py")) == [
        Unverified("device.py", 1, ": its phase, which a board would settle."),
        Unverified("device.py", 8, ": one; x would settle it."),
        Unverified("device.py", 8, ": two; y would settle it."),
        Unverified("device.py", 10, ": three; z would settle it."),
    ]
