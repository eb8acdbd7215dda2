"""The reference engine: the meaning of each instruction run directly on Python integers.

It shares nothing with the compiling engines but the meanings themselves, so it can convict them.
"""

from collections.abc import Callable, Container
from functools import partial

from cyclerule.engines.engine import Stop
from cyclerule.errors import FaultError, NotModelled, UnknownInstruction
from cyclerule.isa.operations import I
from cyclerule.isa.record import Timing
from cyclerule.machine.chip import EIND, RAMPZ, Chip
from cyclerule.machine.events import NEVER

IO_OFFSET = 0x20

# Things to look at before the next instruction; together in one integer so that the usual case costs one test.
_SHADOW, _IDLE, _STOP, _BREAK = 1, 2, 4, 8

_Decoded = tuple[Callable[[], None], Timing, int]


class Reference:
    """An engine whose values are integers. It is also the set of operations that the instructions use."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.instructions = 0
        self._data = chip.data
        self._flags = chip.flags
        self._bus = chip.bus
        self._ram_start, self._ram_end = chip.ram_start, chip.ram_end
        self._decoded: list[_Decoded | None] = [None] * chip.flash_words
        self._attention = 0
        self._stops_at_break = False
        # The instruction at work: its place, the cycle after it and the word after it, which it may move.
        self._pc = 0
        self._start = 0
        self._end = 0
        self._next = 0
        self._timing = Timing(0, 0)
        chip.on_flash_change.append(self._forget)

    # The loop.

    def run(  # noqa: C901, PLR0912, PLR0915 - one loop: a call for each part of it would cost a fifth of its speed
        self,
        limit: int,
        *,
        exits: Container[int] = (),
        entries: Container[int] = (),
        stops_at_break: bool = False,
    ) -> Stop:
        """Executes from the chip's state until a reason to stop; see `Engine.run`."""
        chip, decoded, flags = self.chip, self._decoded, self._flags
        events, interrupts = chip.events, chip.interrupts
        self._stops_at_break = stops_at_break
        # A stop asked for at the boundary at which the last run stopped for another reason is still to come.
        asked = self._attention & _STOP
        self._attention = asked | (_SHADOW if chip.interrupt_shadow else 0) | (_IDLE if chip.is_asleep else 0)
        pc, cycle, executed = chip.program_counter, chip.cycle, 0
        is_first = True
        try:
            while True:
                if events.next_cycle <= cycle:
                    events.run_until(cycle)
                    if not chip.is_asleep:
                        # A turn of a jump to itself during which something happened says nothing of the turns to come.
                        self._attention &= ~_IDLE
                attention = self._attention
                # Asleep, control has not come to the next instruction yet; a BREAK stops at its own address.
                if pc in exits and not (is_first or attention & _BREAK or chip.is_asleep):
                    return Stop.AT_EXIT
                if cycle >= limit:
                    return Stop.LIMIT
                if attention:
                    if attention & _STOP:
                        self._attention &= ~_STOP
                        return Stop.REQUESTED
                    if attention & _BREAK:
                        self._attention &= ~_BREAK
                        executed -= 1
                        return Stop.AT_BREAK
                    if attention & _IDLE:
                        self._attention &= ~_IDLE
                        asks = interrupts.requests & interrupts.wakers if chip.is_asleep else interrupts.requests
                        if not (asks and flags[I] and interrupts.delivers):
                            passed = self._pass_idle_time(pc, cycle, limit, entries)
                            if passed is None:
                                return Stop.HALTED
                            if chip.is_asleep:
                                chip.asleep_cycles += passed[0] - cycle
                            cycle, turns = passed
                            executed += turns
                            if chip.is_asleep or cycle >= limit or events.next_cycle <= cycle:
                                self._attention |= _IDLE if chip.is_asleep else 0
                                continue
                if interrupts.requests and flags[I] and interrupts.delivers and not attention & _SHADOW:
                    if chip.is_asleep:
                        chip.is_asleep = False
                        waking = interrupts.wake_cycles + (0 if chip.wakes is None else chip.wakes(cycle))
                        cycle += waking
                        chip.asleep_cycles += waking
                        # UNVERIFIED: that of requests which come while the CPU is halted after waking the lowest
                        # vector is served, not the one that woke it; two timers set to match a few cycles apart on
                        # a sleeping board would settle it.
                        events.run_until(cycle)
                        # A level that is gone before the CPU runs again has woken it, "but no interrupt will be
                        # generated": DS40002061A sec. 13.
                        if not interrupts.requests:
                            is_first = False
                            continue
                    pc = self._enter_handler(pc, cycle)
                    cycle += interrupts.response_cycles
                    is_first = False
                    continue
                if not is_first and pc in entries:
                    return Stop.AT_ENTRY
                self._attention &= ~_SHADOW
                chip.interrupt_shadow = False
                is_first = False
                found = decoded[pc]
                if found is None:
                    self._pc, self._start = pc, cycle
                    found = self._decode(pc)
                execute, timing, words = found
                self._pc = pc
                self._timing = timing
                self._start = cycle
                self._end = cycle + timing.base
                self._next = pc + words
                execute()
                executed += 1
                cycle = self._end
                pc = self._next
                if pc >= chip.flash_words:
                    pc %= chip.flash_words
                if chip.interrupt_shadow:
                    self._attention |= _SHADOW
        except FaultError as fault:
            # A device does not know which instruction touched it.
            if not fault.address and not fault.cycle:
                fault.address, fault.cycle = 2 * self._pc, self._start
            raise
        finally:
            chip.program_counter, chip.cycle = pc, cycle
            self.instructions += executed

    def request_stop(self) -> None:
        """Stops the run at the next instruction boundary."""
        self._attention |= _STOP

    def forget_code(self) -> None:
        """Drops what was decoded from flash."""
        self._decoded[:] = [None] * len(self._decoded)

    def _forget(self, first: int, end: int) -> None:
        # The word before may be the first of two.
        first = max(0, first - 1)
        self._decoded[first:end] = [None] * (end - first)

    def _decode(self, pc: int) -> _Decoded:
        chip = self.chip
        word, second = chip.word(pc), chip.word((pc + 1) % chip.flash_words)
        decoded = chip.table.decode(word, second)
        if decoded is None:
            raise UnknownInstruction(
                f"word 0x{word:04x} at 0x{2 * pc:04x} is no {chip.core.family} instruction of {chip.part.name}; "
                "was flash past the program executed?",
                address=2 * pc,
                cycle=self._start,
            )
        instruction, operands, timing = decoded
        if instruction.cycles.varies and (instruction.feature != "SPM" or chip.stores_flash is None):
            raise NotModelled(
                f"{instruction.mnemonic} at 0x{2 * pc:04x} takes a time that depends on programming: not modelled",
                address=2 * pc,
                cycle=self._start,
            )
        found = (partial(instruction.meaning, self, *operands), timing, instruction.words)
        self._decoded[pc] = found
        return found

    def _enter_handler(self, pc: int, cycle: int) -> int:
        chip = self.chip
        self._pc, self._start = pc, cycle
        stack_pointer = chip.stack_pointer
        vector = chip.interrupts.accept(cycle, stack_pointer)
        self._push_return_address(pc)
        self._flags[I] = 0
        return vector * chip.interrupts.vector_words

    def _pass_idle_time(self, pc: int, cycle: int, limit: int, entries: Container[int]) -> tuple[int, int] | None:
        """Goes on to the next event while nothing else happens: (cycle, turns of a self-jump), or None for ever."""
        # UNVERIFIED: that an enabled request does not wake a chip whose I flag is clear; a board that sleeps with I
        # clear and a timer running would settle it.
        chip = self.chip
        if not chip.is_asleep and pc in entries:
            # The jump to itself has come to an entry.
            return cycle, 0
        following = chip.events.next_cycle
        if following == NEVER:
            return None
        target = min(following, limit)
        if chip.is_asleep:
            return max(cycle, target), 0
        length = self._end - self._start
        turns = max(0, target - cycle) // length
        return cycle + turns * length, turns

    def _fault(self, message: str) -> FaultError:
        return FaultError(message, address=2 * self._pc, cycle=self._start)

    # Registers and flags.

    def read(self, register: int) -> int:
        return self._data[register]

    def write(self, register: int, value: int) -> None:
        self._data[register] = value

    def flag(self, flag: int) -> int:
        return self._flags[flag]

    def set_flag(self, flag: int, value: int) -> None:
        if flag == I and value and not self._flags[I]:
            # The instruction after SEI runs before any waiting interrupt: DS40002198 sec. 6.104.1.
            self.chip.interrupt_shadow = True
        self._flags[flag] = value

    # Arithmetic.

    def add_with_carry(self, left: int, right: int, carry: int) -> tuple[int, int, int, int]:
        total = left + right + carry
        result = total & 0xFF
        return result, (left ^ right ^ total) >> 4 & 1, ((left ^ result) & (right ^ result)) >> 7, total >> 8

    def subtract_with_borrow(self, left: int, right: int, borrow: int) -> tuple[int, int, int, int]:
        total = left - right - borrow
        result = total & 0xFF
        return result, (left ^ right ^ total) >> 4 & 1, ((left ^ right) & (left ^ result)) >> 7, total >> 8 & 1

    def add_words(self, left: int, right: int) -> int:
        return left + right & 0xFFFF

    def subtract_words(self, left: int, right: int) -> int:
        return left - right & 0xFFFF

    def multiply(self, left: int, right: int, left_signed: bool, right_signed: bool) -> int:
        if left_signed and left & 0x80:
            left -= 0x100
        if right_signed and right & 0x80:
            right -= 0x100
        return left * right & 0xFFFF

    # Logic.

    def both(self, left: int, right: int) -> int:
        return left & right

    def either(self, left: int, right: int) -> int:
        return left | right

    def differ(self, left: int, right: int) -> int:
        return left ^ right

    def complement(self, value: int) -> int:
        return value ^ 0xFF

    def negate(self, bit: int) -> int:
        return bit ^ 1

    # Parts of values.

    def bit(self, value: int, position: int) -> int:
        return value >> position & 1

    def with_bit(self, value: int, position: int, bit: int) -> int:
        return value & ~(1 << position) | bit << position

    def is_zero(self, value: int) -> int:
        return 0 if value else 1

    def shift_right(self, value: int, high: int) -> int:
        return value >> 1 | high << 7

    def swap_halves(self, value: int) -> int:
        return (value << 4 | value >> 4) & 0xFF

    def double(self, value: int) -> int:
        return value << 1 & 0xFFFF

    def join(self, high: int, low: int) -> int:
        return high << 8 | low

    def low(self, value: int) -> int:
        return value & 0xFF

    def high(self, value: int) -> int:
        return value >> 8

    def select(self, condition: int, if_one: int, if_zero: int) -> int:
        return if_one if condition else if_zero

    # Memory.

    def load(self, address: int) -> int:
        if address >= self._ram_start:
            if address > self._ram_end:
                raise self._fault(self._no_memory("load from", address))
            return self._data[address]
        if address < IO_OFFSET:
            return self._data[address]
        self._bus.current_flash_word = self._pc
        return self._bus.read(address, self._end - 1)

    def store(self, address: int, value: int) -> None:
        if address >= self._ram_start:
            if address > self._ram_end:
                raise self._fault(self._no_memory("store to", address))
            self._data[address] = value
        elif address < IO_OFFSET:
            self._data[address] = value
        else:
            bus = self._bus
            bus.current_flash_word = self._pc
            bus.write(address, value, self._end)
            if bus.halted_cycles:
                self._end += bus.take_halt()

    def _no_memory(self, what: str, address: int) -> str:
        return f"{what} 0x{address:04x}, but {self.chip.part.name} has memory up to 0x{self._ram_end:04x} only"

    def push(self, value: int) -> None:
        chip = self.chip
        address = chip.stack_pointer
        if address <= chip.stack_floor or address > self._ram_end:
            raise self._stack_fault(address)
        self._data[address] = value
        chip.stack_pointer = address - 1 & chip.stack_pointer_mask
        if chip.stack_pointer < chip.lowest_stack_pointer:  # noqa: PLR1730 - quicker than min()
            chip.lowest_stack_pointer = chip.stack_pointer

    def _stack_fault(self, address: int) -> FaultError:
        chip = self.chip
        if "RAM" not in chip.core.features:
            message = f"{chip.part.name} has no RAM; its hardware stack of three return addresses is not modelled"
            return NotModelled(message, address=2 * self._pc, cycle=self._start)
        if address > self._ram_end or address < self._ram_start:
            return self._fault(f"the stack pointer is 0x{address:04x}, where {chip.part.name} has no RAM")
        return self._fault(
            f"the stack has grown down to 0x{address:04x}, into the program's data, "
            f"which end below 0x{chip.stack_floor + 1:04x}"
        )

    def pop(self) -> int:
        chip = self.chip
        address = chip.stack_pointer + 1 & chip.stack_pointer_mask
        if address > self._ram_end or address < self._ram_start:
            raise self._fault(f"nothing is left on the stack: the stack pointer is 0x{chip.stack_pointer:04x}")
        chip.stack_pointer = address
        return self._data[address]

    def load_flash(self, page: int, address: int) -> int:
        place = page << 16 | address
        flash = self.chip.flash
        # The bits of Z and RAMPZ above the size of flash are not connected, so addresses repeat.
        return flash[place] if place < len(flash) else flash[place % len(flash)]

    def io_read(self, address: int) -> int:
        self._bus.current_flash_word = self._pc
        return self._bus.read(address + IO_OFFSET, self._end - 1)

    def io_write(self, address: int, value: int) -> None:
        bus = self._bus
        bus.current_flash_word = self._pc
        bus.write(address + IO_OFFSET, value, self._end)
        if bus.halted_cycles:
            self._end += bus.take_halt()

    def io_read_bit(self, address: int, position: int) -> int:
        return self.io_read(address) >> position & 1

    def io_write_bit(self, address: int, position: int, bit: int) -> None:
        self._bus.current_flash_word = self._pc
        self._bus.write(address + IO_OFFSET, bit << position, self._end, 1 << position)
        if self._bus.halted_cycles:
            self._end += self._bus.take_halt()

    def flash_page(self) -> int:
        return self._data[RAMPZ]

    def set_flash_page(self, value: int) -> None:
        self._data[RAMPZ] = value

    def jump_page(self) -> int:
        return self._data[EIND]

    # Flow.

    def branch(self, condition: int, offset: int) -> None:
        if condition:
            self._next = (self._next + offset) % self.chip.flash_words
            self._end = self._start + self._timing.taken

    def skip(self, condition: int) -> None:
        if condition:
            chip = self.chip
            words = chip.table.words(chip.word(self._next % chip.flash_words))
            self._next += words
            self._end = self._start + self._timing.skipping(words)

    def jump_by(self, offset: int) -> None:
        if offset == -1:
            self._attention |= _IDLE
        self._next = (self._next + offset) % self.chip.flash_words

    def jump_to(self, word: int) -> None:
        if word == self._pc:
            self._attention |= _IDLE
        self._next = word

    def jump_indirect(self, page: int, word: int) -> None:
        self._next = page << 16 | word

    def call_by(self, offset: int) -> None:
        self._push_return_address(self._next % self.chip.flash_words)
        self._next = (self._next + offset) % self.chip.flash_words

    def call_to(self, word: int) -> None:
        self._push_return_address(self._next % self.chip.flash_words)
        self._next = word

    def call_indirect(self, page: int, word: int) -> None:
        self._push_return_address(self._next % self.chip.flash_words)
        self._next = page << 16 | word

    def _push_return_address(self, word: int) -> None:
        # The low byte is pushed first, so the address lies in memory with its high byte first.
        self.push(word & 0xFF)
        self.push(word >> 8 & 0xFF)
        if self.chip.core.pc_bytes == 3:
            self.push(word >> 16)

    def return_from_call(self) -> None:
        word = self.pop() << 16 if self.chip.core.pc_bytes == 3 else 0
        word |= self.pop() << 8
        self._next = word | self.pop()

    def return_from_interrupt(self) -> None:
        self.return_from_call()
        self.chip.interrupt_shadow = True
        self.chip.interrupts.note_return(self._end, self.chip.stack_pointer)

    # Control of the chip.

    def sleep(self) -> None:
        if self.chip.enters_sleep is not None and self.chip.enters_sleep(self._end):
            self.chip.is_asleep = True
            self._attention |= _IDLE

    def reset_watchdog(self) -> None:
        if self.chip.resets_watchdog is not None:
            self.chip.resets_watchdog(self._end)

    def stop_for_debugger(self) -> None:
        if self._stops_at_break:
            self._attention |= _BREAK
            self._next, self._end = self._pc, self._start

    def store_flash(self, advance: bool) -> None:
        if self.chip.stores_flash is None or advance:
            raise NotModelled("SPM is not modelled", address=2 * self._pc, cycle=self._start)
        self._bus.current_flash_word = self._pc
        self._end += self.chip.stores_flash(self._start, self._end)

    def encrypt_round(self, number: int) -> None:
        raise NotModelled("DES is not modelled", address=2 * self._pc, cycle=self._start)
