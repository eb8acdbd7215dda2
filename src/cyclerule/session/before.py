"""What runs before a call, as one types it: calls with constants in the image as it is, other code in another one."""

import re
from collections.abc import Sequence
from dataclasses import replace

from cyclerule.errors import ArgumentError, BuildError, UnknownName
from cyclerule.firmware.build import BuiltImage, build_image
from cyclerule.firmware.image import Kind
from cyclerule.firmware.sources import read_sources
from cyclerule.firmware.statement_text import FILE, Statements, Token
from cyclerule.firmware.statements import Row, first_source, statements_unit, symbol_of
from cyclerule.measure.domain_text import read_value
from cyclerule.session.firmware import Before, Firmware, clock_of
from cyclerule.session.inputs import parameter_word, signature_of, taken_text
from cyclerule.session.opening import Program, Target
from cyclerule.toolchain import find

CODE_BEFORE: Kind = "build with code before"
"""What an image is called in which code of --before is compiled."""

OPTION = "--before"
"""What the text is called in messages, as the compiler calls a file."""

_CALL = re.compile(r"(?P<name>[A-Za-z_~$][\w$]*(?:::[A-Za-z_~$][\w$]*)*)\s*(?:\((?P<values>.*)\))?", re.DOTALL)
_NUMBER = re.compile(r"(?P<digits>[-+]?(?:0[xX][0-9a-fA-F]+|\.?\d[\w.]*?))(?:[uUlL]+|(?<=[.\d])[fF])?")


def prepared(program: Program, target: Target, texts: Sequence[str]) -> tuple[Target, list[Before]]:
    """Gives the target and the functions that run before: those of the image, where all the texts are such calls.

    Other statements are compiled behind the program's first C or C++ file, which makes another image of the target.
    Raises ArgumentError for that where the file is linked already, BuildError with the compiler's words about the text.
    """
    calls = read_calls(target.firmware, texts)
    if calls is not None:
        return target, calls
    if program.is_linked:
        raise ArgumentError(
            f"--before {'; '.join(texts)!r} has to be compiled, and {program.files[0]} is linked already; give the "
            "sources, or calls of its functions with constants, such as 'start(); set_mode(3)'"
        )
    firmware = _with_code(program, target, "\n".join(f"{text};" for text in texts))
    symbol = symbol_of(0)
    firmware.spoken[symbol] = Statements("; ".join(texts)).shown
    note = (
        "the code before is compiled behind the first file, in a second build; what it calls may be inlined otherwise "
        "than in the program's own"
    )
    found = firmware.find_function(target.function.source_name if target.name != target.function.name else target.name)
    return replace(target, function=found, firmware=firmware, notes=(*target.notes, note)), [symbol]


def read_calls(firmware: Firmware, texts: Sequence[str]) -> list[Before] | None:
    """Reads texts such as "start", "set_mode(3)" and "start(); set_mode(3)"; None where one is other code than that.

    Raises UnknownName for a name alone that no function has, ArgumentError for a wrong number of values.
    """
    calls: list[Before] = []
    for text in texts:
        for piece in _pieces(text, ";"):
            call = _read_call(firmware, piece, text)
            if call is None:
                return None
            calls.append(call)
    if texts and not calls:
        raise ArgumentError(f"--before {texts[0]!r}: give functions to call first, such as 'start(); set_mode(3)'")
    return calls


def only_calls(firmware: Firmware, texts: Sequence[str]) -> list[Before]:
    """Reads what runs before where nothing more can be compiled; ArgumentError for other code than calls."""
    calls = read_calls(firmware, texts)
    if calls is None:
        raise ArgumentError(
            f"--before {'; '.join(texts)!r}: beside --code it takes calls with constants only, 'start(); set_mode(3)'"
        )
    return calls


def _read_call(firmware: Firmware, piece: str, text: str) -> Before | None:
    match = _CALL.fullmatch(piece)
    if match is None:
        return None
    name = match["name"]
    if match["values"] is None:
        return name
    try:
        function = firmware.find_function(name)
    except UnknownName:
        # A macro, or a function that the compiler knows.
        return None
    if function.address is None or function.signature is None:
        return None
    values = _pieces(match["values"], ",")
    parameters = signature_of(firmware, name).parameters
    if len(values) != len(parameters):
        raise ArgumentError(f"--before {text}: {name} takes {taken_text(parameters)}; {len(values)} given")
    try:
        given = [
            read_value(parameter_word(parameter, n), parameter.type, _as_domain(value), firmware.constants)
            for n, (parameter, value) in enumerate(zip(parameters, values, strict=True))
        ]
    except (ArgumentError, UnknownName):
        # An expression.
        return None
    return (name, *given)


def _as_domain(text: str) -> str:
    """Writes a constant of C as a domain has it."""
    if len(text) >= len('""') and text[0] == text[-1] == '"' and "\\" not in text:
        return f"text:{text[1:-1]}"
    if re.fullmatch(r"&\w+", text):
        return f"address:{text[1:]}"
    number = _NUMBER.fullmatch(text)
    return number["digits"] if number is not None else text


def _pieces(text: str, separator: str) -> list[str]:
    """Parts a text at the separators that stand in no brackets, quotes or comments; empty parts fall away."""
    groups: list[list[Token]] = [[]]
    depth = 0
    for token in Statements(text).tokens:
        depth += (token.text in "([{") - (token.text in ")]}") if token.kind == "bracket" else 0
        if token.text == separator and not depth:
            groups.append([])
        else:
            groups[-1].append(token)
    return [text[group[0].start : group[-1].start + len(group[-1].text)] for group in groups if group]


def _with_code(program: Program, target: Target, text: str) -> Firmware:
    """Builds the program once more with the code in a function behind its first file, with what the target keeps."""
    settings, firmware = program.settings, target.firmware
    statements = Statements(text)
    source = first_source(read_sources(program.files))
    if source is None:
        raise ArgumentError(f"--before {text}: none of the files is C or C++, in whose context it could be compiled")
    try:
        statements.check([], is_cpp=source.language == "C++")
    except ArgumentError as error:
        raise ArgumentError(str(error).replace(FILE, OPTION)) from None
    unit = statements_unit(source, [Row(statements.filled({}))])
    try:
        image = build_image(
            program.files,
            toolchain=firmware.toolchain or find(settings.toolchain),
            part_name=firmware.part.name,
            clock=settings.clock,
            optimize=settings.optimize,
            flags=settings.flags,
            defines=settings.defines,
            keep=firmware.image.build.kept if isinstance(firmware.image, BuiltImage) else (),
            statements=unit,
        )
    except BuildError as error:
        raise type(error)(unit.told(str(error)).replace(FILE, OPTION), command=error.command) from None
    clock = firmware.clock if firmware.clock is not None else clock_of(image.build.clocks)
    warnings = [told.replace(FILE, OPTION) for each in image.build.warnings if (told := unit.told(each))]
    made = Firmware(
        replace(image, kind=CODE_BEFORE), firmware.part, clock, toolchain=firmware.toolchain, warnings=warnings
    )
    made.constants = firmware.constants
    for prototype in program.prototypes:
        made.declare(prototype)
    return made
