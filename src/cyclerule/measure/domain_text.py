"""Input domains as one types them: `49`, `0..1000:10`, `1,5,9`, `every`, `text:hello`, `hex:021cb8`, `{"id": 3}`."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any, TypeGuard

from cyclerule.errors import ArgumentError, DomainTooLarge, UnknownName
from cyclerule.firmware.arguments import Address, Flash, FunctionName, Out, Sized, address, flash, function, out
from cyclerule.firmware.types import (
    ArrayType,
    EnumType,
    FloatType,
    FunctionType,
    IntegerType,
    PointerType,
    ReferenceType,
    StructType,
    Type,
    size_of,
)
from cyclerule.measure.domains import every_value

WHOLE_LIMIT = 1 << 16
"""A parameter left out is swept whole where that makes no more rows than this."""

SHOWN_VALUES = 8
"""The most values of a list that are written out."""

LONGEST_LIST = 1 << 24
"""The most values that are kept one by one: about a gigabyte."""

_RANGE = re.compile(r"(?P<first>.+?)\.\.(?P<last>[^:]+)(?::(?P<step>.+))?")
_WORD = re.compile(r"[A-Za-z_]\w*(?:::[A-Za-z_]\w*)*")
_PREFIXES = ("text:", "hex:", "out:", "flash:", "address:", "function:")


Constants = Callable[[str], int | float | None]
"""Gives the value of a macro or an enumerator of the program's sources; None for what is none."""


def no_constants(_word: str) -> None:
    """Knows no constants."""


def read_domain(name: str, given: Type, text: str, constants: Constants = no_constants) -> Sequence[object]:
    """Reads the values that a text gives to something of a type; `name` is for messages.

    A range includes both ends; `constants` knows the words that stand for numbers. Raises ArgumentError, UnknownName
    for an enumerator that does not exist.
    """
    text = text.strip()
    if _is_of_target(given, text):
        return read_domain(name, given.target, text, constants)
    if not text:
        raise ArgumentError(f"{name}= needs a value; {_example(name, given)}")
    if text == "every":
        return every_value(given)
    if text.startswith(("text:", "flash:text:")):
        return [_prefixed(name, text)]
    return _read_list(name, given, text, constants)


def _is_of_target(given: Type, text: str) -> TypeGuard[ReferenceType]:
    """Whether a text gives what a reference refers to, and not where it is: a word may name an object."""
    if not isinstance(given, ReferenceType) or text.startswith((*_PREFIXES, "&")):
        return False
    return not (isinstance(given.target, StructType) and _WORD.fullmatch(text))


def _read_list(name: str, given: Type, text: str, constants: Constants) -> Sequence[object]:
    """Reads values, ranges and what is placed in memory, parted by commas."""
    found: list[object] = []
    parts = _parts(name, text)
    for part in (each.strip() for each in parts):
        if not part:
            raise ArgumentError(f"{name}={text}: there is nothing before or after a comma; {_example(name, given)}")
        if part.startswith((*_PREFIXES, "{", "[")):
            found.append(_json(name, given, part) if part[0] in "{[" else _prefixed(name, part))
            continue
        match = _RANGE.fullmatch(part)
        if match is None and ".." in part:
            raise ArgumentError(f"{name}={text}: a range has both its ends, and may have a step: 0..255, 0..1000:10")
        if match is None:
            found.append(_value(name, given, part, constants))
            continue
        values = _range(name, given, part, match, constants)
        if len(parts) == 1:
            return values
        if values[LONGEST_LIST - len(found) :]:
            raise DomainTooLarge(
                f"{name}={text}: a list has up to {LONGEST_LIST:,} values; a range alone may have more"
            )
        found.extend(values)
    return found


def read_value(name: str, given: Type, text: str, constants: Constants = no_constants) -> object:
    """Reads a text that gives one value; raises ArgumentError as `read_domain`, and for a text that gives several."""
    domain = read_domain(name, given, text, constants)
    if len(domain) != 1:
        raise ArgumentError(f"{name}={text}: one value is wanted here, not {len(domain):,}")
    return domain[0]


