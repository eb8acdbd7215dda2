"""Sleep: the modes, which clocks they stop, what wakes the chip from them, and how long that takes.

Datasheet: ATmega48A/…/328P DS40002061A sec. 10, table 10-1; the ATmega640/…/2561 (DS40002211 sec. 11) and the parts
with fewer modes have the same table but for the columns of devices that they lack.
"""

import re
from collections.abc import Callable
from enum import Enum
from typing import Any, NamedTuple

from cyclerule.errors import NotModelled
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.power import PowerReduction

MODE_BITS = ("SM0", "SM1", "SM2", "SM")
STANDBY_WAKE = 6
"""Clock cycles until the CPU runs when the oscillator was kept running: DS40002061A sec. 10.7."""


class ModeFacts(NamedTuple):
    """A mode's name, the clocks it stops, and whether its oscillator stops too."""

    spoken: str
    stops: frozenset[str]
    stops_oscillator: bool
    wakers: re.Pattern[str] | None
    wakes_by_timer: bool = False


_ALWAYS = r"WDT|WATCHDOG|WDT_OVERFLOW|TWI\d?|TWI_SLAVE|USI_STRT|USI_START|USB_GEN"
_MEMORY_AND_ADC = r"ADC|ADC_READY|EE_READY|EE_RDY|EEPROM_R\w+|SPM_READY|SPM_RDY|SPM_Ready"


class Mode(Enum):
    """The sleep modes of table 10-1: active clock domains and wake-up sources; None wakes on everything."""

    IDLE = ModeFacts("Idle", frozenset(), False, None)
    ADC_NOISE_REDUCTION = ModeFacts(
        "ADC Noise Reduction",
        frozenset({"io"}),
        False,
        re.compile(rf"{_ALWAYS}|{_MEMORY_AND_ADC}"),
        True,
    )
    POWER_DOWN = ModeFacts("Power-down", frozenset({"io", "adc", "asy"}), True, re.compile(_ALWAYS))
    POWER_SAVE = ModeFacts("Power-save", frozenset({"io", "adc"}), True, re.compile(_ALWAYS), True)
    STANDBY = ModeFacts("Standby", frozenset({"io", "adc", "asy"}), False, re.compile(_ALWAYS))
    EXTENDED_STANDBY = ModeFacts("Extended Standby", frozenset({"io", "adc"}), False, re.compile(_ALWAYS), True)


I, N, D, S, B, E = Mode
# Settings by the part's mode bits, SM0 the lowest; None is reserved.
_THREE_BITS = (I, N, D, S, None, None, B, E)
_LAYOUTS: tuple[tuple[re.Pattern[str], tuple[Mode | None, ...]], ...] = (
    # AT90S with SM: its datasheets, MCUCR, from memory.
    (re.compile(r"at90s(1200|2313|2323|2333|2343|4414|4433|8515)|attiny(11|12|22)"), (I, D)),
    (re.compile(r"at90s(4434|8535)|atmega163|atmega103"), (I, None, D, S)),
    (re.compile(r"attiny(2313|4313)a?"), (I, D, B, D)),
    (re.compile(r"attiny13a?|attiny[248]5|attiny(48|88|828)|attiny15"), (I, N, D, None)),
    (re.compile(r"attiny(24|44|84|261|461|861)a?|attiny(26|43u|441|841|1634)"), (I, N, D, B)),
    (re.compile(r"atmega(8515|161)"), (I, None, D, S, None, None, B, None)),
    (re.compile(r"atmega162"), (I, None, D, S, None, None, B, E)),
    (re.compile(r"atmega8a?"), (I, N, D, S, None, None, B, None)),
    (re.compile(r"at(mega|90usb|90can|90pwm)(?!.*hv|406).*|ata66(12c|13c|14q)"), _THREE_BITS),
)
"""Tables "Sleep mode select" of the parts' datasheets: DS40002061A table 10-2; ATtiny2313 2543; ATtiny13 2535;
ATtiny25/45/85 2586 table 7-2; ATtiny24/44/84 8006; ATmega8515 2512; ATmega162 2513; ATmega8 2486; from memory."""


