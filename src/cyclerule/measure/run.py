"""The whole program from reset: until something happens, with calls and register writes watched."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from cyclerule.engines.engine import Stop
from cyclerule.errors import ArgumentError, FaultError, UnknownName
from cyclerule.machine.bus import IoWrite
from cyclerule.machine.chip import Chip
from cyclerule.measure.delays import DelayWatch
from cyclerule.measure.follow import CallWatch
from cyclerule.measure.layout import function_word
from cyclerule.measure.milestones import LOOP, SETUP, Milestones, find_milestones
from cyclerule.measure.pins import finish_trace, record_pins
from cyclerule.measure.results import HandlerStats, Measured, PassStats, Run
from cyclerule.measure.slices import CycleProgress, Slices, interruptible
from cyclerule.measure.stage import Stage
from cyclerule.measure.until import Until
from cyclerule.measure.waiting import explain_standstill
from cyclerule.peripherals.serial.usart_transmitter import SentByte

Sent = Callable[[int], None]
"""Called with each byte that the first serial port has sent."""


@dataclass
class _Course:
    """A run under way: what is watched on it."""

    stage: Stage
    until: Until
    milestones: Milestones
    follow: CallWatch
    slices: Slices
    delays: DelayWatch | None = None

    def entries(self) -> frozenset[int]:
        """Gives the words to stop at on entry."""
        follow = self.follow
        words = self.until.entries | self.milestones.ahead | follow.summed | frozenset(follow.functions.values())
        if self.delays is not None:
            words |= self.delays.entries
        return words if follow.longjmp is None else words | {follow.longjmp}

    def exits(self) -> frozenset[int]:
        """Gives the words to stop at when control comes back there."""
        exits = frozenset(self.follow.exits)
        return exits if self.delays is None else exits | self.delays.exits

    def run(self, limit: int) -> str:
        """Runs up to a cycle at the latest; gives why it stopped: "until", "limit", "halted" or "interrupted"."""
        stage, chip, follow, delays = self.stage, self.stage.chip, self.follow, self.delays
        entries, exits = self.entries(), self.exits()
        while True:
            stop = self.slices.run(limit, exits=exits, entries=entries, stops_at_break=self.until.at_break)
            if stop is Stop.AT_EXIT:
                follow.at_exit()
                if delays is not None:
                    delays.at_exit()
            # The engine stops once at a word: a handler may return right to the first instruction of a function.
            if stop is Stop.AT_ENTRY or (stop is Stop.AT_EXIT and stage.goes_on_at(entries)):
                if chip.program_counter in self.milestones.ahead:
                    self.milestones.at_entry(chip.program_counter, chip.cycle)
                    entries = self.entries()
                has_changed = follow.at_entry()
                if (delays is not None and delays.at_entry()) or has_changed:
                    entries = self.entries()
                if chip.program_counter in self.until.entries:
                    return "until"
            if stop not in (Stop.AT_EXIT, Stop.AT_ENTRY):
                return _WHY.get(stop, "until")
            exits = self.exits()


_WHY = {Stop.LIMIT: "limit", Stop.HALTED: "halted", None: "interrupted"}


def run_program(
    stage: Stage,
    measured: Measured,
    until: Until,
    *,
    max_cycles: int,
    calls: Mapping[str, int],
    watch: Sequence[str],
    pins: Sequence[str] | None = (),
    progress: CycleProgress | None = None,
    sent: Sent | None = None,
) -> Run:
    """Runs a fresh stage's chip from reset, with the calls of functions followed, given as flash words by name.

    `pins` are recorded, None for all. The stage is used up: its state is that of the stop. Ctrl-C ends it between two
    slices.
    """
    chip = stage.chip
    log: list[IoWrite] = []
    chip.bus.log = log if watch else None
    registers = {name: _register_names(chip, name) for name in watch}
    listen_to_serial(stage, until.serial, sent)
    milestones = find_milestones(stage.image, chip)
    longjmp = function_word(stage.image, "longjmp") if calls or milestones.passes else None
    follow = CallWatch(stage, calls, longjmp, milestones.passes)
    limit = max_cycles if until.cycle is None else min(until.cycle, max_cycles)
    chip.interrupts.keeps_log = False
    trace = None
    if pins is None or pins:
        trace = record_pins(stage.devices.ports, pins, chip.part.name, measured.clock)
    stage.begin(measured.engine)
    delays = DelayWatch(stage, measured.clock)
    stage.on_reset += [follow.at_reset, delays.at_reset]
    fault = None
    with interruptible() as interruption:
        course = _Course(stage, until, milestones, follow, Slices(stage, interruption, progress, limit), delays)
        try:
            why = course.run(limit)
        except FaultError as error:
            why, fault = "fault", str(stage.located(error))
    handlers = _handler_stats(chip)
    if trace is not None:
        finish_trace(trace, chip.cycle)
    serial = stage.devices.serial
    if serial is not None:
        # What is tried out to explain the end is no part of the run.
        serial.on_sent = serial.on_text = None
    run = Run(
        measured=replace(measured, engine=stage.used),
        cycles=chip.cycle,
        instructions=stage.instructions,
        stopped=why,
        place=stage.place(2 * chip.program_counter),
        fault=fault,
        serial=bytes(sent.value & 0xFF for sent in serial.sent) if serial is not None else b"",
        serial_ports={
            number: bytes(sent.value & 0xFF for sent in port.sent)
            for number, port in stage.devices.serial_devices.ports.items()
        },
        calls=follow.stats(),
        watched={name: [write for write in log if write.register in names] for name, names in registers.items()},
        handlers=handlers,
        warnings=stage.warnings(),
        reached=milestones.reached,
        setup=_passes(follow, milestones, SETUP),
        loop=_passes(follow, milestones, LOOP),
        asleep_cycles=chip.asleep_cycles,
        delays=delays.stats(),
        notes=milestones.notes,
        resets=tuple(stage.resets),
        trace=trace,
    )
    return _explained(run, stage, is_met=until.cycle is not None and until.cycle <= max_cycles)


def reach(stage: Stage, until: Until, engine: str, max_cycles: int, progress: CycleProgress | None = None) -> bool:
    """Runs a fresh stage's program from reset to an end; tells whether it came there within so many cycles.

    Raises FaultError with its place, and KeyboardInterrupt after Ctrl-C.
    """
    chip = stage.chip
    listen_to_serial(stage, until.serial, None)
    limit = max_cycles if until.cycle is None else min(until.cycle, max_cycles)
    chip.interrupts.keeps_log = False
    stage.begin(engine)
    with interruptible() as interruption:
        slices = Slices(stage, interruption, progress, limit)
        course = _Course(stage, until, Milestones(), CallWatch(stage, {}, None), slices)
        try:
            why = course.run(limit)
        except FaultError as error:
            raise stage.located(error, ", before the point at which calls were to begin") from None
    if why == "interrupted":
        raise KeyboardInterrupt
    if stage.devices.serial is not None:
        stage.devices.serial.on_sent = stage.devices.serial.on_text = None
    return why == "until" or (why == "limit" and until.cycle is not None and until.cycle <= max_cycles)


def _explained(run: Run, stage: Stage, *, is_met: bool) -> Run:
    """Gives a run with what is to be said of its end: why the program cannot go on, when it cannot."""
    if run.stopped == "limit" and is_met:
        return replace(run, stopped="until")
    if run.stopped not in ("limit", "halted"):
        return run
    standstill = explain_standstill(stage, is_halted=run.stopped == "halted")
    if standstill is None:
        return replace(run, stopped="max_cycles")
    return replace(
        run,
        stopped="halted" if standstill.is_wait else "max_cycles",
        place=standstill.place,
        reason=standstill.reason,
    )


def _passes(follow: CallWatch, milestones: Milestones, name: str) -> PassStats | None:
    word = milestones.words.get(name)
    sums = None if word is None else follow.sums.get(word)
    return None if sums is None else sums.stats()


def listen_to_serial(stage: Stage, text: bytes | None, sent: Sent | None) -> None:
    """Has a run stop at a text on the first serial port, and each byte told to whoever asked for it."""
    serial = stage.devices.serial
    if serial is None:
        if text is not None:
            raise ArgumentError(f"until='serial:…': {stage.chip.part.name} has no serial port")
        return

    def show(byte: SentByte) -> None:
        if sent is not None:
            sent(byte.value)

    def listen(byte: SentByte) -> None:
        if text and byte.value == text[-1] and bytes(each.value for each in serial.sent[-len(text) :]) == text:
            stage.request_stop()

    serial.on_text = None if sent is None else show
    if text is not None:
        serial.on_sent = listen


def _register_names(chip: Chip, name: str) -> frozenset[str]:
    register = chip.part.registers.get(name)
    if register is None:
        raise UnknownName("register", name, chip.part.registers, hint=f"of {chip.part.name}")
    return frozenset(chip.bus.name(register.address + byte) for byte in range(register.size_bytes))


def _handler_stats(chip: Chip) -> dict[str, HandlerStats]:
    return {
        chip.part.vector_name(vector) or f"vector {vector}": HandlerStats(*times)
        for vector, times in sorted(chip.interrupts.stats.items())
    }
