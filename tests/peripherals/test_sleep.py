"""Sleep control against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 10, unless another is named."""

import pytest

from cyclerule.errors import NotModelled
from tests.peripherals.fitted import Fitted

PARTS = [
    ("atmega328p", "SMCR"),
    ("atmega8", "MCUCR"),
    ("at90s8515", "MCUCR"),
    ("attiny2313", "MCUCR"),
    ("atmega162", "MCUCR"),
]


def enters(chip: Fitted) -> bool:
    """Tells whether SLEEP would sleep."""
    assert chip.chip.enters_sleep is not None
    return chip.chip.enters_sleep(10)


@pytest.mark.parametrize(("part", "register"), PARTS)
def test_sleep_needs_its_enable_bit(part: str, register: str) -> None:
    """SE must be 1 for SLEEP to sleep: sec. 10.11.1; with the mode bits zero it is Idle."""
    chip = Fitted.of(part)
    assert not enters(chip)
    chip.write(register, chip.bit("SE"), at=2)
    assert enters(chip)
    assert chip.unmodelled() == []


def put_mode(chip: Fitted, setting: int) -> None:
    """Sets SE and the mode bits wherever the part has them."""
    part = chip.chip.part
    control = "SMCR" if "SMCR" in part.registers else "MCUCR"
    values = {control: chip.bit("SE")}
    for place, name in enumerate(("SM0", "SM1", "SM2") if "SM0" in part.bits else ("SM",)):
        if setting >> place & 1:
            register = {"SM0": "EMCUCR", "SM2": "MCUCSR"}.get(name, control) if "EMCUCR" in part.registers else control
            values[register] = values.get(register, 0) | chip.bit(name)
    for at, (register, value) in enumerate(values.items()):
        chip.write(register, value, at=2 + 2 * at)


MODES = [
    ("atmega328p", {1: "ADC Noise Reduction", 2: "Power-down", 3: "Power-save", 6: "Standby", 7: "Extended Standby"}),
    ("atmega2560", {1: "ADC Noise Reduction", 2: "Power-down", 3: "Power-save", 6: "Standby", 7: "Extended Standby"}),
    ("attiny85", {1: "ADC Noise Reduction", 2: "Power-down"}),
    ("attiny84", {1: "ADC Noise Reduction", 2: "Power-down", 3: "Standby"}),
    ("attiny2313", {1: "Power-down", 2: "Standby", 3: "Power-down"}),
    ("at90s8515", {1: "Power-down"}),
    ("atmega162", {2: "Power-down", 3: "Power-save", 6: "Standby", 7: "Extended Standby"}),
    ("atmega8", {1: "ADC Noise Reduction", 2: "Power-down", 3: "Power-save", 6: "Standby"}),
]


@pytest.mark.parametrize(("part", "modes"), MODES)
def test_the_modes_are_chosen_as_the_part_has_them(part: str, modes: dict[int, str]) -> None:
    """Table 10-2; ATtiny85 2586 table 7-2, ATtiny2313 2543, ATmega162 2513 (bits in three registers); from memory."""
    bits = len([name for name in ("SM0", "SM1", "SM2", "SM") if name in Fitted.of(part).chip.part.bits])
    for setting in range(1, 1 << bits):
        chip = Fitted.of(part)
        put_mode(chip, setting)
        if setting in modes:
            assert enters(chip)
            mode = chip.devices.system.sleep.mode
            assert mode is not None
            assert mode.value.spoken == modes[setting]
            assert chip.unmodelled() == []
        else:
            with pytest.raises(NotModelled, match=f"mode {setting} .*reserved"):
                enters(chip)


CLOCKS: dict[int, tuple[set[str], int]] = {
    0: (set(), 0),
    1: ({"io"}, 0),
    2: ({"io", "adc", "asy"}, 16_384),
    3: ({"io", "adc"}, 16_384),
    6: ({"io", "adc", "asy"}, 6),
    7: ({"io", "adc"}, 6),
}


@pytest.mark.parametrize("setting", CLOCKS)
def test_a_mode_stops_its_clocks_until_the_start_up_time_after_waking(setting: int) -> None:
    """Table 10-1, active clock domains; sec. 10.7: six cycles from Standby; table 9-4: 16K cycles for a crystal."""
    stops, wait = CLOCKS[setting]
    chip = Fitted.of("atmega328p")
    power, sleep = chip.devices.system.power, chip.devices.system.sleep
    told: list[int] = []
    power.on_change(told.append)
    put_mode(chip, setting)
    assert enters(chip)
    assert {clock for clock in ("io", "adc", "asy") if power.is_on("", clock)} == stops
    wakes = chip.chip.wakes
    assert wakes is not None
    assert wakes(1000) == wait
    assert sleep.mode is None
    assert told == ([10, 1000 + wait] if stops else [])
    modes = dict(MODES)["atmega328p"]
    expected = [f"SMCR: waking from {modes[setting]} is taken to take 16"] if wait == 16_384 else []
    assert [text.split(",")[0] for text in chip.unmodelled()] == expected


