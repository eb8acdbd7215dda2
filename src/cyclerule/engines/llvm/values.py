"""Values to be: operations on values, alike ones made once, written as LLVM text where they are first needed."""

from collections.abc import Callable

from cyclerule.engines.ir import Argument

TYPES = {1: "i1", 8: "i8", 16: "i16", 32: "i32", 64: "i64"}


class Node:
    """A value to be: an operation on other values and plain integers; one with a name is there already."""

    __slots__ = ("arguments", "name", "operation", "width")

    def __init__(self, operation: str, arguments: tuple["Value", ...], width: int, name: str = "") -> None:
        self.operation, self.arguments, self.width, self.name = operation, arguments, width, name


Value = Node | int


class Late:
    """Text that is known only once the function is complete."""

    __slots__ = ("_write",)

    def __init__(self, write: Callable[[], str]) -> None:
        self._write = write

    def __str__(self) -> str:
        return self._write()


class Nodes:
    """Makes nodes: the same operation on the same values gives the same node, and what is known is worked out."""

    def __init__(self) -> None:
        self._made: dict[tuple[str, tuple[Value, ...], int], Node] = {}

    def there(self, name: str, width: int) -> Node:
        """Gives a node for a value that the text has already."""
        return Node("there", (), width, name)

    def make(self, operation: str, arguments: tuple[Value, ...], width: int) -> Value:
        """Gives the node of an operation, or what it comes to."""
        simple = _SIMPLER.get(operation)
        if simple is not None:
            found = simple(self, *arguments)
            if found is not None:
                return found
        key = (operation, arguments, width)
        made = self._made.get(key)
        if made is None:
            made = self._made[key] = Node(operation, arguments, width)
        return made

    def sums(self, name: str, carry: str, arguments: tuple[Value, ...]) -> tuple[Value, ...]:
        """Gives the four results of a sum or difference: byte, half carry, overflow, carry."""
        left, right, incoming = arguments
        result = self.make(name, arguments, 8)
        return (
            result,
            self.make(f"{name}.half", (left, right, result), 1),
            self.make(f"{name}.overflow", (left, right, result), 1),
            self.make(f"{name}.{carry}", (left, right, incoming), 1),
        )


def plain(value: Value | Argument) -> int:
    """Gives a value that can only be a plain integer."""
    if isinstance(value, int):
        return value
    raise TypeError(f"{value!r} where a plain integer belongs")


def is_node(value: Value, operation: str) -> bool:
    """Tells whether a value is a node of an operation."""
    return isinstance(value, Node) and value.operation == operation


# What comes to something simpler. Pointers are read and written as two bytes and used as words, so that halves of
# words are put together again at every step.


def _simpler_join(nodes: Nodes, high: Value, low: Value) -> Value | None:
    if isinstance(high, int) and isinstance(low, int):
        return high << 8 | low
    if not isinstance(high, Node) or not isinstance(low, Node):
        return None
    if high.operation == "high" and low.operation == "low" and high.arguments == low.arguments:
        return high.arguments[0]
    for name, carry, words in (
        ("sum", "sum.carry", "add_words"),
        ("difference", "difference.borrow", "subtract_words"),
    ):
        if high.operation == low.operation == name:
            left, right, incoming = high.arguments
            if low.arguments[2] == 0 and is_node(incoming, carry) and incoming.arguments == low.arguments:  # type: ignore[union-attr]
                first = nodes.make("join", (left, low.arguments[0]), 16)
                second = nodes.make("join", (right, low.arguments[1]), 16)
                return nodes.make(words, (first, second), 16)
    return None


def _simpler_low(_nodes: Nodes, word: Value) -> Value | None:
    if isinstance(word, int):
        return word & 0xFF
    return word.arguments[1] if word.operation == "join" else None


def _simpler_high(_nodes: Nodes, word: Value) -> Value | None:
    if isinstance(word, int):
        return word >> 8
    return word.arguments[0] if word.operation == "join" else None


def _simpler_add_words(nodes: Nodes, left: Value, right: Value) -> Value | None:
    if isinstance(left, int):
        left, right = right, left
    if not isinstance(right, int):
        return None
    if isinstance(left, int):
        return left + right & 0xFFFF
    if right == 0:
        return left
    if left.operation == "add_words" and isinstance(left.arguments[1], int):
        return nodes.make("add_words", (left.arguments[0], left.arguments[1] + right & 0xFFFF), 16)
    return None


def _simpler_subtract_words(nodes: Nodes, left: Value, right: Value) -> Value | None:
    return nodes.make("add_words", (left, -right & 0xFFFF), 16) if isinstance(right, int) else None


def _simpler_negate(_nodes: Nodes, bit: Value) -> Value | None:
    if isinstance(bit, int):
        return bit ^ 1
    return bit.arguments[0] if bit.operation == "negate" else None