def whole_domain(given: Type) -> Sequence[object] | None:
    """Gives every value of a type of 16 bits or less; None for other types."""
    if isinstance(given, IntegerType | EnumType) and given.size_bytes <= 2:
        return every_value(given)
    return None


def _prefixed(name: str, text: str) -> object:
    kind, _, rest = text.partition(":")
    match kind:
        case "text":
            return rest
        case "hex":
            try:
                return bytes.fromhex(rest)
            except ValueError:
                raise ArgumentError(
                    f"{name}={text}: {rest!r} is not hexadecimal; each byte is two digits, as in hex:021cb8"
                ) from None
        case "out":
            return out(_whole(name, rest, f"{name}={text}: write how many bytes, as in out:8"))
        case "address":
            return address(rest)
        case "function":
            return function(rest)
        case _:
            if not rest.startswith(("text:", "hex:")):
                raise ArgumentError(f"{name}={text}: write flash:text:hello or flash:hex:021cb8")
            return flash(_prefixed(name, rest))


def _parts(name: str, text: str) -> list[str]:
    """Parts a text at its commas, those inside of brackets and quotes aside."""
    if not any(letter in text for letter in "{["):
        return text.split(",")
    parts, depth, quoted, escaped = [""], 0, False, False
    for letter in text:
        if letter == "," and not depth and not quoted:
            parts.append("")
            continue
        parts[-1] += letter
        if not escaped and letter == '"':
            quoted = not quoted
        escaped = quoted and letter == "\\" and not escaped
        if not quoted:
            depth += (letter in "{[") - (letter in "}]")
    if depth or quoted:
        raise ArgumentError(f"{name}={text}: a bracket or a quote is not closed")
    return parts


def _json(name: str, given: Type, text: str) -> object:
    """Reads a structure or a list; texts in it may be what one types for a value: "text:bee", "&mode", "SUMMER"."""
    import msgspec

    target = given.target if isinstance(given, PointerType) else given
    if not isinstance(given, PointerType | StructType | ArrayType):
        raise ArgumentError(f"{name}={text}: {given.spelling} takes no structure or list; {_example(name, given)}")
    try:
        value = msgspec.json.decode(text)
    except msgspec.DecodeError as error:
        shown = '{"id": 3}' if isinstance(target, StructType) else "[1, 2, 3]"
        raise ArgumentError(
            f"{name}={text}: it is no JSON: {error}; write for example {name}='{shown}', names in double quotes"
        ) from None
    return _typed(name, value)


def _typed(name: str, value: Any) -> object:
    match value:
        case dict():
            return {key: _typed(name, each) for key, each in value.items()}
        case list():
            return [_typed(name, each) for each in value]
        case str() if value.startswith("&"):
            return address(value[1:])
        case str() if value.startswith(_PREFIXES):
            return _prefixed(name, value)
        case bool():
            return int(value)
        case _:
            return value


def _range(name: str, given: Type, text: str, match: re.Match[str], constants: Constants) -> Sequence[object]:
    step_text = match["step"]
    if isinstance(given, FloatType):
        return _float_range(name, text, match)
    first, last = (_value(name, given, match[each], constants) for each in ("first", "last"))
    step = 1 if step_text is None else _whole(name, step_text, f"{name}={text}: the step is a whole number above 0")
    if not isinstance(first, int) or not isinstance(last, int):
        raise ArgumentError(f"{name}={text}: a range runs between two whole numbers")
    if step < 1:
        raise ArgumentError(f"{name}={text}: the step is a whole number above 0")
    if first > last:
        raise ArgumentError(f"{name}={text}: {first} is above {last}; a range runs upwards")
    return range(first, last + 1, step)


