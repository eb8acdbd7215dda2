"""Sleep control: the SE and SM bits, and which modes the model can wait in.

ATmega48A/…/328P datasheet DS40002061A sec. 10: Idle stops the CPU alone, so every device goes on.
"""

from typing import Any

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip

IDLE = 0


class SleepControl:
    """The register with SE and SM2:0: SMCR, or MCUCR on older parts."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._value = 0
        bus, bits = chip.bus, chip.part.bits
        address = bus.address("SMCR") or bus.address("MCUCR")
        if address is not None and "SE" in bits:
            bus.attach(address, lambda cycle: self._value, self._write)
            chip.enters_sleep = self._enters
        self._modes = [bits[name] for name in ("SM0", "SM1", "SM2", "SM") if name in bits]
        self._enable = bits.get("SE")
        chip.add(self)

    def _enters(self) -> bool:
        if self._enable is None or not self._value >> self._enable & 1:
            return False
        mode = sum((self._value >> place & 1) << n for n, place in enumerate(self._modes))
        if mode != IDLE:
            raise NotModelled(f"SLEEP in mode {mode} is not modelled, Idle (mode 0) alone is")
        return True

    def _write(self, value: int, mask: int, cycle: int) -> None:
        self._value = self._value & ~mask | value & mask

    def save(self) -> Any:
        """Gives the register."""
        return self._value

    def restore(self, saved: Any) -> None:
        """Sets the register."""
        self._value = saved
