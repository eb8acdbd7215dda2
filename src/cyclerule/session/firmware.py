"""Firmware, the object that users hold: a linked program with its part and clock, and the measurements on it."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

from cyclerule.errors import ArgumentError, FirmwareError, RunawayError, UnknownName
from cyclerule.firmware.arguments import Address
from cyclerule.firmware.build import BuiltImage, build_image
from cyclerule.firmware.clock import ClockFound
from cyclerule.firmware.constants import constants_of
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.hexfile import read_hex
from cyclerule.firmware.image import Function, Image
from cyclerule.firmware.prototypes import declare as declare_prototype
from cyclerule.firmware.spelling import canonical, lambda_line, without_arguments
from cyclerule.firmware.standing import standing_of
from cyclerule.firmware.types import FunctionType, Parameter
from cyclerule.machine.chip import StartUp
from cyclerule.measure.after import START_UP, state_after
from cyclerule.measure.call import DEFAULT_LIMIT, Callee, check_callable, entry_word, make_state, run_call
from cyclerule.measure.callers import call_cycles_by_target, default_call_cycles
from cyclerule.measure.dispatch import Dispatch, class_of, dispatch, find_virtual
from cyclerule.measure.domains import as_domain, parameter_key
from cyclerule.measure.io_settings import Kind
from cyclerule.measure.pace import LONGEST_SECONDS, Progress
from cyclerule.measure.pass_results import LinesRun
from cyclerule.measure.phases import Phases, measure_phases, number_of_phases
from cyclerule.measure.pins import is_pin, wanted_pins
from cyclerule.measure.results import Call, Measured, Run, Sweep
from cyclerule.measure.run import Sent, reach, run_program
from cyclerule.measure.settings import KINDS, Setting, find_setting, setting_domain, split_settings
from cyclerule.measure.signals import arrange
from cyclerule.measure.slices import CycleProgress
from cyclerule.measure.stage import Stage, StartingState, check_engine
from cyclerule.measure.sweep import run_sweep
from cyclerule.measure.until import read_until
from cyclerule.parts import Part, load_part
from cyclerule.project.signals import Given as Signals
from cyclerule.project.signals import Signal, as_signals, signals_text
from cyclerule.session.lines import ProgramRun
from cyclerule.toolchain import Toolchain, find
from cyclerule.units import Hertz, clock_text, parse_clock

Settings = list[tuple[Setting, object]]
"""What is set before a call, with the value of each."""

Before = str | tuple[object, ...]
"""A function to run first: its name, or a tuple of name and arguments."""


class Start(NamedTuple):
    """A chip, the state to start from, the cycles after which a run is given up, and what was set in that state.

    `varied` is what takes several values, and is set before each run.
    """

    stage: Stage
    state: StartingState
    limit: int
    settings: Mapping[str, object]
    varied: Sequence[tuple[Setting, Sequence[object]]]


class Firmware:
    """A linked program on a part at a clock, ready to be measured.

    `warnings` are remarks of the build that concern the figures, such as two clocks that differ. `spoken` says for
    functions that the user did not write what results are to call them; `constants` gives the value of a macro or an
    enumerator of the sources by its name.
    """

    def __init__(
        self,
        image: Image,
        part: Part,
        clock: Hertz | None = None,
        *,
        toolchain: Toolchain | None = None,
        warnings: Sequence[str] = (),
        fill: int = 0,
    ) -> None:
        self.image, self.part, self.clock, self.toolchain = image, part, clock, toolchain
        self.warnings = list(warnings)
        self._fill = fill
        # Cycles in which the clock starts after sleep that stopped it; None takes a crystal's, and says so.
        self.start_up: int | None = None
        self._declared: dict[str, FunctionType] = {}
        self._declared_functions: dict[str, Function] = {}
        self._after: dict[str, StartingState] = {}
        self.spoken: dict[str, str] = {}
        self.constants: Callable[[str], int | float | None] = lambda _word: None

    def __repr__(self) -> str:
        at = f" at {clock_text(self.clock)}" if self.clock else ""
        return f"<Firmware {self.image.path} for {self.part.name}{at}, {len(self.functions)} functions>"

    # What is there.

    @property
    def functions(self) -> Mapping[str, Function]:
        """The functions by name, declared ones with their prototype."""
        return {
            **{name: self._with_declaration(f) for name, f in self.image.functions.items()},
            **self._declared_functions,
        }

    def _with_declaration(self, function: Function) -> Function:
        signature = self._declared.get(function.name)
        return function if signature is None else replace(function, signature=signature)

    def find_function(self, name: str) -> Function:
        """Gives a function by its name in the image or in the source, a handler also by its vector ("TIMER1_OVF").

        C++ functions may go without their namespace and class; one of several of a name is "scale(int)", an
        instantiation "average<int>", a lambda "lambda:41" by its line. Raises UnknownName with the nearest names.
        """
        functions = self.functions
        vector = self.part.vectors.get(name.removesuffix("_vect"))
        for link_name in (name, f"__vector_{vector}"):
            if link_name in functions:
                return functions[link_name]
        asked, line = canonical(name), lambda_line(name)
        spoken = {
            each.name: [canonical(called) for called in (each.source_name, _spoken(each))]
            for each in functions.values()
            if each.alias_of is None
        }
        by_source = [functions[key] for key, called in spoken.items() if asked in called] or [
            functions[key] for key, called in spoken.items() if any(each.endswith(f"::{asked}") for each in called)
        ]
        if not by_source and "<" not in asked:
            # A template by its name alone is meant for its instances.
            plain = {key: without_arguments(called[0]) for key, called in spoken.items() if called[0].endswith(">")}
            by_source = [functions[key] for key, called in plain.items() if called.endswith(asked)]
            by_source = [each for each in by_source if f"::{plain[each.name]}".endswith(f"::{asked}")]
        if not by_source and "<" in asked:
            by_source = [each for each in functions.values() if _may_be_instance(each, without_arguments(asked))]
        if line is not None:
            by_source = [each for each in functions.values() if is_lambda(each) and each.line == line]
        # A clone has its function's name and other parameters: it counts only where nothing else has the name.
        own = [function for function in by_source if function.clone_of is None] or by_source
        standing = [function for function in own if function.address is not None] or own
        if len(standing) == 1:
            return standing[0]
        if standing:
            listed = "; ".join(f"{_choice(function, standing)} ({_origin(function)})" for function in standing)
            raise UnknownName("single function", name, (), hint=f"several have that name, so give one of {listed}")
        unknown = UnknownName("function", name, self._names(), hint=self._unknown_hint())
        if isinstance(self.image, BuiltImage) and not unknown.nearest:
            hint = (
                "firmware.functions has all that are there; a static function that nothing uses is left out by the "
                f"compiler: build with keep=[{name!r}]"
            )
            unknown = UnknownName("function", name, self._names(), hint=hint)
        raise unknown

    def _names(self) -> list[str]:
        """Gives what each function that can be called is best called."""
        standing = [function for function in self.functions.values() if function.address is not None]
        shared = {name for name, count in Counter(f.source_name for f in standing).items() if count > 1}
        return [_choice(f, standing) if f.source_name in shared else f.source_name for f in standing]

    def _unknown_hint(self) -> str:
        if not self.image.symbols:
            return "this file has no symbols: declare a function with its address, declare('uint8_t f(uint8_t) @ 0x80')"
        return ""

    def parameters(self, name: str) -> tuple[Parameter, ...]:
        """Gives a function's parameters; raises ArgumentError when nothing tells them."""
        return check_callable(name, self.find_function(name)).parameters

    def declare(self, prototype: str) -> None:
        """Tells the parameters and result of a function without debug information, as a C prototype.

        In a file without symbols the function's flash byte address follows: "uint8_t f(uint8_t) @ 0x80".
        Raises BuildError with the compiler's words when it does not take the prototype, UnknownName when
        the image has no such function.
        """
        text, at, address = prototype.partition("@")
        name, signature = declare_prototype(text.strip(), toolchain=self.toolchain or find(), part_name=self.part.name)
        if at:
            try:
                place = int(address.strip(), 0)
            except ValueError:
                raise ArgumentError(
                    f"declare({prototype!r}): {address.strip()!r} is no address; write it as 0x80"
                ) from None
            if place % 2 or not 0 <= place < len(self.image.flash):
                raise ArgumentError(
                    f"declare({prototype!r}): 0x{place:x} is no even flash byte address inside the program"
                )
            self._declared_functions[name] = Function(name, name, signature, address=place, symbol=name)
            return
        if name not in self.image.functions:
            raise UnknownName("function", name, self.image.functions, hint=self._unknown_hint())
        self._declared[name] = signature

    # Measuring.

    def _start_up(self) -> StartUp:
        return StartUp() if self.start_up is None else StartUp(wake_cycles=self.start_up, is_assumed=False)

    @cached_property
    def _stage(self) -> Stage:
        return Stage.prepare(self.image, self.part, self._fill, clock=self.clock, start_up=self._start_up())

    @cached_property
    def _call_cycles(self) -> Mapping[int, int]:
        return call_cycles_by_target(self.image, self._stage.chip)

    def dispatched(self, name: str, this: object) -> Dispatch | None:
        """Gives what a virtual call of a function on one of the program's objects leads to; None for any other call.

        The table of virtual functions is that of the object at the entry of `main`.
        """
        if not isinstance(this, Address):
            return None
        virtual = find_virtual(self.image.virtual, name)
        if virtual is not None:
            return dispatch(self._stage, virtual, this.name)
        scope, _, last = name.rpartition("::")
        if not scope or self._has(name):
            return None
        owner = class_of(self._stage, this.name)
        own = f"{owner}::{last}"
        return Dispatch(name, this.name, self.find_function(own)) if owner is not None and self._has(own) else None

    def _has(self, name: str) -> bool:
        try:
            self.find_function(name)
        except UnknownName:
            return False
        return True

    def _callee(self, name: str, this: object = None) -> Callee:
        dispatched = self.dispatched(name, this)
        function = self.find_function(name) if dispatched is None else dispatched.function
        signature = check_callable(name, function)
        word = entry_word(name, function)
        cycles = self._call_cycles.get(word, default_call_cycles(self._stage.chip))
        return Callee(name, word, signature, cycles)

    def _state(
        self, before: Sequence[Before], settings: Settings, limit: int, after: str | None = None
    ) -> StartingState:
        origin = self._origin(after, limit)
        if not before and not settings:
            return origin
        calls = [(self._callee(name), values) for name, values in _named_calls(before)]
        return make_state(self._stage, calls, settings, limit, origin)

    def _with_signals(self, state: StartingState, signals: Sequence[Signal]) -> StartingState:
        """Gives a state from which signals come once a call begins."""
        return state._replace(stimuli=arrange(signals, self._stage.devices, self.part, self.clock))

    def _origin(self, after: str | None, limit: int) -> StartingState:
        """Gives the state that functions run from before a call: at the entry of main, or after a function returned."""
        name = self.starts_after if after is None else after
        if name in (None, START_UP):
            return self._stage.saved
        if name not in self._after:
            try:
                self._after[name] = state_after(self._stage, self.find_function(name), limit)
            except RunawayError as error:
                if after is not None:
                    raise
                # Nobody asked for it here: say what to ask for instead.
                hint = f"{error}; after={START_UP!r} or --after {START_UP} begins at the entry of main instead"
                raise RunawayError(hint, place=error.place, cycle=error.cycle) from None
        return self._after[name]

    @cached_property
    def starts_after(self) -> str | None:
        """The function after whose return calls start unless told otherwise: `setup` of a setup()/loop() program.

        None where they start at the entry of `main`.
        """
        has_main = not isinstance(self.image, BuiltImage) or self.image.build.has_own_main
        named = {name: [f for f in self.functions.values() if f.source_name == name] for name in ("setup", "loop")}
        is_such = all(len(found) == 1 and _takes_nothing(found[0]) for found in named.values())
        return "setup" if has_main and is_such else None

    def starting(
        self,
        before: Sequence[Before],
        given: Sequence[Mapping[str, object] | None],
        max_cycles: int | None,
        after: str | None = None,
    ) -> Start:
        """Gives the chip and the state after running functions, then setting variables, registers and pins.

        What is given several values is left to be set before each run.
        """
        limit = _limit(max_cycles)
        settings, varied = split_settings(self._settings(*given))
        named = {setting.name: value for setting, value in settings}
        return Start(self._stage, self._state(before, settings, limit, after), limit, named, varied)

    def measured(self, what: str, before: Sequence[Before], engine: str, after: str | None = None) -> Measured:
        """Says what is measured on this firmware, from which state."""
        return self._measured(what, self._start(before, after), check_engine(engine))

    def _measured(self, function: str, start: str, engine: str) -> Measured:
        return Measured(
            function=function,
            part=self.part.name,
            clock=self.clock,
            compiler=self.image.compiler,
            flags=self.image.flags,
            image=self.image.kind,
            image_sha256=self.image.sha256,
            start=start,
            engine=engine,
        )

    def call(
        self,
        name: str,
        *values: object,
        after: str | None = None,
        before: Sequence[Before] = (),
        globals: Mapping[str, object] | None = None,  # noqa: A002 - the published name
        registers: Mapping[str, object] | None = None,
        pins: Mapping[str, object] | None = None,
        engine: str = "auto",
        max_cycles: int | None = None,
        interrupts: bool = False,
        signals: Signals = None,
    ) -> Call:
        """Measures one call of a function, from the starting state to its return.

        Arguments are int, float, bytes, str (which gains a NUL), list, `out(n)`, `flash(bytes)`,
        `address("name")` or `function("name")`. The state is that at the entry of `main`, of a
        setup()/loop() program that after setup(), or with `after` that after another function has returned in the
        program's own run; `before` then runs functions; then `pins` puts levels on pins
        ("PB0", or "PINB" for all of a port), `registers` writes I/O registers ("TCCR1B", or a bit "UCSR0A.UDRE0"), and
        `globals` sets variables and members of them ("mode", "cfg.gain", "table[3]").
        With `interrupts` they are on from the first instruction and handlers run; else none does. `signals` come from
        outside during the call, counted from its beginning: a file, or a list of (when, what, value).
        Raises ArgumentError, UnknownName, RunawayError (it is not back after `max_cycles`, by default
        50,000,000, or cannot come back) and FaultError.
        """
        used = check_engine(engine)
        limit = _limit(max_cycles)
        callee = self._callee(name, values[0] if values else None)
        settings, varied = split_settings(self._settings(globals, registers, pins))
        if varied:
            raise ArgumentError(f"{varied[0][0].name}: a call has one value of it; a sweep takes several")
        coming = as_signals(signals)
        state = self._with_signals(self._state(before, settings, limit, after), coming)
        measured = self._measured(name, self._start(before, after) + signals_text(coming), used)
        return run_call(
            self._stage,
            state,
            callee,
            values,
            measured=measured,
            limit=limit,
            interrupts=interrupts,
            settings={setting.name: value for setting, value in settings},
        )

    def _settings(self, *given: Mapping[str, object] | None) -> list[tuple[Setting, Sequence[object]]]:
        """Finds what is to be set before a call, and the values that it is to have."""
        return [
            (setting := self.setting(name, kind), setting_domain(setting, values))
            for kind, named in zip(KINDS, given, strict=True)
            for name, values in (named or {}).items()
        ]

    def setting(self, name: str, *kinds: Kind) -> Setting:
        """Gives what can be set before a call by its name: a variable, a member of one, a register, a pin.

        Raises UnknownName with the nearest names.
        """
        return find_setting(self.image, self.part, name, kinds or KINDS)

    def _start(self, before: Sequence[Before], after: str | None = None) -> str:
        name = self.starts_after if after is None else after
        start = self._stage.start if name in (None, START_UP) else f"after {name}() has returned"
        names = [self.spoken.get(name, name) for name, _ in _named_calls(before)]
        return start + (f", after {', '.join(names)}" if names else "")

    def sweep(
        self,
        name: str,
        domains: Mapping[str, object] | None = None,
        /,
        *,
        keep: str = "rows",
        engine: str = "auto",
        after: str | None = None,
        before: Sequence[Before] = (),
        globals: Mapping[str, object] | None = None,  # noqa: A002 - the published name
        registers: Mapping[str, object] | None = None,
        pins: Mapping[str, object] | None = None,
        max_cycles: int | None = None,
        interrupts: bool = False,
        signals: Signals = None,
        progress: Progress | None = None,
        longest_seconds: float = LONGEST_SECONDS,
        **named: object,
    ) -> Sweep:
        """Measures a function for every input of a domain, each from the same starting state.

        Each parameter has a keyword with its values: a range, a list, `every("uint8_t")` or one value; rows are
        in the order of the keywords, the last varying fastest. A parameter whose name is taken by a setting of
        this method goes into `domains`, a mapping that comes before the keywords. `keep` is "rows" or "summary".
        Several values in `globals`, `registers` and `pins` are inputs too, and vary more slowly than any parameter.
        `signals` come from outside in every row alike, as for `call`.
        Raises ArgumentError for a parameter left out or unknown, DomainTooLarge (an ArgumentError) for one that
        would take more than `longest_seconds`, and what `call` raises, with the input it happened on.
        """
        used = check_engine(engine)
        if keep not in ("rows", "summary"):
            raise ArgumentError(f"keep={keep!r}: it is 'rows' or 'summary'")
        limit = _limit(max_cycles)
        this = {**(domains or {}), **named}.get("this")
        callee = self._callee(name, this[0] if isinstance(this, Sequence) and len(this) == 1 else this)
        ordered = self._domains(callee, {**(domains or {}), **named})
        settings, varied = split_settings(self._settings(globals, registers, pins))
        coming = as_signals(signals)
        state = self._with_signals(self._state(before, settings, limit, after), coming)
        return run_sweep(
            self._stage,
            state,
            callee,
            ordered,
            self._measured(name, self._start(before, after) + signals_text(coming), used),
            keep=keep,
            limit=limit,
            interrupts=interrupts,
            progress=progress,
            longest_seconds=longest_seconds,
            varied=varied,
            settings={setting.name: value for setting, value in settings},
        )

    def _domains(self, callee: Callee, domains: Mapping[str, object]) -> dict[str, Sequence[object]]:
        names = [parameter_key(parameter, n) for n, parameter in enumerate(callee.signature.parameters)]
        for given in domains:
            if given not in names:
                raise UnknownName(
                    "parameter", given, names, hint=f"{callee.name} has {', '.join(names) or 'no parameters'}"
                )
        missing = [each for each in names if each not in domains]
        if missing:
            raise ArgumentError(f"{callee.name}: no values for {', '.join(missing)}; give each parameter a domain")
        return {given: as_domain(given, values) for given, values in domains.items()}

    def run(
        self,
        until: str | None = None,
        max_cycles: int | None = None,
        calls: Sequence[str] = (),
        watch: Sequence[str] = (),
        engine: str = "auto",
        *,
        pins: bool | Sequence[str] = False,
        signals: Signals = None,
        progress: CycleProgress | None = None,
        sent: Sent | None = None,
        keeps_interrupted: bool = False,
    ) -> Run:
        """Runs the whole program from reset.

        `until` is "exit", "break", "cycles:N", "serial:TEXT", "function:NAME" or "line:FILE:N"; `max_cycles`
        ends it in any case, by default after one second at the firmware's clock (16,000,000 cycles without
        one). `calls` are functions whose calls are timed, `watch` registers whose writes are listed, or pins ("PB0")
        to record. `pins` are recorded too, True for all; without either they are once `Run.pins` is asked for, by
        running the program again. `signals` come from outside, counted from reset: a file, or a list of (when, what,
        value). `sent` is called with each byte that the first serial port sends. Ctrl-C raises KeyboardInterrupt, or
        with `keeps_interrupted` ends the run with what there is by then.
        """
        limit = _limit(max_cycles, self.clock or 16_000_000)
        coming = as_signals(signals)
        stage, measured = self._at_reset(coming, engine)
        end = read_until(until, self.image, self._entry_word)
        if end.cycle is not None and max_cycles is None:
            limit = max(limit, end.cycle)
        found = [self.find_function(name) for name in ([calls] if isinstance(calls, str) else calls)]
        followed = {function.name: entry_word(function.source_name, function) for function in found}
        watched = [watch] if isinstance(watch, str) else watch
        recorded = wanted_pins(pins, watched)
        run = run_program(
            stage,
            measured,
            end,
            max_cycles=limit,
            calls=followed,
            watch=[name for name in watched if not is_pin(name)],
            pins=recorded,
            progress=progress,
            sent=sent,
        )
        if run.trace is None:
            run = replace(run, replay=lambda: self.run(None, run.cycles, engine=engine, pins=True, signals=coming))
        if run.stopped == "interrupted" and not keeps_interrupted:
            raise KeyboardInterrupt
        return run

    def time_lines(
        self,
        lines: str,
        *,
        until: str | None = None,
        max_cycles: int | None = None,
        max_passes: int | None = None,
        engine: str = "auto",
        signals: Signals = None,
        progress: CycleProgress | None = None,
    ) -> LinesRun:
        """Runs the program from reset and times every pass through some lines, "hive.c:41-48" or "hive.c:41".

        `until` and `max_cycles` end the run as in `run`, and `signals` come; so do `max_passes` passes, by default
        20,000. What a pass is stands in docs/lines.md. Raises UnknownName where no code is from these lines, with the
        nearest that have some.
        """
        return self._program_run(until, max_cycles, max_passes, engine, progress, signals).time_lines(lines)

    def time_in_place(
        self,
        name: str,
        *,
        until: str | None = None,
        max_cycles: int | None = None,
        max_passes: int | None = None,
        engine: str = "auto",
        signals: Signals = None,
        progress: CycleProgress | None = None,
    ) -> LinesRun:
        """Runs the program from reset and times a function wherever it is inlined, as `time_lines` does lines.

        Clones that the compiler made of it count too, each at a place of its own. Raises ArgumentError for a function
        that has neither.
        """
        try:
            function: Function | None = self.find_function(name)
        except UnknownName:
            function = None
        standing = standing_of(self.image, function, name)
        if function is None and not standing.clones:
            self.find_function(name)
        run = self._program_run(until, max_cycles, max_passes, engine, progress, signals)
        return run.time_in_place(name if function is None else function.source_name, standing)

    def _program_run(  # noqa: PLR0917 - the settings of both that call it, in their order
        self,
        until: str | None,
        max_cycles: int | None,
        max_passes: int | None,
        engine: str,
        progress: CycleProgress | None,
        signals: Signals,
    ) -> ProgramRun:
        limit = _limit(max_cycles, self.clock or 16_000_000)
        end = read_until(until, self.image, self._entry_word)
        if end.cycle is not None and max_cycles is None:
            limit = max(limit, end.cycle)
        stage, measured = self._at_reset(as_signals(signals), engine)
        return ProgramRun(self.image, self.toolchain, stage, measured, end, limit, max_passes, progress)

    def _at_reset(self, signals: Sequence[Signal], engine: str) -> tuple[Stage, Measured]:
        """Gives a fresh chip at reset, to which signals come from then on, and what is measured on it."""
        clock, start_up = self.clock, self._start_up()
        stage = Stage.at_reset(self.image, self.part, self._fill, tracks=False, clock=clock, start_up=start_up)
        stage.set_stimuli(arrange(signals, stage.devices, self.part, self.clock))
        stage.begin_stimuli()
        return stage, self._measured("", f"at reset{signals_text(signals)}", check_engine(engine))

    def phases(
        self,
        name: str,
        *values: object,
        at: str | None = None,
        count: int | None = None,
        span: int | None = None,
        engine: str = "auto",
        max_cycles: int | None = None,
        progress: Progress | None = None,
        signals: Signals = None,
    ) -> Phases:
        """Measures a call at every phase of the program's interrupts.

        The program runs from reset to `at`, an end as `run` takes it ("function:loop"), by default the first pass of
        `loop`, or the function's own first call. It waits there for 0, 1, 2 … cycles with its handlers running, and
        then the call begins: up to the cycle at which all periodic interrupts come round together, or for `span`
        cycles. `count` is how many phases are measured, evenly spread; all of up to 65,536, else 4,096.
        Raises ArgumentError where no interrupt is running at that point, RunawayError where the program does not come
        there within `max_cycles` (one second at the firmware's clock, else 16,000,000), and what `call` raises.
        """
        for word, number in (("count", count), ("span", span)):
            if number is not None and number <= 0:
                raise ArgumentError(f"{word}={number}: give a number above 0, or leave it out")
        callee, point = self._callee(name), self._point(name) if at is None else at
        stage, measured = self._at_reset(as_signals(signals), engine)
        until = read_until(point, self.image, self._entry_word)
        if not reach(stage, until, measured.engine, _limit(max_cycles, self.clock or 16_000_000)):
            raise RunawayError(
                f"from reset the program did not come to {point}, where calls were to begin, within "
                f"{stage.chip.cycle:,} cycles; at='…' or --at gives another point, and max_cycles more time",
                place=stage.place(2 * stage.chip.program_counter),
                cycle=stage.chip.cycle,
            )
        return measure_phases(
            stage,
            callee,
            values,
            measured=replace(measured, function=name, start=f"at {point}, in the program's own run"),
            at=point,
            of=number_of_phases(stage, point, span),
            count=count,
            limit=_limit(max_cycles),
            progress=progress,
        )

    def _point(self, name: str) -> str:
        """Gives the point at which a program is well under way: a pass of its loop, else the function's own call."""
        loop = next((f for f in self.functions.values() if f.source_name == "loop" and f.address is not None), None)
        return f"function:{name if loop is None else loop.name}"

    def _entry_word(self, name: str) -> int:
        return entry_word(name, self.find_function(name))

    def __iter__(self) -> Iterator[str]:
        return iter(self.functions)


