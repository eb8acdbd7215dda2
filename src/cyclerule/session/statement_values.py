"""The values that placeholders of statements take: literals, as one types them or as Python has them."""

import re
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from cyclerule.errors import ArgumentError
from cyclerule.firmware.statement_probe import Resolved
from cyclerule.measure.domain_text import SHOWN_VALUES, domain_text

MOST_VALUES = 1 << 16
"""Values that one placeholder takes."""

_RANGE = re.compile(r"(?P<first>[^.].*?|'.'|\.\d+)\.\.(?P<last>[^:.][^:]*)(?::(?P<step>.+))?")
_WHOLE = re.compile(r"[-+]?(?:0[xX][0-9a-fA-F]+|0[bB][01]+|0[0-7]*|[1-9]\d*)")
_BRACKETS = {"(": 1, "[": 1, "{": 1, ")": -1, "]": -1, "}": -1}

# The types that C gives to whole decimal numbers, by the largest that each holds on AVR (C11 6.4.4.1, int of 16 bits).
_OF_NUMBERS = (("int", 1 << 15), ("long", 1 << 31), ("long long", 1 << 63))

Number = int | float


@dataclass(frozen=True)
class Literal:
    """A value: the text that takes the placeholder's place, how it is shown, and the number where it is one."""

    text: str
    shown: str
    number: Number | None = None
    is_name: bool = False

    @property
    def value(self) -> Number | str:
        """The number that was typed, else the text."""
        return self.shown if self.is_name or self.number is None else self.number


@dataclass(frozen=True)
class Span:
    """A range whose ends may be names that only the compiler knows."""

    first: str
    last: str
    step: int


Literals = Sequence[Literal]
Given = Sequence[Literal | Span]
Look = Callable[[Sequence[str]], tuple[list[Resolved], str]]
"""Asks the compiler for the values of constant expressions; without any it gives its words."""


def read_literals(name: str, text: str) -> Given:
    """Reads values as one types them: "0..13", "0..1000:10", "1,5,9", "B,C,D", "MODE_FAST", "FIRST..LAST", "2.5".

    What is no number is taken as it is typed, for the compiler to understand. Raises ArgumentError for a range that is
    none.
    """
    found: list[Literal | Span] = []
    for part in _parts(text):
        if not part:
            raise ArgumentError(f"{name}={text}: a value is missing; write {name}=3, {name}=0..13 or {name}=1,5,9")
        match = None if part[0] in "'\"" else _RANGE.fullmatch(part)
        if match is None:
            found.append(_literal(part))
            continue
        step = _number(match["step"] or "1")
        if not isinstance(step, int) or step < 1:
            raise ArgumentError(f"{name}={text}: the step is a whole number above 0")
        found.append(Span(match["first"].strip(), match["last"].strip(), step))
    return found


def python_literals(name: str, values: object) -> Literals:
    """Makes literals of Python values: a range or another sequence, or one value; texts are taken as they are."""
    if isinstance(values, str) or not isinstance(values, Iterable):
        values = [values]
    found = [_python_literal(name, each) for each in values]
    if not found:
        raise ArgumentError(f"{name} has no values")
    return found


def literals_text(literals: Literals) -> str:
    """Writes values as one would type them: "0..13", "0..1000:10", "1,5,9"; a long list is shortened."""
    numbers = [each.number for each in literals if isinstance(each.number, int) and not each.is_name]
    if len(numbers) == len(literals) > 2:
        step = numbers[1] - numbers[0]
        if step > 0 and numbers == list(range(numbers[0], numbers[-1] + 1, step)):
            return domain_text(range(numbers[0], numbers[-1] + 1, step))
    shown = [each.shown for each in literals]
    return ",".join(shown if len(shown) <= SHOWN_VALUES else [*shown[:SHOWN_VALUES], "…", shown[-1]])


def resolve_values(given: Mapping[str, Given], passed: Container[str], look: Look) -> dict[str, Literals]:
    """Gives the values with all ranges counted through; those that are `passed` at run time have their number.

    Raises ArgumentError for a range that does not run upwards, for a name that the compiler does not know as a whole
    number, and for too many values.
    """
    return {name: _resolved(name, values, look, is_passed=name in passed) for name, values in given.items()}


