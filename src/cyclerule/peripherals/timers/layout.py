"""Where a part keeps the registers and bits of a timer, and of which kind that is, read from its device header."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from cyclerule.machine.generation import has_single_bit_access
from cyclerule.parts.part import Part
from cyclerule.peripherals.timers.waveform import MODES_8_BIT, MODES_16_BIT, Mode, Slope, Top

NUMBERS = range(6)
CHANNELS = "ABC"


class Bit(NamedTuple):
    """A bit of a control register, which is known by its letter: "" for TCCRn, "A" for TCCRnA."""

    letter: str
    position: int


class Unit(NamedTuple):
    """A compare unit: its register, the name that its other bits end in ("1A", "0"), COMnx0 and the strobe FOCnx."""

    register: str
    name: str
    output: Bit | None
    strobe: Bit | None


@dataclass(frozen=True)
class Layout:
    """One timer of a part.

    `mode_bits` are WGMn0 and up. On the first generation a match comes by itself when the count has got there, one
    CPU cycle later; on others at the next tick, which the clear on compare shares.
    """

    number: int
    size_bytes: Literal[1, 2]
    controls: Mapping[str, str]
    modes: Mapping[int, Mode]
    mode_bits: tuple[Bit, ...]
    clock_letter: str
    units: Mapping[str, Unit]
    prescaler_reset: Bit | None = None
    """A bit that resets the timer's prescaler, where it stands in a control register of the timer itself."""
    is_first_generation: bool = False
    is_current_generation: bool = False
    """Whether the part is of the ATmega48's generation or later."""

    @property
    def maximum(self) -> int:
        """MAX."""
        return (1 << 8 * self.size_bytes) - 1

    @property
    def name(self) -> str:
        """The count's register."""
        return f"TCNT{self.number}"


def layout_of(part: Part, number: int) -> Layout | None:
    """Gives a timer of a part; None where it has none of that number, or one of a kind that is not modelled."""
    count = part.registers.get(f"TCNT{number}")
    # ATtiny28 has its flags in IFR and their enable bits in ICR.
    has_flags = f"TIMSK{number}" in part.registers or "TIMSK" in part.registers
    if count is None or not has_flags:
        return None
    if has_high_speed_clock(part, number):
        return high_speed_layout(part, number)
    layout = _sixteen_bits(part, number) if count.size_bytes == 2 else _eight_bits(part, number)
    if layout is None:
        return None
    return replace(
        layout,
        prescaler_reset=_prescaler_reset(part, number, layout.clock_letter),
        is_current_generation=has_single_bit_access(part),
    )


def _prescaler_reset(part: Part, number: int, letter: str) -> Bit | None:
    """Gives PSRn where it stands beside the clock select: ATtiny26 (1477, TCCR0 and TCCR1B)."""
    if f"PSR{number}" not in part.bits or "GTCCR" in part.registers or "SFIOR" in part.registers:
        return None
    return Bit(letter, part.bits[f"PSR{number}"])


def has_high_speed_clock(part: Part, number: int) -> bool:
    """Tells whether a timer is one with four clock select bits and a PLL, as timer 1 of the ATtiny26 and ATtiny85."""
    return f"CS{number}3" in part.bits


def high_speed_layout(part: Part, n: int) -> Layout | None:
    """Gives a timer with four clock select bits and OCRnC as TOP; None for those of ten bits, and the ATtiny15's.

    ATtiny25/45/85 datasheet 2586Q, sec. 12: TCCR1, and for channel B GTCCR (here "G"); ATtiny26, 1477: TCCR1A and
    TCCR1B. The mode bits are CTC1, PWM1A and PWM1B.
    """
    bits, registers = part.bits, part.registers
    if f"OCR{n}C" not in registers or f"TC{n}H" in registers:
        return None
    if f"TCCR{n}" in registers:
        controls, places = {"": f"TCCR{n}"}, ("", "G")
        mode_letters = ("", "", "G")
        strobes = ("G", "G")
        clock = ""
    else:
        controls, places = {letter: f"TCCR{n}{letter}" for letter in "AB"}, ("A", "A")
        mode_letters = ("B", "A", "A")
        strobes = ("A", "A")
        clock = "B"
    names = (f"CTC{n}", f"PWM{n}A", f"PWM{n}B")
    mode_bits = tuple(Bit(letter, bits[name]) for letter, name in zip(mode_letters, names, strict=True))
    units = {
        channel: Unit(
            f"OCR{n}{channel}",
            f"{n}{channel}",
            Bit(place, bits[f"COM{n}{channel}0"]),
            Bit(strobe, bits[f"FOC{n}{channel}"]),
        )
        for channel, place, strobe in zip("AB", places, strobes, strict=True)
    }
    pulses = {mode: Mode(Slope.FAST, Top.OCRC) for mode in range(2, 8)}
    modes = {0: MODES_8_BIT[0], 1: Mode(Slope.CLEAR_ON_COMPARE, Top.OCRC), **pulses}
    return Layout(n, 1, controls, modes, mode_bits, clock, units, _prescaler_reset(part, n, clock))