class SleepControl:
    """The register with SE and SM2:0: SMCR, or MCUCR on older parts, which has bits of other devices too.

    Brown-out detection is taken to be off by its fuses, so that BODS changes nothing.

    UNVERIFIED: that a request that is there before SLEEP wakes the chip from any mode that its vector wakes it from, a
    board that sleeps with INT0's flag set would settle it. UNVERIFIED: that stopped devices run again when the start-up
    time is over, four cycles before the response; a board that reads TCNT0 in the handler that woke it would settle it.
    """

    def __init__(self, chip: Chip, power: PowerReduction) -> None:
        self._chip, self._power = chip, power
        bus, bits = chip.bus, chip.part.bits
        self._register = next((name for name in ("SMCR", "MCUCR", "MCUCS") if name in chip.part.registers), "")
        self._address = bus.address(self._register)
        self._enable = bits.get("SE")
        self.mode: Mode | None = None
        self._listeners: list[Callable[[Mode, int], None]] = []
        # Tells of a vector whether its pin is sensed without clkIO: a low level, a pin change, and some edges.
        self.wakes_without_clock: Callable[[int], bool] = lambda vector: False
        chip.enters_sleep, chip.wakes = self._enters, self._wakes
        # ATmega161, 162 and 8515 have SM0 in EMCUCR, the last two SM2 in MCUCSR (ATmega162 datasheet, "MCUCR").
        extended = bus.address("EMCUCR")
        elsewhere = {} if extended is None else {"SM0": extended, "SM2": bus.address("MCUCSR")}
        self._modes = [(elsewhere.get(name, self._address), bits[name]) for name in MODE_BITS if name in bits]
        self._own = 0 if self._enable is None else 1 << self._enable
        self._own |= sum(1 << place for address, place in self._modes if address == self._address)
        if self._address is not None and self._enable is not None:
            bus.attach(self._address, None, self._write)
        bus.claim("MCUCR", ("BODS", "BODSE"), lambda value, cycle: None)
        if extended is not None:
            bus.claim("EMCUCR", ("SM0",), lambda value, cycle: None)
            bus.claim("MCUCSR", ("SM2",), lambda value, cycle: None)
        chip.add(self)

    def on_sleep(self, listener: Callable[[Mode, int], None]) -> None:
        """Has a listener called with the mode and the cycle at which the chip falls asleep."""
        self._listeners.append(listener)

    def _enters(self, cycle: int) -> bool:
        part, data = self._chip.part, self._chip.data
        if self._address is None or self._enable is None:
            raise NotModelled(
                f"SLEEP is not modelled on {part.name}, which controls it otherwise than with SE in MCUCR"
            )
        if not data[self._address] >> self._enable & 1:
            return False
        setting = sum((data[address] >> place & 1) << n for n, (address, place) in enumerate(self._modes) if address)
        self.mode = mode = self._mode_of(setting)
        self._chip.interrupts.wakers = self._wakers(mode)
        for listen in self._listeners:
            listen(mode, cycle)
        self._power.stop_clocks(mode.value.stops, cycle)
        return True

    def _mode_of(self, setting: int) -> Mode:
        if not setting:
            return Mode.IDLE
        name = self._chip.part.name
        layout = next((modes for pattern, modes in _LAYOUTS if pattern.fullmatch(name)), ())
        found = layout[setting] if setting < len(layout) else None
        if found is None:
            what = "reserved" if layout else "not modelled on this part, Idle (mode 0) alone is"
            raise NotModelled(f"SLEEP in mode {setting} of {name}: {what}")
        return found

    def _wakers(self, mode: Mode) -> int:
        pattern, part = mode.value.wakers, self._chip.part
        if pattern is None:
            return -1
        # The timer with an oscillator of its own: 2, on the ATmega64, 103 and 128 timer 0.
        timer = f"TIMER{0 if 'AS0' in part.bits else 2}_" if mode.value.wakes_by_timer else "none"
        names = {name for name in part.vectors if pattern.fullmatch(name) or name.startswith(timer)}
        return sum(1 << number for number in {part.vectors[name] for name in names}) | sum(
            1 << number for number in range(1, self._chip.part.vector_count) if self.wakes_without_clock(number)
        )

    def _wakes(self, cycle: int) -> int:
        """Gives the cycles until the clock runs again, and has the devices go on from there."""
        mode, self.mode = self.mode, None
        self._chip.interrupts.wakers = -1
        if mode is None or not mode.value.stops:
            return 0
        wait = 0
        if mode.value.stops_oscillator:
            wait = self._chip.start_up.wake_cycles
            if self._chip.start_up.is_assumed:
                self._chip.bus.report_assumed(
                    self._register,
                    f"waking from {mode.value.spoken} is taken to take {wait:,} cycles, as with a crystal; with "
                    "another clock source say start_up = 6 in cyclerule.toml (or Firmware.start_up)",
                )
        elif mode in (Mode.STANDBY, Mode.EXTENDED_STANDBY):
            wait = STANDBY_WAKE
        self._chip.events.run_until(cycle + wait)
        self._power.stop_clocks((), cycle + wait)
        return wait

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

    def at_reset(self, cycle: int) -> None:
        """Wakes the chip; its clocks run."""
        self.mode = None
        self._chip.interrupts.wakers = -1
        self._power.stop_clocks((), cycle)

    def save(self) -> Any:
        """Gives the mode it sleeps in."""
        return self.mode

    def restore(self, saved: Any) -> None:
        """Sets it."""
        self.mode = saved
