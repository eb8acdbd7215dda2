"""Sleep control: the SE and SM bits, and which modes the model can wait in.

ATmega48A/…/328P datasheet DS40002061A sec. 10: Idle stops the CPU alone, so every device goes on.
"""

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip

IDLE = 0
MODE_BITS = ("SM0", "SM1", "SM2", "SM")


class SleepControl:
    """The register with SE and SM2:0: SMCR, or MCUCR on older parts, which has bits of other devices too."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        bus, bits = chip.bus, chip.part.bits
        self._register = next((name for name in ("SMCR", "MCUCR", "MCUCS") if name in chip.part.registers), "")
        self._address = bus.address(self._register)
        self._enable = bits.get("SE")
        chip.enters_sleep = self._enters
        # ATmega161, 162 and 8515 have SM0 in EMCUCR, the last two SM2 in MCUCSR (ATmega162 datasheet, "MCUCR").
        extended = bus.address("EMCUCR")
        elsewhere = {} if extended is None else {"SM0": extended, "SM2": bus.address("MCUCSR")}
        self._modes = [(elsewhere.get(name, self._address), bits[name]) for name in MODE_BITS if name in bits]
        self._own = 0 if self._enable is None else 1 << self._enable
        self._own |= sum(1 << place for address, place in self._modes if address == self._address)
        if self._address is not None and self._enable is not None:
            bus.attach(self._address, None, self._write)

    def _enters(self) -> bool:
        part, data = self._chip.part, self._chip.data
        if self._address is None or self._enable is None:
            raise NotModelled(
                f"SLEEP is not modelled on {part.name}, which controls it otherwise than with SE in MCUCR"
            )
        if not data[self._address] >> self._enable & 1:
            return False
        mode = sum((data[address] >> place & 1) << n for n, (address, place) in enumerate(self._modes) if address)
        if mode != IDLE:
            raise NotModelled(f"SLEEP in mode {mode} is not modelled, Idle (mode 0) alone is")
        return True

    def _write(self, value: int, mask: int, cycle: int) -> None:
        data, address = self._chip.data, self._address
        if address is None:
            return
        data[address] = data[address] & ~mask & 0xFF | value & mask
        others = value & mask & ~self._own
        if others:
            self._chip.bus.report_bits(self._register, others, self._names_of_others())

    def _names_of_others(self) -> tuple[str, ...]:
        if self._register == "SMCR":
            return ()
        # The others stand here only where they have no register of their own.
        registers = self._chip.part.registers
        pull_up = () if "SFIOR" in registers else ("PUD",)
        sense = () if "EICRA" in registers else ("ISC00", "ISC01", "ISC10", "ISC11")
        vectors = () if "GICR" in registers else ("IVSEL", "IVCE")
        return ("SRE", "SRW", "SRW10", "BODS", "BODSE", *pull_up, *sense, *vectors)