def is_asynchronous(part: Part, number: int) -> bool:
    """Tells whether a timer can be clocked by a crystal of its own; it then has a prescaler of its own too."""
    return "ASSR" in part.registers and f"AS{number}" in part.bits


def _sixteen_bits(part: Part, n: int) -> Layout | None:
    bits = part.bits
    is_first = f"CTC{n}" in bits and f"PWM{n}1" in bits
    if f"TCCR{n}B" in part.registers and f"TCCR{n}A" not in part.registers and f"CTC{n}" in bits:
        # ATmega406 timer 1 (2548, TCCR1B): no outputs.
        modes = {0: MODES_16_BIT[0], 1: MODES_16_BIT[4]}
        units = _units(part, n, output=None, strobes="B")
        return Layout(n, 2, {"B": f"TCCR{n}B"}, modes, (Bit("B", bits[f"CTC{n}"]),), "B", units)
    # AT90PWM81/161 have no TCCR1A, and modes of their own.
    has_controls = f"TCCR{n}A" in part.registers and f"TCCR{n}B" in part.registers
    if not has_controls or not (f"WGM{n}3" in bits or is_first):
        return None
    # CTCn and PWMn1:0 of the first generation stand in the places of WGMn2:0.
    mode_bits = tuple(Bit(*place) for place in (("A", 0), ("A", 1), ("B", 3), ("B", 4)))
    modes = MODES_16_BIT
    if is_first:
        mode_bits, modes = mode_bits[:3], {m: MODES_16_BIT[m] for m in (0, 1, 2, 3, 4)}
    controls = {letter: f"TCCR{n}{letter}" for letter in "ABC" if f"TCCR{n}{letter}" in part.registers}
    strobes = "C" if "C" in controls else "A"
    units = _units(part, n, output="A" if "A" in controls else None, strobes=strobes)
    return Layout(n, 2, controls, modes, mode_bits, "B", units, is_first_generation=is_first)


def _eight_bits(part: Part, n: int) -> Layout | None:
    bits, registers = part.bits, part.registers
    if f"TCCR{n}A" in registers and f"TCCR{n}B" in registers and f"WGM{n}1" in bits and bits[f"WGM{n}0"] == 0:
        controls = {"A": f"TCCR{n}A", "B": f"TCCR{n}B"}
        # ATtiny87/167 timer 0 has no WGM02 (8265, TCCR0A).
        third = (Bit("B", bits[f"WGM{n}2"]),) if f"WGM{n}2" in bits else ()
        units = _units(part, n, output="A", strobes="B")
        return Layout(n, 1, controls, MODES_8_BIT, (Bit("A", 0), Bit("A", 1), *third), "B", units)
    letter = "A" if f"TCCR{n}A" in registers else ""
    if f"TCCR{n}{letter}" not in registers:
        return None
    controls = {letter: f"TCCR{n}{letter}"}
    units = _units(part, n, output=letter, strobes=letter)
    if f"WGM{n}0" in bits and f"WGM{n}1" in bits:
        mode_bits = tuple(Bit(letter, bits[f"WGM{n}{each}"]) for each in "01")
        return Layout(n, 1, controls, MODES_8_BIT, mode_bits, letter, units)
    if f"PWM{n}" in bits and f"CTC{n}" in bits and units:
        return Layout(n, 1, controls, _FIRST_8_BIT, (Bit(letter, 6), Bit(letter, 3)), letter, units, None, True)
    if f"CTC{n}" in bits and letter == "A":
        # ATtiny48/88 timer 0 (8008, TCCR0A): no outputs.
        modes = {0: MODES_8_BIT[0], 1: MODES_8_BIT[2]}
        return Layout(n, 1, controls, modes, (Bit("A", bits[f"CTC{n}"]),), "A", units)
    # The oldest kind counts up and overflows, and nothing else.
    return Layout(n, 1, controls, {0: Mode(Slope.NORMAL, 0xFF)}, (), letter, {}) if not units else None


_FIRST_8_BIT = {0: MODES_8_BIT[0], 2: MODES_8_BIT[2]}


def _units(part: Part, n: int, *, output: str | None, strobes: str) -> dict[str, Unit]:
    """Gives the compare units by channel; the only unit of an older timer, without a letter, is channel A."""
    units, bits = {}, part.bits
    for channel in CHANNELS:
        names = (f"{n}{channel}", f"{n}") if channel == "A" else (f"{n}{channel}",)
        name = next((each for each in names if f"OCR{each}" in part.registers), None)
        if name is None:
            continue
        mode, strobe = bits.get(f"COM{name}0"), bits.get(f"FOC{name}")
        units[channel] = Unit(
            f"OCR{name}",
            name,
            None if mode is None or output is None else Bit(output, mode),
            None if strobe is None else Bit(strobes, strobe),
        )
    return units
