"""The SPI: master and slave, its clock, flags, pins, and a scripted device at the other end.

Datasheet: ATmega48A/…/328P DS40002061A sec. 19.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from cyclerule.errors import ArgumentError
from cyclerule.machine.chip import Chip
from cyclerule.parts.part import Part
from cyclerule.peripherals.port import Pin
from cyclerule.peripherals.power import PowerReduction
from cyclerule.peripherals.serial.usart import FindPin
from cyclerule.peripherals.serial.waveform import Waveform

# The bits have the same places on every part (sec. 19.5).
SPIF, WCOL, SPI2X = 1 << 7, 1 << 6, 1
SPIE, SPE, DORD, MSTR, CPOL, CPHA = (1 << place for place in range(7, 1, -1))
DIVISORS = (4, 16, 64, 128)
"""SCK's period in CPU cycles by SPR1:0, halved by SPI2X: table 19-5."""


class Exchanged(NamedTuple):
    """A byte that went out and the one that came in for it; `cycle` is that of the last clock edge."""

    cycle: int
    sent: int
    received: int


@dataclass(frozen=True)
class SpiRegisters:
    """The registers of an SPI as data addresses, and its vector; None is what the part lacks."""

    name: str
    control: int
    status: int
    data: int
    has_double_speed: bool
    vector: int | None
    power_bit: str

    @classmethod
    def of(cls, part: Part) -> "SpiRegisters | None":
        """Finds them by their names; None for a part without an SPI."""
        for n in ("", "0"):
            names = [f"{name}{n}" for name in ("SPCR", "SPSR", "SPDR")]
            if all(name in part.registers for name in names):
                control, status, data = (part.registers[name].address for name in names)
                vectors = ("SPI_STC", "SPI0_STC", "SPISTC", "SPI", "SIG_SPI")
                return cls(
                    names[2],
                    control,
                    status,
                    data,
                    has_double_speed=f"SPI2X{n}" in part.bits,
                    vector=next((part.vectors[name] for name in vectors if name in part.vectors), None),
                    power_bit=next((name for name in ("PRSPI", "PRSPI0") if name in part.bits), ""),
                )
        return None


