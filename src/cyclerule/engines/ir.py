"""The intermediate form: instructions of a stretch of code as lists of typed operations.

It is the vocabulary of `isa.operations`, with values numbered instead of computed. A Region is what
is translated at a time: the blocks that control reaches from one entry without a call or return.

    region   = entry word, blocks by first word
    block    = instructions, one after the other; only the last may change the flow
    instruction = operations, with the address, text and cycles of what they came from
    operation   = name, arguments (earlier results or plain integers), widths of its results
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from cyclerule.isa.record import Timing

BIT, BYTE, WORD = 1, 8, 16


class Ref(NamedTuple):
    """A result of an earlier operation of the same instruction: its number, which result, and its width in bits."""

    operation: int
    result: int
    width: int

    def __str__(self) -> str:
        tail = f".{self.result}" if self.result else ""
        return f"v{self.operation}{tail}:{self.width}"


Argument = Ref | int | bool


class Operation(NamedTuple):
    """One operation: its name in the vocabulary, its arguments, and the widths of its results."""

    name: str
    arguments: tuple[Argument, ...]
    results: tuple[int, ...] = ()


# The operations that change where control goes; an instruction has at most one and it is the last.
FLOW = frozenset(
    {
        "branch",
        "skip",
        "jump_by",
        "jump_to",
        "jump_indirect",
        "call_by",
        "call_to",
        "call_indirect",
        "return_from_call",
        "return_from_interrupt",
    }
)

# Operations that only an exact, slower path carries out: the engine leaves compiled code for them.
APART = frozenset({"sleep", "stop_for_debugger", "store_flash", "encrypt_round"})


@dataclass(frozen=True)
class Translated:
    """One instruction: its flash word, length, timing, assembly text and operations.

    `following` is the length in words of the instruction after it, which a skip passes over.
    """

    word: int
    words: int
    timing: Timing
    text: str
    operations: tuple[Operation, ...]
    following: int = 1

    @property
    def flow(self) -> Operation | None:
        """The operation that changes where control goes, None when the next instruction follows."""
        last = self.operations[-1] if self.operations else None
        return last if last is not None and last.name in FLOW else None

    @property
    def stands_apart(self) -> bool:
        """Whether an engine has to leave compiled code for it."""
        return any(operation.name in APART for operation in self.operations)


@dataclass
class Block:
    """Instructions that run one after the other; `successors` are words of the region where control may go next."""

    word: int
    instructions: list[Translated] = field(default_factory=list)
    successors: tuple[int, ...] = ()

    @property
    def after(self) -> int:
        """The word after the block's last instruction."""
        last = self.instructions[-1]
        return last.word + last.words


@dataclass
class Region:
    """The blocks reached from an entry without a call or return, and the words it calls directly."""

    entry: int
    blocks: Mapping[int, Block]
    callees: frozenset[int]

    def instructions(self) -> Iterator[Translated]:
        """Gives every instruction, block by block."""
        for block in self.blocks.values():
            yield from block.instructions


class RegionError(ValueError):
    """A region that breaks a rule of the form; the message names the instruction."""


# Widths of arguments (0 for a plain integer, 9 for any width but alike) and of results.
_ALIKE = 9
_SIGNATURES: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
    "read": ((0,), (BYTE,)),
    "write": ((0, BYTE), ()),
    "flag": ((0,), (BIT,)),
    "set_flag": ((0, BIT), ()),
    "add_with_carry": ((BYTE, BYTE, BIT), (BYTE, BIT, BIT, BIT)),
    "subtract_with_borrow": ((BYTE, BYTE, BIT), (BYTE, BIT, BIT, BIT)),
    "add_words": ((WORD, WORD), (WORD,)),
    "subtract_words": ((WORD, WORD), (WORD,)),
    "multiply": ((BYTE, BYTE, 0, 0), (WORD,)),
    "both": ((_ALIKE, _ALIKE), (_ALIKE,)),
    "either": ((_ALIKE, _ALIKE), (_ALIKE,)),
    "differ": ((_ALIKE, _ALIKE), (_ALIKE,)),
    "complement": ((BYTE,), (BYTE,)),
    "negate": ((BIT,), (BIT,)),
    "bit": ((_ALIKE, 0), (BIT,)),
    "with_bit": ((BYTE, 0, BIT), (BYTE,)),
    "is_zero": ((_ALIKE,), (BIT,)),
    "shift_right": ((BYTE, BIT), (BYTE,)),
    "swap_halves": ((BYTE,), (BYTE,)),
    "double": ((WORD,), (WORD,)),
    "join": ((BYTE, BYTE), (WORD,)),
    "low": ((WORD,), (BYTE,)),
    "high": ((WORD,), (BYTE,)),
    "select": ((_ALIKE, _ALIKE, BIT), (_ALIKE,)),
    "load": ((WORD,), (BYTE,)),
    "store": ((WORD, BYTE), ()),
    "push": ((BYTE,), ()),
    "pop": ((), (BYTE,)),
    "load_flash": ((BYTE, WORD), (BYTE,)),
    "io_read": ((0,), (BYTE,)),
    "io_write": ((0, BYTE), ()),
    "io_read_bit": ((0, 0), (BIT,)),
    "io_write_bit": ((0, 0, 0), ()),
    "flash_page": ((), (BYTE,)),
    "set_flash_page": ((BYTE,), ()),
    "jump_page": ((), (BYTE,)),
    "branch": ((BIT, 0), ()),
    "skip": ((BIT,), ()),
    "jump_by": ((0,), ()),
    "jump_to": ((0,), ()),
    "jump_indirect": ((BYTE, WORD), ()),
    "call_by": ((0,), ()),
    "call_to": ((0,), ()),
    "call_indirect": ((BYTE, WORD), ()),
    "return_from_call": ((), ()),
    "return_from_interrupt": ((), ()),
    "sleep": ((), ()),
    "reset_watchdog": ((), ()),
    "stop_for_debugger": ((), ()),
    "store_flash": ((0,), ()),
    "encrypt_round": ((0,), ()),
}


