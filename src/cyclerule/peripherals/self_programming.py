"""Self-programming: SPMCSR (SPMCR on older parts), the temporary page buffer, and SPM with the times it takes.

Datasheet: ATmega48A/…/328P DS40002061A sec. 26 (without) and 27 (with a read-while-write section); ATmega8A 40001974
sec. 28. The boot loader section is taken to be the largest, BOOTSZ = 00, and SELFPRGEN as programmed.
"""

import re
from fractions import Fraction
from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.eeprom import Eeprom
from cyclerule.peripherals.power import TIMED_SEQUENCE_CYCLES, Clock

ENABLE, ERASE, WRITE, LOCK, READ_ENABLE, SIGNATURE, BUSY, INTERRUPT = (1 << bit for bit in range(8))
"""SPMEN (SELFPRGEN), PGERS, PGWRT, BLBSET (RFLB), RWWSRE (CTPB), SIGRD, RWWSB and SPMIE: sec. 27.9.1."""

OPERATION_SECONDS = Fraction(45, 10_000)
"""Page erase and page write: 3.7 ms to 4.5 ms (sec. 27.8.8 table 27-6); the longest is taken."""

VECTORS = ("SPM_READY", "SPM_RDY", "SPM_Ready")

# Bytes of the section that cannot be read while it is written: tables of boot sizes and of the read-while-write limit,
# DS40002061A tables 27-7 and 27-8 for the ATmega88, 168 and 328; the others from memory.
_NO_READ_WHILE_WRITE: tuple[tuple[str, int], ...] = (
    (r"atmega(8|88|168|16|162|164|165|169|8515|8535)(a|p|pa|pb)?", 2048),
    (r"atmega(328|32|324|325|3250|329|3290)(a|p|pa|pb)?|atmega(16|32)u[24]|atmega8u2", 4096),
    (r"atmega(64|128|640|1280|1281|2560|2561|644|1284|645|6450|649|6490)(a|p|pa)?", 8192),
    (r"at90(usb(64|128)[67]|can(32|64|128))", 8192),
)
_WHOLE = r"attiny.*|atmega48(a|p|pa|pb)?"
"""Parts without a boot loader section, whose CPU every operation halts."""


def first_unreadable(chip: Chip) -> int | None:
    """Gives the flash byte address from which on no-read-while-write begins; None where it is not known."""
    name = chip.part.name
    if re.fullmatch(_WHOLE, name):
        return 0
    size = next((size for pattern, size in _NO_READ_WHILE_WRITE if re.fullmatch(pattern, name)), None)
    return None if size is None else chip.part.flash_bytes - size


