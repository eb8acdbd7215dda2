"""Inputs as one types them, `crc=0..255 byte=0x31`, made into the domains of a function's parameters."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.firmware.arguments import Sized, out
from cyclerule.firmware.types import FunctionType, IntegerType, Parameter, PointerType, StructType, Type, type_text
from cyclerule.measure.domain_text import WHOLE_LIMIT, example_word, read_domain, read_value, whole_domain
from cyclerule.measure.domains import as_domain, count_rows
from cyclerule.measure.settings import KINDS, every_setting, has_every_value
from cyclerule.session.firmware import Firmware

_LONG_LONG = IntegerType("long long int", 8, signed=True)


@dataclass(frozen=True)
class Inputs:
    """The domains of a function's parameters, in the order in which they vary.

    `covers_every_input` says whether there is no other input. `others` stand for `...`, in order.
    """

    domains: Mapping[str, Sequence[object]]
    covers_every_input: bool
    others: tuple[object, ...] = ()

    @property
    def count(self) -> int:
        """How many inputs there are."""
        return count_rows(self.domains.values())


def signature_of(firmware: Firmware, name: str) -> FunctionType:
    """Gives a function's parameters and result; raises ArgumentError, with what to type, when nothing tells them."""
    function = firmware.find_function(name)
    if function.signature is None:
        of = f" (a clone that the compiler made of {function.clone_of})" if function.clone_of else ""
        raise ArgumentError(
            f"nothing tells the parameters of {name}{of}: it has no debug information; build it with -gdwarf-4, "
            f"or give its C prototype, for example --declare 'uint8_t {function.source_name}(uint8_t)'"
        )
    return function.signature


def parameter_key(parameter: Parameter, number: int) -> str:
    """Gives the name that sweeps know a parameter by; one without a name is known by its place."""
    return parameter.name or f"argument {number + 1}"


def parameter_word(parameter: Parameter, number: int) -> str:
    """Gives what one types before the `=` for a parameter: its name, else its number from 1 on."""
    return parameter.name or str(number + 1)


def taken_text(parameters: Sequence[Parameter]) -> str:
    """Says what a function takes: "uint8_t crc, uint8_t byte", "nothing"."""
    return ", ".join(type_text(each.type, each.name) for each in parameters) or "nothing"


def read_inputs(firmware: Firmware, name: str, assignments: Mapping[str, str]) -> Inputs:
    """Reads the values given to a function's parameters, by name or by number from 1 on.

    Those named vary in their order, then those left out in the order of the declaration. One left out has every
    value of its type, where it has 16 bits or less and all left out make no more than 65,536 inputs. Raises
    ArgumentError for one that cannot be left out and for a text that is no domain, UnknownName for a name that no
    parameter has.
    """
    signature = signature_of(firmware, name)
    parameters = signature.parameters
    assignments, others = _without_others(firmware, name, signature, assignments)
    keys = [parameter_key(parameter, number) for number, parameter in enumerate(parameters)]
    by_word = {str(number + 1): number for number in range(len(parameters))}
    by_word |= {parameter.name: number for number, parameter in enumerate(parameters) if parameter.name}
    domains: dict[str, Sequence[object]] = {}
    for word, text in assignments.items():
        if word not in by_word:
            known = [parameter_word(each, number) for number, each in enumerate(parameters)]
            raise UnknownName("parameter", word, known, hint=f"{name} takes {taken_text(parameters)}")
        number = by_word[word]
        if keys[number] in domains:
            raise ArgumentError(f"{name}: {keys[number]} is given twice, by name and by number")
        domains[keys[number]] = read_domain(word, parameters[number].type, text, firmware.constants)
    left_out = {keys[n]: (n, parameter) for n, parameter in enumerate(parameters) if keys[n] not in domains}
    for key, (number, parameter) in left_out.items():
        domains[key] = _whole(name, parameter, number)
    unasked = count_rows(domains[key] for key in left_out)
    if unasked > WHOLE_LIMIT:
        several = [example_word(parameter_word(parameter, n), parameter.type) for n, parameter in left_out.values()]
        raise ArgumentError(
            f"{name}: every value of {', '.join(left_out)} makes {unasked:,} inputs, and without being asked for "
            f"no more than {WHOLE_LIMIT:,} are tried; give values, for example {' '.join(several)}, or every for all"
        )
    types = {keys[n]: parameter.type for n, parameter in enumerate(parameters)}
    empty = {keys[n] for n, parameter in enumerate(parameters) if _is_empty_object(parameter)}
    is_whole = all(key in empty or _is_whole(types[key], domain) for key, domain in domains.items())
    return Inputs(domains, is_whole and not signature.variadic, others)


