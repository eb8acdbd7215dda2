"""Digital inputs that a program disables on analog pins: DIDR0, DIDR1, DIDR2, or DIDR.

"The corresponding PIN register bit will always read as zero when this bit is set": ATmega48A/…/328P datasheet
DS40002061A sec. 24.9.5 (channels) and 23.3.3 (comparator inputs). An interrupt that is enabled on the pin has its
input all the same (sec. 14.3, DIEOE).
"""

import re
from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.pinout import pin_of
from cyclerule.peripherals.port import Ports

_CHANNEL = re.compile(r"ADC(?P<number>\d+)D")
_COMPARATOR = re.compile(r"AIN\dD")


def fit_digital_inputs(chip: Chip, ports: Ports) -> None:
    """Has pins whose digital input is disabled read as 0, on parts whose bits have known places."""
    registers: dict[str, dict[str, str]] = {}
    for bit, register in disabling_bits(chip.part).items():
        pin = pin_of(chip.part, bit.removesuffix("D"))
        if ports.pin(pin) is not None and pin is not None:
            registers.setdefault(register, {})[bit] = pin
    for register, pins in registers.items():
        chip.bus.claim(register, pins, _DisabledInputs(chip.part, ports, pins).read)


def disabling_bits(part: Part) -> dict[str, str]:
    """Gives the registers of the bits ADCnD and AINnD, which a header does not say.

    Channels begin in DIDR0 and go on in DIDR2, or DIDR1 where there is none, at the first whose position is taken; the
    comparator's inputs stand in DIDR1 where no channel does. So it is in the compiler's headers of all parts that list
    their bits by register, but for the ATtiny828 and ATtiny1634, which are left out.
    """
    names = [name for name in ("DIDR0", "DIDR1", "DIDR2", "DIDR") if name in part.registers]
    if not names or (part.name.startswith("attiny") and "DIDR2" in names):
        return {}
    found: dict[str, str] = {}
    present, taken = names[0], set[int]()
    following = [name for name in ("DIDR2", "DIDR1") if name in names]
    channels = sorted((int(match["number"]), match[0]) for name in part.bits if (match := _CHANNEL.fullmatch(name)))
    for _, bit in channels:
        if part.bits[bit] in taken and following:
            present, taken = following.pop(0), set()
        taken.add(part.bits[bit])
        found[bit] = present
    others = "DIDR1" if "DIDR1" in names and "DIDR1" not in found.values() else names[0]
    return found | {bit: others for bit in part.bits if _COMPARATOR.fullmatch(bit)}


@dataclass(frozen=True)
class _DisabledInputs:
    """The pins of one register, by the bit that disables each."""

    part: Part
    ports: Ports
    pins: dict[str, str]

    def read(self, value: int, cycle: int) -> None:
        """Takes what the register keeps."""
        for bit, name in self.pins.items():
            pin = self.ports.pin(name)
            if pin is not None:
                pin.port.disable_input(pin.bit, is_disabled=bool(value >> self.part.bits[bit] & 1))