class SelfProgramming:
    """The flash as the program itself writes it.

    UNVERIFIED: that SPM takes four cycles besides an operation's own time, as the instruction set manual's table has it
    with a time "that varies"; a board that fills a page between two readings of TCNT1 would settle it. UNVERIFIED: that
    code and data read from the read-while-write section while it is busy are what was there before; a boot loader that
    reads such a byte while RWWSB is set would settle it.
    """

    def __init__(self, chip: Chip, clock: Clock, eeprom: Eeprom | None, unreadable: int) -> None:
        self.chip, self._clock, self._eeprom, self._unreadable = chip, clock, eeprom, unreadable
        part = chip.part
        self._register = "SPMCSR" if "SPMCSR" in part.registers else "SPMCR"
        self._address = chip.bus.address(self._register) or 0
        self._page_bytes = part.page_bytes
        self._has_boot_section = unreadable > 0
        self._buffer = bytearray(b"\xff" * self._page_bytes)
        self._kept = 0
        self._armed: tuple[int, int] | None = None
        self._is_busy_section = False
        self._pending: tuple[int, bytes] | None = None
        # Pages that were changed: what they hold, and what they held when the program was loaded.
        self._changed: dict[int, bytes] = {}
        self._loaded: dict[int, bytes] = {}
        self._vector = next((part.vectors[name] for name in VECTORS if name in part.vectors), None)
        chip.bus.attach(self._address, None, self._write)
        self._disarm = chip.events.alarm(self._times_out)
        self._done = clock.timed(self._finish, "programming flash", outlives_reset=True)
        chip.stores_flash = self._store
        chip.add(self)

    # SPMCSR.

    def _write(self, value: int, mask: int, cycle: int) -> None:
        bits = value & mask
        self._kept = self._kept & ~(mask & INTERRUPT) | bits & INTERRUPT
        # While an operation or a write to EEPROM goes on, nothing can be begun: sec. 27.8.4 and 27.9.1.
        is_free = self._pending is None and not (self._eeprom is not None and self._eeprom.is_busy)
        if bits & ENABLE and is_free:
            if bits & (SIGNATURE | LOCK) and not bits & (ERASE | WRITE):
                what = "the signature row" if bits & SIGNATURE else "lock bits and fuses"
                self.chip.bus.report_unmodelled(self._register, f"access to {what}")
            self._armed = cycle, bits & 0x3F
            self._disarm.set(cycle + TIMED_SEQUENCE_CYCLES)
        self._update(cycle)

    def _update(self, cycle: int) -> None:
        armed = self._armed
        operation = armed[1] if armed is not None and cycle - armed[0] < TIMED_SEQUENCE_CYCLES else 0
        busy = ENABLE if self._pending is not None else 0
        self.chip.data[self._address] = self._kept | operation | busy | (BUSY if self._is_busy_section else 0)
        if self._vector is not None:
            # It asks as long as SPMEN is clear: sec. 27.9.1, SPMIE.
            self.chip.interrupts.set_request(self._vector, self._kept & INTERRUPT and not operation and not busy)

    def _times_out(self, cycle: int) -> None:
        self._update(cycle)

    # SPM.

    def _store(self, start: int, end: int) -> int:
        """Does what SPMCSR was set to do; gives the cycles for which that halts the CPU."""
        chip, armed = self.chip, self._armed
        if armed is None or start - armed[0] > TIMED_SEQUENCE_CYCLES or self._pending is not None:
            return 0
        self._armed = None
        if self._has_boot_section and 2 * chip.bus.current_flash_word < self._unreadable:
            chip.bus.report_assumed(self._register, "SPM outside the boot loader section, where it does nothing")
            self._update(end)
            return 0
        halted = self._operate(armed[1], end)
        self._update(end)
        return halted

    def _operate(self, operation: int, end: int) -> int:
        place = self._pointer()
        page = place - place % self._page_bytes
        match operation:
            case 0x01:  # SPMEN alone fills a word of the buffer.
                offset = place % self._page_bytes & ~1
                if self._buffer[offset : offset + 2] != b"\xff\xff":
                    self.chip.bus.report_unmodelled(self._register, "filling a word of the page buffer twice")
                self._buffer[offset : offset + 2] = self.chip.data[0:2]
                self._is_busy_section = False
                return 0
            case 0x03:
                return self._begin(page, b"\xff" * self._page_bytes, end)
            case 0x05:
                # Writing can only clear bits.
                old = self.chip.flash[page : page + self._page_bytes]
                written = bytes(a & b for a, b in zip(old, self._buffer, strict=True))
                self._buffer[:] = b"\xff" * self._page_bytes
                return self._begin(page, written, end)
            case 0x11:
                self._is_busy_section = False
                self._buffer[:] = b"\xff" * self._page_bytes
                return 0
            case _:
                raise NotModelled(f"SPM with {self._register} = 0x{operation:02x} is not modelled")

    def _pointer(self) -> int:
        chip = self.chip
        high = chip.data[chip.part.registers["RAMPZ"].address] if "RAMPZ" in chip.part.registers else 0
        return (high << 16 | chip.data[31] << 8 | chip.data[30]) % len(chip.flash)

    def _begin(self, page: int, content: bytes, end: int) -> int:
        self.chip.bus.report_assumed(
            self._register, "erasing or writing a page of flash is taken to last 4.5 ms; chips take 3.7 to 4.5 ms"
        )
        self._pending = page, content
        ticks = self._clock.ticks_in(OPERATION_SECONDS, "programming flash")
        if page < self._unreadable:
            # The section that is written cannot be read meanwhile, the other one runs on: sec. 27.5.
            self._is_busy_section = True
            self._done.set_at(end, ticks)
            return 0
        halted = -(-ticks // self._clock.divisor)
        self._finish(end)
        return halted

    def _finish(self, cycle: int) -> None:
        if self._pending is not None:
            self._put(*self._pending)
        self._pending = None
        self._update(cycle)

    def _put(self, page: int, content: bytes) -> None:
        flash = self.chip.flash
        self._loaded.setdefault(page, bytes(flash[page : page + self._page_bytes]))
        self._changed[page] = content
        self.chip.write_flash(page, content)

    def at_reset(self, cycle: int) -> None:
        """Keeps the flash and lets an operation end; the register and the buffer are cleared."""
        self._kept, self._armed, self._is_busy_section = 0, None, False
        self._buffer[:] = b"\xff" * self._page_bytes
        self._update(cycle)

    def save(self) -> Any:
        """Gives the state, with the pages that were changed."""
        own = bytes(self._buffer), self._kept, self._armed, self._is_busy_section, self._pending
        return own, tuple(self._changed.items())

    def restore(self, saved: Any) -> None:
        """Sets the state, flash included."""
        (buffer, self._kept, self._armed, self._is_busy_section, self._pending), changed = saved
        self._buffer[:] = buffer
        wanted = dict(changed)
        for page in {**self._changed, **wanted}:
            if wanted.get(page) != self._changed.get(page):
                self.chip.write_flash(page, wanted.get(page, self._loaded[page]))
        self._changed = wanted


def fit_self_programming(chip: Chip, clock: Clock, eeprom: Eeprom | None) -> SelfProgramming | None:
    """Gives a chip what SPM needs; None where its sections or its page are not known."""
    unreadable = first_unreadable(chip)
    names = chip.part.registers
    if unreadable is None or not chip.part.page_bytes or not {"SPMCSR", "SPMCR"} & set(names):
        return None
    return SelfProgramming(chip, clock, eeprom, unreadable)
