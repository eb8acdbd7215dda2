"""The analog comparator: its output, flag and interrupt, from scripted voltages.

Datasheet: ATmega48A/…/328P DS40002061A sec. 23.
"""

from collections.abc import Callable
from fractions import Fraction
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.adc_channels import Internal, channel_map
from cyclerule.peripherals.analog import AnalogInputs

ACD, ACBG, ACO, ACI, ACIE, ACIC = (1 << bit for bit in (7, 6, 5, 4, 3, 2))
TOGGLE, RESERVED, FALLING, RISING = range(4)
VECTORS = ("ANALOG_COMP", "ANA_COMP")

# UNVERIFIED: that ACO follows two cycles after the inputs cross, where sec. 23.2 says one or two; a board that puts a
# pulse of its own on AIN0, executes a row of NOPs and reads ACSR would settle it.
SYNCHRONISATION = 2


class Comparator:
    """One comparator: AIN0 or the bandgap against AIN1 or, with ACME and the converter off, one of its channels.

    It is also the flag that an auto trigger of the converter watches.
    """

    def __init__(self, chip: Chip, inputs: AnalogInputs) -> None:
        self.chip, self._inputs = chip, inputs
        bus = chip.bus
        self._address = bus.address("ACSR") or 0
        self._map = channel_map(chip.part)
        self._kept = 0
        self._output = self._flag = False
        self._coming: bool | None = None
        self.on_set: Callable[[int], None] | None = None
        self._listeners: list[Callable[[bool, int], None]] = []
        bus.attach(self._address, self._read, self._write)
        multiplexer = next((name for name in ("ADCSRB", "SFIOR") if name in chip.part.registers), None)
        self._multiplexer = None if multiplexer is None or "ACME" not in chip.part.bits else bus.address(multiplexer)
        if multiplexer is not None:
            bus.claim(multiplexer, ("ACME",), self._looks_again)
        for register, names in (("ADMUX", ("MUX0",)), ("ADCSRA", ("ADEN",)), ("ADCSR", ("ADEN",))):
            if self._map is not None and bus.is_modelled(bus.address(register) or 0):
                bus.claim(register, names, self._looks_again)
        self._vector = next((chip.part.vectors[name] for name in VECTORS if name in chip.part.vectors), None)
        if self._vector is not None:
            chip.interrupts.on_entry(self._vector, self._enters)
        self._alarm = chip.events.alarm(self._arrives)
        for name in ("AIN0", "AIN1", *(f"ADC{n}" for n in range(16))):
            inputs.listen(name, self._look)
        chip.add(self)

    @property
    def is_set(self) -> bool:
        """Whether ACI is set."""
        return self._flag

    @property
    def captures(self) -> bool:
        """Whether ACIC joins the output to the input capture of timer 1."""
        return bool(self._kept & ACIC)

    def watch(self, action: Callable[[int], None] | None) -> None:
        """Has `action` called with the cycle whenever ACI goes from 0 to 1; None for no more."""
        self.on_set = action

    def on_output(self, listener: Callable[[bool, int], None]) -> None:
        """Has a listener called with (ACO, cycle) at each change of it."""
        self._listeners.append(listener)

    # The output.

    def _negative_input(self) -> str | Internal | None:
        chip, bits = self.chip, self.chip.part.bits
        control = chip.bus.address("ADCSRA") or chip.bus.address("ADCSR")
        multiplexed = self._multiplexer is not None and chip.data[self._multiplexer] >> bits["ACME"] & 1
        if not multiplexed or control is None or chip.data[control] >> bits.get("ADEN", 7) & 1:
            return "AIN1"
        if self._map is None:
            return None
        # Only MUX2:0 choose, and MUX5 where the part has it: table 23-1.
        mux = chip.data[chip.part.registers["ADMUX"].address] & 7
        fifth = bits.get("MUX5")
        if fifth is not None and chip.data[self._multiplexer or 0] >> fifth & 1:
            mux += 32
        return self._map.channels.get(mux)

    def _volts(self, source: str | Internal | None, cycle: int) -> Fraction | None:
        if isinstance(source, Internal):
            return source.volts
        return None if source is None else self._inputs.volts(source, cycle)

    def _bandgap(self) -> Fraction:
        found = () if self._map is None else self._map.channels.values()
        volts = next((each.volts for each in found if isinstance(each, Internal) and each.volts), Fraction(11, 10))
        self.chip.bus.report_assumed("ACSR", f"the bandgap is taken as its typical {float(volts):g} V")
        return volts

    def _is_higher(self, cycle: int) -> bool | None:
        """Tells whether the positive input is higher; None where a voltage is not known."""
        if self._kept & ACD:
            return False
        positive = self._bandgap() if self._kept & ACBG else self._volts("AIN0", cycle)
        negative = self._volts(self._negative_input(), cycle)
        return None if positive is None or negative is None else positive > negative

    def _look(self, cycle: int) -> None:
        """Has the output follow the inputs of a cycle."""
        now = bool(self._is_higher(cycle))
        if now == (self._output if self._coming is None else self._coming):
            return
        self._coming = now
        self._alarm.set(cycle + SYNCHRONISATION)

    def _looks_again(self, value: int, cycle: int) -> None:
        self._look(cycle)

    def _arrives(self, cycle: int) -> None:
        level, self._coming = bool(self._coming), None
        if level == self._output:
            return
        self._output = level
        for listen in self._listeners:
            listen(level, cycle)
        mode = self._kept & 3
        if mode in (TOGGLE, RISING if level else FALLING):
            rises, self._flag = not self._flag, True
            self._update()
            if rises and self.on_set is not None:
                self.on_set(cycle)
        self._update()

    # The register.

    def _read(self, cycle: int) -> int:
        if self._is_higher(cycle) is None:
            self.chip.bus.report_assumed("ACSR", "an input of the comparator has no voltage given; ACO stays 0")
        return self.chip.data[self._address]

    def _write(self, value: int, mask: int, cycle: int) -> None:
        bits = value & mask
        if bits & ACI:
            self._flag = False
        kept = mask & ~(ACO | ACI) & 0xFF
        self._kept = self._kept & ~kept | bits & kept
        if self._kept & 3 == RESERVED:
            self.chip.bus.report_unmodelled("ACSR", "the reserved interrupt mode ACIS = 1")
        if self._kept & ACIE and self._is_higher(cycle) is None:
            self.chip.bus.report_assumed("ACSR", "an input of the comparator has no voltage given; ACO stays 0")
        self._look(cycle)
        self._update()

    def _enters(self, cycle: int) -> None:
        self._flag = False
        self._update()

    def _update(self) -> None:
        value = self._kept | (ACO if self._output else 0) | (ACI if self._flag else 0)
        self.chip.data[self._address] = value
        if self._vector is not None:
            self.chip.interrupts.set_request(self._vector, self._flag and bool(self._kept & ACIE))

    def settle_after_reset(self, cycle: int) -> None:
        """Looks at the inputs again; what the outside puts there stays."""
        self._look(cycle)

    def save(self) -> Any:
        """Gives its state."""
        return self._kept, self._output, self._flag, self._coming

    def restore(self, saved: Any) -> None:
        """Sets its state."""
        self._kept, self._output, self._flag, self._coming = saved


def has_comparator(chip: Chip) -> bool:
    """Whether the part has the one comparator of sec. 23, with a vector; others have several, or other registers."""
    part = chip.part
    is_other = "AC0CON" in part.registers or "AC1CON" in part.registers
    return "ACSR" in part.registers and "ACO" in part.bits and not is_other and bool(set(VECTORS) & set(part.vectors))
