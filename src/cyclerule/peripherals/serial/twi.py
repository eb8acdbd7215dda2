"""The two-wire interface: registers, status codes, and what it does on the bus as master and as slave.

Datasheet: ATmega48A/…/328P DS40002061A sec. 22; the codes are those of tables 22-2 to 22-6.

UNVERIFIED: where in a period of SCL the interface begins and TWINT is set. Here START and STOP take one period and a
byte with its acknowledge nine, from the write that clears TWINT to TWINT; a logic analyser on SCL and on a pin that the
program toggles at once after TWINT would settle it. Arbitration with another master is not modelled.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.serial.twi_devices import TwiDevice
from cyclerule.peripherals.serial.usart import FindPin
from cyclerule.peripherals.serial.waveform import Waveform

# TWCR (sec. 22.9.2).
TWINT, TWEA, TWSTA, TWSTO, TWWC, TWEN, TWIE = (1 << place for place in (7, 6, 5, 4, 3, 2, 0))
TWGCE = 1
NO_STATE = 0xF8
START, REPEATED_START = 0x08, 0x10
ADDRESS_ACK, ADDRESS_NACK = {0: 0x18, 1: 0x40}, {0: 0x20, 1: 0x48}
SENT_ACK, SENT_NACK, GOT_ACK, GOT_NACK = 0x28, 0x30, 0x50, 0x58
IDLE, STARTED, SENDING, RECEIVING, REFUSED, STOPPING = range(6)
"""What the interface is as a master; REFUSED is a receiver whose last byte was not acknowledged."""


@dataclass(frozen=True)
class TwiRegisters:
    """The registers of the interface as data addresses, and its vector; None is what the part lacks."""

    baud: int
    status: int
    address: int
    data: int
    control: int
    address_mask: int | None
    prescaler_bits: int
    vector: int | None
    power_bit: str

    @classmethod
    def of(cls, part: Part) -> "TwiRegisters | None":
        """Finds them by their names; None for a part without the interface."""
        registers = part.registers
        if not all(name in registers for name in ("TWBR", "TWSR", "TWAR", "TWDR", "TWCR")):
            return None
        baud, status, address, data, control = (
            registers[name].address for name in ("TWBR", "TWSR", "TWAR", "TWDR", "TWCR")
        )
        return cls(
            baud,
            status,
            address,
            data,
            control,
            address_mask=registers["TWAMR"].address if "TWAMR" in registers else None,
            prescaler_bits=3 if "TWPS0" in part.bits else 0,
            vector=part.vectors.get("TWI"),
            power_bit=next((name for name in ("PRTWI", "PRTWI0") if name in part.bits), ""),
        )


class Twi:
    """The two-wire interface; `devices` are those on the bus, by their seven-bit address."""

    def __init__(self, chip: Chip, registers: TwiRegisters, find_pin: FindPin, power: PowerReduction) -> None:
        self.devices: dict[int, TwiDevice] = {}
        self.on_continue: Callable[[int], bool] | None = None
        self.is_addressed = False
        self._chip, self._at, self._power = chip, registers, power
        self._control = 0
        self._flags = 0
        self._status = NO_STATE
        self._prescaler = 0
        self._role = IDLE
        # What TWSR is going to be when the operation on the bus is over, and what it is going to be as a master.
        self._coming = (NO_STATE, IDLE)
        self._received: int | None = None
        self._device: int | None = None
        self._stopped_at: int | None = None
        self._left = 0
        self._alarm = chip.events.alarm(self._ends)
        self._clock_wave = Waveform(chip, find_pin("SCL"), "TWI", forces_output=True)
        self._data_wave = Waveform(chip, find_pin("SDA"), "TWI", forces_output=True)
        bus = chip.bus
        bus.attach(registers.baud, None, self._write_baud)
        bus.attach(registers.status, None, self._write_status)
        bus.attach(registers.address, None, None)
        bus.attach(registers.data, None, self._write_data)
        bus.attach(registers.control, None, self._write_control)
        if registers.address_mask is not None:
            bus.attach(registers.address_mask, None, None)
        # Reset values: sec. 22.9.4 and 22.9.5.
        chip.data[registers.data], chip.data[registers.address] = 0xFF, 0xFE
        self._update()
        power.on_change(self._power_changes)
        chip.add(self)

    @property
    def period_cycles(self) -> int:
        """CPU cycles of one period of SCL: 16 + 2 TWBR 4^TWPS; sec. 22.5.2."""
        return 16 + (2 * self._chip.data[self._at.baud] << 2 * self._prescaler)

    @property
    def is_waiting(self) -> bool:
        """Whether TWINT is set, so that SCL is held low until the program goes on."""
        return bool(self._flags & TWINT)

    @property
    def acknowledges(self) -> bool:
        """Whether TWEA is set and the interface is on."""
        return self._control & (TWEA | TWEN) == TWEA | TWEN and self._stopped_at is None

    @property
    def is_busy(self) -> bool:
        """Whether the chip itself is master on the bus."""
        return self._role != IDLE or self._is_operating

    @property
    def _is_operating(self) -> bool:
        return self._coming != (NO_STATE, IDLE) or self._role == STOPPING

    def _update(self) -> None:
        data, at = self._chip.data, self._at
        data[at.status] = self._status | self._prescaler
        data[at.control] = self._flags | self._control
        if at.vector is not None:
            # TWINT is not cleared on entry: sec. 22.9.2.
            self._chip.interrupts.set_request(at.vector, bool(self._flags & TWINT and self._control & TWIE))

    # Registers.

    def _write_baud(self, value: int, mask: int, cycle: int) -> None:
        data, at = self._chip.data, self._at.baud
        data[at] = data[at] & ~mask & 0xFF | value & mask
        self._check_speed()

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        mask &= self._at.prescaler_bits
        self._prescaler = self._prescaler & ~mask | value & mask
        self._check_speed()
        self._update()

    def _check_speed(self) -> None:
        if self._is_operating:
            self._tell("a change of speed in the middle of an operation")

    def _write_data(self, value: int, mask: int, cycle: int) -> None:
        data, at = self._chip.data, self._at.data
        # It can be written only while TWINT is set: sec. 22.9.4, and TWWC in 22.9.2.
        if self._flags & TWINT:
            data[at] = data[at] & ~mask & 0xFF | value & mask
            self._flags &= ~TWWC
        else:
            self._flags |= TWWC
        self._update()

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        if self._stopped_at is not None:
            self._tell("a register written while its clock is off")
            return
        mask &= ~TWWC & 0xFF
        before = self._control
        self._control = (before & ~mask | value & mask) & (TWEA | TWSTA | TWSTO | TWEN | TWIE)
        if self._control & TWIE and self._at.vector is None:
            self._tell("the interrupt of the two-wire interface")
        if not self._control & TWEN:
            self._switch_off(cycle)
        else:
            if not before & TWEN:
                self._clock_wave.hold(True, cycle)
                self._data_wave.hold(True, cycle)
            if value & mask & TWINT:
                self._flags &= ~TWINT
                self._status = NO_STATE
            if not self._flags & TWINT:
                self._go_on(cycle)
        self._update()

    def _switch_off(self, cycle: int) -> None:
        # All transmissions are terminated, whatever is on its way: sec. 22.9.2, TWEN.
        self._role, self._coming, self._device = IDLE, (NO_STATE, IDLE), None
        self.is_addressed = False
        self._alarm.clear()
        self._clock_wave.release(cycle)
        self._data_wave.release(cycle)

    # The master.

    def _go_on(self, cycle: int) -> None:
        """Begins what the control bits ask for, now that TWINT is clear."""
        if self._is_operating:
            return
        # A master at the other end goes on first.
        if self.on_continue is not None and self.on_continue(cycle):
            return
        control, role = self._control, self._role
        if role == IDLE:
            # As slave TWSTO makes no STOP: it leaves an error state (sec. 22.9.2).
            self._control &= ~TWSTO
            if control & TWSTA:
                self._start(START, cycle)
        elif control & TWSTO:
            self._stop(cycle)
        elif control & TWSTA:
            self._start(REPEATED_START, cycle)
        elif role == STARTED:
            self._send_address(cycle)
        elif role == SENDING:
            self._send(cycle)
        elif role == RECEIVING:
            self._receive(cycle)
        else:
            self._tell("going on without START or STOP after a byte that was not acknowledged")

    def _operate(self, periods: int, status: int, role: int, cycle: int) -> None:
        self._coming = status, role
        self._alarm.set(cycle + periods * self.period_cycles)

    def _start(self, status: int, cycle: int) -> None:
        period = self.period_cycles
        self._operate(1, status, STARTED, cycle)
        rises = [] if status == START else [(cycle, True)]
        self._data_wave.play([*rises, (cycle + period // 2, False)])
        self._clock_wave.play([*([] if status == START else [(cycle + period // 4, True)]), (cycle + period, False)])

    def _stop(self, cycle: int) -> None:
        period = self.period_cycles
        self._role, self._device = STOPPING, None
        self._alarm.set(cycle + period)
        self._data_wave.play([(cycle, False), (cycle + period, True)])
        self._clock_wave.play([(cycle + period // 2, True)])

    def _send_address(self, cycle: int) -> None:
        value = self._chip.data[self._at.data]
        is_read = value & 1
        device = self.devices.get(value >> 1)
        if not self.devices:
            what = "no device is attached to the two-wire bus, so nobody acknowledges"
            self._chip.bus.report_assumed("TWDR", what)
        is_taken = device is not None and device.begin(bool(is_read))
        self._device = value >> 1 if is_taken else None
        following = (RECEIVING if is_read else SENDING) if is_taken else (REFUSED if is_read else SENDING)
        self._operate(9, (ADDRESS_ACK if is_taken else ADDRESS_NACK)[is_read], following, cycle)
        self._show_byte(value, is_taken, cycle)

    def _send(self, cycle: int) -> None:
        value = self._chip.data[self._at.data]
        device = None if self._device is None else self.devices.get(self._device)
        is_taken = device is not None and device.write(value)
        self._operate(9, SENT_ACK if is_taken else SENT_NACK, SENDING, cycle)
        self._show_byte(value, is_taken, cycle)

    def _receive(self, cycle: int) -> None:
        device = None if self._device is None else self.devices.get(self._device)
        self._received = 0xFF if device is None else device.read() & 0xFF
        is_taken = bool(self._control & TWEA)
        self._operate(9, GOT_ACK if is_taken else GOT_NACK, RECEIVING if is_taken else REFUSED, cycle)
        self._show_byte(self._received, is_taken, cycle)

    def _show_byte(self, value: int, is_acknowledged: bool, cycle: int) -> None:
        if not self._clock_wave.has_pin:
            return
        period = self.period_cycles
        bits = [*(bool(value >> place & 1) for place in range(7, -1, -1)), not is_acknowledged]
        self._data_wave.play([(cycle + n * period, bit) for n, bit in enumerate(bits)])
        clock = [
            edge
            for n in range(9)
            for edge in ((cycle + n * period + period // 2, True), (cycle + (n + 1) * period, False))
        ]
        self._clock_wave.play(clock)

    def _ends(self, cycle: int) -> None:
        if self._role == STOPPING:
            # TWSTO is cleared when the STOP is on the bus, and TWINT is not set: sec. 22.9.2.
            self._role = IDLE
            self._control &= ~TWSTO
            if self._control & TWSTA:
                self._start(START, cycle)
            self._update()
            return
        status, self._role = self._coming
        self._coming = (NO_STATE, IDLE)
        if self._received is not None:
            self._chip.data[self._at.data], self._received = self._received, None
        self.report(status)

    def report(self, status: int) -> None:
        """Sets TWINT with a status code."""
        self._status = status
        self._flags |= TWINT
        self._update()

    # As a slave; what the master at the other end does is in `twi_master.py`.

    def takes(self, address: int) -> bool:
        """Tells whether a seven-bit address is the chip's own or the general call that it listens to: sec. 22.9.5."""
        data, at = self._chip.data, self._at
        if not self.acknowledges:
            return False
        if address == 0:
            return bool(data[at.address] & TWGCE)
        mask = 0 if at.address_mask is None else data[at.address_mask] >> 1
        return not (address ^ data[at.address] >> 1) & ~mask

    def read_data(self) -> int:
        """Gives TWDR, as a slave sends it."""
        return self._chip.data[self._at.data]

    def put_data(self, value: int) -> None:
        """Puts a received byte into TWDR."""
        self._chip.data[self._at.data] = value

    # Power.

    def _power_changes(self, cycle: int) -> None:
        if self._power.is_on(self._at.power_bit) == (self._stopped_at is not None):
            return
        if self._stopped_at is None:
            if self.is_addressed:
                self._tell("its clock stopped while it is addressed as a slave")
            self._stopped_at = cycle
            self._left = self._alarm.due - cycle
            self._alarm.clear()
            self._clock_wave.stop_clock(cycle)
            self._data_wave.stop_clock(cycle)
            return
        self._stopped_at = None
        if self._is_operating:
            self._alarm.set(cycle + self._left)
        self._clock_wave.go_on(cycle)
        self._data_wave.go_on(cycle)

    def _tell(self, what: str) -> None:
        self._chip.bus.report_unmodelled("TWCR", what)

    def at_reset(self, cycle: int) -> None:
        """Sets all back but the devices on the bus."""
        registers, bus, power, _ = self._chip.state_at_power_on(self)
        self.restore((registers, bus, power, {}))

    def save(self) -> Any:
        """Gives the state, with that of the devices on the bus."""
        return (
            (self._control, self._flags, self._status, self._prescaler),
            (self._role, self._coming, self._received, self._device, self.is_addressed),
            (self._stopped_at, self._left),
            {address: device.save() for address, device in self.devices.items()},
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; devices that have been attached since keep theirs."""
        registers, bus, power, devices = saved
        self._control, self._flags, self._status, self._prescaler = registers
        self._role, self._coming, self._received, self._device, self.is_addressed = bus
        self._stopped_at, self._left = power
        for address, state in devices.items():
            if address in self.devices:
                self.devices[address].restore(state)
