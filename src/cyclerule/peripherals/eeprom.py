"""The EEPROM: reads and writes through EEAR, EEDR and EECR, with the time a write takes.

Datasheet: ATmega48A/…/328P DS40002061A sec. 8.4 and 8.6; EEMWE and EEWE are EEMPE and EEPE on older parts.
"""

from enum import IntEnum
from fractions import Fraction
from functools import partial
from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.power import TIMED_SEQUENCE_CYCLES, Clock

READ_HALT, WRITE_HALT = 4, 2
"""Cycles for which a read and a write halt the CPU before the next instruction: sec. 8.4.1."""

READY_VECTORS = ("EE_READY", "EE_RDY", "EEREADY", "EEPROM_READY", "EEPROM_Ready", "SIG_EEPROM_READY")

PART_OF_WRITE = Fraction(18, 10_000)
"""Seconds that erasing or writing alone takes, sec. 8.6.3 table 8-1; both in one take `write_seconds`."""


class Mode(IntEnum):
    """EEPM1:0: what setting EEPE does."""

    ERASE_AND_WRITE = 0
    ERASE = 1
    WRITE = 2
    RESERVED = 3


def write_seconds(chip: Chip) -> Fraction | None:
    """Gives the typical time of a write; None where it depends on the supply voltage or no document at hand says it.

    Calibrated RC oscillator cycles from the tables "EEPROM programming time": 26,368 at 8 MHz (DS40002061A table 8-2),
    27,072 (ATmega169P 8018 table 6-1; taken for the parts built like it); from memory: 67,584 (AT90CAN128 7679) and
    8,448 at 1 MHz (ATmega8 2486, ATmega16 2466, ATmega128 2467, ATmega162 2513, ATtiny26 1477).
    """
    part = chip.part
    if part.name.startswith(("at90s", "at90c")) or part.name in UNKNOWN_TIME:
        return None
    if part.name.startswith("at90can"):
        return Fraction(67_584, 8_000_000)
    if "EEPM0" in part.bits or part.name.startswith("at90pwm"):
        return Fraction(26_368, 8_000_000)
    if "PRR" in part.registers:
        return Fraction(27_072, 8_000_000)
    return Fraction(8_448, 1_000_000)


UNKNOWN_TIME = frozenset({"attiny12", "attiny15", "attiny22", "atmega103", "atmega161", "atmega163", "atmega323"})


