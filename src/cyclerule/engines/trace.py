"""From flash to the intermediate form: instructions traced once each, and the regions they make up."""

from functools import cache

from cyclerule.engines.ir import Argument, Block, Operation, Ref, Region, Translated, check
from cyclerule.isa.opaque import Opaque, Value
from cyclerule.isa.record import Instruction
from cyclerule.isa.table import Decoded, InstructionTable
from cyclerule.isa.text import assembly
from cyclerule.machine.chip import Chip

LONGEST_REGION = 1_500
"""Instructions after which a region goes no further and hands over to another one."""

_RESULT_WIDTHS = {"add_with_carry": (8, 1, 1, 1), "subtract_with_borrow": (8, 1, 1, 1)}


@cache
def trace_instruction(instruction: Instruction, operands: tuple[int, ...]) -> tuple[Operation, ...]:
    """Runs an instruction's meaning on opaque values and gives what it asked for, in order."""
    steps = Opaque().run(instruction, operands)
    number = {id(step): n for n, step in enumerate(steps)}
    widths: dict[int, tuple[int, ...]] = {}
    operations = []
    for step in steps:
        arguments: list[Argument] = []
        for given in step.given:
            if isinstance(given, Value):
                place = number[id(given.step)]
                widths.setdefault(place, (given.width,))
                arguments.append(Ref(place, given.result, given.width))
            else:
                arguments.append(given)
        operations.append(Operation(step.operation, tuple(arguments)))
    return tuple(
        operation._replace(results=_RESULT_WIDTHS.get(operation.name, _result_width(operation)))
        for operation in operations
    )


def _result_width(operation: Operation) -> tuple[int, ...]:
    name = operation.name
    if name in ("both", "either", "differ", "select"):
        return (next(a.width for a in operation.arguments if isinstance(a, Ref)),)
    if name in ("flag", "negate", "bit", "is_zero", "io_read_bit"):
        return (1,)
    if name in ("add_words", "subtract_words", "multiply", "double", "join"):
        return (16,)
    if name in (
        "read",
        "complement",
        "with_bit",
        "shift_right",
        "swap_halves",
        "low",
        "high",
        "load",
        "pop",
        "load_flash",
        "io_read",
        "flash_page",
        "jump_page",
    ):
        return (8,)
    return ()


class Tracer:
    """Makes regions of the code in a chip's flash."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._table: InstructionTable = chip.table

    def decode(self, word: int) -> Decoded | None:
        """Gives the instruction at a flash word; None when it is none or its time is not known."""
        chip = self._chip
        decoded = self._table.decode(chip.word(word), chip.word((word + 1) % chip.flash_words))
        return None if decoded is None or decoded.instruction.cycles.varies else decoded

    def translate(self, word: int) -> Translated | None:
        """Gives the instruction at a flash word in the intermediate form; None when it cannot be executed."""
        decoded = self.decode(word)
        if decoded is None:
            return None
        chip = self._chip
        after = (word + decoded.instruction.words) % chip.flash_words
        following = self._table.words(chip.word(after))
        operations = trace_instruction(decoded.instruction, decoded.operands)
        text = assembly(decoded.instruction, decoded.operands)
        return Translated(word, decoded.instruction.words, decoded.timing, text, operations, following)

    def region(self, entry: int, splits: frozenset[int] = frozenset()) -> Region | None:
        """Gives the region of an entry, with a block starting at each word of `splits`; None where it cannot begin."""
        found: dict[int, Translated] = {}
        leaders = {entry}
        waiting = [entry]
        callees: set[int] = set()
        while waiting and len(found) < LONGEST_REGION:
            word = waiting.pop()
            while word not in found and len(found) < LONGEST_REGION:
                each = self.translate(word)
                if each is None:
                    break
                found[word] = each
                inside, callee = self._follow(each)
                if callee is not None:
                    callees.add(callee)
                if each.flow is None and not each.stands_apart and self.after(each) > word:
                    word = self.after(each)
                    continue
                leaders.update(inside)
                waiting.extend(inside)
                break
        if entry not in found:
            return None
        region = Region(entry, self._blocks(found, leaders | splits), frozenset(callees))
        check(region)
        return region

    def after(self, each: Translated) -> int:
        """Gives the word after an instruction; after the last word of flash comes the first."""
        return (each.word + each.words) % self._chip.flash_words

    def _follow(self, each: Translated) -> tuple[tuple[int, ...], int | None]:
        """Gives the words where control may go on inside the region, and the word called."""
        words = self._chip.flash_words
        after = self.after(each)
        flow = each.flow
        if flow is None:
            # What stands apart is carried out elsewhere, and control comes back through the dispatcher.
            return (() if each.stands_apart else (after,)), None
        match flow.name:
            case "branch":
                offset = flow.arguments[1]
                return (after, (after + _plain(offset)) % words), None
            case "skip":
                return (after, (after + each.following) % words), None
            case "jump_by":
                return ((after + _plain(flow.arguments[0])) % words,), None
            case "jump_to":
                return (_plain(flow.arguments[0]) % words,), None
            case "call_by":
                return (after,), (after + _plain(flow.arguments[0])) % words
            case "call_to":
                return (after,), _plain(flow.arguments[0]) % words
            case "call_indirect":
                return (after,), None
            case _:
                return (), None

    def _blocks(self, found: dict[int, Translated], leaders: set[int]) -> dict[int, Block]:
        blocks: dict[int, Block] = {}
        for leader in sorted(leaders & found.keys()):
            block = Block(leader)
            word = leader
            while word in found:
                each = found[word]
                block.instructions.append(each)
                word = self.after(each)
                # A block ends with flash: the first word comes after the last one, not behind it.
                if each.flow is not None or each.stands_apart or word in leaders or word <= each.word:
                    break
            last = block.instructions[-1]
            inside = self._follow(last)[0] if last.flow is not None or last.stands_apart else (word,)
            block.successors = tuple(dict.fromkeys(w for w in inside if w in found and w in leaders))
            blocks[leader] = block
        return blocks


def _plain(argument: Argument) -> int:
    if isinstance(argument, Ref):
        raise TypeError(f"{argument} where a plain integer belongs")
    return argument