@pytest.mark.parametrize(
    ("setting", "wakers", "sleepers"),
    [
        (1, "INT0 PCINT0 TWI TIMER2_OVF EE_READY SPM_READY ADC WDT", "TIMER0_OVF TIMER1_COMPA USART_RX SPI_STC"),
        (2, "INT0 PCINT0 TWI WDT", "TIMER0_OVF TIMER2_OVF EE_READY ADC ANALOG_COMP USART_UDRE"),
        (3, "INT0 PCINT0 TWI WDT TIMER2_COMPA", "TIMER0_OVF EE_READY ADC"),
        (6, "INT0 PCINT0 TWI WDT", "TIMER2_OVF EE_READY ADC"),
        (7, "INT0 PCINT0 TWI WDT TIMER2_OVF", "TIMER1_OVF SPM_READY ADC"),
    ],
)
def test_a_mode_is_left_for_its_wake_up_sources_alone(setting: int, wakers: str, sleepers: str) -> None:
    """Table 10-1, wake-up sources; INT0 by its low level only (note 3)."""
    chip = Fitted.of("atmega328p")
    vectors = chip.chip.part.vectors
    put_mode(chip, setting)
    assert enters(chip)
    assert [name for name in wakers.split() if not chip.chip.interrupts.wakers >> vectors[name] & 1] == []
    assert [name for name in sleepers.split() if chip.chip.interrupts.wakers >> vectors[name] & 1] == []
    chip = Fitted.of("atmega328p")
    chip.write("EICRA", 0x02, 1)
    put_mode(chip, setting)
    assert enters(chip)
    assert not chip.chip.interrupts.wakers >> vectors["INT0"] & 1
    assert chip.chip.interrupts.wakers >> vectors["INT1"] & 1


def test_edges_wake_where_they_need_no_clock() -> None:
    """ATmega640/…/2561 2549 table 15-1: INT3:0 are registered asynchronously, INT7:4 by level only."""
    chip = Fitted.of("atmega2560")
    chip.write("EICRA", 0xFF, 1)
    chip.write("EICRB", 0xFC, 1)
    put_mode(chip, 2)
    assert enters(chip)
    vectors = chip.chip.part.vectors
    awake = [n for n in range(8) if chip.chip.interrupts.wakers >> vectors[f"INT{n}"] & 1]
    assert awake == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("select", [1, 2, 3, 5])
def test_a_timer_stands_still_with_its_clock_and_goes_on_in_the_same_phase(select: int) -> None:
    """Table 10-1: clkIO is off in Standby; what the prescaler had counted is kept."""
    seen = []
    for stops in (False, True):
        chip = Fitted.of("atmega328p")
        chip.write("TCCR1B", select, 1)
        chip.write("TIMSK1", 1, 3)
        late = 0
        if stops:
            put_mode(chip, 6)
            assert enters(chip)
            assert not chip.chip.events.is_pending
            assert chip.read("TCNT1", 50_000) == chip.read("TCNT1", 60_000)
            wakes = chip.chip.wakes
            assert wakes is not None
            late = 77_001 + wakes(77_001) - 10
        readings = [chip.read("TCNT1", at + late) for at in range(20, 5_000, 37)]
        divisor = {1: 1, 2: 8, 3: 64, 5: 1024}[select]
        overflow = next(at for at in range(60_000, 80_000_000, divisor) if _overflows(chip, at + late))
        seen.append((readings, overflow))
    assert seen[0] == seen[1]


def _overflows(chip: Fitted, at: int) -> bool:
    chip.pass_to(at)
    return chip.asks("TIMER1_OVF")


def test_moving_the_vectors_is_told_by_name() -> None:
    """IVCE and IVSEL of MCUCR (sec. 12.4): no model moves the vectors."""
    chip = Fitted.of("atmega328p")
    chip.write("MCUCR", chip.bit("IVCE"), 2)
    chip.write("MCUCR", chip.bit("IVSEL"), 4)
    assert chip.unmodelled() == ["MCUCR: bit IVCE", "MCUCR: bit IVSEL"]


def test_brown_out_detection_in_sleep_is_kept_and_changes_nothing() -> None:
    """Sec. 10.11.2: BODS and BODSE are in MCUCR; detection is taken to be off."""
    chip = Fitted.of("atmega328p")
    chip.write("MCUCR", chip.bit("BODS") | chip.bit("BODSE"), 2)
    assert chip.unmodelled() == []


@pytest.mark.parametrize(("part", "bit"), [("atmega8515", "SRE"), ("atmega162", "SRW10"), ("atmega128", "IVSEL")])
def test_bits_for_other_devices_in_the_same_register_are_told(part: str, bit: str) -> None:
    """MCUCR is shared before SMCR: the datasheets of these parts, MCUCR."""
    chip = Fitted.of(part)
    chip.write("MCUCR", chip.bit("SE") | chip.bit(bit), at=2)
    assert chip.unmodelled() == [f"MCUCR: bit {bit}"]
    assert chip.read("MCUCR", 3) == chip.bit("SE") | chip.bit(bit)