def _limit(max_cycles: int | None, usual: int = DEFAULT_LIMIT) -> int:
    if max_cycles is not None and max_cycles <= 0:
        raise ArgumentError(f"max_cycles={max_cycles}: give a number of cycles above 0, or leave it out for {usual:,}")
    return usual if max_cycles is None else max_cycles


def _named_calls(before: Sequence[Before]) -> list[tuple[str, Sequence[object]]]:
    """Reads `before`: names, and tuples of a name and arguments."""
    found: list[tuple[str, Sequence[object]]] = []
    for each in [before] if isinstance(before, str) else before:
        match each:
            case str():
                found.append((each, ()))
            case (str() as name, *values):
                found.append((name, values))
            case _:
                raise ArgumentError(
                    f"before: {each!r} is neither a function's name nor a tuple of a name and arguments; "
                    "write before=['start', ('set_mode', 3)]"
                )
    return found


def _takes_nothing(function: Function) -> bool:
    return function.signature is not None and not function.signature.parameters


def _spoken(function: Function) -> str:
    """Writes a function as C++ users tell one of several apart: "scale(int, float)"."""
    if function.signature is None:
        return function.source_name
    types = [p.type.spelling for p in function.signature.parameters if not p.is_artificial and p.name != "this"]
    return f"{function.source_name}({', '.join(types)})"


