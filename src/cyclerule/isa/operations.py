"""The vocabulary in which every instruction is written once.

An instruction is a short function over these operations. Each engine supplies its own set: the
reference engine computes with integers, a compiling engine emits code, an analysis bounds values.
Machine values are opaque to the instruction: it may hand them on, never look into them. A host
`if`, comparison or arithmetic on one would be true for a single engine only, so values of the
other engines refuse it; `select`, `branch` and `skip` are the words for a decision.

Widths are fixed by the operation: a Bit is 0 or 1, a Byte 0..255, a Word 0..65535. Plain host
integers may stand wherever a constant is meant.
"""

from typing import Any, Protocol, TypeAlias

Bit: TypeAlias = Any
"""One bit, opaque."""

Byte: TypeAlias = Any
"""Eight bits, opaque."""

Word: TypeAlias = Any
"""Sixteen bits, opaque."""

# Positions in the status register SREG: AVR Instruction Set Manual DS40002198 sec. 2, "Status Register (SREG)".
C, Z, N, V, S, H, T, I = range(8)
FLAG_NAMES = "CZNVSHTI"


class Operations(Protocol):
    """What an instruction may ask of the machine that executes it."""

    # Registers and flags.

    def read(self, register: int) -> Byte:
        """Gives a general register, r0 to r31."""

    def write(self, register: int, value: Byte) -> None:
        """Sets a general register."""

    def flag(self, flag: int) -> Bit:
        """Gives a flag of the status register."""

    def set_flag(self, flag: int, value: Bit) -> None:
        """Sets a flag of the status register; the instruction after one that sets I runs before any interrupt."""

    # Arithmetic. Sums and differences come with what the flags need, so that each engine picks its own carry form.

    def add_with_carry(self, left: Byte, right: Byte, carry: Bit) -> tuple[Byte, Bit, Bit, Bit]:
        """Gives left + right + carry as (sum, carry out of bit 3, two's complement overflow, carry out of bit 7)."""

    def subtract_with_borrow(self, left: Byte, right: Byte, borrow: Bit) -> tuple[Byte, Bit, Bit, Bit]:
        """Gives left - right - borrow as (difference, borrow into bit 3's next, overflow, borrow out of bit 7)."""

    def add_words(self, left: Word, right: Word) -> Word:
        """Gives left + right modulo 65,536."""

    def subtract_words(self, left: Word, right: Word) -> Word:
        """Gives left - right modulo 65,536."""

    def multiply(self, left: Byte, right: Byte, left_signed: bool, right_signed: bool) -> Word:
        """Gives the 16-bit product, each factor read as signed or unsigned."""

    # Logic. The operands of one call have the same width, which is the width of the result.

    def both(self, left: Any, right: Any) -> Any:
        """Gives the bitwise and."""

    def either(self, left: Any, right: Any) -> Any:
        """Gives the bitwise or."""

    def differ(self, left: Any, right: Any) -> Any:
        """Gives the bitwise exclusive or."""

    def complement(self, value: Byte) -> Byte:
        """Gives the one's complement of a byte."""

    def negate(self, bit: Bit) -> Bit:
        """Gives the other bit."""

    # Parts of values.

    def bit(self, value: Byte | Word, position: int) -> Bit:
        """Gives one bit of a value."""

    def with_bit(self, value: Byte, position: int, bit: Bit) -> Byte:
        """Gives the byte with one bit replaced."""

    def is_zero(self, value: Byte | Word) -> Bit:
        """Gives 1 when every bit of the value is 0."""

    def shift_right(self, value: Byte, high: Bit) -> Byte:
        """Gives the byte shifted right by one, with `high` entering at bit 7."""

    def swap_halves(self, value: Byte) -> Byte:
        """Gives the byte with its two halves exchanged."""

    def double(self, value: Word) -> Word:
        """Gives the word shifted left by one."""

    def join(self, high: Byte, low: Byte) -> Word:
        """Gives the word made of two bytes."""

    def low(self, value: Word) -> Byte:
        """Gives bits 7 to 0 of a word."""

    def high(self, value: Word) -> Byte:
        """Gives bits 15 to 8 of a word."""

    def select(self, condition: Bit, if_one: Any, if_zero: Any) -> Any:
        """Gives one of two values; the only way to choose between values."""

    # Memory. Each access happens in the last of the instruction's own cycles.

    def load(self, address: Word) -> Byte:
        """Gives a byte of data space, where registers and I/O lie too."""

    def store(self, address: Word, value: Byte) -> None:
        """Sets a byte of data space."""

    def push(self, value: Byte) -> None:
        """Stores a byte at the stack pointer, then moves the stack pointer down."""

    def pop(self) -> Byte:
        """Moves the stack pointer up, then loads the byte there."""

    def load_flash(self, page: Byte, address: Word) -> Byte:
        """Gives a byte of program memory at `page` times 65,536 plus `address`, in bytes."""

    def io_read(self, address: int) -> Byte:
        """Gives an I/O register by its I/O address, 0 to 63."""

    def io_write(self, address: int, value: Byte) -> None:
        """Sets an I/O register by its I/O address."""

    def io_read_bit(self, address: int, position: int) -> Bit:
        """Gives one bit of an I/O register."""

    def io_write_bit(self, address: int, position: int, bit: int) -> None:
        """Sets one bit of an I/O register to a constant."""

    def flash_page(self) -> Byte:
        """Gives RAMPZ, the bits above Z for ELPM; 0 where the part has none."""

    def set_flash_page(self, value: Byte) -> None:
        """Sets RAMPZ where the part has it."""

    def jump_page(self) -> Byte:
        """Gives EIND, the bits above Z for EIJMP and EICALL."""

    # Flow. `branch` and `skip` charge the path's own cycles as the instruction's record has them.

    def branch(self, condition: Bit, offset: int) -> None:
        """Goes on at the next instruction plus `offset` words when the condition is 1."""

    def skip(self, condition: Bit) -> None:
        """Passes over the next instruction, whatever its length, when the condition is 1."""

    def jump_by(self, offset: int) -> None:
        """Goes on at the next instruction plus `offset` words."""

    def jump_to(self, word: int) -> None:
        """Goes on at a flash word."""

    def jump_indirect(self, page: Byte, word: Word) -> None:
        """Goes on at flash word `page` times 65,536 plus `word`."""

    def call_by(self, offset: int) -> None:
        """Pushes the address of the next instruction and goes on `offset` words after it."""

    def call_to(self, word: int) -> None:
        """Pushes the address of the next instruction and goes on at a flash word."""

    def call_indirect(self, page: Byte, word: Word) -> None:
        """Pushes the address of the next instruction and goes on at flash word `page` times 65,536 plus `word`."""

    def return_from_call(self) -> None:
        """Pops the program counter."""

    def return_from_interrupt(self) -> None:
        """Pops the program counter and lets one instruction run before the next interrupt."""

    # Control of the chip.

    def sleep(self) -> None:
        """Stops the CPU until an interrupt, when sleeping is enabled."""

    def reset_watchdog(self) -> None:
        """Starts the watchdog's time anew."""

    def stop_for_debugger(self) -> None:
        """Marks the word 0x9598; a chip without a debugger goes on."""

    def store_flash(self, advance: bool) -> None:
        """Does what SPM is set up to do; with `advance` Z moves to the next word."""

    def encrypt_round(self, number: int) -> None:
        """Does one round of DES on r0 to r15."""
