"""Pin-change interrupts: any change on any of the pins that a mask register chooses.

Datasheets: ATmega48A/…/328P DS40002061A sec. 13.2, ATtiny24A/44A/84A 8183F sec. 9.3, ATmega169A/…/6490P 8284E sec. 13.
The ATtiny26, where functions of the pins mask changes, is not modelled.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.flags import FlagRegisters, Source
from cyclerule.peripherals.pin_watch import PinWatch, WatchedPin
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Ports

# UNVERIFIED: that PCIF is set three clocks after the pin has changed at a clock edge: into pin_sync, pcint_syn and
# PCIF, one clock each, as figure 13-1 (DS40002061A sec. 13.1) is read here. A program that toggles a pin with its own
# change enabled, executes a row of NOPs and reads in the handler how far it came would settle it.
CHANGE_DELAY = 3

GATED_BY_PCIE0 = tuple(f"PCINT{n}" for n in range(8, 12))
"""ATtiny261/461/861 datasheet 2588F, GIMSK; PCIE1 is for all others. From memory."""


class PinChangeInterrupts:
    """All the pin-change interrupts of a chip."""

    def __init__(self, chip: Chip, registers: FlagRegisters, ports: Ports, watch: PinWatch) -> None:
        self.groups: list[PinChangeGroup] = []
        registers = _registers(chip, registers)
        groups = list(pin_groups(chip.part))
        if is_gated(chip.part):
            self._make_gated(chip, registers, ports, watch)
            groups = []
        for number, (mask, pins) in enumerate(groups):
            suffix = "" if len(groups) == 1 and "PCIE" in chip.part.bits else str(number)
            source = _source(chip.part, registers, suffix, number)
            if source is None:
                continue
            group = PinChangeGroup(chip, mask, source)
            for position, function in pins.items():
                pin = ports.pin(function if mask is None else pin_of(chip.part, function))
                if pin is not None:
                    group.add_pin(position, watch.add(pin, CHANGE_DELAY))
            group.attach()
            self.groups.append(group)
        chip.add(self)

    def _make_gated(self, chip: Chip, registers: FlagRegisters, ports: Ports, watch: PinWatch) -> None:
        bits = chip.part.bits
        source = registers.add_source(bits["PCIF"], bits["PCIE1"], chip.part.vectors["PCINT"])
        source.enable_mask |= 1 << bits["PCIE0"]
        for mask, pins in pin_groups(chip.part):
            group = GatedGroup(chip, mask, source)
            for position, function in pins.items():
                pin = ports.pin(pin_of(chip.part, function))
                if pin is not None:
                    group.add_pin(position, watch.add(pin, CHANGE_DELAY))
                    group.gates[position] = 1 << bits["PCIE0" if function in GATED_BY_PCIE0 else "PCIE1"]
            group.attach()
            registers.on_enable.append(group.follow_enable)
            self.groups.append(group)

    def wakes_without_clock(self, vector: int) -> bool:
        """Tells whether a vector's interrupt is noticed while the I/O clock stands: DS40002061A sec. 13."""
        return any(group.source.vector == vector for group in self.groups)

    def save(self) -> Any:
        """Gives the masks."""
        return tuple(group.mask for group in self.groups)

    def restore(self, saved: Any) -> None:
        """Sets the masks; which pins are watched is restored with the watch."""
        for group, mask in zip(self.groups, saved, strict=True):
            group.mask = mask


