"""External interrupts INTn: a low level, any edge, a falling or a rising one.

Datasheets: ATmega48A/…/328P DS40002061A sec. 13, ATmega640/1280/1281/2560/2561 2549Q sec. 15, ATmega16 2466 and
ATmega128 2467, "External Interrupts". A pin that is an output asks as well, so a program can cause its own.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.flags import FlagRegisters, Source
from cyclerule.peripherals.pin_watch import PinWatch, WatchedPin
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Ports

LOW_LEVEL, ANY_EDGE, FALLING, RISING = range(4)

# UNVERIFIED: that an edge sets INTFn three clocks after the pin has changed at a clock edge, as the counter of a timer
# moves 2.5 to 3.5 clocks after an edge on its pin (DS40002061A sec. 17), and with edges that are registered without the
# clock (INT3:0 of the ATmega2560) as well. A program that toggles its own INT0 pin, executes a row of NOPs and reads in
# the handler how far it came would settle it.
EDGE_DELAY = 3
# UNVERIFIED: that a low level asks and ceases to ask one clock after the pin has changed, as PINx changes; the same
# program with INT0 set for the low level would settle it.
LEVEL_DELAY = 1


def mask_register(part: Part) -> str | None:
    """Names the register with the enable bits INTn; None for parts that have it otherwise."""
    if "INT0" not in part.bits:
        return None
    return next((name for name in ("EIMSK", "GICR", "GIMSK") if name in part.registers), None)


def request_registers(chip: Chip) -> FlagRegisters | None:
    """Makes the registers of the interrupts of pins; the ATmega8 and others have those of pin changes in them too."""
    part = chip.part
    mask = mask_register(part)
    if mask is None:
        return None
    flags = next((name for name in ("EIFR", "GIFR") if name in part.registers), None)
    # The AT90S1200 has no flag register (datasheet 0838H).
    # From the ATmega48 on the pin changes have registers of their own.
    pattern = r"INT\d" if "PCICR" in part.registers else r"INT\d|PCIE\d?"
    names = {part.bits[name]: name for name in part.bits if re.fullmatch(pattern, name)}
    others = ("IVSEL", "IVCE") if mask == "GICR" else ()
    address = None if flags is None else part.registers[flags].address
    return FlagRegisters(chip, address, part.registers[mask].address, names, others)


class ExternalInterrupts:
    """All INTn of a chip whose pins are known."""

    def __init__(self, chip: Chip, registers: FlagRegisters, ports: Ports, watch: PinWatch) -> None:
        self.interrupts: dict[int, ExternalInterrupt] = {}
        for number in range(8):
            made = _make(chip, number, registers, ports, watch)
            if made is not None:
                self.interrupts[number] = made
        bits = {bit for number in self.interrupts for bit in sense_bits(chip.part, number)}
        for register in sorted({register for register, _ in bits}):
            names = [name for at, name in bits if at == register]
            chip.bus.claim(register, names, partial(self._sense, register))
        registers.on_enable.append(lambda cycle: self._enable())
        chip.add(self)

    def _sense(self, register: str, value: int, cycle: int) -> None:
        for each in self.interrupts.values():
            if register in each.bits:
                each.read_sense(register, value)

    def _enable(self) -> None:
        for each in self.interrupts.values():
            each.enable()

    def wakes_without_clock(self, vector: int) -> bool:
        """Tells whether a vector's interrupt is noticed while the I/O clock stands: low levels, and some edges.

        DS40002061A sec. 13 (level); ATmega2560 2549Q table 15-1 and ATmega16 2466, INT2 (edges).
        """
        return any(each.is_asynchronous for each in self.interrupts.values() if each.source.vector == vector)

    def save(self) -> Any:
        """Gives what each interrupt senses."""
        return tuple(each.sense for each in self.interrupts.values())

    def restore(self, saved: Any) -> None:
        """Sets what was saved."""
        for each, sense in zip(self.interrupts.values(), saved, strict=True):
            each.set_sense_quietly(sense)


@dataclass(eq=False)
class ExternalInterrupt:
    """One INTn: its flag and enable bit, its pin, and what it senses."""

    chip: Chip
    number: int
    source: Source
    pin: WatchedPin
    bits: Mapping[str, tuple[str, ...]]
    sense: int = LOW_LEVEL

    @property
    def is_asynchronous(self) -> bool:
        """Whether it needs no clock to notice what it senses."""
        return self.sense == LOW_LEVEL or has_asynchronous_edges(self.chip.part, self.number)

    def read_sense(self, register: str, value: int) -> None:
        """Takes the interrupt's own bits of a register that was written."""
        part = self.chip.part
        names = self.bits[register]
        bits = sum((value >> part.bits[name] & 1) << n for n, name in enumerate(names))
        # One bit alone, ISC2, chooses between the edges: ATmega16 datasheet 2466, MCUCSR.
        sense = FALLING + bits if len(names) == 1 else bits
        if sense == self.sense:
            return
        if sense == ANY_EDGE and not has_any_edge(part, self.number):
            self.chip.bus.report_unmodelled(register, f"sensing 01 of INT{self.number}, which is reserved,")
        # UNVERIFIED: that a change of what is sensed sets no flag by itself ("an interrupt can occur", ATmega2560
        # datasheet 2549Q sec. 15.2.1); a board that changes ISC0 with INT0 off and reads INTF0 would settle it.
        self.set_sense_quietly(sense)
        if sense == LOW_LEVEL:
            # "Always cleared when INT0 is configured as a level interrupt": DS40002061A sec. 13.2.3.
            self.source.put(False)
        self.enable()

    def set_sense_quietly(self, sense: int) -> None:
        """Sets what is sensed, and nothing that follows from it."""
        self.sense = sense
        self.pin.delay = LEVEL_DELAY if sense == LOW_LEVEL else EDGE_DELAY
        self.pin.keeps_pulses = sense != LOW_LEVEL and self.is_asynchronous
        self.pin.needs_clock = sense != LOW_LEVEL and not self.is_asynchronous

    def enable(self) -> None:
        """Watches the pin where that can matter, and lets a level ask."""
        # An edge sets the flag whether the interrupt is enabled or not; a level leaves no trace.
        self.pin.want(self.sense != LOW_LEVEL or self.source.is_enabled)
        holds = self.sense == LOW_LEVEL and self.source.is_enabled and not self.pin.level
        if holds != self.source.holds:
            self.source.hold(holds)

    def change(self, level: bool, cycle: int) -> None:
        """Takes a level that has come through the synchroniser."""
        if self.sense == LOW_LEVEL:
            self.source.hold(not level)
        elif self.sense == ANY_EDGE or level == (self.sense == RISING):
            self.source.put(True)


