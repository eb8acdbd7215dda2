"""External interrupts: DS40002061A (ATmega48A/…/328/P) sec. 13 unless another datasheet is named.

The clocks from pin to flag are those that external_interrupts.py takes without proof.
"""

from pathlib import Path
from typing import NamedTuple

import pytest

from cyclerule.peripherals.external_interrupts import EDGE_DELAY, LEVEL_DELAY
from cyclerule.session.firmware import build
from tests.peripherals.fitted import Fitted

PROGRAM = Path(__file__).parent / "programs" / "entrance.c"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])


class Variant(NamedTuple):
    """An INTn of a part: its pin, and the registers of ISCn1:0, of the enable bit and of the flag."""

    part: str
    number: int
    pin: str
    register: str
    mask: str
    flags: str


VARIANTS = [
    Variant("atmega328p", 0, "PD2", "EICRA", "EIMSK", "EIFR"),
    Variant("atmega328p", 1, "PD3", "EICRA", "EIMSK", "EIFR"),
    Variant("atmega8", 1, "PD3", "MCUCR", "GICR", "GIFR"),
    Variant("atmega32", 0, "PD2", "MCUCR", "GICR", "GIFR"),
    Variant("attiny85", 0, "PB2", "MCUCR", "GIMSK", "GIFR"),
    Variant("attiny84a", 0, "PB2", "MCUCR", "GIMSK", "GIFR"),
    Variant("attiny2313", 1, "PD3", "MCUCR", "GIMSK", "EIFR"),
    Variant("attiny861", 1, "PA2", "MCUCR", "GIMSK", "GIFR"),
    Variant("attiny88", 0, "PD2", "EICRA", "EIMSK", "EIFR"),
    Variant("atmega1284p", 2, "PB2", "EICRA", "EIMSK", "EIFR"),
    Variant("atmega2560", 3, "PD3", "EICRA", "EIMSK", "EIFR"),
    Variant("atmega2560", 7, "PE7", "EICRB", "EIMSK", "EIFR"),
    Variant("atmega32u4", 6, "PE6", "EICRB", "EIMSK", "EIFR"),
    Variant("atmega128", 4, "PE4", "EICRB", "EIMSK", "EIFR"),
    Variant("at90s8515", 0, "PD2", "MCUCR", "GIMSK", "GIFR"),
]


def vector(chip: Fitted, number: int) -> str:
    """Names the vector."""
    return next(name for name in (f"INT{number}", f"EXT_INT{number}") if name in chip.chip.part.vectors)


def sense(chip: Fitted, number: int, register: str, value: int, at: int) -> None:
    """Sets what is sensed; INT1 of the ATtiny861 is set with INT0's bits."""
    of = number if f"ISC{number}0" in chip.chip.part.bits else 0
    low, high = chip.bit(f"ISC{of}0"), chip.bit(f"ISC{of}1")
    chip.write(register, (low if value & 1 else 0) | (high if value & 2 else 0), at=at)


ALL_VARIANTS = pytest.mark.parametrize("variant", VARIANTS, ids=lambda variant: f"{variant.part}-INT{variant.number}")


SENSES = [(2, [False]), (3, [True]), (1, [True, False])]
RESERVED = ("at90s8515", 1)
EDGES = [(each, *sense) for each in VARIANTS for sense in SENSES if (each.part, sense[0]) != RESERVED]


@pytest.mark.parametrize(("variant", "value", "edges"), EDGES)
def test_edges_set_the_flag_whether_enabled_or_not_and_ask_where_enabled(
    variant: Variant, value: int, edges: list[bool]
) -> None:
    """ISCn1:0 10 is the falling edge, 11 the rising one, 01 any: table 13-1, and these parts' datasheets."""
    part, number, pin, register, mask, flags = variant
    chip = Fitted.of(part)
    sense(chip, number, register, value, at=2)
    cycle = 10
    for level in (True, False, True, False):
        chip.pin(pin).drive(level, cycle)
        chip.pass_to(cycle + EDGE_DELAY - 1)
        assert not chip.is_set(flags, f"INTF{number}", cycle + EDGE_DELAY - 1)
        assert chip.is_set(flags, f"INTF{number}", cycle + EDGE_DELAY) == (level in edges)
        chip.write(flags, chip.bit(f"INTF{number}"), at=cycle + 5)
        assert not chip.is_set(flags, f"INTF{number}", cycle + 6)
        cycle += 20
    chip.pin(pin).drive(edges[0], cycle)
    chip.pin(pin).drive(not edges[0], cycle + 2)
    chip.pin(pin).drive(edges[0], cycle + 4)
    chip.pass_to(cycle + 10)
    assert not chip.asks(vector(chip, number))
    chip.write(mask, chip.bit(f"INT{number}"), at=cycle + 11)
    assert chip.asks(vector(chip, number))
    chip.chip.interrupts.accept(cycle + 12, 0)
    assert not chip.is_set(flags, f"INTF{number}", cycle + 13)
    assert not chip.asks(vector(chip, number))
    assert chip.unmodelled() == []


