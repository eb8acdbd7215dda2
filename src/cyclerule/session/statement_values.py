"""The values that placeholders of statements take: literals, as one types them or as Python has them."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cyclerule.errors import ArgumentError
from cyclerule.measure.domain_text import SHOWN_VALUES, domain_text

MOST_VALUES = 1 << 16
"""Values that one placeholder takes."""

_RANGE = re.compile(r"(?P<first>[^.].*?|'.'|\.\d+)\.\.(?P<last>[^:.][^:]*)(?::(?P<step>.+))?")
_NAME = re.compile(r"[A-Za-z_]\w*")
_WHOLE = re.compile(r"[-+]?(?:0[xX][0-9a-fA-F]+|0[bB][01]+|0[0-7]*|[1-9]\d*)")
_BRACKETS = {"(": 1, "[": 1, "{": 1, ")": -1, "]": -1, "}": -1}


@dataclass(frozen=True)
class Literal:
    """A value: the text that takes the placeholder's place, how it is shown, and the number where it is one."""

    text: str
    shown: str
    number: int | float | None = None


Literals = Sequence[Literal]


def read_literals(name: str, text: str) -> Literals:
    """Reads values as one types them: "0..13", "0..1000:10", "1,5,9", "B,C,D", "MODE_FAST", "2.5".

    What is no number is taken as it is typed, for the compiler to understand. Raises ArgumentError for a range that is
    none and for too many values.
    """
    found: list[Literal] = []
    for part in _parts(text):
        if not part:
            raise ArgumentError(f"{name}={text}: a value is missing; write {name}=3, {name}=0..13 or {name}=1,5,9")
        match = _RANGE.fullmatch(part)
        if match is None:
            found.append(_literal(part))
        else:
            found += _range(name, part, match, MOST_VALUES - len(found))
    return found


def python_literals(name: str, values: object) -> Literals:
    """Makes literals of Python values: a range or another sequence, or one value; texts are taken as they are."""
    if isinstance(values, str) or not isinstance(values, Sequence):
        values = [values]
    if not values:
        raise ArgumentError(f"{name} has no values")
    if len(values) > MOST_VALUES:
        raise ArgumentError(f"{name} has {len(values):,} values; a placeholder takes up to {MOST_VALUES:,}")
    return [_python_literal(name, each) for each in values]


def literals_text(literals: Literals) -> str:
    """Writes values as one would type them: "0..13", "0..1000:10", "1,5,9"; a long list is shortened."""
    numbers = [each.number for each in literals if isinstance(each.number, int)]
    if len(numbers) == len(literals) > 2:
        step = numbers[1] - numbers[0]
        if step > 0 and numbers == list(range(numbers[0], numbers[-1] + 1, step)):
            return domain_text(range(numbers[0], numbers[-1] + 1, step))
    shown = [each.shown for each in literals]
    return ",".join(shown if len(shown) <= SHOWN_VALUES else [*shown[:SHOWN_VALUES], "…", shown[-1]])


def _python_literal(name: str, value: object) -> Literal:
    match value:
        case bool():
            return _literal(str(int(value)))
        case int() | float():
            return _literal(repr(value))
        case str() if value.strip():
            return _literal(value.strip())
        case _:
            raise ArgumentError(f"{name}: {value!r} is no value to put into statements; give a number or a text")


def _literal(text: str) -> Literal:
    number = _number(text)
    # Behind an operator a sign would make another one of both: x-{n} is not to become x--1.
    return Literal(f"({text})" if text[0] in "+-" else text, text, number)


def _number(text: str) -> int | float | None:
    if _WHOLE.fullmatch(text):
        digits = text.lstrip("+-")
        is_octal = len(digits) > 1 and digits[0] == "0" and digits.isdigit()
        value = int(digits, 8 if is_octal else 0)
        return -value if text[0] == "-" else value
    if len(text) == 3 and text[0] == text[2] == "'":
        return ord(text[1])
    try:
        return float(text) if re.fullmatch(r"[-+]?[\d.]+(?:[eE][-+]?\d+)?", text) else None
    except ValueError:
        return None


def _range(name: str, text: str, match: re.Match[str], room: int) -> Literals:
    ends = [_number(match[each]) for each in ("first", "last")]
    step = _number(match["step"] or "1")
    first, last = ends
    if not isinstance(first, int) or not isinstance(last, int):
        raise ArgumentError(f"{name}={text}: a range runs between two whole numbers, as in {name}=0..13")
    if not isinstance(step, int) or step < 1:
        raise ArgumentError(f"{name}={text}: the step is a whole number above 0")
    if first > last:
        raise ArgumentError(f"{name}={text}: {first} is above {last}; a range runs upwards")
    values = range(first, last + 1, step)
    if values[room:]:
        raise ArgumentError(
            f"{name}={text}: these are {len(values):,} values, and one name takes up to {MOST_VALUES:,}"
        )
    return [_literal(str(value)) for value in values]


def _parts(text: str) -> list[str]:
    """Parts a text at its commas, those inside brackets and quotes aside."""
    parts, depth, quote = [""], 0, ""
    for character in text:
        if quote:
            quote = "" if character == quote and not parts[-1].endswith("\\") else quote
        elif character in "'\"":
            quote = character
        elif character == "," and depth == 0:
            parts.append("")
            continue
        depth += 0 if quote else _BRACKETS.get(character, 0)
        parts[-1] += character
    return [part.strip() for part in parts]


def read_variables(names: Sequence[str]) -> Mapping[str, str]:
    """Reads what is to be a value that the compiler does not know: "pin", or with its type "uint8_t pin".

    Gives the type by name, empty where none is given.
    """
    found: dict[str, str] = {}
    for text in names:
        match = re.fullmatch(r"(?P<type>.*[\s*])?(?P<name>[A-Za-z_]\w*)", text.strip())
        if match is None:
            raise ArgumentError(f"--variable {text!r}: give a name, or a type and a name, as in 'uint8_t pin'")
        if match["name"] in found:
            raise ArgumentError(f"--variable {match['name']} is given twice")
        found[match["name"]] = (match["type"] or "").strip()
    return found
