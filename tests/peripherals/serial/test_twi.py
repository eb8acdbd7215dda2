"""The two-wire interface against its datasheet: DS40002061A (ATmega48A/…/328/P), sec. 22, unless another is named."""

from collections.abc import Sequence
from itertools import pairwise

import pytest

from cyclerule.errors import ArgumentError
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.serial.twi import Twi
from cyclerule.peripherals.serial.twi_devices import ScriptedDevice
from cyclerule.peripherals.serial.twi_master import TwiMaster
from tests.peripherals.fitted import Fitted

TWINT, TWEA, TWSTA, TWSTO, TWWC, TWEN, TWIE = (1 << place for place in (7, 6, 5, 4, 3, 2, 0))
PERIOD = 160
"""16 + 2 * 72: 100 kHz at 16 MHz, sec. 22.5.2."""
SENSOR = 0x44


class Bus(Fitted):
    """A chip with its two-wire interface at 160 cycles a period, driven as a program does it."""

    @classmethod
    def on(cls, part: str = "atmega328p", **devices: ScriptedDevice) -> "Bus":
        """Makes one, with a device at the sensor's address where one is given."""
        made = cls.of(part)
        chip = cls(made.chip, made.devices)
        chip.write("TWBR", 72, at=10)
        for device in devices.values():
            chip.twi.devices[SENSOR] = device
        return chip

    @property
    def twi(self) -> Twi:
        """The interface."""
        assert self.devices.serial_devices.twi is not None
        return self.devices.serial_devices.twi

    @property
    def master(self) -> TwiMaster:
        """The master at the other end."""
        assert self.devices.serial_devices.twi_master is not None
        return self.devices.serial_devices.twi_master

    def pin(self, name: str) -> Pin:
        """Gives a pin that the part has."""
        found = self.devices.ports.pin(name)
        assert found is not None
        return found

    def go(self, control: int, at: int, data: int | None = None) -> tuple[int, int]:
        """Loads a byte, clears TWINT with other control bits, and gives TWINT's delay and TWSR once it is set."""
        if data is not None:
            self.write("TWDR", data, at=at)
        self.write("TWCR", TWINT | TWEN | control, at=at)
        due = self.twi._alarm.due
        self.pass_to(due - 1)
        assert not self.read("TWCR", due - 1) & TWINT
        self.pass_to(due)
        assert self.read("TWCR", due) & TWINT
        return due - at, self.read("TWSR", due)


@pytest.mark.parametrize(("baud", "prescaler"), [(0, 0), (12, 0), (72, 0), (255, 0), (10, 1), (10, 2), (255, 3)])
def test_the_period_of_the_clock_follows_rate_and_prescaler(baud: int, prescaler: int) -> None:
    """SCL = CPU clock / (16 + 2 TWBR 4^TWPS): sec. 22.5.2, table 22-7; the bits of TWSR above are read only."""
    chip = Bus.on()
    chip.write("TWBR", baud, at=20)
    chip.write("TWSR", 0xF8 | prescaler, at=22)
    assert chip.read("TWSR", 23) == 0xF8 | prescaler
    assert chip.twi.period_cycles == 16 + 2 * baud * 4**prescaler
    edges: list[tuple[int, bool]] = []
    chip.pin("PC5").listen(lambda level, cycle: edges.append((cycle, level)))
    chip.go(TWSTA, at=100)
    at = 100 + 10 * chip.twi.period_cycles
    edges.clear()
    chip.go(0, at=at, data=SENSOR << 1)
    rises = [cycle for cycle, level in edges if level]
    assert len(rises) == 9
    assert {later - earlier for earlier, later in pairwise(rises)} == {chip.twi.period_cycles}


def test_a_master_that_writes_goes_through_the_codes_of_its_table() -> None:
    """START, SLA+W, data, STOP: table 22-2, figure 22-12; START takes a period, a byte with its acknowledge nine."""
    device = ScriptedDevice(accepts=2)
    chip = Bus.on(sensor=device)
    assert chip.go(TWSTA, at=100) == (PERIOD, 0x08)
    assert chip.go(0, at=1000, data=SENSOR << 1) == (9 * PERIOD, 0x18)
    assert chip.go(0, at=4000, data=0x2C) == (9 * PERIOD, 0x28)
    assert chip.go(0, at=7000, data=0x06) == (9 * PERIOD, 0x28)
    assert chip.go(0, at=10_000, data=0x55) == (9 * PERIOD, 0x30)
    chip.write("TWCR", TWINT | TWEN | TWSTO, at=13_000)
    assert chip.read("TWCR", 13_001) == TWEN | TWSTO
    assert chip.read("TWSR", 13_001) == 0xF8
    chip.pass_to(13_000 + PERIOD)
    assert chip.read("TWCR", 13_000 + PERIOD) == TWEN
    assert device.written == [0x2C, 0x06, 0x55]
    assert chip.unmodelled() == []