@ALL_VARIANTS
def test_a_low_level_asks_as_long_as_it_is_there_and_sets_no_flag(variant: Variant) -> None:
    """It asks "as long as the pin is held low", and the flag is always cleared: sec. 13.2.1 and 13.2.3."""
    part, number, pin, _, mask, flags = variant
    chip = Fitted.of(part)
    chip.pin(pin).drive(True, 2)
    chip.write(mask, chip.bit(f"INT{number}"), at=10)
    assert not chip.asks(vector(chip, number))
    chip.pin(pin).drive(False, 20)
    chip.pass_to(20 + LEVEL_DELAY - 1)
    assert not chip.asks(vector(chip, number))
    chip.pass_to(20 + LEVEL_DELAY)
    assert chip.asks(vector(chip, number))
    assert not chip.is_set(flags, f"INTF{number}", 30)
    chip.chip.interrupts.accept(31, 0)
    assert chip.asks(vector(chip, number))
    chip.write(flags, chip.bit(f"INTF{number}"), at=33)
    assert chip.asks(vector(chip, number))
    chip.pin(pin).drive(True, 40)
    chip.pass_to(50)
    assert not chip.asks(vector(chip, number))
    chip.pin(pin).drive(False, 60)
    chip.pass_to(70)
    assert chip.asks(vector(chip, number))
    chip.write(mask, 0, at=80)
    assert not chip.asks(vector(chip, number))


@pytest.mark.parametrize(
    ("part", "register", "pin"),
    [("atmega16", "MCUCSR", "PB2"), ("atmega162", "EMCUCR", "PE0"), ("atmega8515", "EMCUCR", "PE0")],
)
def test_int2_with_one_bit_senses_one_edge_or_the_other(part: str, register: str, pin: str) -> None:
    """ISC2 0 is the falling edge, 1 the rising one: ATmega16 datasheet 2466, MCUCSR; never a level."""
    chip = Fitted.of(part)
    chip.write("GICR", chip.bit("INT2"), at=2)
    chip.pin(pin).drive(True, 10)
    chip.pass_to(20)
    assert not chip.asks("INT2")
    chip.pin(pin).drive(False, 30)
    chip.pass_to(40)
    assert chip.asks("INT2")
    chip.write("GIFR", chip.bit("INTF2"), at=50)
    chip.write(register, chip.bit("ISC2"), at=52)
    assert not chip.asks("INT2")
    chip.pin(pin).drive(True, 60)
    chip.pass_to(70)
    assert chip.asks("INT2")


def test_a_pulse_between_two_clocks_counts_only_where_edges_need_no_clock() -> None:
    """INT7:4 are sampled, INT3:0 registered asynchronously: ATmega2560 datasheet 2549Q sec. 15.2.1 and 15.2.2."""
    chip = Fitted.of("atmega2560")
    chip.write("EICRA", chip.bit("ISC00") | chip.bit("ISC01"), at=2)
    chip.write("EICRB", chip.bit("ISC40") | chip.bit("ISC41"), at=4)
    for pin in ("PD0", "PE4"):
        chip.pin(pin).drive(True, 10)
        chip.pin(pin).drive(False, 10)
    chip.pass_to(20)
    assert chip.is_set("EIFR", "INTF0", 20)
    assert not chip.is_set("EIFR", "INTF4", 20)


def test_reserved_sensing_is_told() -> None:
    """01 is reserved: AT90S8515 datasheet 0841G, MCUCR; ATmega128 2467, EICRA."""
    for part, register in (("at90s8515", "MCUCR"), ("atmega128", "EICRA")):
        chip = Fitted.of(part)
        chip.write(register, chip.bit("ISC00"), at=2)
        assert chip.unmodelled() == [f"{register}: sensing 01 of INT0, which is reserved,"]


