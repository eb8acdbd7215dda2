"""I/O ports: output latch, direction, and the pins through their synchroniser.

Datasheet: ATmega48A/…/328P DS40002061A sec. 14. A pin nobody drives reads 0, with its pull-up 1. Devices take a pin's
output over or force its direction as the override signals of sec. 14.3 (figure 14-5) do, and listen to its level. The
break-before-make bits BBMx of some parts are not modelled.
"""

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Any

from cyclerule.machine.chip import Chip
from cyclerule.machine.generation import has_single_bit_access
from cyclerule.parts.part import Part

Listener = Callable[[bool, int], None]
"""Takes (level, cycle): the level that a pin has from that cycle on."""

SFIOR_PUD = 2
MODULATORS = ("OC0A", "OC0", "OC2")
LETTERS = "ABCDEFGHJKL"


class Port:
    """One port of up to eight pins; `driven` and `levels` are what the outside puts on them."""

    def __init__(self, chip: Chip, letter: str) -> None:
        self.letter = letter
        self.latch = self.direction = 0
        bits = chip.part.bits
        # Bits without a pin read as zero (DS40002061A sec. 14.4, register description).
        with_pin = (n for n in range(8) if f"P{letter}{n}" in bits or f"PORT{letter}{n}" in bits)
        self.pin_mask = sum(1 << n for n in with_pin) or 0xFF
        self.driven = self.levels = 0
        # What devices do to the pins, by (bit, device): the output value, and whether it forces the direction.
        self._outputs: dict[tuple[int, str], tuple[bool, bool]] = {}
        self._inputs: set[tuple[int, str]] = set()
        self._taken = self._taken_levels = self._forced_outputs = self._forced_inputs = self._and_is_low = 0
        # Inputs that read as 0 whatever the level, because they are disabled.
        self._disabled = 0
        # Pull-ups: which are wanted where a register of their own says so, and what disables them all.
        self._pull_ups: int | None = None
        self._disablers = frozenset[str]()
        # The pins before and since the last change, because a read sees them a cycle late.
        self._before = self._now = 0
        self._changed_at = -1
        self._listeners: list[list[Listener]] = [[] for _ in range(8)]
        self._heard = 0
        self._followers: list[Callable[[int], None]] = []
        self.pins = tuple(Pin(self, bit) if self.pin_mask >> bit & 1 else None for bit in range(8))
        self._chip, self._data = chip, chip.data
        self._attach(chip)
        chip.add(self)

    def _attach(self, chip: Chip) -> None:
        bus = chip.bus
        self._latch_address = bus.address(f"PORT{self.letter}")
        self._direction_address = bus.address(f"DDR{self.letter}")
        pins = bus.address(f"PIN{self.letter}")
        if self._latch_address is not None:
            bus.attach(self._latch_address, None, self._write_latch)
        if self._direction_address is not None:
            bus.attach(self._direction_address, None, self._write_direction)
        if pins is not None:
            bus.attach(pins, self._read_pins, self._toggle if has_single_bit_access(chip.part) else _ignore)
        pull_ups = bus.address(f"PUE{self.letter}")
        if pull_ups is not None:
            self._pull_ups = 0
            bus.attach(pull_ups, None, partial(self._write_pull_ups, pull_ups))
        for register, bit in pull_up_disablers(chip.part, self.letter):
            bus.claim(register, [bit], partial(self._disable_pull_ups, bit, chip.part.bits[bit]))

    def pin_levels(self) -> int:
        """Gives the levels on the pins now."""
        self._catch_up(self._present())
        return self._now

    def _present(self) -> int:
        # While the chip runs, its own cycle is that of the start.
        return max(self._chip.cycle, self._chip.events.now)

    def outputs(self) -> int:
        """Gives which pins the chip itself drives now."""
        return (self.direction | self._forced_outputs) & ~self._forced_inputs & self.pin_mask

    def _levels(self) -> int:
        outputs = self.outputs()
        values = self.latch & ~self._taken | self._taken_levels & ~(self._and_is_low & ~self.latch)
        outside = self.levels & self.driven | self._pulled_up() & ~self.driven
        return (values & outputs | outside & ~outputs) & self.pin_mask

    def _pulled_up(self) -> int:
        if self._disablers:
            return 0
        return self.latch if self._pull_ups is None else self._pull_ups

    def _write_pull_ups(self, address: int, value: int, mask: int, cycle: int) -> None:
        self._pull_ups = self._data[address] = (self._data[address] & ~mask | value & mask) & self.pin_mask
        self.settle(cycle)

    def _disable_pull_ups(self, bit: str, position: int, value: int, cycle: int) -> None:
        self._disablers = self._disablers | {bit} if value >> position & 1 else self._disablers - {bit}
        self.settle(cycle)

    def settle(self, cycle: int) -> None:
        """Brings the pins to what now determines them, from a cycle on, and tells who listens."""
        before, self._before = self._now, self._synchronised(cycle - 1)
        now = self._now = self._levels()
        self._changed_at = cycle
        changed = (before ^ now) & self._heard
        while changed:
            bit = (changed & -changed).bit_length() - 1
            changed &= changed - 1
            for listen in tuple(self._listeners[bit]):
                listen(bool(now >> bit & 1), cycle)

    def _synchronised(self, cycle: int) -> int:
        return self._now if cycle >= self._changed_at else self._before

    def follow(self, update: Callable[[int], None]) -> None:
        """Has `update` called with the cycle before the port changes or is read, with -1 when someone begins to listen.

        For a device that moves a pin so often that it does so, edge by edge, only when somebody looks.
        """
        self._followers.append(update)

    def _catch_up(self, cycle: int) -> None:
        if self._chip.is_being_restored:
            return
        for update in self._followers:
            update(cycle)

    def _read_pins(self, cycle: int) -> int:
        self._catch_up(cycle)
        # Half to one and a half clocks of delay: IN right after OUT still sees the old level, one NOP later the new
        # one (datasheet of the ATmega16, "Reading the pin value", same text in the family).
        return self._synchronised(cycle - 1) & ~self._disabled

    def disable_input(self, bit: int, *, is_disabled: bool) -> None:
        """Has a pin read as 0 in PINx, or as it is."""
        self._disabled = self._disabled & ~(1 << bit) | is_disabled << bit

    def _write_latch(self, value: int, mask: int, cycle: int) -> None:
        self._catch_up(cycle)
        self.latch = (self.latch & ~mask | value & mask) & self.pin_mask
        if self._latch_address is not None:
            self._data[self._latch_address] = self.latch
        self.settle(cycle)

    def _write_direction(self, value: int, mask: int, cycle: int) -> None:
        self._catch_up(cycle)
        self.direction = (self.direction & ~mask | value & mask) & self.pin_mask
        if self._direction_address is not None:
            self._data[self._direction_address] = self.direction
        self.settle(cycle)

    def _toggle(self, value: int, mask: int, cycle: int) -> None:
        # Writing 1 to a PIN bit toggles the latch: DS40002061A sec. 14.2.2.
        self._write_latch(self.latch ^ (value & mask), 0xFF, cycle)

    def toggle(self, bits: int, cycle: int) -> None:
        """Inverts bits of the latch."""
        self._write_latch(self.latch ^ bits, 0xFF, cycle)

    def drive(self, driven: int, levels: int, cycle: int) -> None:
        """Puts levels on all the pins from outside, from a cycle on."""
        self._catch_up(cycle)
        self.driven, self.levels = driven, levels & driven
        self.settle(cycle)

    def listen(self, bit: int, action: Listener) -> None:
        """Has `action` called whenever the level on a pin changes."""
        self._catch_up(self._present())
        self._listeners[bit].append(action)
        self._heard |= 1 << bit
        # Devices whose pin is now heard have to tell its edges as they come.
        self._catch_up(-1)

    def is_heard(self, bit: int) -> bool:
        """Tells whether anybody listens to a pin."""
        return bool(self._heard >> bit & 1)

    def ignore(self, bit: int, action: Listener) -> None:
        """Has an action called no more that listened to a pin."""
        self._listeners[bit].remove(action)
        if not self._listeners[bit]:
            self._heard &= ~(1 << bit)

    def override(self, bit: int, owner: str, output: tuple[bool, bool] | None, is_input: bool, cycle: int) -> None:
        """Sets what a device does to a pin: its output as (level, forces the direction) or None, and forcing it in."""
        self._catch_up(cycle)
        key = bit, owner
        if self._outputs.get(key) == output and (key in self._inputs) == is_input:
            return
        self._outputs.pop(key, None)
        self._inputs.discard(key)
        if output is not None:
            self._outputs[key] = output
        if is_input:
            self._inputs.add(key)
        self._combine()
        self.settle(cycle)

    def _combine(self) -> None:
        # Where two functions share a pin, PVOV is the OR of their values (sec. 14.3.1, PB3: "SPI MSTR OUTPUT +
        # OC2A"), since a function that is off puts 0 there.
        self._taken = _mask(bit for bit, _ in self._outputs)
        self._taken_levels = _mask(bit for (bit, _), (level, _) in self._outputs.items() if level)
        # Where the compare outputs 1C and 0A (or 2) share a pin they modulate each other: AND where PORT is 0, OR where
        # it is 1 (output compare modulator, ATmega640/…/2561 datasheet 2549, ATmega128 2467).
        both = [bit for bit, owner in self._outputs if owner == "OC1C" and self._has_output(bit, MODULATORS)]
        self._and_is_low = _mask(bit for bit in both if not self._are_high(bit))
        self._forced_outputs = _mask(bit for (bit, _), (_, forces) in self._outputs.items() if forces)
        self._forced_inputs = _mask(bit for bit, _ in self._inputs)

    def _has_output(self, bit: int, owners: Iterable[str]) -> bool:
        return any((bit, owner) in self._outputs for owner in owners)

    def _are_high(self, bit: int) -> bool:
        return all(level for (place, _), (level, _) in self._outputs.items() if place == bit)

    def save(self) -> Any:
        """Gives the port's state."""
        levels = self.latch, self.direction, self.driven, self.levels, self._before, self._now, self._changed_at
        return (
            levels,
            tuple(self._outputs.items()),
            tuple(self._inputs),
            self._pull_ups,
            self._disablers,
            self._disabled,
        )

    def restore(self, saved: Any) -> None:
        """Sets a saved state; nobody is told, since who listens restores a state of its own."""
        levels, outputs, inputs, self._pull_ups, self._disablers, self._disabled = saved
        self.latch, self.direction, self.driven, self.levels, self._before, self._now, self._changed_at = levels
        self._outputs, self._inputs = dict(outputs), set(inputs)
        self._combine()

    def at_reset(self, cycle: int) -> None:
        """Makes inputs without pull-ups of all pins; what the outside drives stays."""
        outside = self.driven, self.levels
        seen = self._before, self._now, self._changed_at
        self.restore(self._chip.state_at_power_on(self))
        self.driven, self.levels = outside
        self._before, self._now, self._changed_at = seen

    def settle_after_reset(self, cycle: int) -> None:
        """Tells who listens how the reset has changed the levels.

        It does so at once, without any clock (DS40002061A sec. 11.1), before the start-up time that ends at `cycle`.
        """
        came = self._chip.last_reset
        self.settle(cycle if came is None else came.cycle)