def test_a_master_that_reads_goes_through_the_codes_of_its_table() -> None:
    """Repeated START, SLA+R, data acknowledged by TWEA, the last not: table 22-3, figure 22-14."""
    chip = Bus.on(sensor=ScriptedDevice([0xBE, 0xEF, 0x92]))
    assert chip.go(TWSTA, at=100) == (PERIOD, 0x08)
    assert chip.go(0, at=1000, data=SENSOR << 1) == (9 * PERIOD, 0x18)
    assert chip.go(TWSTA, at=4000) == (PERIOD, 0x10)
    assert chip.go(0, at=5000, data=SENSOR << 1 | 1) == (9 * PERIOD, 0x40)
    for at, value in ((8000, 0xBE), (11_000, 0xEF)):
        assert chip.go(TWEA, at=at) == (9 * PERIOD, 0x50)
        assert chip.read("TWDR", at + 2000) == value
    assert chip.go(0, at=14_000) == (9 * PERIOD, 0x58)
    assert chip.read("TWDR", 16_000) == 0x92
    assert chip.unmodelled() == []


@pytest.mark.parametrize(("is_read", "status"), [(0, 0x20), (1, 0x48)])
@pytest.mark.parametrize("is_there", [True, False])
def test_an_address_that_nobody_takes_is_not_acknowledged(is_read: int, status: int, is_there: bool) -> None:
    """SLA+W and SLA+R with NOT ACK: tables 22-2 and 22-3."""
    chip = Bus.on(sensor=ScriptedDevice(answers=False)) if is_there else Bus.on()
    chip.go(TWSTA, at=100)
    address = SENSOR if is_there else 0x23
    assert chip.go(0, at=1000, data=address << 1 | is_read) == (9 * PERIOD, status)
    told = ["TWDR: no device is attached to the two-wire bus, so nobody acknowledges"]
    assert chip.unmodelled() == ([] if is_there else told)


def test_a_stop_and_a_start_may_be_asked_for_together() -> None:
    """STOP followed by START: table 22-2, STA and STO both 1."""
    chip = Bus.on(sensor=ScriptedDevice())
    chip.go(TWSTA, at=100)
    chip.go(0, at=1000, data=SENSOR << 1)
    chip.write("TWCR", TWINT | TWEN | TWSTA | TWSTO, at=4000)
    chip.pass_to(4000 + PERIOD)
    assert chip.read("TWCR", 4000 + PERIOD) == TWEN | TWSTA
    chip.pass_to(4000 + 2 * PERIOD)
    assert (chip.read("TWCR", 5000) & TWINT, chip.read("TWSR", 5000)) == (TWINT, 0x08)


def test_the_interrupt_asks_until_the_flag_is_cleared_by_writing_one() -> None:
    """TWINT is not cleared when the vector is executed: sec. 22.9.2."""
    chip = Bus.on()
    chip.go(TWSTA | TWIE, at=100)
    assert chip.asks("TWI")
    chip.chip.interrupts.accept(1000, chip.chip.stack_pointer)
    assert chip.asks("TWI")
    chip.write("TWCR", TWEN | TWIE, at=1010)
    assert chip.asks("TWI")
    chip.write("TWCR", TWINT | TWEN | TWIE, at=1020)
    assert not chip.asks("TWI")


def test_data_written_while_the_flag_is_clear_collides() -> None:
    """TWWC: set by writing TWDR when TWINT is low, cleared by writing it when TWINT is high: sec. 22.9.2."""
    chip = Bus.on(sensor=ScriptedDevice())
    chip.write("TWDR", 0x12, at=50)
    assert chip.read("TWCR", 51) == TWWC
    assert chip.read("TWDR", 52) == 0xFF
    chip.go(TWSTA, at=100)
    chip.write("TWDR", SENSOR << 1, at=500)
    assert chip.read("TWCR", 501) == TWINT | TWSTA | TWEN
    assert chip.read("TWDR", 502) == SENSOR << 1


