"""Integer constants out of C macro texts: `(RAMSTART + RAMSIZE - 1)`, `0x3FFFU`, `(26 * 4)`, `_BV(3)`."""

import ast
import operator
import re
from collections.abc import Callable, Mapping

_LITERAL = r"(?P<number>0[xX][0-9a-fA-F]+|0[bB][01]+|\d+)[uUlL]*"
_PLAIN = re.compile(rf"(?P<opened>\(*){_LITERAL}(?P<closed>\)*)")
# C takes the longest token: `--` is a decrement, and `0x1e+1` one number that is none (C11 6.4, 6.4.8).
_TOKEN = re.compile(rf"{_LITERAL}(?![\w.]|(?<=[eE])[-+])|[A-Za-z_]\w*|<<|>>|\+(?!\+)|-(?!-)|[*/%&|^~()]|\s+")
_LONGEST = 1_000
_LARGEST = 1 << 64


def integer(text: str, macros: Mapping[str, str]) -> int | None:
    """Gives the value of a macro's text as an integer constant; None where it is none.

    Names are looked up in `macros`, and theirs in turn. Understood are C integer literals with their suffixes,
    parentheses, + - * / % << >> & | ^ ~ and `_BV(n)` of <avr/sfr_defs.h>. Casts, function-like macros, floating point
    and values beyond 64 bits are not, nor is anything that refers to itself: all of these give None. The arithmetic is
    exact: nothing wraps at the width of a C type.
    """
    plain = _PLAIN.fullmatch(text)
    try:
        if plain and len(plain["opened"]) == len(plain["closed"]):
            return _literal(plain["number"])
        return _Evaluation(macros).text_value(text)
    except (SyntaxError, ValueError, ArithmeticError, RecursionError, MemoryError):
        return None


def _literal(digits: str) -> int:
    octal = len(digits) > 1 and digits.isdigit() and digits[0] == "0"  # as C writes it
    value = int(digits, 8 if octal else 0)
    if value >= _LARGEST:
        raise OverflowError(digits)
    return value


def _as_python(text: str) -> str:
    """Writes a C expression with decimal literals and without suffixes; ValueError where a token is not understood."""
    text = text.strip()
    if len(text) > _LONGEST:
        raise ValueError(text)
    written, position = [], 0
    while position < len(text):
        token = _TOKEN.match(text, position)
        if token is None:
            raise ValueError(text)
        written.append(str(_literal(token["number"])) if token["number"] else token[0])
        position = token.end()
    return "".join(written)


def _divided(a: int, b: int) -> int:
    # C rounds towards zero, Python towards minus infinity.
    quotient = abs(a) // abs(b)
    return quotient if (a < 0) == (b < 0) else -quotient


def _shifted(a: int, b: int, shift: Callable[[int, int], int]) -> int:
    if not 0 <= b < 64:
        raise ValueError(b)
    return shift(a, b)


_BINARY: dict[type[ast.operator], Callable[[int, int], int]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: _divided,
    ast.Mod: lambda a, b: a - _divided(a, b) * b,
    ast.LShift: lambda a, b: _shifted(a, b, operator.lshift),
    ast.RShift: lambda a, b: _shifted(a, b, operator.rshift),
    ast.BitAnd: operator.and_,
    ast.BitOr: operator.or_,
    ast.BitXor: operator.xor,
}
_UNARY: dict[type[ast.unaryop], Callable[[int], int]] = {
    ast.UAdd: operator.pos,
    ast.USub: operator.neg,
    ast.Invert: operator.invert,
}


class _Evaluation:
    """One look at a text and at every macro it rests on, each once; what is no constant raises ValueError."""

    def __init__(self, macros: Mapping[str, str]) -> None:
        self._macros = macros
        self._known: dict[str, int] = {}
        self._inside: set[str] = set()

    def text_value(self, text: str) -> int:
        return self._value(ast.parse(_as_python(text), mode="eval").body)

    def _value(self, node: ast.expr) -> int:
        match node:
            case ast.Constant(value=int(number)):
                value = number
            case ast.Name(id=name):
                value = self._named(name)
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
                value = _BINARY[type(op)](self._value(left), self._value(right))
            case ast.UnaryOp(op=op, operand=operand) if type(op) in _UNARY:
                value = _UNARY[type(op)](self._value(operand))
            case ast.Call(func=ast.Name(id="_BV"), args=[bit], keywords=[]):
                value = _shifted(1, self._value(bit), operator.lshift)
            case _:
                raise ValueError(ast.dump(node))
        if abs(value) >= _LARGEST:
            raise OverflowError(value)
        return value

    def _named(self, name: str) -> int:
        if name not in self._known:
            if name not in self._macros or name in self._inside:
                raise ValueError(name)
            self._inside.add(name)
            self._known[name] = self.text_value(self._macros[name])
            self._inside.discard(name)
        return self._known[name]