class Pin:
    """One pin as devices and the outside world use it; every change of its level has its cycle."""

    __slots__ = ("bit", "letter", "name", "port")

    def __init__(self, port: Port, bit: int) -> None:
        self.port, self.bit, self.letter = port, bit, port.letter
        self.name = f"P{port.letter}{bit}"

    @property
    def level(self) -> bool:
        """The level on the pin now, ahead of the synchroniser."""
        return bool(self.port.pin_levels() >> self.bit & 1)

    @property
    def is_output(self) -> bool:
        """Whether the program or a device drives the pin from inside."""
        return bool(self.port.outputs() >> self.bit & 1)

    @property
    def is_driven(self) -> bool:
        """Whether somebody outside drives the pin."""
        return bool(self.port.driven >> self.bit & 1)

    @property
    def is_heard(self) -> bool:
        """Whether anybody listens to the pin."""
        return self.port.is_heard(self.bit)

    def listen(self, action: Listener) -> None:
        """Has `action` called with (level, cycle) whenever the level changes, whoever drives it."""
        self.port.listen(self.bit, action)

    def ignore(self, action: Listener) -> None:
        """Has an action called no more that `listen` was given."""
        self.port.ignore(self.bit, action)

    def take(self, owner: str, level: bool, cycle: int, *, forces_output: bool = False) -> None:
        """Puts a device's level in place of PORTx; without `forces_output` it shows where DDRx makes an output."""
        self.port.override(self.bit, owner, (level, forces_output), False, cycle)

    def force_input(self, owner: str, cycle: int) -> None:
        """Makes the pin an input whatever DDRx says; its pull-up stays with PORTx."""
        self.port.override(self.bit, owner, None, True, cycle)

    def release(self, owner: str, cycle: int) -> None:
        """Gives the pin back to PORTx and DDRx, as far as this device had it."""
        self.port.override(self.bit, owner, None, False, cycle)

    def drive(self, level: bool | None, cycle: int) -> None:
        """Puts a level on the pin from outside, None for nobody; an output of the chip is stronger."""
        mask = 1 << self.bit
        port = self.port
        driven = port.driven & ~mask | (0 if level is None else mask)
        port.drive(driven, port.levels & ~mask | (mask if level else 0), cycle)