def test_the_pins_show_conditions_and_bits() -> None:
    """SDA falls with SCL high (START), rises with it high (STOP), else changes with it low: figures 22-2 to 22-6."""
    chip = Bus.on(sensor=ScriptedDevice([0xA3]))
    data: list[tuple[int, bool]] = [(0, True)]
    clock: list[tuple[int, bool]] = [(0, True)]
    chip.pin("PC4").listen(lambda level, cycle: data.append((cycle, level)))
    chip.pin("PC5").listen(lambda level, cycle: clock.append((cycle, level)))
    chip.go(TWSTA, at=100)
    chip.go(0, at=1000, data=SENSOR << 1 | 1)
    chip.go(0, at=4000)
    chip.write("TWCR", TWINT | TWEN | TWSTO, at=7000)
    chip.pass_to(8000)

    def level(line: list[tuple[int, bool]], at: int) -> bool:
        return [state for cycle, state in line if cycle <= at][-1]

    changes_with_clock_high = [(at, up) for at, up in data[1:] if level(clock, at) and at > 100]
    assert [up for _, up in changes_with_clock_high] == [False, True]
    rises = [at for at, up in clock[1:] if up]
    address, byte = rises[-19:-10], rises[-10:-1]
    assert [level(data, at) for at in address] == [bool(int(each)) for each in f"{SENSOR << 1 | 1:08b}0"]
    assert [level(data, at) for at in byte] == [bool(int(each)) for each in f"{0xA3:08b}1"]


# As a slave.


def slave(control: int = TWEA, address: int = 0x29 << 1, mask: int = 0) -> Bus:
    """A chip that listens to its address."""
    chip = Bus.on()
    chip.write("TWAR", address, at=20)
    chip.write("TWAMR", mask, at=22)
    chip.write("TWCR", TWEN | control, at=24)
    return chip


def codes(chip: Bus, controls: Sequence[int], values: Sequence[int] = ()) -> list[int]:
    """Answers each TWINT with the next control bits, and gives the codes; data is loaded before going on."""
    seen, given = [], iter(values)
    for control in controls:
        chip.pass_to(chip.chip.events.next_cycle)
        at = chip.chip.cycle = max(chip.chip.cycle, 0) + 10_000
        chip.pass_to(at)
        assert chip.twi.is_waiting
        seen.append(chip.read("TWSR", at))
        if seen[-1] in (0xA8, 0xB8):
            chip.write("TWDR", next(given, 0xEE), at=at)
        chip.write("TWCR", TWINT | TWEN | control, at=at)
    return seen


def test_a_slave_that_is_written_to_goes_through_the_codes_of_its_table() -> None:
    """Own SLA+W, data, STOP: table 22-4, figure 22-16."""
    chip = slave()
    transfer = chip.master.transfer(0x29, 1000, writes=[0x11, 0x22])
    assert codes(chip, [TWEA, TWEA, TWEA, TWEA]) == [0x60, 0x80, 0x80, 0xA0]
    assert chip.read("TWDR", 50_000) == 0x22
    assert (transfer.is_refused, transfer.read) == (False, [])


def test_a_slave_that_is_read_from_goes_through_the_codes_of_its_table() -> None:
    """Own SLA+R, data with ACK, the last with NOT ACK: table 22-5, figure 22-18."""
    chip = slave()
    transfer = chip.master.transfer(0x29, 1000, reads=3)
    assert codes(chip, [TWEA, TWEA, TWEA, TWEA], [1, 2, 3]) == [0xA8, 0xB8, 0xB8, 0xC0]
    chip.pass_to(10**6)
    assert transfer.read == [1, 2, 3]
    assert transfer.end is not None


def test_a_slave_that_has_no_more_says_so_and_the_master_reads_ones() -> None:
    """TWEA clear with the last byte, yet acknowledged: 0xC8, table 22-5."""
    chip = slave()
    transfer = chip.master.transfer(0x29, 1000, reads=3)
    assert codes(chip, [0, TWEA], [7]) == [0xA8, 0xC8]
    chip.pass_to(10**6)
    assert transfer.read == [7, 0xFF, 0xFF]


def test_a_byte_that_is_not_acknowledged_ends_the_transfer() -> None:
    """Data received, NOT ACK returned: 0x88, table 22-4; the slave is no longer addressed."""
    chip = slave()
    transfer = chip.master.transfer(0x29, 1000, writes=[1, 2, 3])
    assert codes(chip, [0, TWEA]) == [0x60, 0x88]
    chip.pass_to(10**6)
    assert transfer.is_refused
    assert not chip.twi.is_waiting


