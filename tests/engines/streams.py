"""Random programs: functions of random instructions that branch, skip, load, store, push, call and touch I/O.

A program is drawn so that it runs on for a while instead of faulting at once: pointers mostly point into RAM,
pushes mostly have their pops, calls mostly go to functions and loops mostly count. Each of these has its
exceptions, for the exceptions are where engines differ.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from cyclerule.isa.families import Core
from cyclerule.isa.record import Instruction
from cyclerule.isa.table import InstructionTable, table_for
from cyclerule.parts.part import Part

FLOW = frozenset(
    {
        *("RJMP", "JMP", "RCALL", "CALL", "ICALL", "IJMP", "EIJMP", "EICALL", "RET", "RETI", "BRBS", "BRBC", "CPSE"),
        *("SBRC", "SBRS", "SBIC", "SBIS", "SLEEP", "BREAK", "SPM"),
    }
)
POINTERS = {"X": 26, "Y": 28, "Z": 30}
SREG, SPL, SPH = 0x3F, 0x3D, 0x3E


@dataclass
class Piece:
    """One instruction of a function: its record, and its operands, of which one may be a label in the program."""

    instruction: Instruction
    operands: tuple[int, ...]
    target: str = ""


@dataclass
class Program:
    """A random program: the contents of flash, the words at which its functions begin and all words with code."""

    flash: bytes
    entries: tuple[int, ...]
    words: tuple[int, ...]


@dataclass
class Writer:
    """Draws a program for a part; `functions` of about `length` instructions from flash word `start` on."""

    part: Part
    random: Random
    functions: int
    length: int
    start: int
    _pieces: list[Piece | str] = field(default_factory=list)

    def __post_init__(self) -> None:
        part = self.part
        self.table: InstructionTable = table_for(Core(part.family, frozenset(part.features), part.pc_bytes))
        self.by_name: dict[str, list[Instruction]] = {}
        for each in self.table.instructions:
            self.by_name.setdefault(each.mnemonic, []).append(each)
        self.plain = [i for i in self.table.instructions if i.mnemonic not in FLOW and not i.cycles.varies]
        self.memory = [i for i in self.plain if i.mnemonic in ("LD", "LDD", "ST", "STD")]
        self.labels = 0
        self.function = 0
        self.ways: list[tuple[float, Callable[[], None]]] = [
            (60, self._any),
            (14, self._through_pointer),
            (6, self._skip),
            (6, self._branch),
            (2, self._loop),
            (4, self._call),
            (4, self._around_the_stack),
            (4, self._io),
            (3, self._fixed_address),
            (1, self._jump),
            (0.7, self._indirect),
            (1.2, self._control),
            (0.3, self._rare),
        ]

    def program(self) -> Program:
        """Draws the program."""
        for number in range(self.functions):
            self.function = number
            self._pieces.append(f"f{self.function}")
            end = len(self._pieces) + self.random.randint(self.length // 2, self.length * 3 // 2)
            while len(self._pieces) < end:
                self._one()
            self._end()
        return self._placed()

    # What a function is made of.

    def _one(self) -> None:
        weights = [weight for weight, _ in self.ways]
        self.random.choices(self.ways, weights)[0][1]()

    def _put(self, name: str, *operands: int, target: str = "", number: int = 0) -> None:
        forms = self.by_name.get(name)
        if forms:
            self._pieces.append(Piece(forms[number], operands, target))

    def _operands(self, each: Instruction) -> tuple[int, ...]:
        """Draws operands; where a register is called for, a few come up more often, so that values travel."""
        pattern, random = each.pattern, self.random
        drawn = []
        for letter, kind in each.operands.items():
            width = pattern.field_width(letter)
            bits = random.getrandbits(width)
            if letter in "dr" and random.random() < 0.4:
                bits = random.choice((0, 1, 2, (1 << width) - 1))
            drawn.append(kind.value(bits, width))
        return tuple(drawn)

    def _any(self) -> None:
        each = self.random.choice(self.plain)
        if each.mnemonic in ("LDS", "STS"):
            self._fixed_address()
        elif each in self.memory:
            self._through_pointer()
        elif each.mnemonic in ("PUSH", "POP"):
            self._around_the_stack()
        elif each.mnemonic in ("IN", "OUT", "SBI", "CBI"):
            self._io()
        elif each.mnemonic == "BSET" and self.random.random() < 0.7:
            self._put("BSET", self.random.randrange(7))
        else:
            self._pieces.append(Piece(each, self._operands(each)))

    def _address(self) -> int:
        """Draws a data address: mostly in RAM, at times a register, an I/O register, an edge or nothing at all."""
        random, part = self.random, self.part
        kind = random.random()
        if kind < 0.84:
            return random.randint(part.ram_start, part.ram_end)
        if kind < 0.9:
            return random.randrange(part.ram_start)
        if kind < 0.94:
            return random.choice((0x20 + SREG, 0x20 + SPL, 0x20 + SPH, 0x5B, 0x5C, 31, 30, 27, 26, 24))
        if kind < 0.99:
            return random.choice(
                (part.ram_start, part.ram_end, part.ram_start - 1, part.ram_start + 1, part.ram_end - 1)
            )
        return random.getrandbits(16)

    def _through_pointer(self) -> None:
        each = self.random.choice(self.memory)
        register = POINTERS[next(letter for letter in "XYZ" if letter in each.syntax)]
        if self.random.random() < 0.98:
            address = self._address()
            self._put("LDI", register, address & 0xFF)
            self._put("LDI", register + 1, address >> 8)
        for _ in range(self.random.choice((1, 1, 2, 5))):
            operands = self._operands(each)
            # A load into its own pointer mostly ends in a fault, so it is rare.
            while (
                each.mnemonic in ("LD", "LDD")
                and operands[0] in (register, register + 1)
                and self.random.random() < 0.97
            ):
                operands = self._operands(each)
            self._pieces.append(Piece(each, operands))

    def _fixed_address(self) -> None:
        if "LDS" in self.by_name:
            if self.random.random() < 0.5:
                self._put("LDS", self.random.randrange(32), self._address())
            else:
                self._put("STS", self._address(), self.random.randrange(32))

    def _skip(self) -> None:
        name = self.random.choice(("CPSE", "SBRC", "SBRS", "SBIC", "SBIS"))
        each = self.by_name[name][0]
        self._pieces.append(Piece(each, self._operands(each)))
        if self.random.random() < 0.3:
            self._fixed_address()
        if self.random.random() < 0.2:
            self._skip()

    def _label(self) -> str:
        self.labels += 1
        return f"l{self.labels}"

    def _branch(self) -> None:
        label = self._label()
        name = self.random.choice(("BRBS", "BRBC"))
        self._put(name, self.random.randrange(7), 0, target=label)
        for _ in range(self.random.randint(0, 5)):
            self._one()
        self._pieces.append(label)

    def _loop(self) -> None:
        label, register = self._label(), self.random.randint(16, 25)
        self._put("LDI", register, self.random.randint(1, 12))
        self._pieces.append(label)
        for _ in range(self.random.randint(1, 6)):
            self._one()
        self._put("DEC", register)
        self._put("BRBC", 1, 0, target=label)

    def _call(self) -> None:
        onward = self.function + 1 < self.functions and self.random.random() < 0.97
        place = (
            self.random.randrange(self.function + 1, self.functions)
            if onward
            else self.random.randrange(self.functions)
        )
        target = f"f{place}"
        if "CALL" in self.by_name and self.random.random() < 0.5:
            self._put("CALL", 0, target=target)
        else:
            self._put("RCALL", 0, target=target)

    def _around_the_stack(self) -> None:
        random = self.random
        registers = [random.randrange(32) for _ in range(random.randint(1, 4))]
        if random.random() < 0.03:
            self._put(random.choice(("PUSH", "POP")), registers[0])
            return
        for register in registers:
            self._put("PUSH", register)
        for _ in range(random.randint(0, 4)):
            self._any()
        for register in reversed(registers):
            self._put("POP", register if random.random() < 0.9 else random.randrange(32))

    def _io(self) -> None:
        random = self.random
        name = random.choice(("IN", "OUT", "SBI", "CBI", "IN", "OUT"))
        if name in ("SBI", "CBI"):
            self._put(name, random.randrange(32), random.randrange(8))
            return
        if random.random() < 0.2:
            # The pointer is read, changed a little and written back, as at the start of a function with a frame.
            self._put("IN", 28, SPL)
            self._put("IN", 29, SPH)
            self._put("SBIW", 28, random.choice((0, 1, 2, 6)))
            self._put("IN", 0, SREG)
            self._put("BCLR", 7)
            self._put("OUT", SPH, 29)
            self._put("OUT", SREG, 0)
            self._put("OUT", SPL, 28)
            return
        address = random.randrange(64) if random.random() < 0.8 else random.choice((SREG, 0x3B, 0x3C))
        if name == "OUT" and address in (SPL, SPH) and random.random() < 0.95:
            return
        register = random.randrange(32)
        self._put(name, *((register, address) if name == "IN" else (address, register)))

    def _jump(self) -> None:
        label = self._label()
        far = "JMP" in self.by_name and self.random.random() < 0.5
        if self.random.random() < 0.15:
            label = f"f{self.random.randrange(self.functions)}"
            self._put("JMP" if far else "RJMP", 0, target=label)
            return
        self._put("JMP" if far else "RJMP", 0, target=label)
        for _ in range(self.random.randint(0, 3)):
            self._any()
        self._pieces.append(label)

    def _indirect(self) -> None:
        label = self._label()
        random = self.random
        name = random.choice(("IJMP", "ICALL", "EIJMP", "EICALL"))
        if name not in self.by_name:
            return
        target = label if name.endswith("JMP") else f"f{random.randrange(self.functions)}"
        if random.random() < 0.95:
            self._put("LDI", 30, 0, target="low:" + target)
            self._put("LDI", 31, 0, target="high:" + target)
        if name.startswith("E") and random.random() < 0.95:
            self._put("LDI", 16, 0, target="top:" + target)
            self._put("OUT", 0x3C, 16)
        self._put(name)
        self._pieces.append(label)

    def _control(self) -> None:
        random = self.random
        kind = random.randrange(8)
        if kind < 3:
            self._put("BSET", 7)
        elif kind < 5:
            self._put("BCLR", 7)
        elif kind == 5:
            self._put(random.choice(("NOP", "WDR", "SLEEP", "BREAK")))
        elif kind == 6:
            self._put("OUT", SREG, random.randrange(32))
        else:
            self._put("IN", random.randrange(32), SREG)

    def _rare(self) -> None:
        random = self.random
        kind = random.randrange(5)
        if kind == 0:
            self._put("RJMP", -1)
        elif kind == 1:
            self._put(random.choice(("RET", "RETI")))
        elif kind == 2:
            each = random.choice(self.table.instructions)
            self._pieces.append(Piece(each, self._operands(each)))
        elif kind == 3 and "LDS" in self.by_name:
            # A jump into the second word of a two-word instruction, whose address makes a word of its own.
            label = self._label()
            self._put("BRBS", random.randrange(7), 0, target=f"{label}+1")
            self._pieces.append(label)
            self._put("STS", self._address(), random.randrange(32))
        else:
            self._put("OUT", random.choice((SPL, SPH)), random.randrange(32))

    def _end(self) -> None:
        random = self.random
        kind = random.random()
        if kind < 0.9:
            self._put("RET")
        elif kind < 0.95:
            self._put("RETI")
        else:
            self._put("RJMP", 0, target=f"f{random.randrange(self.functions)}")

    # Where everything goes.

    def _placed(self) -> Program:
        labels: dict[str, int] = {}
        words: list[int] = []
        word = self.start
        size = self.part.flash_bytes // 2
        for piece in self._pieces:
            if isinstance(piece, str):
                labels[piece] = word % size
            else:
                words.append(word % size)
                word += piece.instruction.words
        flash = bytearray(b"".join(self._filling(word, labels).to_bytes(2, "little") for word in range(size)))
        places = iter(words)
        for piece in self._pieces:
            if isinstance(piece, str):
                continue
            place = next(places)
            for number, value in enumerate(piece.instruction.encode(*self._resolved(piece, place, labels))):
                at = 2 * ((place + number) % size)
                flash[at : at + 2] = value.to_bytes(2, "little")
        entries = tuple(labels[f"f{number}"] for number in range(self.functions))
        return Program(bytes(flash), entries, tuple(words))

    def _filling(self, word: int, labels: dict[str, int]) -> int:
        """Gives what flash holds at a word without code: mostly a way to a function, so vectors lead there too."""
        if self.random.random() < 0.1:
            return 0xFFFF
        size = self.part.flash_bytes // 2
        target = labels[f"f{self.random.randrange(self.functions)}"]
        distance = (target - word - 1 + size // 2) % size - size // 2
        if -2048 <= distance < 2048:
            return self.by_name["RJMP"][0].encode(distance)[0]
        return self.by_name["RET"][0].encode()[0]

    def _resolved(self, piece: Piece, place: int, labels: dict[str, int]) -> tuple[int, ...]:
        if not piece.target:
            return piece.operands
        part, _, name = piece.target.rpartition(":")
        name, _, more = name.partition("+")
        target = labels[name] + int(more or 0)
        name = piece.instruction.mnemonic
        if part:
            shift = {"low": 0, "high": 8, "top": 16}[part]
            return (piece.operands[0], target >> shift & 0xFF)
        if name in ("JMP", "CALL"):
            return (target,)
        size = self.part.flash_bytes // 2
        width = 7 if name.startswith("BR") else 12
        half = 1 << width - 1
        distance = (target - place - 1 + size // 2) % size - size // 2
        if not -half <= distance < half:
            # Too far for this form: a short hop forward instead.
            distance = 1
        return (*piece.operands[:-1], distance)
