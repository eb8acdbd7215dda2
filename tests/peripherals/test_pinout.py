"""Pins of alternate functions against the compiler's headers, the vendor's device description files and datasheets."""

import re
import tomllib
from importlib.resources import files

import pytest

from cyclerule.peripherals.pinout import functions_of, has_pinout, pin_of
from tests.peripherals.fitted import part

NAMED_IN_HEADER = ["atmega16a", "atmega324pa", "atmega644pa", "atmega88pa", "attiny24a", "attiny44a", "attiny84a"]
NAMED_IN_HEADER += ["atmega169pa", "atmega649p", "attiny2313a", "attiny4313"]
"""Parts whose header names the port and bit of functions: OC1A_PORT, OC1A_BIT."""

# What those headers name otherwise than the datasheet, or leave unsaid which unit of.
MISPRINTED = {"ADc5": "ADC5", "RDX1": "RXD1", "TD0": None, "PC3": None, "PC4": None, "PC5": None, "dW": None}

DESCRIBED = {
    "atmega328p": "TXD0=PD1 RXD0=PD0 XCK0=PD4 SDA=PC4 SCL=PC5 T1=PD5 ICP1=PB0 OC1A=PB1 OC1B=PB2 OC2A=PB3 OC2B=PD3 "
    "ADC0=PC0 ADC5=PC5 AIN0=PD6 AIN1=PD7 T0=PD4 OC0B=PD5 OC0A=PD6 INT0=PD2 INT1=PD3 PCINT19=PD3 PCINT6=PB6 PCINT0=PB0 "
    "PCINT8=PC0 PCINT14=PC6 PCINT16=PD0 PCINT23=PD7 SS=PB2 MOSI=PB3 MISO=PB4 SCK=PB5",
    "attiny85": "AIN1=PB1 AIN0=PB0 ADC0=PB5 ADC1=PB2 ADC2=PB4 SDA=PB0 SCL=PB2 DI=PB0 DO=PB1 USCK=PB2 PCINT0=PB0 "
    "PCINT5=PB5 INT0=PB2 T0=PB2 OC0B=PB1 OC0A=PB0 OC1B=PB4 nOC1B=PB3 OC1A=PB1 nOC1A=PB0",
    "atmega2560": "AIN0=PE2 AIN1=PE3 TXD0=PE1 RXD0=PE0 XCK0=PE2 TXD1=PD3 RXD1=PD2 XCK1=PD5 TXD2=PH1 RXD2=PH0 XCK2=PH2 "
    "TXD3=PJ1 RXD3=PJ0 XCK3=PJ2 SDA=PD1 SCL=PD0 SS=PB0 MOSI=PB2 MISO=PB3 SCK=PB1 T0=PD7 OC0B=PG5 OC0A=PB7 TOSC1=PG4 "
    "TOSC2=PG3 OC2A=PB4 OC2B=PH6 T5=PL2 ICP5=PL1 OC5A=PL3 OC5B=PL4 OC5C=PL5 ICP4=PL0 OC4A=PH3 OC4B=PH4 OC4C=PH5 T3=PE6 "
    "ICP3=PE7",
    "attiny841": "RXD1=PA4 TXD1=PA5 XCK1=PA6 TXD0=PA1 RXD0=PA2 XCK0=PA3 SCL=PA4 SDA=PA6 ADC0=PA0 ADC7=PA7 ADC8=PB2 "
    "ADC9=PB3 ADC10=PB0 ADC11=PB1 T0=PA3 T1=PA4 T2=PA5 ICP1=PA7 ICP2=PB2 PCINT0=PA0 PCINT7=PA7 PCINT8=PB0 PCINT11=PB3 "
    "INT0=PB1 SCK=PA4 MISO=PA5 MOSI=PA6 SS=PA7",
    "atmega32u4": "SS=PB0 SCK=PB1 MOSI=PB2 MISO=PB3 TXD1=PD3 RXD1=PD2 XCK1=PD5 T0=PD7 OC0B=PD0 OC0A=PB7 T1=PD6 "
    "ICP1=PD4 OC1A=PB5 OC1B=PB6 OC1C=PB7 ICP3=PC7 OC3A=PC6 nOC4A=PC6 OC4A=PC7 nOC4B=PB5 OC4B=PB6 nOC4D=PD6 OC4D=PD7 "
    "PCINT0=PB0 PCINT7=PB7 INT0=PD0 INT1=PD1 INT2=PD2 INT3=PD3 INT6=PE6 SDA=PD1 SCL=PD0 ADC0=PF0 ADC7=PF7 ADC8=PD4 "
    "ADC10=PD7 ADC13=PB6 AIN0=PE6",
}
"""Signals of the vendor's device description files (ATDF) of these parts, read on their own."""


