"""What the settings of ADMUX mean on a part: channels, internal voltages and references.

Tables "input channel selections" and "voltage reference selections" of the datasheets: ATmega48A/…/328P DS40002061A
24-3 and 24-4; ATmega640/…/2561 2549 26-3 and 26-4; ATmega16U4/32U4 7766 24-3; ATmega164 to 1284 8272; ATtiny25/45/85
2586 17-3 and 17-4; ATtiny24/44/84 8006 16-1 and 16-4; ATmega8 2486; ATmega16 2466, ATmega32 2503, ATmega8535 2502;
ATmega64 2490, ATmega128 2467; ATmega165/169/325/329/645/649 8018 and 2570; AT90USB646/1286 7593; AT90CAN 7679; ATtiny13
2535; ATtiny48/88 8008. From memory, but for the first.
"""

import re
from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from cyclerule.parts.part import Part

_1V1, _2V56 = Fraction(11, 10), Fraction(256, 100)


class Internal(NamedTuple):
    """A voltage that the chip makes: its name, and its typical value in volts."""

    name: str
    volts: Fraction


BANDGAP, GROUND = Internal("the bandgap", _1V1), Internal("0 V", Fraction(0))
TEMPERATURE = "TEMPERATURE"

Source = str | Internal
"""A pin's voltage by name, or one that the chip makes."""


@dataclass(frozen=True)
class ChannelMap:
    """Sources by the setting of the MUX bits, and references by that of the REFS bits."""

    mux_bits: tuple[str, ...]
    reference_bits: tuple[str, ...]
    references: dict[int, Source]
    channels: dict[int, Source] = field(default_factory=dict)


def _pins(*numbers: int, start: int = 0, first: int = 0) -> dict[int, Source]:
    return {start + n - first: f"ADC{n}" for n in numbers}


_MUX4 = ("MUX0", "MUX1", "MUX2", "MUX3")
_MUX5 = (*_MUX4, "MUX4")
_MUX6 = (*_MUX5, "MUX5")
_REFS = ("REFS0", "REFS1")
_AREF_AVCC: dict[int, Source] = {0: "AREF", 1: "AVCC"}
_WITH_1V1: dict[int, Source] = {**_AREF_AVCC, 3: Internal("the internal 1.1 V", _1V1)}
_WITH_2V56: dict[int, Source] = {**_AREF_AVCC, 3: Internal("the internal 2.56 V", _2V56)}
_WITH_BOTH: dict[int, Source] = {**_WITH_2V56, 2: Internal("the internal 1.1 V", _1V1)}
_EIGHT = _pins(*range(8))
_VCC_1V1: dict[int, Source] = {0: "AVCC", 1: "AREF", 2: Internal("the internal 1.1 V", _1V1)}
_TINY85: dict[int, Source] = {**_VCC_1V1, 6: Internal("the internal 2.56 V", _2V56)}
_TINY85[7] = _TINY85[6]


def _ends(base: Fraction = _1V1) -> dict[int, Source]:
    return {30: Internal("the bandgap", base), 31: GROUND}