def test_an_interrupt_whose_pin_is_not_known_is_told_when_it_is_enabled() -> None:
    """The pins of the ATmega406 are not in the table."""
    chip = Fitted.of("atmega406")
    chip.write("EIMSK", chip.bit("INT1"), at=2)
    assert chip.unmodelled() == ["EIMSK: the interrupt that INT1 enables"]


def test_a_kept_state_has_what_is_on_its_way_to_the_flag() -> None:
    """An edge between pin and flag, back and forth."""
    chip = Fitted.of("atmega328p")
    fresh = chip.chip.save()
    chip.write("EICRA", chip.bit("ISC00"), at=2)
    chip.write("EIMSK", chip.bit("INT0"), at=3)
    chip.pin("PD2").drive(True, 10)
    saved = chip.chip.save()
    chip.pass_to(20)
    assert chip.asks("INT0")
    chip.chip.restore(fresh)
    chip.pin("PD2").drive(True, 5)
    chip.pass_to(20)
    assert not chip.is_set("EIFR", "INTF0", 20)
    chip.chip.restore(saved)
    assert not chip.asks("INT0")
    chip.pass_to(10 + EDGE_DELAY)
    assert chip.asks("INT0")


def test_levels_and_asynchronous_edges_need_no_clock() -> None:
    """Sec. 13 for levels, ATmega2560 datasheet 2549Q table 15-1 for edges: what can end a sleep without clocks."""
    chip = Fitted.of("atmega2560")
    interrupts = chip.devices.pin_interrupts
    assert interrupts is not None
    vectors = chip.chip.part.vectors
    assert interrupts.wakes_without_clock(vectors["INT4"])
    chip.write("EICRA", chip.bit("ISC01"), at=2)
    chip.write("EICRB", chip.bit("ISC41"), at=4)
    assert interrupts.wakes_without_clock(vectors["INT0"])
    assert not interrupts.wakes_without_clock(vectors["INT4"])
    assert interrupts.wakes_without_clock(vectors["PCINT0"])
    assert not interrupts.wakes_without_clock(vectors["TIMER1_OVF"])


@BOTH
@pytest.mark.parametrize(("value", "edges"), [(1, 2), (2, 1), (3, 1)])
def test_a_program_interrupts_itself_through_its_own_pin(value: int, edges: int, engine: str) -> None:
    """Activity on the pin asks although it is an output: sec. 13.2.2."""
    run = build([PROGRAM], part="atmega328p", clock="16 MHz", defines={"OWN": str(value)}).run(
        until="cycles:100000", watch=["PIND", "GPIOR0"], engine=engine
    )
    toggled = [each.cycle for each in run.watched["PIND"]]
    marked = [each.cycle for each in run.watched["GPIOR0"]]
    assert len(toggled) > 2000
    assert abs(len(marked) - len(toggled) * edges / 2) <= 1
    # Flag after three clocks, at once an instruction's end in the row of NOPs; response 4, JMP 3, and the handler's
    # way to its OUT: PUSH, IN, PUSH, PUSH, LDI, OUT, of 2 + 1 + 2 + 2 + 1 + 1 (DS40002198), EOR and PUSH as compiled.
    first = marked[0] - toggled[0 if value != 2 else 1]
    assert {later - earlier for earlier, later in zip(toggled[value == 2 :: 3 - edges], marked, strict=False)} == {
        first
    }
    assert first - (EDGE_DELAY + 4 + 3) in range(4, 14)
    assert run.warnings == []


@BOTH
def test_a_low_level_that_stays_enters_the_handler_again_and_again(engine: str) -> None:
    """One instruction of the program runs between two handlers: sec. 7.7."""
    firmware = build([PROGRAM], part="atmega328p", clock="16 MHz", defines={"LEVEL": "1"})
    run = firmware.run(until="cycles:10000", watch=["GPIOR0"], engine=engine)
    assert run.handlers["INT0"].count > 200
    released = build([PROGRAM], part="atmega328p", clock="16 MHz", defines={"LEVEL": "1", "RELEASE": "1"})
    run = released.run(until="cycles:10000", watch=["GPIOR0"], engine=engine)
    assert run.handlers["INT0"].count == 1