def _float_range(name: str, text: str, match: re.Match[str]) -> list[float]:
    # Fractions, so that 0..1:0.1 has eleven values and its last is 1.
    try:
        first, last, step = (_fraction(match[each] or "0") for each in ("first", "last", "step"))
    except (ValueError, OverflowError):
        raise ArgumentError(
            f"{name}={text}: a range of such numbers is written 0..1:0.1, the step at the end"
        ) from None
    if step <= 0:
        raise ArgumentError(f"{name}={text}: a range of such numbers needs a step above 0, as in 0..1:0.1")
    if first > last:
        raise ArgumentError(f"{name}={text}: {match['first']} is above {match['last']}; a range runs upwards")
    count = math.floor((last - first) / step) + 1
    if count > LONGEST_LIST:
        raise DomainTooLarge(f"{name}={text}: these are {count:.3g} values, and up to {LONGEST_LIST:,} can be listed")
    # Python divides whole numbers exactly and rounds once.
    below = math.lcm(first.denominator, step.denominator)
    start, each = int(first * below), int(step * below)
    return [(start + n * each) / below for n in range(count)]


def _fraction(text: str) -> Fraction:
    # Only what a float holds is written out: "1e999999999" would not end.
    if not math.isfinite(float(text)):
        raise ValueError(text)
    return Fraction(text.strip())


def _value(name: str, given: Type, text: str, constants: Constants) -> object:
    text = text.strip()
    match given:
        case EnumType(values=values) if text in values:
            return values[text]
        case IntegerType(is_bool=True) if text in ("true", "false"):
            return int(text == "true")
        case IntegerType() if len(text) == 3 and text[0] == text[2] == "'":
            return ord(text[1])
        case PointerType() if not text[0].isdigit():
            return _pointer(name, given, text)
        case IntegerType() | EnumType() | FloatType() if _WORD.fullmatch(text):
            return _constant(name, given, text, constants)
        case FloatType():
            return _float(name, given, text)
        case IntegerType() | EnumType() | PointerType():
            return _whole(name, text, f"{name}={text}: {text!r} is no whole number; {_example(name, given)}")
        case _:
            raise ArgumentError(f"{name}={text}: {_example(name, given)}")