def _without_others(
    firmware: Firmware, name: str, signature: FunctionType, assignments: Mapping[str, str]
) -> tuple[Mapping[str, str], tuple[object, ...]]:
    """Takes out what stands for `...`, by number behind the parameters: whole numbers, floats, texts and buffers."""
    first = len(signature.parameters) + 1
    texts = {int(word): text for word, text in assignments.items() if word.isdigit() and int(word) >= first}
    if not texts or not signature.variadic:
        return assignments, ()
    last = max(texts)
    missing = next((number for number in range(first, last) if number not in texts), None)
    if missing is not None:
        raise ArgumentError(f"{name}: {last}= is given and {missing}= is not; what stands for ... has no gaps")
    values = tuple(_other(firmware, number, texts[number]) for number in range(first, last + 1))
    return {word: text for word, text in assignments.items() if not word.isdigit() or int(word) < first}, values


def _other(firmware: Firmware, number: int, text: str) -> object:
    """Reads a value that stands for `...`: 1 is C's int, 1L its long, 2.5 its double."""
    sized = re.fullmatch(r"(?P<digits>[-+]?\w+?)(?P<size>[lL]{1,2})", text)
    if sized is not None and sized["digits"].lstrip("+-")[:1].isdigit():
        value = read_value(str(number), _LONG_LONG, sized["digits"], firmware.constants)
        return Sized(int(str(value)), 4 if len(sized["size"]) == 1 else 8)
    if re.fullmatch(r"[-+]?(\d+\.\d*|\.?\d+)([eE][-+]?\d+)?", text) and not re.fullmatch(r"[-+]?\d+", text):
        return float(text)
    is_pointer = text.startswith(("&", "text:", "hex:", "out:", "flash:", "address:", "function:"))
    kind: Type = PointerType(IntegerType("char", 1, signed=True, is_char=True)) if is_pointer else _LONG_LONG
    return read_value(str(number), kind, text, firmware.constants)


def _is_empty_object(parameter: Parameter) -> bool:
    """Whether it is the object of a member function whose class has no members, such as a lambda without captures."""
    given = parameter.type
    target = given.target if parameter.is_artificial and isinstance(given, PointerType) else None
    return isinstance(target, StructType) and target.is_complete and not target.fields


def _whole(name: str, parameter: Parameter, number: int) -> Sequence[object]:
    if _is_empty_object(parameter):
        return (out(1),)
    domain = whole_domain(parameter.type)
    if domain is not None:
        return domain
    word = parameter_word(parameter, number)
    raise ArgumentError(
        f"{name}: {word} ({parameter.type.spelling}) {why_not_whole(parameter.type)}, so it needs values; "
        f"type for example {example_word(word, parameter.type)}"
    )


def why_not_whole(given: Type) -> str:
    """Says why a parameter of a type cannot be left out."""
    match given:
        case PointerType():
            return "is a pointer"
        case IntegerType():
            return f"has {8 * given.size_bytes} bits, too many to try every value"
        case _:
            return "has too many values to try them all"


def _is_whole(given: Type, domain: Sequence[object]) -> bool:
    every = whole_domain(given)
    if every is None:
        # What was asked for by `every` is a range over all that the type holds.
        return (
            isinstance(given, IntegerType) and isinstance(domain, range) and len(domain) == 1 << (8 * given.size_bytes)
        )
    return domain == every or (len(domain) >= len(every) and set(domain) == set(every))


@dataclass(frozen=True)
class Setup:
    """What is set before each call, with its values: variables, registers and pins by the names they were given by.

    `covers_every_value` says whether what has several values has all there are.
    """

    globals: Mapping[str, Sequence[object]] = field(default_factory=dict)
    registers: Mapping[str, Sequence[object]] = field(default_factory=dict)
    pins: Mapping[str, Sequence[object]] = field(default_factory=dict)
    covers_every_value: bool = True

    @property
    def count(self) -> int:
        """How many combinations of values there are."""
        return count_rows([*self.globals.values(), *self.registers.values(), *self.pins.values()])


def read_setup(firmware: Firmware, assignments: Mapping[str, str]) -> Setup:
    """Reads the values given to variables, registers and pins; a variable whose type nothing tells takes numbers.

    Raises UnknownName for what is none of them, ArgumentError for a text that is no domain.
    """
    found: dict[str, dict[str, Sequence[object]]] = {kind: {} for kind in KINDS}
    is_whole = True
    for name, text in assignments.items():
        setting = firmware.setting(name)
        kind = setting.type or _UNTOLD
        domain = as_domain(
            name, every_setting(setting) if text == "every" else read_domain(name, kind, text, firmware.constants)
        )
        is_whole = is_whole and (len(domain) == 1 or has_every_value(setting, domain))
        found[setting.kind][name] = domain
    return Setup(found["global"], found["register"], found["pin"], is_whole)


_UNTOLD = _LONG_LONG