def _simpler_bit(_nodes: Nodes, value: Value, position: Value) -> Value | None:
    return value >> plain(position) & 1 if isinstance(value, int) else None


def _simpler_is_zero(_nodes: Nodes, value: Value) -> Value | None:
    return int(value == 0) if isinstance(value, int) else None


_SIMPLER: dict[str, Callable[..., Value | None]] = {
    "join": _simpler_join,
    "low": _simpler_low,
    "high": _simpler_high,
    "add_words": _simpler_add_words,
    "subtract_words": _simpler_subtract_words,
    "negate": _simpler_negate,
    "bit": _simpler_bit,
    "is_zero": _simpler_is_zero,
}


class Text:
    """Lines of LLVM text with the names that values have got in them.

    A text made from another knows what has a name there, but not the other way round.
    """

    def __init__(self, lines: list[str | Late], counter: list[int], base: "Text | None" = None) -> None:
        self.lines, self._counter, self._base = lines, counter, base
        self._names: dict[Node, str] = {}

    def fresh(self) -> str:
        """Gives a new name."""
        self._counter[0] += 1
        return f"%t{self._counter[0]}"

    def put(self, instruction: str) -> str:
        """Writes an instruction that gives a value, and gives its name."""
        name = self.fresh()
        self.lines.append(f"  {name} = {instruction}")
        return name

    def put_late(self, instruction: Callable[[], str]) -> str:
        """Writes an instruction that is known only later, and gives the name of its value."""
        name = self.fresh()
        self.lines.append(Late(lambda: f"  {name} = {instruction()}"))
        return name

    def do(self, instruction: str) -> None:
        """Writes an instruction that gives nothing."""
        self.lines.append(f"  {instruction}")

    def label(self, name: str) -> None:
        """Begins a block."""
        self.lines.append(f"{name}:")

    def away(self, lines: list[str | Late]) -> "Text":
        """Gives a text for a way out of this one, into other lines; this one must not go on before it is complete."""
        return Text(lines, self._counter, self)

    def value(self, value: Value, width: int) -> str:
        """Writes whatever is needed for a value, and gives its name or number."""
        if isinstance(value, int):
            return str(int(value)) if width != 1 else ("true" if value else "false")
        if value.name:
            return value.name
        text: Text | None = self
        while text is not None:
            found = text._names.get(value)  # noqa: SLF001 - another text of the same kind
            if found is not None:
                return found
            text = text._base  # noqa: SLF001
        name = self._names[value] = _WRITERS[value.operation](self, value)
        return name

    def wider(self, value: Value, width: int, to: int) -> str:
        """Writes a value extended with zeros."""
        if isinstance(value, int):
            return str(int(value))
        return self.put(f"zext {TYPES[width]} {self.value(value, width)} to {TYPES[to]}")


def _binary(instruction: str) -> Callable[[Text, Node], str]:
    def write(text: Text, node: Node) -> str:
        left, right = (text.value(argument, node.width) for argument in node.arguments)
        return text.put(f"{instruction} {TYPES[node.width]} {left}, {right}")

    return write


def _with_carry(instruction: str) -> Callable[[Text, Node], str]:
    def write(text: Text, node: Node) -> str:
        left, right, carry = node.arguments
        total = text.put(f"{instruction} i8 {text.value(left, 8)}, {text.value(right, 8)}")
        return total if carry == 0 else text.put(f"{instruction} i8 {total}, {text.wider(carry, 1, 8)}")

    return write


def _half(text: Text, node: Node) -> str:
    left, right, result = (text.value(argument, 8) for argument in node.arguments)
    mixed = text.put(f"xor i8 {text.put(f'xor i8 {left}, {right}')}, {result}")
    return text.put(f"icmp ne i8 {text.put(f'and i8 {mixed}, 16')}, 0")


def _sum_overflow(text: Text, node: Node) -> str:
    left, right, result = (text.value(argument, 8) for argument in node.arguments)
    both = text.put(f"and i8 {text.put(f'xor i8 {left}, {result}')}, {text.put(f'xor i8 {right}, {result}')}")
    return text.put(f"icmp slt i8 {both}, 0")


def _difference_overflow(text: Text, node: Node) -> str:
    left, right, result = (text.value(argument, 8) for argument in node.arguments)
    both = text.put(f"and i8 {text.put(f'xor i8 {left}, {right}')}, {text.put(f'xor i8 {left}, {result}')}")
    return text.put(f"icmp slt i8 {both}, 0")


def _carry(text: Text, node: Node) -> str:
    # Compared step by step, and not in a wider type: this is the form that becomes the host's add with carry.
    left, right, carry = node.arguments
    first = text.put(f"add i8 {text.value(left, 8)}, {text.value(right, 8)}")
    out = text.put(f"icmp ult i8 {first}, {text.value(left, 8)}")
    if carry == 0:
        return out
    more = text.wider(carry, 1, 8)
    total = text.put(f"add i8 {first}, {more}")
    return text.put(f"or i1 {out}, {text.put(f'icmp ult i8 {total}, {more}')}")


