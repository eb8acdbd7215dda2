"""The whole program from reset: until something happens, with calls and register writes watched."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from cyclerule.engines.engine import Stop
from cyclerule.errors import ArgumentError, FaultError, UnknownName
from cyclerule.firmware.image import Image
from cyclerule.machine.bus import IoWrite
from cyclerule.machine.chip import Chip
from cyclerule.measure.layout import function_word
from cyclerule.measure.results import CallRow, CallStats, HandlerStats, Measured, Run
from cyclerule.measure.stage import Stage
from cyclerule.peripherals.serial.usart_transmitter import SentByte

KINDS_OF_END = "exit, break, cycles:N, serial:TEXT, function:NAME, line:FILE:N"


@dataclass
class Until:
    """Where a run is to stop: flash words on entry, BREAK, a cycle, or text on the serial port."""

    entries: frozenset[int] = frozenset()
    at_break: bool = False
    cycle: int | None = None
    serial: bytes | None = None


def read_until(until: str | None, image: Image, entry_word: Callable[[str], int]) -> Until:
    """Reads an end condition; `entry_word` gives the flash word of a function by its name.

    Raises ArgumentError for one of no kind, UnknownName for an unknown function or line.
    """
    if until is None:
        return Until()
    kind, colon, rest = until.partition(":")
    if kind == "exit" and not colon:
        words = [s.address // 2 for s in image.symbols if s.name in ("exit", "_exit") and s.space == "flash"]
        if not words:
            raise UnknownName("symbol", "exit", (), hint="the program has no exit routine to stop at")
        return Until(entries=frozenset(words))
    if kind == "break" and not colon:
        return Until(at_break=True)
    if kind == "cycles" and rest.replace("_", "").isdigit():
        return Until(cycle=int(rest.replace("_", "")))
    if kind == "serial" and rest:
        return Until(serial=rest.encode("utf-8"))
    if kind == "function" and rest:
        return Until(entries=frozenset({entry_word(rest)}))
    if kind == "line" and rest:
        return Until(entries=_line_entries(rest, image))
    raise ArgumentError(f"until={until!r} is not understood; the ends of a run are {KINDS_OF_END}")


def _line_entries(text: str, image: Image) -> frozenset[int]:
    file, _, number = text.rpartition(":")
    if not file or not number.isdigit():
        raise ArgumentError(f"until='line:{text}': write it as line:FILE:N, for example line:hive.c:41")
    rows = [row for row in image.lines.rows if not row.end_sequence and _same_file(row.file, file)]
    found = frozenset(row.address // 2 for row in rows if row.line == int(number) and row.is_statement)
    if not found:
        lines = sorted({row.line for row in rows})
        near = sorted(lines, key=lambda line: abs(line - int(number)))[:3]
        hint = f"lines with code near it: {', '.join(map(str, sorted(near)))}" if near else f"no code is from {file}"
        raise UnknownName("line with code", text, (), hint=hint)
    return found


def _same_file(recorded: str, asked: str) -> bool:
    recorded, asked = recorded.replace("\\", "/"), asked.replace("\\", "/")
    return recorded == asked or recorded.endswith("/" + asked) or asked.endswith("/" + recorded)


class _OpenCall(NamedTuple):
    word: int
    start_cycle: int
    return_word: int
    stack_pointer: int
    caller: str


@dataclass
class CallWatch:
    """Follows the calls of some functions through a run: entries by address, returns by return address and stack.

    `functions` are flash words by name; `longjmp` is that function's, None where the program has none.
    """

    stage: Stage
    functions: Mapping[str, int]
    longjmp: int | None
    open: list[_OpenCall] = field(default_factory=list)
    rows: dict[int, list[CallRow]] = field(default_factory=dict)
    exits: set[int] = field(default_factory=set)

    def at_entry(self) -> None:
        """Notes that control has come to the first instruction of a watched function."""
        chip = self.stage.chip
        word = chip.program_counter
        if word == self.longjmp:
            self._abandon(_target_of_longjmp(chip))
        if word not in self.functions.values():
            return
        return_word = _return_address(chip)
        stack_pointer = chip.stack_pointer + chip.core.pc_bytes
        # A jump back to the first instruction from inside the same activation is a loop, not a call.
        if any((c.word, c.return_word, c.stack_pointer) == (word, return_word, stack_pointer) for c in self.open):
            return
        self.open.append(_OpenCall(word, chip.cycle, return_word, stack_pointer, self._caller(return_word)))
        self.exits.add(return_word)

    def _abandon(self, stack_pointer: int) -> None:
        """Forgets the calls that a jump to this level of the stack leaves: they never return."""
        while self.open and self.open[-1].stack_pointer <= stack_pointer:
            self.open.pop()
        self._watch_returns()

    def _watch_returns(self) -> None:
        # The engine holds on to the set itself.
        self.exits.clear()
        self.exits.update(call.return_word for call in self.open)

    def at_exit(self) -> None:
        """Notes that control has come to an address that watched calls return to."""
        chip = self.stage.chip
        while self.open and self.open[-1].stack_pointer <= chip.stack_pointer:
            call = self.open[-1]
            if call.stack_pointer == chip.stack_pointer and call.return_word != chip.program_counter:
                break
            self.open.pop()
            # A frame below the stack pointer was left by a jump past it; it never returned.
            if call.stack_pointer == chip.stack_pointer:
                row = CallRow(call.start_cycle, chip.cycle - call.start_cycle, call.caller)
                self.rows.setdefault(call.word, []).append(row)
        self._watch_returns()

    def _caller(self, return_word: int) -> str:
        function = self.stage.image.function_at(2 * return_word - 2)
        if function is not None:
            return function.source_name
        return f"0x{2 * return_word:04x}"

    def stats(self) -> dict[str, CallStats]:
        """Gives the finished calls of each function, ordered by start."""
        return {name: CallStats(tuple(sorted(self.rows.get(word, ())))) for name, word in self.functions.items()}


def _target_of_longjmp(chip: Chip) -> int:
    """Gives the stack pointer that `longjmp` is going to set, from the buffer that its first argument points to.

    It lies behind the 18 registers that a function has to keep: avr-libc, setjmp.S.
    """
    place = chip.data[24] + (chip.data[25] << 8) + 18
    return int.from_bytes(chip.data[place : place + 2], "little") & chip.stack_pointer_mask


def _return_address(chip: Chip) -> int:
    data, top = chip.data, chip.stack_pointer
    word = 0
    for place in range(1, chip.core.pc_bytes + 1):
        address = top + place
        word = word << 8 | (data[address] if address <= chip.ram_end else 0xFF)
    return word


def run_program(
    stage: Stage,
    measured: Measured,
    until: Until,
    *,
    max_cycles: int,
    calls: Mapping[str, int],
    watch: Sequence[str],
) -> Run:
    """Runs a fresh stage's chip from reset, with the calls of functions followed, given as flash words by name.

    The stage is used up: its state is that of the stop.
    """
    chip = stage.chip
    log: list[IoWrite] = []
    chip.bus.log = log if watch else None
    registers = {name: _register_names(chip, name) for name in watch}
    if until.serial is not None:
        _stop_at_text(stage, until.serial)
    follow = CallWatch(stage, calls, function_word(stage.image, "longjmp") if calls else None)
    limit = max_cycles if until.cycle is None else min(until.cycle, max_cycles)
    entries = until.entries | frozenset(calls.values())
    if follow.longjmp is not None:
        entries |= {follow.longjmp}
    chip.interrupts.keeps_log = False
    stage.begin(measured.engine)
    stopped, fault = "max_cycles", None
    try:
        while True:
            stop = stage.run(limit, exits=follow.exits, entries=entries, stops_at_break=until.at_break)
            if stop is Stop.AT_EXIT:
                follow.at_exit()
            # The engine stops once at a word: a handler may return right to the first instruction of a function.
            if stop is Stop.AT_ENTRY or (stop is Stop.AT_EXIT and stage.goes_on_at(entries)):
                follow.at_entry()
                if chip.program_counter in until.entries:
                    stopped = "until"
                    break
            if stop in (Stop.AT_EXIT, Stop.AT_ENTRY):
                continue
            if stop is Stop.LIMIT:
                stopped = "until" if until.cycle is not None and until.cycle <= max_cycles else "max_cycles"
            else:
                stopped = "halted" if stop is Stop.HALTED else "until"
            break
    except FaultError as error:
        stopped, fault = "fault", str(stage.located(error))
    serial = stage.devices.serial
    return Run(
        measured=replace(measured, engine=stage.used),
        cycles=chip.cycle,
        instructions=stage.instructions,
        stopped=stopped,
        place=stage.place(2 * chip.program_counter),
        fault=fault,
        serial=bytes(sent.value for sent in serial.sent) if serial is not None else b"",
        calls=follow.stats(),
        watched={name: [write for write in log if write.register in names] for name, names in registers.items()},
        handlers=_handler_stats(chip),
        warnings=stage.warnings(),
    )


def _stop_at_text(stage: Stage, text: bytes) -> None:
    serial = stage.devices.serial
    if serial is None:
        raise ArgumentError(f"until='serial:…': {stage.chip.part.name} has no serial port")

    def listen(sent: SentByte) -> None:
        if sent.value == text[-1] and bytes(each.value for each in serial.sent[-len(text) :]) == text:
            stage.request_stop()

    serial.on_sent = listen


def _register_names(chip: Chip, name: str) -> frozenset[str]:
    register = chip.part.registers.get(name)
    if register is None:
        raise UnknownName("register", name, chip.part.registers, hint=f"of {chip.part.name}")
    return frozenset(chip.bus.name(register.address + byte) for byte in range(register.size_bytes))


def _handler_stats(chip: Chip) -> dict[str, HandlerStats]:
    return {
        chip.part.vector_name(vector) or f"vector {vector}": HandlerStats(*times)
        for vector, times in sorted(chip.interrupts.stats.items())
    }
