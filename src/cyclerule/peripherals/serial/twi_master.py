"""A scripted master on the two-wire bus, to which the chip is a slave: DS40002061A sec. 22.7.3 and 22.7.4."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from cyclerule.errors import ArgumentError
from cyclerule.machine.chip import Chip
from cyclerule.peripherals.serial.twi import Twi

OWN_WRITE, GENERAL_CALL, OWN_READ = 0x60, 0x70, 0xA8
GOT_ACK, GOT_NACK, GENERAL_ACK, GENERAL_NACK = 0x80, 0x88, 0x90, 0x98
STOP_OR_START = 0xA0
SENT_ACK, SENT_NACK, LAST_SENT_ACK = 0xB8, 0xC0, 0xC8


@dataclass
class Transfer:
    """Bytes written to an address, then `reads` bytes read from it, after a repeated START where both are asked for.

    `read` are the bytes that came, `is_refused` whether an address or a byte was not acknowledged, `end` the cycle at
    which the STOP was over.
    """

    address: int
    writes: tuple[int, ...]
    reads: int
    start: int
    period_cycles: int
    read: list[int] = field(default_factory=list)
    is_refused: bool = False
    end: int | None = None

    def steps(self) -> list[tuple[str, int]]:
        """Gives what the master does in turn: (what, byte)."""
        steps: list[tuple[str, int]] = []
        if self.writes:
            steps += [("start", 0), ("address", 0), *(("write", value) for value in self.writes)]
        if self.reads:
            steps += [("start", 0), ("address", 1)]
            steps += [("read", number) for number in range(self.reads)]
        return [*steps, ("stop", 0)]


PERIODS = {"start": 1, "address": 9, "write": 9, "read": 9, "stop": 1}


class TwiMaster:
    """Carries transfers out one after another; while the slave holds SCL low, it waits."""

    def __init__(self, chip: Chip, twi: Twi) -> None:
        self.transfers: list[Transfer] = []
        self._chip, self._twi = chip, twi
        self._number = self._place = 0
        self._is_waiting = False
        self._is_receiver = False
        self._is_general = False
        self._alarm = chip.events.alarm(self._comes, outlives_reset=True)
        twi.on_continue = self._continue
        chip.add(self)

    def transfer(
        self, address: int, cycle: int, *, writes: Iterable[int] = (), reads: int = 0, period_cycles: int = 160
    ) -> Transfer:
        """Has a transfer begin with a START at a cycle, or after the one before; `period_cycles` is SCL's period.

        Raises ArgumentError for an address of more than seven bits, a transfer of nothing and a time in the past.
        """
        made = Transfer(address, tuple(writes), reads, cycle, period_cycles)
        if not 0 <= address <= 0x7F:
            raise ArgumentError(f"a two-wire address is {address}; it has seven bits: 0 to 127")
        if not made.writes and not reads:
            raise ArgumentError("a two-wire transfer writes or reads at least one byte")
        if cycle < self._chip.cycle:
            raise ArgumentError(f"a two-wire transfer is to begin at cycle {cycle}; it is {self._chip.cycle} now")
        self.transfers.append(made)
        if self._number == len(self.transfers) - 1:
            self._await_step(cycle)
        return made

    @property
    def _now(self) -> Transfer:
        return self.transfers[self._number]

    def _await_step(self, cycle: int) -> None:
        what, _ = self._now.steps()[self._place]
        begins = max(cycle, self._now.start)
        self._alarm.set(begins + PERIODS[what] * self._now.period_cycles)

    def _continue(self, cycle: int) -> bool:
        """Goes on when the slave has cleared TWINT and lets SCL go; tells whether it was waiting for that."""
        if not self._is_waiting:
            return False
        self._is_waiting = False
        if self._number == len(self.transfers):
            return False
        self._await_step(cycle)
        return True

    def _comes(self, cycle: int) -> None:
        """A step is over on the bus."""
        now = self._now
        what, value = now.steps()[self._place]
        self._place += 1
        status = getattr(self, f"_{what}")(value)
        if status is None and now.is_refused and what != "stop":
            self._place = len(now.steps()) - 1
        if what == "stop":
            now.end = cycle
            self._number, self._place = self._number + 1, 0
        if status is not None:
            self._is_waiting = True
            self._twi.report(status)
        elif self._number < len(self.transfers):
            self._await_step(cycle)

    def _start(self, value: int) -> int | None:
        return self._leave()

    def _stop(self, value: int) -> int | None:
        return self._leave()

    def _leave(self) -> int | None:
        # STOP and repeated START are told to a receiver that is still addressed: table 22-4, 0xA0.
        was_receiver, self._is_receiver = self._is_receiver, False
        self._twi.is_addressed = False
        return STOP_OR_START if was_receiver else None

    def _address(self, is_read: int) -> int | None:
        twi, now = self._twi, self._now
        if twi.is_busy:
            self._chip.bus.report_unmodelled("TWCR", "arbitration with another master")
        if twi.is_busy or not twi.takes(now.address) or (now.address == 0 and is_read):
            now.is_refused = True
            return None
        twi.is_addressed = True
        self._is_receiver, self._is_general = not is_read, now.address == 0
        if is_read:
            return OWN_READ
        return GENERAL_CALL if self._is_general else OWN_WRITE

    def _write(self, value: int) -> int | None:
        twi = self._twi
        if not twi.is_addressed:
            return None
        twi.put_data(value)
        if twi.acknowledges:
            return GENERAL_ACK if self._is_general else GOT_ACK
        self._refuse()
        return GENERAL_NACK if self._is_general else GOT_NACK

    def _refuse(self) -> None:
        # The byte is not acknowledged, so that the master ends the transfer and the slave is addressed no more.
        self._now.is_refused = True
        self._place = len(self._now.steps()) - 1
        self._twi.is_addressed = self._is_receiver = False

    def _read(self, number: int) -> int | None:
        twi, now = self._twi, self._now
        if not twi.is_addressed:
            now.read.append(0xFF)
            return None
        now.read.append(twi.read_data())
        if number == now.reads - 1:
            twi.is_addressed = False
            return SENT_NACK
        if twi.acknowledges:
            return SENT_ACK
        # The program has said that this is its last byte; the master reads ones from here on: table 22-5, 0xC8.
        twi.is_addressed = False
        return LAST_SENT_ACK

    def at_reset(self, cycle: int) -> None:
        """Goes on with the bus, on which a slave that was reset answers no more."""
        self._is_receiver = False
        if self._is_waiting:
            self._continue(cycle)

    def save(self) -> Any:
        """Gives how far the transfers have come."""
        done = tuple((tuple(each.read), each.is_refused, each.end) for each in self.transfers)
        return done, self._number, self._place, self._is_waiting, self._is_receiver, self._is_general

    def restore(self, saved: Any) -> None:
        """Sets it; transfers asked for since are forgotten."""
        done, self._number, self._place, self._is_waiting, self._is_receiver, self._is_general = saved
        del self.transfers[len(done) :]
        for each, (read, is_refused, end) in zip(self.transfers, done, strict=True):
            each.read[:] = read
            each.is_refused, each.end = is_refused, end