def check(region: Region) -> None:
    """Raises RegionError when a region breaks a rule: order, widths, results, flow at the end, known successors."""
    if region.entry not in region.blocks:
        raise RegionError(f"the entry 0x{2 * region.entry:04x} is in no block")
    for block in region.blocks.values():
        if not block.instructions:
            raise RegionError(f"block 0x{2 * block.word:04x} is empty")
        word = block.word
        for number, each in enumerate(block.instructions):
            if each.word != word:
                raise RegionError(f"{_where(each)} does not follow the one before it")
            word += each.words
            if number + 1 < len(block.instructions) and (each.flow is not None or each.stands_apart):
                raise RegionError(f"{_where(each)} changes the flow inside a block")
            _check_operations(each)
        unknown = [word for word in block.successors if word not in region.blocks]
        if unknown:
            raise RegionError(f"block 0x{2 * block.word:04x} goes on at 0x{2 * unknown[0]:04x}, which is in no block")


def _check_operations(instruction: Translated) -> None:
    results: list[tuple[int, ...]] = []
    for number, operation in enumerate(instruction.operations):
        signature = _SIGNATURES.get(operation.name)
        if signature is None:
            raise RegionError(f"{_where(instruction)}: there is no operation {operation.name}")
        if operation.name in FLOW and number + 1 < len(instruction.operations):
            raise RegionError(f"{_where(instruction)}: {operation.name} is not last")
        wanted, given = signature
        if len(wanted) != len(operation.arguments):
            raise RegionError(f"{_where(instruction)}: {operation.name} takes {len(wanted)} arguments")
        alike = {
            a.width for a, w in zip(operation.arguments, wanted, strict=True) if w == _ALIKE and isinstance(a, Ref)
        }
        if len(alike) > 1 or (_ALIKE in wanted and not alike):
            raise RegionError(f"{_where(instruction)}: {operation.name} of different widths")
        any_width = alike.pop() if alike else 0
        for argument, width in zip(operation.arguments, wanted, strict=True):
            _check_argument(instruction, operation, argument, any_width if width == _ALIKE else width, results)
        expected = tuple(any_width if width == _ALIKE else width for width in given)
        if operation.results != expected:
            raise RegionError(f"{_where(instruction)}: {operation.name} gives {expected}, not {operation.results}")
        results.append(operation.results)


def _check_argument(
    instruction: Translated, operation: Operation, argument: Argument, width: int, results: list[tuple[int, ...]]
) -> None:
    if not isinstance(argument, Ref):
        if width and not 0 <= int(argument) < 1 << width:
            raise RegionError(f"{_where(instruction)}: {argument} does not fit {operation.name}")
        return
    if width == 0:
        raise RegionError(f"{_where(instruction)}: {operation.name} takes a plain integer, not {argument}")
    if argument.operation >= len(results) or argument.result >= len(results[argument.operation]):
        raise RegionError(f"{_where(instruction)}: {argument} is used before it is made")
    if argument.width != width or results[argument.operation][argument.result] != width:
        raise RegionError(f"{_where(instruction)}: {argument} where {width} bits belong in {operation.name}")


def _where(instruction: Translated) -> str:
    return f"{instruction.text} at 0x{2 * instruction.word:04x}"


def region_text(region: Region) -> str:
    """Writes a region, with the address and text of each instruction above its operations."""
    lines = [f"region 0x{2 * region.entry:04x}"]
    for word in sorted(region.blocks):
        block = region.blocks[word]
        lines.append(f"block 0x{2 * word:04x} -> {', '.join(f'0x{2 * s:04x}' for s in block.successors) or 'out'}")
        for each in block.instructions:
            lines.append(f"  0x{2 * each.word:04x}  {each.text}  [{each.timing.base} cycles]")
            for number, operation in enumerate(each.operations):
                arguments = ", ".join(str(argument) for argument in operation.arguments)
                made = f"v{number} = " if operation.results else ""
                lines.append(f"    {made}{operation.name}({arguments})")
    return "\n".join(lines) + "\n"