class Spi:
    """The serial peripheral interface.

    As master each byte goes to `device`, which gives the byte that comes back; without one, `answers` are given in
    turn; without those, MISO is what its pin is. As slave it is clocked by `exchange`.

    UNVERIFIED: that SCK's first half period begins with the write to SPDR, whatever the clock divider, and that SPIF is
    set with the last edge, eight periods after the write; a logic analyser on SCK of a board that toggles a pin right
    before and after would settle it.
    """

    def __init__(self, chip: Chip, registers: SpiRegisters, find_pin: FindPin, power: PowerReduction) -> None:
        self.device: Callable[[int], int] | None = None
        self.answers: deque[int] = deque()
        self.exchanged: list[Exchanged] = []
        self._chip, self._at, self._power = chip, registers, power
        self._control = self._double = 0
        self._flags = self._seen_flags = 0
        # The shift register's byte on its way, the receive buffer, and what SPDR was last given as slave.
        self._shifting: int | None = None
        self._received = 0
        self._loaded = 0
        self._started = self._half_cycles = 0
        self._levels: list[tuple[int, bool]] = []
        self._stopped_at: int | None = None
        self._left = 0
        self._is_told = False
        name = "SPI"
        self._select, self._miso = find_pin("SS"), find_pin("MISO")
        clock = find_pin("SCK")
        self._clock_wave = Waveform(chip, clock, name, forces_output=False)
        self._data_wave = Waveform(chip, find_pin("MOSI"), name, forces_output=False)
        self._alarm = chip.events.alarm(self._ends)
        if self._select is not None:
            self._select.listen(self._select_changes)
        if self._miso is not None:
            self._miso.listen(self._miso_changes)
        if clock is not None:
            clock.listen(lambda level, cycle: self._clock_changes(clock))
        bus = chip.bus
        bus.attach(registers.control, None, self._write_control)
        # Reading SPSR has an effect, so every read has to be seen.
        bus.attach(registers.status, self._read_status, self._write_status)
        bus.attach(registers.data, self._read_data, self._write_data)
        if registers.vector is not None:
            chip.interrupts.on_entry(registers.vector, lambda cycle: self._drop(SPIF))
        power.on_change(self._power_changes)
        chip.add(self)

    @property
    def is_master(self) -> bool:
        """Whether MSTR is set."""
        return bool(self._control & MSTR)

    @property
    def clock_cycles(self) -> int:
        """CPU cycles of one period of SCK as master: 2 to 128; table 19-5."""
        # Without SPI2X 4, 16, 64, 128; with it 2, 8, 32, and 64 once more.
        return DIVISORS[self._control & 3] // (2 if self._double else 1)

    # Flags.

    def _drop(self, flags: int) -> None:
        self._flags &= ~flags
        self._seen_flags &= ~flags
        self._update()

    def _raise(self, flags: int) -> None:
        self._flags |= flags
        self._update()

    def _update(self) -> None:
        self._chip.data[self._at.status] = self._flags | self._double
        if self._at.vector is not None:
            asks = self._flags & SPIF and self._control & SPIE
            self._chip.interrupts.set_request(self._at.vector, bool(asks))

    def _access_data(self) -> None:
        # SPIF and WCOL are cleared by reading SPSR with them set, then accessing SPDR: sec. 19.5.2.
        if self._seen_flags:
            self._drop(self._seen_flags)

    # Registers.

    def _read_status(self, cycle: int) -> int:
        self._seen_flags |= self._flags
        return self._flags | self._double

    def _write_status(self, value: int, mask: int, cycle: int) -> None:
        if not self._is_reachable() or not self._at.has_double_speed:
            return
        before = self._double
        self._double = before & ~mask | value & mask & SPI2X
        if self._double != before:
            self._check_speed()
        self._update()

    def _write_control(self, value: int, mask: int, cycle: int) -> None:
        if not self._is_reachable():
            return
        before = self._control
        self._control = before & ~mask | value & mask
        if self._shifting is not None and (before ^ self._control) & ~SPIE:
            self._check_speed()
            if not self._control & SPE:
                self._shifting = None
                self._alarm.clear()
        if self._control & SPIE and self._at.vector is None:
            self._tell("the interrupt of the SPI")
        self._chip.data[self._at.control] = self._control
        self._check_select(cycle)
        self._take_pins(cycle)
        self._update()

    def _check_speed(self) -> None:
        # UNVERIFIED: what becomes of a transfer whose settings change on its way; no datasheet says it, so it is told;
        # a logic analyser on SCK would settle it.
        if self._shifting is not None:
            self._tell("a change of settings in the middle of a transfer")

    def _read_data(self, cycle: int) -> int:
        self._access_data()
        return self._received

    def _write_data(self, value: int, mask: int, cycle: int) -> None:
        if not self._is_reachable():
            return
        self._access_data()
        value = self._received & ~mask & 0xFF | value & mask
        if self._shifting is not None:
            # The byte is not taken over and the transfer goes on: sec. 19.5.2, WCOL.
            self._raise(WCOL)
        elif not self._control & SPE:
            self._tell("a byte written while the SPI is off")
        elif self.is_master:
            self._begin(value, cycle)
        else:
            self._loaded = value

    # The master.

    def _begin(self, value: int, cycle: int) -> None:
        self._shifting, self._started, self._half_cycles = value, cycle, self.clock_cycles // 2
        self._alarm.set(cycle + 16 * self._half_cycles)
        if self._miso is not None:
            self._levels = [(cycle, self._miso.level)]
        if self._clock_wave.has_pin:
            half, idle = self._half_cycles, bool(self._control & CPOL)
            edges = [(cycle + (n + 1) * half, idle ^ (n % 2 == 0)) for n in range(16)]
            self._clock_wave.play(edges)
            # Data is set up half a period before it is sampled: figures 19-3 and 19-4.
            first = cycle + half if self._control & CPHA else cycle
            self._data_wave.play([(first + 2 * n * half, bool(bit)) for n, bit in enumerate(self._bits(value))])

    def _bits(self, value: int) -> list[int]:
        order = range(8) if self._control & DORD else range(7, -1, -1)
        return [value >> place & 1 for place in order]

    def _ends(self, cycle: int) -> None:
        sent, self._shifting = self._shifting or 0, None
        self._finish(sent, self._answer(sent), cycle)

    def _finish(self, sent: int, received: int, cycle: int) -> None:
        self._received = received
        self.exchanged.append(Exchanged(cycle, sent, received))
        self._raise(SPIF)

    def _answer(self, sent: int) -> int:
        if self.device is not None:
            return self.device(sent) & 0xFF
        if self.answers:
            return self.answers.popleft()
        if self._miso is None:
            self._tell("what comes in, since no device is attached and which pin is MISO is not known")
            return 0xFF
        if not self._miso.is_driven:
            what = "no device is attached to the SPI and nobody drives MISO, which reads as its pull-up says"
            self._chip.bus.report_assumed(self._at.name, what)
        half = self._half_cycles
        first = self._started + (2 * half if self._control & CPHA else half)
        bits = [self._miso_at(first + 2 * n * half) for n in range(8)]
        order = range(8) if self._control & DORD else range(7, -1, -1)
        return sum(bit << place for bit, place in zip(bits, order, strict=True))

    def _miso_at(self, cycle: int) -> bool:
        # UNVERIFIED: that MISO is sampled at the clock edge itself, without delay of the synchroniser; a board that
        # changes MISO a cycle before and after the edge would settle it.
        return next(level for at, level in reversed(self._levels) if at < cycle or at == self._started)

    def _miso_changes(self, level: bool, cycle: int) -> None:
        if self._shifting is not None:
            self._levels.append((cycle, level))

    # The pins.

    def _take_pins(self, cycle: int) -> None:
        is_on, is_master = bool(self._control & SPE), self.is_master
        if is_on and is_master:
            # SCK and MOSI follow the program's DDR, MISO is an input: sec. 19.2, table 19-1.
            if self._shifting is None:
                self._clock_wave.hold(bool(self._control & CPOL), cycle)
                if not self._data_wave.is_taken:
                    self._data_wave.hold(False, cycle)
            if self._miso is not None:
                self._miso.force_input("SPI", cycle)
            return
        self._clock_wave.release(cycle)
        self._data_wave.release(cycle)
        if self._miso is not None:
            self._miso.release("SPI", cycle)

    def _select_changes(self, level: bool, cycle: int) -> None:
        if not level:
            self._check_select(cycle)

    def _check_select(self, cycle: int) -> None:
        """Leaves master mode when another master pulls SS low, SS being an input: sec. 19.3.2."""
        select = self._select
        if self._control & (SPE | MSTR) != SPE | MSTR:
            return
        if select is None:
            if not self._is_told:
                self._is_told = True
                self._chip.bus.report_assumed(self._at.name, "which pin is SS is not known; it is taken as held high")
            return
        if select.is_output or select.level:
            return
        if not select.is_driven:
            what = "SS is an input that nobody drives and without its pull-up; it is taken as held high"
            self._chip.bus.report_assumed(self._at.name, what)
            return
        self._control &= ~MSTR
        self._chip.data[self._at.control] = self._control
        self._shifting = None
        self._alarm.clear()
        self._take_pins(cycle)
        self._raise(SPIF)

    # The slave.

    def exchange(self, value: int, cycle: int) -> int | None:
        """Has a master send a byte whose last clock edge is at a cycle, and gives what the slave sent for it.

        None when the SPI is off or a master, so that nothing is heard. The chip must have come to that cycle.
        """
        if not 0 <= value <= 0xFF:
            raise ArgumentError(f"a byte for the SPI is {value}; it is 0 to 255")
        if self._control & (SPE | MSTR) != SPE or self._stopped_at is not None:
            return None
        sent = self._loaded
        # What came in stays in the shift register, and goes out next unless the program writes SPDR (figure 19-2).
        self._loaded = value
        self._finish(sent, value, cycle)
        return sent

    def _clock_changes(self, clock: Pin) -> None:
        if self._control & (SPE | MSTR) == SPE and clock.is_driven:
            self._tell("a slave that is clocked over its pins")

    # Power.

    def _is_reachable(self) -> bool:
        if self._stopped_at is None:
            return True
        self._tell("a register written while the SPI's clock is off")
        return False

    def _power_changes(self, cycle: int) -> None:
        if self._power.is_on(self._at.power_bit) == (self._stopped_at is not None):
            return
        since = self._stopped_at
        if since is None:
            self._stopped_at = cycle
            self._left = self._alarm.due - cycle
            self._alarm.clear()
            self._clock_wave.stop_clock(cycle)
            self._data_wave.stop_clock(cycle)
            return
        self._stopped_at = None
        self._started += cycle - since
        if self._shifting is not None:
            self._alarm.set(cycle + self._left)
        self._clock_wave.go_on(cycle)
        self._data_wave.go_on(cycle)

    def _tell(self, what: str) -> None:
        self._chip.bus.report_unmodelled(self._at.name, what)

    def at_reset(self, cycle: int) -> None:
        """Sets all back but what is at the other end and what was exchanged with it."""
        answers, exchanged = tuple(self.answers), tuple(self.exchanged)
        self.restore(self._chip.state_at_power_on(self))
        self.answers, self.exchanged[:] = deque(answers), exchanged

    def save(self) -> Any:
        """Gives the state, with what was exchanged; a device keeps its own."""
        return (
            (self._control, self._double, self._flags, self._seen_flags),
            (self._shifting, self._received, self._loaded, self._started, self._half_cycles),
            (tuple(self._levels), self._stopped_at, self._left, self._is_told),
            tuple(self.answers),
            tuple(self.exchanged),
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; the alarm is restored with the queue."""
        flags, transfer, line, answers, exchanged = saved
        self._control, self._double, self._flags, self._seen_flags = flags
        self._shifting, self._received, self._loaded, self._started, self._half_cycles = transfer
        levels, self._stopped_at, self._left, self._is_told = line
        self._levels, self.answers = list(levels), deque(answers)
        self.exchanged[:] = exchanged