def _borrow(text: Text, node: Node) -> str:
    left, right, borrow = node.arguments
    out = text.put(f"icmp ult i8 {text.value(left, 8)}, {text.value(right, 8)}")
    if borrow == 0:
        return out
    first = text.put(f"sub i8 {text.value(left, 8)}, {text.value(right, 8)}")
    more = text.wider(borrow, 1, 8)
    return text.put(f"or i1 {out}, {text.put(f'icmp ult i8 {first}, {more}')}")


def _multiply(text: Text, node: Node) -> str:
    left, right, left_signed, right_signed = node.arguments
    wide = []
    for value, signed in ((left, left_signed), (right, right_signed)):
        wide.append(text.put(f"{'sext' if signed else 'zext'} i8 {text.value(value, 8)} to i16"))
    return text.put(f"mul i16 {wide[0]}, {wide[1]}")


def _bit(text: Text, node: Node) -> str:
    value, position = node.arguments
    width = value.width if isinstance(value, Node) else 8
    kind = TYPES[width]
    if position == width - 1:
        return text.put(f"icmp slt {kind} {text.value(value, width)}, 0")
    masked = text.put(f"and {kind} {text.value(value, width)}, {1 << plain(position)}")
    return text.put(f"icmp ne {kind} {masked}, 0")


def _with_bit(text: Text, node: Node) -> str:
    value, position, bit = node.arguments
    place = plain(position)
    kept = text.put(f"and i8 {text.value(value, 8)}, {0xFF ^ 1 << place}")
    if isinstance(bit, int):
        return text.put(f"or i8 {kept}, {bit << place}")
    moved = text.put(f"shl i8 {text.wider(bit, 1, 8)}, {place}")
    return text.put(f"or i8 {kept}, {moved}")


def _is_zero(text: Text, node: Node) -> str:
    (value,) = node.arguments
    width = value.width if isinstance(value, Node) else 8
    return text.put(f"icmp eq {TYPES[width]} {text.value(value, width)}, 0")


def _shift_right(text: Text, node: Node) -> str:
    value, high = node.arguments
    moved = text.put(f"lshr i8 {text.value(value, 8)}, 1")
    if high == 0:
        return moved
    top = "128" if high == 1 else text.put(f"shl i8 {text.wider(high, 1, 8)}, 7")
    return text.put(f"or i8 {moved}, {top}")


def _swap(text: Text, node: Node) -> str:
    name = text.value(node.arguments[0], 8)
    return text.put(f"or i8 {text.put(f'shl i8 {name}, 4')}, {text.put(f'lshr i8 {name}, 4')}")


def _join(text: Text, node: Node) -> str:
    high, low = node.arguments
    moved = text.put(f"shl i16 {text.wider(high, 8, 16)}, 8")
    return text.put(f"or i16 {moved}, {text.wider(low, 8, 16)}")


def _high(text: Text, node: Node) -> str:
    moved = text.put(f"lshr i16 {text.value(node.arguments[0], 16)}, 8")
    return text.put(f"trunc i16 {moved} to i8")


def _select(text: Text, node: Node) -> str:
    one, zero, condition = node.arguments
    kind = TYPES[node.width]
    chosen, other = text.value(one, node.width), text.value(zero, node.width)
    return text.put(f"select i1 {text.value(condition, 1)}, {kind} {chosen}, {kind} {other}")


_WRITERS: dict[str, Callable[[Text, Node], str]] = {
    "sum": _with_carry("add"),
    "sum.half": _half,
    "sum.overflow": _sum_overflow,
    "sum.carry": _carry,
    "difference": _with_carry("sub"),
    "difference.half": _half,
    "difference.overflow": _difference_overflow,
    "difference.borrow": _borrow,
    "add_words": _binary("add"),
    "subtract_words": _binary("sub"),
    "multiply": _multiply,
    "both": _binary("and"),
    "either": _binary("or"),
    "differ": _binary("xor"),
    "complement": lambda text, node: text.put(f"xor i8 {text.value(node.arguments[0], 8)}, 255"),
    "negate": lambda text, node: text.put(f"xor i1 {text.value(node.arguments[0], 1)}, true"),
    "bit": _bit,
    "with_bit": _with_bit,
    "is_zero": _is_zero,
    "shift_right": _shift_right,
    "swap_halves": _swap,
    "double": lambda text, node: text.put(f"shl i16 {text.value(node.arguments[0], 16)}, 1"),
    "join": _join,
    "low": lambda text, node: text.put(f"trunc i16 {text.value(node.arguments[0], 16)} to i8"),
    "high": _high,
    "select": _select,
}