class Eeprom:
    """The EEPROM of a chip; its content is `Chip.eeprom`.

    UNVERIFIED: that a read or a write asked for while a write is in progress does nothing and halts nothing; a board
    that reads TCNT1 around it would settle it. UNVERIFIED: that writing EEMPE again starts its four cycles anew; a
    board that writes EEMPE, EEMPE and EEPE two cycles apart would settle it.
    """

    def __init__(self, chip: Chip, clock: Clock) -> None:
        self.chip = chip
        bus, bits, registers = chip.bus, chip.part.bits, chip.part.registers
        self._control = bus.address("EECR") or 0
        self._data = bus.address("EEDR") or 0
        self._low = registers["EEARL" if "EEARL" in registers else "EEAR"].address
        high = bus.address("EEARH")
        # Address bits that the part lacks read as zero.
        self._address_mask = (1 << (len(chip.eeprom) - 1).bit_length()) - 1
        self._high = high if self._address_mask > 0xFF else None
        self._read_bit, self._write_bit, self._master_bit = 1, 2, 4
        self._ready_enable = 1 << bits["EERIE"] if "EERIE" in bits and _ready_vector(chip) is not None else 0
        self._mode_shift = bits.get("EEPM0")
        self._kept_mask = self._ready_enable | (0 if self._mode_shift is None else 3 << self._mode_shift)
        self._kept = 0
        self._armed: int | None = None
        self._pending: tuple[int, int] | None = None
        # Places written since the state was set, and what they held then.
        self._written: set[int] = set()
        self.content_before = bytes(chip.eeprom)
        self._vector = _ready_vector(chip)
        bus.attach(self._control, None, self._write_control)
        bus.attach(self._data, None, None)
        bus.attach(self._low, None, partial(self._write_address, self._low, self._address_mask & 0xFF))
        if high is not None:
            bus.attach(high, None, partial(self._write_address, high, self._address_mask >> 8))
        self._disarm = chip.events.alarm(self._times_out)
        self._done = clock.timed(self._finish, "writing to EEPROM", outlives_reset=True)
        chip.add(self)

    @property
    def is_busy(self) -> bool:
        """Whether a write is in progress."""
        return self._pending is not None

    # Registers.

    def _write_address(self, place: int, own: int, value: int, mask: int, cycle: int) -> None:
        data = self.chip.data
        if self.is_busy:
            self.chip.bus.report_assumed("EEAR", "written while the EEPROM is busy, which does not change it")
            return
        data[place] = (data[place] & ~mask | value & mask) & own

    @property
    def _address(self) -> int:
        data = self.chip.data
        high = 0 if self._high is None else data[self._high]
        return (high << 8 | data[self._low]) % len(self.chip.eeprom)

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        bits = value & mask
        armed, busy = self._armed, self.is_busy
        kept = self._kept_mask & mask
        # EEPM cannot be changed while a write is in progress: sec. 8.6.3.
        if busy:
            kept &= self._ready_enable
        self._kept = self._kept & ~kept | bits & kept
        if mask & self._master_bit:
            self._armed = cycle if bits & self._master_bit else None
            if self._armed is not None:
                self._disarm.set(cycle + TIMED_SEQUENCE_CYCLES)
        if bits & self._write_bit and not busy and armed is not None and cycle - armed <= TIMED_SEQUENCE_CYCLES:
            self._begin_write(cycle)
        elif bits & self._read_bit:
            self._read()
        self._update(cycle)

    def _read(self) -> None:
        if self.is_busy:
            self.chip.bus.report_assumed("EECR", "a read while the EEPROM is busy, which gives nothing")
            return
        place = self._address
        value = self.chip.data[self._data] = self.chip.eeprom[place]
        if self.chip.on_eeprom_read is not None and place not in self._written:
            self.chip.on_eeprom_read(place, value)
        self.chip.bus.halt(READ_HALT)

    def _begin_write(self, cycle: int) -> None:
        chip = self.chip
        seconds = write_seconds(chip)
        if seconds is None:
            raise NotModelled(
                f"writing to the EEPROM of {chip.part.name} takes a time that its model lacks "
                "(it depends on the supply voltage)"
            )
        mode = Mode.ERASE_AND_WRITE if self._mode_shift is None else Mode(self._kept >> self._mode_shift & 3)
        if mode is Mode.RESERVED:
            raise NotModelled("EECR: writing to EEPROM in the reserved mode EEPM = 3 is not modelled")
        if mode is not Mode.ERASE_AND_WRITE:
            seconds = PART_OF_WRITE
        old, given = chip.eeprom[self._address], chip.data[self._data]
        # Writing alone can only clear bits; erasing sets them all.
        self._pending = self._address, (given, 0xFF, old & given)[mode]
        self._written.add(self._address)
        self._done.set_in(seconds, cycle)
        chip.bus.halt(WRITE_HALT)
        chip.bus.report_assumed(
            "EECR", f"a write to EEPROM is taken to last its typical {float(1000 * seconds):.1f} ms; chips differ"
        )

    def _finish(self, cycle: int) -> None:
        if self._pending is not None:
            address, value = self._pending
            self.chip.eeprom[address] = value
        self._pending = None
        self._update(cycle)

    def _times_out(self, cycle: int) -> None:
        self._update(cycle)

    def _update(self, cycle: int) -> None:
        armed = self._armed
        is_armed = armed is not None and cycle - armed < TIMED_SEQUENCE_CYCLES
        value = self._kept | is_armed * self._master_bit | self.is_busy * self._write_bit
        self.chip.data[self._control] = value
        if self._vector is not None:
            # A constant interrupt while EEPE is clear: sec. 8.6.3.
            self.chip.interrupts.set_request(self._vector, self._kept & self._ready_enable and not self.is_busy)

    def at_reset(self, cycle: int) -> None:
        """Resets the registers; a write in progress is completed, and EEPM kept for it: sec. 8.6.3."""
        keeps = self._kept_mask & ~self._ready_enable if self.is_busy else 0
        self._kept &= keeps
        self._armed = None
        self._update(cycle)

    def save(self) -> Any:
        """Gives the content and what is in progress."""
        return bytes(self.chip.eeprom), self._kept, self._armed, self._pending

    def restore(self, saved: Any) -> None:
        """Sets them."""
        content, self._kept, self._armed, self._pending = saved
        self.chip.eeprom[:] = content
        self._written.clear()
        self.content_before = content


def _ready_vector(chip: Chip) -> int | None:
    vectors = chip.part.vectors
    return next((vectors[name] for name in READY_VECTORS if name in vectors), None)


def has_eeprom(chip: Chip) -> bool:
    """Whether the part has an EEPROM that is reached through EECR."""
    names = chip.part.registers
    return bool(chip.eeprom) and "EECR" in names and "EEDR" in names and bool({"EEAR", "EEARL"} & set(names))