def _float(name: str, given: Type, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ArgumentError(f"{name}={text}: {text!r} is no number; {_example(name, given)}") from None


def _constant(name: str, given: Type, text: str, constants: Constants) -> int | float:
    """Gives the number that a word stands for: inf and nan, a macro, an enumerator."""
    if isinstance(given, FloatType) and text.lower() in ("inf", "infinity", "nan"):
        return float(text)
    value = constants(text)
    if value is None:
        if isinstance(given, EnumType):
            raise UnknownName("enumerator", text, given.values, hint=f"for {name} ({given.spelling})")
        kind = "number" if isinstance(given, FloatType) else "whole number"
        raise ArgumentError(f"{name}={text}: {text!r} is no {kind}; {_example(name, given)}")
    if not isinstance(given, FloatType) and not float(value).is_integer():
        raise ArgumentError(f"{name}={text}: {text} is {value}, and {given.spelling} takes whole numbers")
    return value if isinstance(given, FloatType) or isinstance(value, int) else int(value)


def _pointer(name: str, given: PointerType, text: str) -> object:
    """Reads what a pointer can be besides a number: null, a variable, a function, a buffer as large as its target."""
    if text in ("null", "NULL", "nullptr"):
        return None
    if text == "out":
        size = size_of(given.target)
        if size is None:
            raise ArgumentError(f"{name}=out: {given.spelling} does not say how large; write out:16")
        return out(size)
    word = text.removeprefix("&")
    if text != word or _WORD.fullmatch(text):
        return function(word) if isinstance(given.target, FunctionType) else address(word)
    return _whole(name, text, f"{name}={text}: {text!r} is no whole number; {_example(name, given)}")


def _whole(name: str, text: str, problem: str) -> int:
    try:
        return int(text.strip(), 0)
    except ValueError:
        pass
    if re.fullmatch(r"[-+]?0[0-7]+", text.strip()):
        raise ArgumentError(
            f"{name}: {text} begins with 0, which C reads in base 8; write {int(text)} or 0o{text.lstrip('-+0') or '0'}"
        )
    raise ArgumentError(problem)


def _example(name: str, given: Type) -> str:
    """Says what to type for something of a type."""
    return f"type for example {example_word(name, given)}"


def example_word(name: str, given: Type) -> str:
    """Gives a word that is a fitting domain for something of a type: "crc=0..255", "frame=hex:0102030405060708"."""
    match given:
        case ReferenceType(target=target) if not isinstance(target, StructType):
            return example_word(name, target)
        case PointerType():
            return f"{name}={_example_buffer(given)}"
        case StructType(fields=fields) if fields and fields[0].name and isinstance(fields[0].type, IntegerType):
            return f"{name}='{{\"{fields[0].name}\": 3}}'"
        case StructType(size_bytes=size):
            return f"{name}=hex:{'00' * size}"
        case FloatType():
            return f"{name}=2.5"
        case EnumType(values=values) if values:
            return f"{name}={next(iter(values))}"
        case IntegerType(is_bool=True):
            return f"{name}=1"
        case IntegerType(size_bytes=1, signed=False):
            return f"{name}=0..255"
        case _:
            return f"{name}=0..1000:10"


EXAMPLE_ELEMENTS = 8
"""Numbers in a buffer of an example."""


def _example_buffer(pointer: PointerType) -> str:
    target = pointer.target
    if isinstance(target, FunctionType):
        return "function:NAME"
    if isinstance(target, IntegerType) and target.is_char:
        return "text:hello" if target.is_const else "out:16"
    if isinstance(target, IntegerType):
        return "hex:" + "".join(n.to_bytes(target.size_bytes, "little").hex() for n in range(1, EXAMPLE_ELEMENTS + 1))
    size = size_of(target) or EXAMPLE_ELEMENTS
    return f"hex:{'00' * size}" if target.is_const and size <= EXAMPLE_ELEMENTS else f"out:{size}"


def domain_text(domain: Sequence[object]) -> str:
    """Writes a domain as one would type it: "0..255", "0..1000:10", "1,5,9"; a long list is shortened."""
    if isinstance(domain, range) and len(domain) > 1:
        step = "" if domain.step == 1 else f":{domain.step}"
        return f"{domain[0]}..{domain[-1]}{step}"
    shown = [value_text(each) for each in domain[:SHOWN_VALUES]]
    if len(domain) > SHOWN_VALUES:
        shown += ["…", value_text(domain[-1])]
    return ",".join(shown)


def value_text(value: object) -> str:
    """Writes one value as one would type it."""
    match value:
        case bytes() | bytearray():
            return f"hex:{bytes(value).hex()}"
        case str():
            return f"text:{value}"
        case Out(size_bytes=size):
            return f"out:{size}"
        case Sized(value=number, size_bytes=size):
            return f"{number}{'L' * (size // 4)}"
        case Flash(data=data):
            return f"flash:hex:{data.hex()}"
        case Address(name=name):
            return f"address:{name}"
        case FunctionName(name=name):
            return f"function:{name}"
        case Mapping() | list() | tuple():
            return _json_text(value)
        case _:
            return str(value)


def _json_text(value: object) -> str:
    match value:
        case Mapping():
            return f"{{{', '.join(f'{_json_text(str(name))}: {_json_text(each)}' for name, each in value.items())}}}"
        case list() | tuple():
            return f"[{', '.join(map(_json_text, value))}]"
        case str():
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        case None:
            return "null"
        case bytes() | bytearray() | Out() | Flash() | Address() | FunctionName():
            return f'"{value_text(value)}"'
        case _:
            return str(value)