class Ports(dict[str, Port]):
    """The ports of a chip by letter."""

    @classmethod
    def of(cls, chip: Chip) -> "Ports":
        """Makes every port that the part has."""
        registers = chip.part.registers
        letters = (each for each in LETTERS if f"PORT{each}" in registers or f"PIN{each}" in registers)
        return cls((letter, Port(chip, letter)) for letter in letters)

    def pin(self, name: str | None) -> Pin | None:
        """Gives a pin by its name, "PB1"; None where the part has none of that name, or no name is given."""
        if name is None or len(name) != 3 or name[0] != "P" or name[1] not in self or name[2] not in "01234567":
            return None
        return self[name[1]].pins[int(name[2])]


def pull_up_disablers(part: Part, letter: str) -> Iterator[tuple[str, str]]:
    """Gives the register and bit of what disables the pull-ups of a port: PUD for all ports, PUDx for one.

    PUD stands in MCUCR (DS40002061A sec. 14.4.1), before the ATmega48 in SFIOR, there at bit 2 (ATmega16 datasheet
    2466, SFIOR; the ATtiny15 has it at bit 6 of MCUCR). PUDx stands in PORTCR (ATtiny87/167 datasheet 8265, PORTCR).
    """
    if "PUD" in part.bits:
        yield ("SFIOR" if "SFIOR" in part.registers and part.bits["PUD"] == SFIOR_PUD else "MCUCR"), "PUD"
    if "PORTCR" in part.registers and f"PUD{letter}" in part.bits:
        yield "PORTCR", f"PUD{letter}"


def _mask(bits: Iterable[int]) -> int:
    mask = 0
    for bit in bits:
        mask |= 1 << bit
    return mask


def _ignore(value: int, mask: int, cycle: int) -> None:
    """Takes a write to the PIN register of a part where it is read-only."""
