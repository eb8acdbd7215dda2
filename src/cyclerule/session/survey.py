"""A survey of a program: every function's least and most cycles over all inputs that are few enough to try."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cyclerule.errors import ArgumentError, BuildError, CycleruleError, DomainTooLarge, RunawayError, UnknownName
from cyclerule.firmware.image import Function
from cyclerule.firmware.standing import standing_of
from cyclerule.firmware.types import FunctionType, IntegerType, PointerType, Type
from cyclerule.measure.call import check_callable
from cyclerule.measure.domain_text import EXAMPLE_ELEMENTS, WHOLE_LIMIT, example_word, whole_domain
from cyclerule.measure.domains import count_rows
from cyclerule.measure.results import Sweep
from cyclerule.session.firmware import Firmware
from cyclerule.session.firmware import spoken_name as distinct_name
from cyclerule.session.inputs import parameter_key, parameter_word, why_not_whole
from cyclerule.session.opening import Program, handled_vector, is_of_toolchain

SECONDS = 8.0
"""How long a survey may take; functions that come when it is over get a part of their inputs."""

LEAST_SECONDS = 0.5
"""What each function has in any case."""

PART_ROWS = 64
"""About how many inputs a part of a domain has."""

CALL_LIMIT = 2_000_000
"""Cycles after which a survey gives a call up: longer ones are for `cyclerule time`."""

MAIN = "the program itself"
HANDLER = "an interrupt handler without debug information (-gdwarf-4)"
UNTOLD = "without debug information (-gdwarf-4) nothing tells its parameters; --declare can"

Progress = Callable[[str, int, int], None]
"""Called with the function, how many functions are done, and how many there are."""


class OutOfTime(Exception):
    """A function has had its time."""


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

    One that the compiler inlined or dropped is measured in a kept copy, as `Program.target` gives it: a build of its
    own for each, since which others are kept decides what is inlined into it.
    """
    functions = own_functions(program)
    ends = time.monotonic() + seconds
    found = []
    for done, function in enumerate(functions):
        if progress is not None:
            progress(function.source_name, done, len(functions))
        # Half of what is left: most functions take next to nothing, and one that takes long leaves some to the others.
        share = max(0.0, ends - time.monotonic()) / 2
        found.append(_survey_one(program, function, share))
    if progress is not None:
        progress("", len(functions), len(functions))
    return found


def spoken_name(firmware: Firmware, function: Function) -> str:
    """Gives the name that one asks for a function by: a handler's is its vector's, an ambiguous one's the linker's."""
    vector = handled_vector(firmware, function)
    if vector is not None:
        return vector
    # A clone has its function's name, and is not what one means by it.
    others = [each for each in firmware.functions.values() if each.clone_of is None or each == function]
    return distinct_name(function, others)


def own_functions(program: Program) -> list[Function]:
    """Gives the functions that the user wrote, in the order of the source: those with a place, else those with a type.

    The start-up code and libraries have no debug information; a file that has none anywhere lists what its symbols say.
    """
    functions = [
        each
        for each in program.firmware.functions.values()
        if each.alias_of is None and not is_of_toolchain(each) and not _is_of_compiler(each)
    ]
    if not program.has_own_main:
        functions = [each for each in functions if each.name != "main"]
    placed = [each for each in functions if each.signature is not None or each.file is not None]
    listed = {each.name for each in placed}
    placed = [each for each in placed if each.clone_of not in listed]
    if placed:
        order = {str(file): number for number, file in enumerate(program.files)}
        return sorted(placed, key=lambda each: (order.get(str(each.file), len(order)), each.line or 0))
    # Names that begin with two underscores are the compiler's and its libraries' (C11 7.1.3), but for handlers.
    return [
        each
        for each in functions
        if not each.is_label and (not each.name.startswith("__") or handled_vector(program.firmware, each) is not None)
    ]


def _is_of_compiler(function: Function) -> bool:
    """Whether it runs the constructors of objects with static storage, which no line of source calls."""
    return function.source_name.startswith(("_GLOBAL__sub_", "__static_initialization_and_destruction"))


def _survey_one(program: Program, function: Function, seconds: float) -> Surveyed:
    firmware, stands = program.firmware, None
    if function.address is None:
        standing = standing_of(firmware.image, function, function.source_name)
        clones = f"left only as {', '.join(standing.clones)}" if standing.clones else "without code of its own"
        stands = f"inlined into {', '.join(standing.into)}" if standing.into else clones

    def refused(problem: str, *example: str) -> Surveyed:
        return Surveyed(spoken_name(firmware, function), function, None, "no input", None, problem, example, stands)

    if function.source_name == "main":
        return refused(MAIN)
    if function.address is None and program.is_linked:
        return refused(f"{stands}; it has no copy of its own")
    if function.signature is None:
        return refused(HANDLER if handled_vector(firmware, function) else UNTOLD)
    wanting = _wanting(function.signature)
    if wanting is not None:
        return refused(wanting[0], *wanting[1])
    if function.address is None:
        if seconds <= 0:
            return refused(f"{stands}; there was no time left for a build in which it stands by itself")
        try:
            firmware = program.kept_copy((function.source_name,))
            function = firmware.find_function(function.source_name)
        except (BuildError, ArgumentError, UnknownName):
            return refused(f"{stands}; it cannot be kept by itself")
    return _sweep(firmware, function, seconds=seconds, stands=stands)


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


def _sweep(firmware: Firmware, function: Function, *, seconds: float, stands: str | None) -> Surveyed:
    parameters = check_callable(function.name, function).parameters
    domains = {parameter_key(each, number): whole_domain(each.type) or () for number, each in enumerate(parameters)}
    count = count_rows(domains.values())

    ends = time.monotonic() + max(seconds, LEAST_SECONDS)

    def look(_done: int, _of: int) -> None:
        # What takes longer from input to input is not foretold from the first ones.
        if time.monotonic() > ends:
            raise OutOfTime

    def tried(domains: Mapping[str, Sequence[object]], **how: Any) -> Sweep:
        return firmware.sweep(function.name, domains, keep="summary", max_cycles=CALL_LIMIT, **how)

    def found(sweep: Sweep | None, covers: str, problem: str | None = None, *example: str) -> Surveyed:
        return Surveyed(spoken_name(firmware, function), function, sweep, covers, count, problem, example, stands)

    try:
        sample = tried({key: spread(domain, _each(domains)) for key, domain in domains.items()})
        if sample.count == count:
            return found(sample, "every input")
        try:
            longest = max(seconds, LEAST_SECONDS)
            return found(tried(domains, progress=look, longest_seconds=longest), "every input")
        except (DomainTooLarge, OutOfTime):
            return found(sample, "some inputs")
    except RunawayError as error:
        if error.cycle < CALL_LIMIT:
            return found(None, "no input", str(error))
        example = [example_word(parameter_word(each, number), each.type) for number, each in enumerate(parameters)]
        return found(None, "no input", f"takes more than {CALL_LIMIT:,} cycles for some inputs", *example)
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