def test_a_write_and_a_read_are_joined_by_a_repeated_start() -> None:
    """A repeated START while addressed as a receiver: 0xA0, table 22-4."""
    chip = slave()
    transfer = chip.master.transfer(0x29, 1000, writes=[5], reads=1)
    assert codes(chip, [TWEA] * 5, [9]) == [0x60, 0x80, 0xA0, 0xA8, 0xC0]
    assert transfer.read == [9]


@pytest.mark.parametrize(
    ("control", "address", "mask", "sent", "is_taken"),
    [
        (TWEA, 0x29 << 1, 0, 0x29, True),
        (TWEA, 0x29 << 1, 0, 0x2A, False),
        (0, 0x29 << 1, 0, 0x29, False),
        (TWEA, 0x29 << 1, 0x03 << 1, 0x2A, True),
        (TWEA, 0x29 << 1, 0x03 << 1, 0x2C, False),
        (TWEA, 0x29 << 1, 0, 0, False),
        (TWEA, 0x29 << 1 | 1, 0, 0, True),
    ],
)
def test_an_address_is_taken_by_register_mask_and_general_call(
    control: int, address: int, mask: int, sent: int, is_taken: bool
) -> None:
    """TWEA, TWAR with TWGCE, and TWAMR, whose bits are not compared: sec. 22.9.5 and 22.9.6."""
    chip = slave(control, address, mask)
    transfer = chip.master.transfer(sent, 1000, writes=[1])
    chip.pass_to(1000 + 10 * PERIOD - 1)
    assert chip.read("TWSR", 1000 + 10 * PERIOD - 1) == 0xF8
    chip.pass_to(1000 + 10 * PERIOD)
    assert chip.twi.is_waiting == is_taken
    assert chip.read("TWSR", 5000) == ((0x60 if sent else 0x70) if is_taken else 0xF8)
    if not is_taken:
        chip.pass_to(10**6)
        assert transfer.is_refused


def test_transfers_that_cannot_be_are_refused() -> None:
    """Eight bits of address, nothing to do, and a time in the past."""
    chip = slave()
    chip.chip.cycle = 100
    with pytest.raises(ArgumentError, match="seven bits"):
        chip.master.transfer(0x80, 200, writes=[1])
    with pytest.raises(ArgumentError, match="at least one byte"):
        chip.master.transfer(0x29, 200)
    with pytest.raises(ArgumentError, match="it is 100 now"):
        chip.master.transfer(0x29, 99, reads=1)


# Clock and state.


def test_switching_it_off_ends_everything_and_gives_the_pins_back() -> None:
    """TWEN cleared terminates all transmissions, the pins are the ports' again: sec. 22.9.2."""
    chip = Bus.on(sensor=ScriptedDevice())
    chip.go(TWSTA, at=100)
    assert chip.pin("PC5").is_output
    chip.write("TWDR", SENSOR << 1, at=500)
    chip.write("TWCR", TWINT | TWEN, at=502)
    chip.write("TWCR", 0, at=600)
    assert not chip.pin("PC5").is_output
    chip.pass_to(10**6)
    assert chip.read("TWCR", 10**6) == 0


def test_an_operation_stands_still_with_the_clock_off() -> None:
    """PRTWI stops the clock of the interface: sec. 10.11.3."""
    chip = Bus.on(sensor=ScriptedDevice())
    chip.go(TWSTA, at=100)
    chip.write("TWDR", SENSOR << 1, at=500)
    chip.write("TWCR", TWINT | TWEN, at=1000)
    chip.write("PRR", chip.bit("PRTWI"), at=1500)
    chip.pass_to(50_000)
    chip.write("PRR", 0, at=50_000)
    end = 50_000 + 9 * PERIOD - 500
    assert not chip.read("TWCR", end - 1) & TWINT
    assert chip.read("TWCR", end) & TWINT


def test_a_kept_state_goes_on_with_bus_and_device() -> None:
    """The device's script is part of the state."""
    chip = Bus.on(sensor=ScriptedDevice([1, 2, 3]))
    chip.go(TWSTA, at=100)
    chip.go(0, at=1000, data=SENSOR << 1 | 1)
    chip.go(TWEA, at=4000)
    chip.write("TWCR", TWINT | TWEN | TWEA, at=7000)
    saved = chip.chip.save()
    for _ in range(2):
        chip.pass_to(9000)
        assert chip.read("TWDR", 9000) == 2
        assert chip.go(0, at=10_000) == (9 * PERIOD, 0x58)
        assert chip.read("TWDR", 12_000) == 3
        chip.chip.restore(saved)
