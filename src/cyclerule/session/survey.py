"""A survey of a program: every function's least and most cycles over all inputs that are few enough to try."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from cyclerule.errors import ArgumentError, BuildError, CycleruleError, DomainTooLarge, UnknownName
from cyclerule.firmware.image import Function
from cyclerule.firmware.types import FunctionType, IntegerType, PointerType, Type
from cyclerule.measure.domain_text import EXAMPLE_ELEMENTS, WHOLE_LIMIT, example_word, whole_domain
from cyclerule.measure.domains import count_rows
from cyclerule.measure.results import Sweep
from cyclerule.session.firmware import Firmware
from cyclerule.session.inputs import parameter_key, parameter_word, why_not_whole
from cyclerule.session.opening import Program, handled_vector

SECONDS = 20.0
"""How long a survey may take; functions that come when it is over get a part of their inputs."""

PART_ROWS = 64
"""About how many inputs a part of a domain has."""

CALL_LIMIT = 2_000_000
"""Cycles after which a survey gives a call up: longer ones are for `cyclerule time`."""

Progress = Callable[[str, int, int], None]
"""Called with the function, how many functions are done, and how many there are."""


@dataclass(frozen=True)
class Surveyed:
    """One function: its sweep, or in words why there is none.

    `covers` is "every input" or "some inputs"; `inputs` how many there are in all. `example` are the words to type for
    the parameters that need values. `stands` says what became of it in the program's own build where it is not there.
    """

    name: str
    function: Function
    sweep: Sweep | None
    covers: str
    inputs: int | None
    problem: str | None
    example: tuple[str, ...]
    stands: str | None


def survey(program: Program, *, seconds: float = SECONDS, progress: Progress | None = None) -> list[Surveyed]:
    """Calls every function of the user's own that takes few enough inputs, within about so many seconds.

    Functions that the compiler inlined or dropped are measured in kept copies, all in one second build.
    """
    functions = own_functions(program)
    kept = _kept_copy(program, [each for each in functions if each.address is None])
    ends = time.monotonic() + seconds
    found = []
    for done, function in enumerate(functions):
        if progress is not None:
            progress(function.source_name, done, len(functions))
        # Half of what is left: most functions take next to nothing, and one that takes long leaves some to the others.
        share = max(0.0, ends - time.monotonic()) / 2
        found.append(_survey_one(program, kept, function, share))
    if progress is not None:
        progress("", len(functions), len(functions))
    return found


def spoken_name(firmware: Firmware, function: Function) -> str:
    """Gives the name that one asks for a function by: a handler's is its vector's, an ambiguous one's the linker's."""
    vector = handled_vector(firmware, function)
    if vector is not None:
        return vector
    try:
        return function.source_name if firmware.find_function(function.source_name) == function else function.name
    except UnknownName:
        return function.name


def own_functions(program: Program) -> list[Function]:
    """Gives the functions that the user wrote, in the order of the source: those with a place, else those with a type.

    The start-up code and libraries have no debug information; a file that has none anywhere lists what its symbols say.
    """
    functions = [each for each in program.firmware.functions.values() if each.alias_of is None]
    if not program.has_own_main:
        functions = [each for each in functions if each.name != "main"]
    placed = [each for each in functions if each.signature is not None or each.file is not None]
    placed = [each for each in placed if each.clone_of is None or each.address is not None]
    if placed:
        order = {str(file): number for number, file in enumerate(program.files)}
        return sorted(placed, key=lambda each: (order.get(str(each.file), len(order)), each.line or 0))
    return [each for each in functions if not each.is_label]


def _kept_copy(program: Program, functions: Sequence[Function]) -> Firmware | None:
    names = tuple(dict.fromkeys(each.source_name for each in functions))
    if not names or program.is_linked:
        return None
    try:
        return program.kept_copy(names)
    except (BuildError, ArgumentError, UnknownName):
        return None


def _survey_one(program: Program, kept: Firmware | None, function: Function, seconds: float) -> Surveyed:
    name, firmware, stands = function.name, program.firmware, None
    if function.address is None:
        stands = (
            f"inlined into {', '.join(function.inlined_into)}" if function.inlined_into else "dropped by the compiler"
        )
        try:
            if kept is not None:
                firmware, function = kept, kept.find_function(function.source_name)
                name = function.name
        except UnknownName:
            pass

    spoken = spoken_name(firmware, function)

    def refused(problem: str, *example: str) -> Surveyed:
        return Surveyed(spoken, function, None, "no input", None, problem, example, stands)

    if function.address is None:
        return refused(f"{stands}; it has no copy of its own")
    if function.source_name == "main":
        return refused("the program itself")
    if function.signature is None:
        return refused("nothing tells its parameters: --declare its prototype")
    wanting = _wanting(function.signature)
    if wanting is not None:
        return refused(wanting[0], *wanting[1])
    domains = {
        parameter_key(parameter, number): whole_domain(parameter.type) or ()
        for number, parameter in enumerate(function.signature.parameters)
    }
    return _sweep(firmware, name, function, domains=domains, seconds=seconds, stands=stands)


def _wanting(signature: FunctionType) -> tuple[str, list[str]] | None:
    """Says which parameter cannot take every value, and gives an example of values; None where all can."""
    words = [parameter_word(parameter, number) for number, parameter in enumerate(signature.parameters)]
    given = list(zip(words, (parameter.type for parameter in signature.parameters), strict=True))
    problems = [(f"{word} {why_not_whole(each)}", word) for word, each in given if whole_domain(each) is None]
    if not problems:
        count = count_rows(whole_domain(each) or () for _, each in given)
        if count <= WHOLE_LIMIT:
            return None
        return f"{count:,} inputs are too many to try them all", [example_word(*each) for each in given]
    if any(isinstance(each, PointerType) for _, each in given):
        # What stands beside a buffer is mostly its length.
        examples = [
            f"{word}={EXAMPLE_ELEMENTS}" if _is_number(each) else example_word(word, each) for word, each in given
        ]
        return problems[0][0], examples
    return problems[0][0], [example_word(word, each) for word, each in given if whole_domain(each) is None]


def _is_number(given: Type) -> bool:
    return isinstance(given, IntegerType) and not given.is_bool and not given.is_char


def _sweep(
    firmware: Firmware,
    name: str,
    function: Function,
    *,
    domains: Mapping[str, Sequence[object]],
    seconds: float,
    stands: str | None,
) -> Surveyed:
    count = count_rows(domains.values())
    part = {key: spread(domain, _each(domains)) for key, domain in domains.items()}

    def tried(domains: Mapping[str, Sequence[object]]) -> Sweep:
        return firmware.sweep(name, domains, keep="summary", max_cycles=CALL_LIMIT, longest_seconds=max(seconds, 0.5))

    def found(sweep: Sweep | None, covers: str, problem: str | None = None) -> Surveyed:
        return Surveyed(spoken_name(firmware, function), function, sweep, covers, count, problem, (), stands)

    try:
        sample = tried(part)
    except CycleruleError as error:
        return found(None, "no input", str(error))
    if sample.count == count:
        return found(sample, "every input")
    try:
        return found(tried(domains), "every input")
    except DomainTooLarge:
        return found(sample, "some inputs")
    except CycleruleError as error:
        return found(None, "no input", str(error))


def _each(domains: Mapping[str, Sequence[object]]) -> int:
    return max(2, int(PART_ROWS ** (1 / max(1, len(domains)))))


def spread(domain: Sequence[object], most: int) -> Sequence[object]:
    """Gives a part of a domain: its ends, and values evenly between them; all of it where that is no more."""
    if len(domain) <= most:
        return domain
    places = [round(n * (len(domain) - 1) / (most - 1)) for n in range(most)]
    return [domain[place] for place in dict.fromkeys(places)]