_MAPS: tuple[tuple[str, ChannelMap], ...] = (
    (
        r"atmega(48|88|168|328)(a|p|pa|pb)?|ata66(12c|13c|14q)",
        ChannelMap(_MUX4, _REFS, _WITH_1V1, {**_EIGHT, 8: TEMPERATURE, 14: BANDGAP, 15: GROUND}),
    ),
    (
        r"attiny(48|88)",
        ChannelMap(
            _MUX4,
            ("REFS0",),
            {0: Internal("the internal 1.1 V", _1V1), 1: "AVCC"},
            {**_EIGHT, 8: TEMPERATURE, 14: BANDGAP, 15: GROUND},
        ),
    ),
    (r"atmega(164|324|644|1284)(a|p|pa)?", ChannelMap(_MUX5, _REFS, _WITH_BOTH, {**_EIGHT, **_ends()})),
    (
        r"atmega(640|1280|1281|2560|2561)",
        ChannelMap(_MUX6, _REFS, _WITH_BOTH, {**_EIGHT, **_ends(), **_pins(*range(8, 16), start=32, first=8)}),
    ),
    (
        r"atmega(16|32)u4",
        ChannelMap(
            _MUX6,
            _REFS,
            _WITH_2V56,
            {**_pins(0, 1, 4, 5, 6, 7), **_ends(), **_pins(*range(8, 14), start=32, first=8), 39: TEMPERATURE},
        ),
    ),
    (
        r"atmega8a?",
        ChannelMap(_MUX4, _REFS, _WITH_2V56, {**_EIGHT, 14: Internal("the bandgap", Fraction(130, 100)), 15: GROUND}),
    ),
    (
        r"atmega(16|32)a?|atmega8535",
        ChannelMap(_MUX5, _REFS, _WITH_2V56, {**_EIGHT, **_ends(Fraction(122, 100))}),
    ),
    (r"atmega(64|128)a?", ChannelMap(_MUX5, _REFS, _WITH_2V56, {**_EIGHT, **_ends(Fraction(123, 100))})),
    (r"atmega(165|169|325|3250|329|3290|645|6450|649|6490)\w*", ChannelMap(_MUX5, _REFS, _WITH_1V1, _EIGHT | _ends())),
    (r"at90(usb(646|647|1286|1287)|can\d+)", ChannelMap(_MUX5, _REFS, _WITH_2V56, _EIGHT | _ends())),
    (
        r"attiny[248]5",
        ChannelMap(
            _MUX4,
            ("REFS0", "REFS1", "REFS2"),
            _TINY85,
            {**_pins(0, 1, 2, 3), 12: BANDGAP, 13: GROUND, 15: TEMPERATURE},
        ),
    ),
    (
        r"attiny(24|44|84)a?",
        ChannelMap(_MUX6, _REFS, _VCC_1V1, {**_EIGHT, 32: GROUND, 33: BANDGAP, 34: TEMPERATURE}),
    ),
    (
        r"attiny13a?",
        ChannelMap(
            ("MUX0", "MUX1"),
            ("REFS0",),
            {0: "AVCC", 1: Internal("the internal 1.1 V", _1V1)},
            _pins(0, 1, 2, 3),
        ),
    ),
)


def channel_map(part: Part) -> ChannelMap | None:
    """Gives what the settings mean on a part; None where no table at hand says it."""
    return next((found for pattern, found in _MAPS if re.fullmatch(pattern, part.name)), None)


FREE_RUNNING, COMPARATOR = "free running", "the analog comparator"
_COMPARE_0A = r"TIM(ER)?0_COMPA?"
_OVERFLOW_0, _OVERFLOW_1 = r"TIM(ER)?0_OVF", r"TIM(ER)?1_OVF"
_EIGHT_TRIGGERS = (
    *(FREE_RUNNING, COMPARATOR, r"(EXT_)?INT0", _COMPARE_0A),
    *(_OVERFLOW_0, r"TIM(ER)?1_COMPB", _OVERFLOW_1, r"TIM(ER)?1_CAPT"),
)
_TINY_TRIGGERS = (
    *(FREE_RUNNING, COMPARATOR, r"(EXT_)?INT0", _COMPARE_0A, _OVERFLOW_0),
    *(r"TIM(ER)?0_COMPB", r"PCINT0"),
)


def triggers(part: Part) -> tuple[str, ...]:
    """Gives the auto trigger sources by the setting of ADTS, as patterns of vectors; empty where no table is at hand.

    DS40002061A table 24-6, the same on the ATmega16 (2466, SFIOR), ATmega640/…/2561 (2549 table 26-6) and
    ATtiny24/44/84 (8006); ATtiny25/45/85 2586 table 17-6, ATtiny13 2535.
    """
    if re.fullmatch(r"attiny(13a?|[248]5)", part.name):
        return _TINY_TRIGGERS
    if re.fullmatch(r"atmega.*|ata66.*|at90(usb|can).*|attiny(24|44|84)a?", part.name):
        return _EIGHT_TRIGGERS
    return ()