def sense_bits(part: Part, number: int) -> Iterator[tuple[str, str]]:
    """Gives register and name of the bits that choose what INTn senses, the lower one first."""
    shared = f"ISC{number}0" not in part.bits and f"ISC{number}" not in part.bits and "EICR" not in part.registers
    # On the ATtiny261/461/861 INT1 has no bits of its own (datasheet 2588F, MCUCR).
    of = 0 if shared else number
    register = next((name for name in _sense_registers(number) if name in part.registers), None)
    if f"ISC{of}1" in part.bits and f"ISC{of}0" in part.bits:
        if register is not None:
            yield register, f"ISC{of}0"
            yield register, f"ISC{of}1"
    elif f"ISC{of}" in part.bits:
        # ISC2: ATmega16 datasheet 2466 (MCUCSR), ATmega162 2513 and ATmega8515 2512 (EMCUCR).
        yield ("EMCUCR" if "EMCUCR" in part.registers else "MCUCSR"), f"ISC{of}"


def _sense_registers(number: int) -> tuple[str, ...]:
    return ("EICRA", "MCUCR") if number < 4 else ("EICRB", "EICR")


def has_asynchronous_edges(part: Part, number: int) -> bool:
    """Tells whether a part registers the edges of INTn without the clock.

    INT3:0 where there is EICRB (ATmega2560 datasheet 2549Q sec. 15.2.1; ATmega128 2467, EICRA), INT2:0 of ATmega164 to
    ATmega1284 (8272, EICRA; from memory), and INT2 with its one bit (ATmega16 2466, MCUCSR; ATmega162 2513, EMCUCR).
    """
    if "EICRB" in part.registers:
        return number < 4
    return f"ISC{number}" in part.bits or bool(re.match(r"atmega(164|324|644|1284)", part.name))


def has_any_edge(part: Part, number: int) -> bool:
    """Tells whether 01 is any edge; on the first parts, ATmega103, and INT3:0 of ATmega64 and ATmega128 it is reserved.

    AT90S8515 datasheet 0841G, MCUCR; ATmega128 2467, table of EICRA; the ATmega103 and ATmega64 from memory.
    """
    if part.name.startswith("at90s") or part.name == "atmega103":
        return False
    return not (number < 4 and re.fullmatch(r"atmega(64|128)a?", part.name))


def _make(chip: Chip, number: int, registers: FlagRegisters, ports: Ports, watch: PinWatch) -> ExternalInterrupt | None:
    part = chip.part
    vector = next((part.vectors[name] for name in (f"INT{number}", f"EXT_INT{number}") if name in part.vectors), None)
    pin = ports.pin(pin_of(part, f"INT{number}"))
    enable, flag = part.bits.get(f"INT{number}"), part.bits.get(f"INTF{number}")
    if vector is None or pin is None or enable is None:
        return None
    # INT3:0 of the ATmega103 have no flags, as levels need none; the AT90S1200 has its one out of reach.
    source = registers.add_source(enable if flag is None else flag, enable, vector)
    bits: dict[str, tuple[str, ...]] = {}
    for register, name in sense_bits(part, number):
        bits[register] = (*bits.get(register, ()), name)
    watched = watch.add(pin, LEVEL_DELAY)
    made = ExternalInterrupt(chip, number, source, watched, bits)
    watched.action = made.change
    if bits and len(next(iter(bits.values()))) == 1:
        made.set_sense_quietly(FALLING)
        watched.want(True)
    return made