@pytest.mark.parametrize("name", NAMED_IN_HEADER)
def test_pins_are_those_of_the_compilers_header(name: str) -> None:
    """iom88pa.h and others define OC1A_PORT and OC1A_BIT; the same function has the same pin here."""
    described = part(name)
    letters = {
        described.registers[f"PORT{each}"].address: each for each in "ABCDEFG" if f"PORT{each}" in described.registers
    }
    checked = 0
    for named in (each.removesuffix("_BIT") for each in described.bits if each.endswith("_BIT")):
        function = MISPRINTED.get(named, named)
        port = described.registers.get(f"{named}_PORT")
        if function is None or port is None or re.fullmatch(r"SEG\d+|COM\d", function):
            continue
        # The tiny parts have a universal serial interface; its pins have names of the SPI for programming.
        if name.startswith("attiny") and function in ("MOSI", "MISO", "SCK", "SCL"):
            continue
        assert pin_of(described, function) == f"P{letters[port.address]}{described.bits[f'{named}_BIT']}", function
        checked += 1
    assert checked >= 15


@pytest.mark.parametrize("name", DESCRIBED)
def test_pins_are_those_of_the_vendors_device_description(name: str) -> None:
    """ATDF of each part, <signal group= pad=>."""
    described = part(name)
    for each in DESCRIBED[name].split():
        function, pin = each.split("=")
        assert (function, pin_of(described, function)) == (function, pin)
        assert function in functions_of(described, pin)


PARTS = """
    attiny13 attiny25 attiny12 attiny15 at90s2343 attiny84 attiny2313a at90s2313 at90s1200 attiny28 attiny26
    attiny461 attiny88 attiny167 ata6617c atmega8 at90s4433 atmega168 ata6614q atmega88pb atmega32 atmega323
    at90s8535 atmega644 atmega1284p atmega640 atmega2561 atmega128rfa1 atmega64 atmega103 at90can64 atmega162
    atmega161 atmega8515 at90s8515 atmega32u2 at90usb162 atmega16u4 at90usb1287 atmega325p atmega3290 atmega649
    attiny841 attiny1634 attiny828 atmega32m1 atmega64c1 at90pwm3b
"""
"""One part for each group of the file, and those of its groups that differ in ports."""

# Outputs that the part has on no port: a pin of its own, none on the smaller package, or eight pins in place of two
# (OC1AU to OC1BX of the ATtiny167; ATtiny87/167 datasheet 8265, timer 1), or those that a register chooses (TOCPMSA of
# the ATtiny841); and of two parts only what is certain.
SMALL = "OC2B OC4A OC4B OC4C OC5A OC5B OC5C " + " ".join(f"PCINT{n}" for n in range(9, 24))
WITHOUT_PIN = {
    "at90s8515": "OC1B",
    "atmega2561": SMALL,
    "atmega128rfa1": SMALL,
    "atmega16u4": "OC3B OC3C",
    "attiny167": "OC1A OC1B",
    "ata6617c": "OC1A OC1B",
    "attiny841": "OC0A OC0B OC1A OC1B OC2A OC2B",
    "attiny1634": "OC0A OC0B OC1A OC1B",
    "attiny828": "OC0A OC0B OC1A OC1B INT0 INT1",
}


@pytest.mark.parametrize("name", PARTS.split())
def test_every_interrupt_pin_and_compare_output_that_the_header_knows_has_a_pin(name: str) -> None:
    """Each PCINTn that PCMSK has, each INTn with a vector, each compare output with a COM bit."""
    described = part(name)
    assert has_pinout(described)
    wanted = {each for each in described.bits if re.fullmatch(r"PCINT\d+", each)}
    wanted |= {each for each in described.vectors if re.fullmatch(r"INT\d", each)}
    outputs = (re.fullmatch(r"COM(\d[A-D]?)1", each) for each in described.bits)
    wanted |= {f"OC{match[1]}" for match in outputs if match}
    missing = {each for each in wanted if pin_of(described, each) is None}
    assert missing == set(WITHOUT_PIN.get(name, "").split()) & wanted


def test_a_part_that_nothing_is_known_about_has_no_pins() -> None:
    """So has a function that a part lacks."""
    assert not has_pinout(part("atmega406"))
    assert pin_of(part("atmega406"), "INT0") is None
    assert pin_of(part("atmega328p"), "OC5A") is None


def test_the_number_of_an_only_unit_may_be_left_out() -> None:
    """The ATmega8 has USART, OC2 and ICP1, the ATmega328P USART0 and OC2A."""
    for name in ("atmega8", "atmega328p"):
        described = part(name)
        assert pin_of(described, "TXD") == pin_of(described, "TXD0") == "PD1"
        assert pin_of(described, "ICP") == pin_of(described, "ICP1") == "PB0"
        assert pin_of(described, "OC2A") == "PB3"


def rows_of_file() -> list[dict[str, str]]:
    """Reads the file of facts."""
    text = files("cyclerule.peripherals").joinpath("pinout.toml").read_text(encoding="utf-8")
    rows: list[dict[str, str]] = tomllib.loads(text)["group"]
    return rows


@pytest.mark.parametrize("group", rows_of_file(), ids=lambda group: group["parts"])
def test_each_group_names_its_source_and_each_function_once(group: dict[str, str]) -> None:
    """A function on two pins would be a slip of the pen."""
    assert "datasheet" in group["source"]
    pins = [pin for pin in group if pin not in ("parts", "source")]
    assert all(re.fullmatch(r"P[A-L][0-7]", pin) for pin in pins)
    functions = [function for pin in pins for function in group[pin].split()]
    assert len(functions) == len(set(functions))