def _resolved(name: str, given: Given, look: Look, *, is_passed: bool) -> Literals:
    found: list[Literal] = []
    for each in given:
        if isinstance(each, Span):
            first, last = (_whole(name, end, look) for end in (each.first, each.last))
            if first > last:
                raise ArgumentError(f"{name}={each.first}..{each.last}: {first} is above {last}; a range runs upwards")
            values: Sequence[int] = range(first, last + 1, each.step)
            if values[MOST_VALUES:]:
                values = values[: MOST_VALUES + 1]
            found += [_literal(str(value)) for value in values]
        elif is_passed and each.number is None:
            found.append(replace(each, number=_whole(name, each.text, look), is_name=True))
        else:
            found.append(each)
    if len(found) > MOST_VALUES:
        raise ArgumentError(f"{name} has more than {MOST_VALUES:,} values, which is what a placeholder takes")
    return found


def _whole(name: str, text: str, look: Look) -> int:
    number = _number(text)
    if isinstance(number, int):
        return number
    told, words = look([text]) if number is None else ([], "a whole number is wanted here")
    if not told:
        raise ArgumentError(f"{name}: {text} is no whole number that the compiler knows here: {words}")
    return told[0].value


def variable_type(name: str, literals: Literals, look: Look) -> str:
    """Gives the type that a placeholder's values have as constants in C, for one that is passed at run time.

    That is `int` where all fit, as for any whole number, else the first of the longer ones; `double` for others; that
    of the names where they are of one type, as the enumerators of C++ are. Raises ArgumentError where there is none.
    """
    names = list(dict.fromkeys(each.text for each in literals if each.is_name))
    types = {look([each])[0][0].type_name for each in names}
    numbers = [each.number for each in literals if each.number is not None]
    if any(isinstance(each, float) for each in numbers):
        types.add("double")
    fitting = next((spelled for spelled, end in _OF_NUMBERS if all(-end <= each < end for each in numbers)), None)
    plain = {spelled for spelled, _ in _OF_NUMBERS}
    if types <= plain and fitting is not None:
        # As wide as the widest that is named, and as all values need.
        order = [spelled for spelled, _ in _OF_NUMBERS]
        return max({*types, fitting}, key=order.index)
    if len(types) == 1 and len(names) == len(set(literals)):
        return types.pop() or f"__typeof__({names[0]})"
    if types == {"double"}:
        return "double"
    raise ArgumentError(
        f"the values of {name} are not of one type; give it one: --variable 'long {name}', --variable 'uint8_t {name}'"
    )


def read_variables(names: Sequence[str]) -> dict[str, str]:
    """Reads what is to be a value that the compiler does not know: "pin", or with its type "uint8_t pin".

    Gives the type by name, empty where none is given.
    """
    found: dict[str, str] = {}
    for text in names:
        match = re.fullmatch(r"(?P<type>[A-Za-z_][\w\s:*]*[\s*])?(?P<name>[A-Za-z_]\w*)", text.strip())
        if match is None:
            raise ArgumentError(f"--variable {text!r}: give a name, or a type and a name, as in 'uint8_t pin'")
        if match["name"] in found:
            raise ArgumentError(f"--variable {match['name']} is given twice")
        found[match["name"]] = " ".join((match["type"] or "").split())
    return found


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
    # Behind an operator a sign would make another one of both: x-{n} is not to become x--1.
    return Literal(f"({text})" if text[0] in "+-" else text, text, _number(text))


def _number(text: str) -> Number | None:
    if _WHOLE.fullmatch(text):
        digits = text.lstrip("+-")
        is_octal = len(digits) > 1 and digits[0] == "0" and digits.isdigit()
        value = int(digits, 8 if is_octal else 0)
        return -value if text[0] == "-" else value
    if len(text) == 3 and text[0] == text[2] == "'" and text.isascii():
        return ord(text[1])
    return float(text) if re.fullmatch(r"[-+]?(?:\d+\.\d*|\.\d+|\d+(?=[eE]))(?:[eE][-+]?\d+)?", text) else None


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
