"""Names of C++ functions in one spelling, however a user, the compiler or the debug information writes them."""

import re

_TOKEN = re.compile(r"[A-Za-z_]\w*|\d\w*|::|->|[^\s\w]")
_SIZED = {
    "int8_t": "signed char",
    "uint8_t": "unsigned char",
    "int16_t": "int",
    "uint16_t": "unsigned int",
    "int32_t": "long int",
    "uint32_t": "long unsigned int",
    "int64_t": "long long int",
    "uint64_t": "long long unsigned int",
    "size_t": "unsigned int",
}
"""The types of avr-libc's <stdint.h> by the compiler's own names."""

_INTEGER_WORDS = frozenset({"signed", "unsigned", "short", "long", "int", "char"})
_LAMBDA = re.compile(r"lambda:(?P<line>\d+)")


def canonical(name: str) -> str:
    """Writes a name in one way: "Ring<uint16_t, 4>::push( int )const" as "Ring<unsigned int,4>::push(int)".

    Sized types become the compiler's own, words of a type come in one order, numbers lose their suffix, and a member
    function loses the `const` at its end.
    """
    tokens = _TOKEN.findall(name)
    while tokens and tokens[-1] in ("const", "volatile"):
        tokens.pop()
    words = [word for token in tokens for word in _SIZED.get(token, token).split()]
    spelled: list[str] = []
    place = 0
    while place < len(words):
        if words[place] in _INTEGER_WORDS:
            end = place
            while end < len(words) and words[end] in _INTEGER_WORDS:
                end += 1
            spelled.append(_integer(words[place:end]))
            place = end
            continue
        word = words[place]
        spelled.append(re.sub(r"[uUlL]+$", "", word) if word[0].isdigit() else word)
        place += 1
    text = ""
    for word in spelled:
        # Two words beside each other need a blank; nothing else does.
        text += f" {word}" if text and text[-1].isidentifier() and word[0].isidentifier() else word
    return text.replace("(void)", "()")


def _integer(words: list[str]) -> str:
    longs = words.count("long")
    if "char" in words:
        return next((f"{sign} char" for sign in ("signed", "unsigned") if sign in words), "char")
    size = "short " if "short" in words else "long " * longs
    return f"{size}{'unsigned ' if 'unsigned' in words else ''}int"


def without_arguments(name: str) -> str:
    """Leaves out what stands in angle brackets: "Ring<uint16_t, 4>::push" is "Ring::push"."""
    text, depth = "", 0
    for letter in name:
        depth += letter == "<"
        text += letter if not depth else ""
        depth -= letter == ">"
    return text


def lambda_line(name: str) -> int | None:
    """Gives the line of a lambda that is asked for as "lambda:41"; None for any other name."""
    match = _LAMBDA.fullmatch(name)
    return None if match is None else int(match["line"])


def is_constructor(name: str) -> bool:
    """Whether a name is a constructor's or a destructor's: "hive::Scale::Scale", "Scale::~Scale"."""
    parts = without_arguments(name.partition("(")[0]).replace(" ", "").split("::")
    return len(parts) > 1 and parts[-1].lstrip("~") == parts[-2]
