"""Reset causes: the flags of MCUSR, or MCUCSR, which has bits of other devices too.

Datasheet: ATmega48A/…/328P DS40002061A sec. 11.9.1. A run begins with a power-on reset, the RESET pin idle and
brown-out detection off, so PORF alone is set.
"""

from typing import Any

from cyclerule.machine.chip import Chip

FLAGS = ("PORF", "EXTRF", "BORF", "WDRF", "JTRF", "USBRF")


class ResetCauses:
    """The reset flags: set by the resets, cleared by a write of 0, and by nothing else but power-on."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._register = next((name for name in ("MCUSR", "MCUCSR") if name in chip.part.registers), "")
        self._address = chip.bus.address(self._register)
        bits = chip.part.bits
        self._flags = {name: 1 << bits[name] for name in FLAGS if name in bits} if self._address is not None else {}
        self._mask = sum(self._flags.values())
        self._value = self._flags.get("PORF", 0)
        if self._address is not None and self._mask:
            chip.bus.attach(self._address, None, self._write)
            chip.data[self._address] = self._value
        chip.add(self)

    def is_set(self, flag: str) -> bool:
        """Whether a flag is set; one that the part lacks never is."""
        return bool(self._value & self._flags.get(flag, 0))

    def _write(self, value: int, mask: int, cycle: int) -> None:
        data, address = self._chip.data, self._address
        if address is None:
            return
        self._value &= value | ~mask
        if self._register == "MCUSR":
            data[address] = self._value
            return
        others = value & mask & ~self._mask
        data[address] = (data[address] & ~mask | others) & ~self._mask & 0xFF | self._value
        self._chip.bus.report_bits(self._register, others, ("JTD", "ISC2", "SM2"))

    def at_reset(self, cycle: int) -> None:
        """Sets the flag of the reset's cause beside those that are set."""
        came = self._chip.last_reset
        if came is not None:
            self._value |= self._flags.get(came.cause, 0)
        if self._address is not None and self._mask:
            self._chip.data[self._address] = self._value

    def save(self) -> Any:
        """Gives the flags."""
        return self._value

    def restore(self, saved: Any) -> None:
        """Sets them."""
        self._value = saved