@dataclass(eq=False)
class PinChangeGroup:
    """One interrupt: its flag and enable bit, and the pins by their bit in the mask register."""

    chip: Chip
    register: str | None
    source: Source
    pins: dict[int, WatchedPin] = field(default_factory=dict)
    mask: int = 0

    def add_pin(self, position: int, pin: WatchedPin) -> None:
        """Makes a pin one that can be chosen."""
        self.pins[position] = pin
        pin.action = self._change

    def attach(self) -> None:
        """Puts the group behind its mask register, or its enable bit where there is none."""
        address = self.chip.bus.address(self.register or "")
        if address is not None:
            self.chip.bus.attach(address, None, self.choose)
        elif self.register is None:
            self.source.registers.on_enable.append(self._choose_all)

    def _choose_all(self, cycle: int) -> None:
        # UNVERIFIED: that without a mask register changes set the flag only while the interrupt is enabled, as on the
        # ATtiny26 (datasheet 1477B); an ATtiny12 that changes a pin with PCIE clear and reads PCIF would settle it.
        self.choose(0x3F if self.source.is_enabled else 0, 0xFF, cycle)

    def choose(self, value: int, mask: int, cycle: int) -> None:
        """Takes a write to the mask register."""
        # UNVERIFIED: that choosing a pin, or no more, is itself no change, whatever the pin's level; a board that sets
        # PCMSK0 while PB0 is high and reads PCIF0 would settle it.
        self.mask = self.mask & ~mask | value & mask
        address = self.chip.bus.address(self.register or "")
        if address is not None:
            self.chip.data[address] = self.mask
        self.watch()
        unknown = value & mask & ~sum(1 << position for position in self.pins)
        if unknown and self.register is not None:
            self.chip.bus.report_bits(self.register, unknown, ())

    def watch(self) -> None:
        """Watches the chosen pins."""
        for position, pin in self.pins.items():
            pin.want(bool(self.mask >> position & 1))

    def _change(self, level: bool, cycle: int) -> None:
        # The flag is set whether the interrupt is enabled or not.
        self.source.put(True)


class GatedGroup(PinChangeGroup):
    """One mask register of the ATtiny261/461/861, whose pins are let through by PCIE1 or PCIE0.

    UNVERIFIED: that their one flag is set only by pins whose enable bit is set, as the ATtiny26 datasheet 1477B says of
    its own ("also mask the flag if they are not set"); an ATtiny861 that changes PA0 with PCIE1 clear and reads PCIF
    would settle it.
    """

    def __init__(self, chip: Chip, register: str | None, source: Source) -> None:
        super().__init__(chip, register, source)
        self.gates: dict[int, int] = {}

    def watch(self) -> None:
        """Watches the chosen pins whose enable bit is set."""
        enables = self.source.registers.enables
        for position, pin in self.pins.items():
            pin.want(bool(self.mask >> position & 1 and enables & self.gates[position]))

    def follow_enable(self, cycle: int) -> None:
        """Looks again after a write to the enable bits."""
        self.watch()


def is_gated(part: Part) -> bool:
    """Tells whether two enable bits let groups of pins through to one flag: ATtiny261/461/861."""
    return "PCMSK1" in part.registers and {"PCIF", "PCIE0", "PCIE1"} <= part.bits.keys() and "PCINT" in part.vectors


def pin_groups(part: Part) -> Iterator[tuple[str | None, dict[int, str]]]:
    """Gives each mask register with the functions of its bits; ATtiny11, 12 and 15 have none, and all pins of port B.

    The numbers PCINTn go on from one register to the next; each begins at bit 0 (ATtiny2313A/4313 datasheet 8246:
    PCINT11 is bit 0 of PCMSK2).
    """
    if "IO_PINS" in part.vectors and "PCIE" in part.bits:
        yield None, {n: f"PB{n}" for n in range(6)}
        return
    numbers = sorted(int(name[5:]) for name in part.bits if re.fullmatch(r"PCINT\d+", name))
    groups: list[dict[int, str]] = []
    for number in numbers:
        position = part.bits[f"PCINT{number}"]
        if not groups or position <= max(groups[-1]):
            groups.append({})
        groups[-1][position] = f"PCINT{number}"
    for number, pins in enumerate(groups):
        register = f"PCMSK{number}" if f"PCMSK{number}" in part.registers else "PCMSK"
        if register in part.registers:
            yield register, pins


def _registers(chip: Chip, others: FlagRegisters) -> FlagRegisters:
    """Gives the registers of flags and enables: their own from the ATmega48 on, or those of INTn."""
    part = chip.part
    if "PCICR" not in part.registers or "PCIFR" not in part.registers:
        return others
    names = {part.bits[name]: name for name in part.bits if re.fullmatch(r"PCIE\d", name)}
    return FlagRegisters(chip, part.registers["PCIFR"].address, part.registers["PCICR"].address, names)


def _source(part: Part, registers: FlagRegisters, suffix: str, number: int) -> Source | None:
    flag, enable = part.bits.get(f"PCIF{suffix}"), part.bits.get(f"PCIE{suffix}")
    names = (f"PCINT{number}", f"PCI{number}", *(("PCINT", "IO_PINS") if suffix == "" else ()))
    vector = next((part.vectors[name] for name in names if name in part.vectors), None)
    if flag is None or enable is None or vector is None:
        return None
    return registers.add_source(flag, enable, vector)