def _may_be_instance(function: Function, template: str) -> bool:
    """Whether a function is an instance of a template whose arguments link-time optimisation has left out."""
    written = f"::{canonical(function.source_name)}"
    is_template = re.match(r"_ZN?K?(?:\d+\w+?)+I\w*E", function.symbol or "") is not None
    return is_template and "<" not in written and written.endswith(f"::{template}") and function.alias_of is None


def is_lambda(function: Function) -> bool:
    """Whether a function is the body of a lambda."""
    return "lambda" in function.source_name and function.source_name.endswith("operator()")


def spoken_name(function: Function, among: Iterable[Function]) -> str:
    """Gives the name that one asks for a function by, which tells it from others of its source name."""
    if is_lambda(function):
        return f"lambda:{function.line}"
    same = [each for each in among if each.source_name == function.source_name and each.alias_of is None]
    return _choice(function, same) if len(same) > 1 else function.source_name


def _choice(function: Function, among: Sequence[Function]) -> str:
    """Gives what names one function among those of the same source name."""
    spoken = _spoken(function)
    return function.name if [_spoken(each) for each in among].count(spoken) > 1 else spoken


def _origin(function: Function) -> str:
    return str(function.place or f"0x{function.address or 0:04x}")


def load(
    path: str | Path,
    *,
    part: str | None = None,
    clock: str | int | None = None,
    toolchain: str | Path | None = None,
    fill: int = 0,
) -> Firmware:
    """Loads a finished ELF or Intel HEX file.

    The part may come from the note that the linker leaves in an ELF file; with another one given, that is an
    error. Raises FirmwareError for a file that is not usable.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            head = stream.read(4)
    except OSError as error:
        raise FirmwareError(f"{path}: {error.strerror or error}") from None
    is_elf = head == b"\x7fELF" or file.suffix.lower() == ".elf"
    image = read_elf(file) if is_elf else read_hex(file)
    name = part.lower() if part else image.part
    if name is None:
        raise ArgumentError(f"{path} does not say which part it is for; give it, for example part='atmega328p'")
    if image.part is not None and image.part != name:
        raise FirmwareError(
            f"{path} is linked for {image.part}, not for {name}; leave the part out or build for {name}"
        )
    found = find(toolchain)
    return Firmware(image, load_part(name, found), parse_clock(clock), toolchain=found, fill=fill)


def build(
    sources: Sequence[str | Path] | str | Path,
    *,
    part: str,
    clock: str | int | None = None,
    optimize: str = "s",
    flags: Sequence[str] = (),
    defines: Mapping[str, object] | None = None,
    keep: Sequence[str] = (),
    toolchain: str | Path | None = None,
    fill: int = 0,
) -> Firmware:
    """Builds sources with the real compiler for a part.

    Sources are C, C++ and assembly files, objects and archives. `optimize` is what follows -O. `keep` names
    functions to measure in a kept copy where the program's own build inlined or dropped them. Raises
    BuildError with the compiler's own words.
    """
    found = find(toolchain)
    name = part.lower()
    chip = load_part(name, found)
    asked = parse_clock(clock)
    image = build_image(
        [sources] if isinstance(sources, str | Path) else list(sources),
        toolchain=found,
        part_name=name,
        clock=asked,
        optimize=optimize,
        flags=tuple(flags),
        defines=defines,
        keep=tuple(keep),
    )
    firmware = Firmware(
        image,
        chip,
        clock_of(image.build.clocks) if asked is None else asked,
        toolchain=found,
        warnings=image.build.warnings,
        fill=fill,
    )
    firmware.constants = constants_of(
        [sources] if isinstance(sources, str | Path) else sources,
        toolchain=found,
        part_name=name,
        clock=asked,
        optimize=optimize,
        flags=flags,
        defines=defines,
    )
    return firmware


def clock_of(clocks: Sequence[ClockFound]) -> Hertz | None:
    """Gives the clock that the sources define themselves; None where none does or they differ."""
    named = {found.hertz for found in clocks}
    return named.pop() if len(named) == 1 else None
