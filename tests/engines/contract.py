"""What every engine has to do, to the cycle: interrupt rules, the phase of I/O, stops and faults.

An engine's tests derive from `EngineContract` and say how it is made. What is expected is never another engine: it
follows from the published timing tables and the rules of the datasheets, on programs whose course is written down.
"""

from random import Random

import pytest

from cyclerule.engines.engine import Engine, Stop
from cyclerule.errors import FaultError, NotModelled, UnknownInstruction
from cyclerule.isa.operations import I
from cyclerule.machine.chip import Chip
from tests.engines.benches import FAR, Bench, Case, Probe, core_of, first_boundary, rule, served_runs, straight
from tests.engines.courses import BODIES, CODE, DATA, HANDLER, IO, PROBES, SREG, WIDE_BODIES
from tests.engines.listing import Line, Listing, line

EARLY, LATE = 0, 11
"""Turns of a loop in which something happens: at once, and when an engine has long been running at full speed."""

CASES = [Case("atmega328p", name) for name in BODIES] + [Case("atmega2560", name) for name in WIDE_BODIES]
MIXED = Case("atmega328p", "calls")
BROKEN_CASES = [
    *(Case("atmega328p", name) for name in ("input and output", "calls")),
    Case("atmega2560", "extended"),
]
"""The cases for tests that make an engine compile again and again."""

EACH_CASE = pytest.mark.parametrize("case", CASES, ids=str)
EACH_TURN = pytest.mark.parametrize("turn", [EARLY, LATE], ids=["at once", "later on"])


ENABLING = {
    "SEI": (line("BSET s", I),),
    "OUT": (line("LDI Rd, K", 16, 0x80), line("OUT A, Rr", SREG, 16)),
    "STS": (line("LDI Rd, K", 16, 0x80), line("STS k, Rr", SREG + IO, 16)),
    "ST": (
        line("LDI Rd, K", 16, 0x80),
        line("LDI Rd, K", 26, SREG + IO),
        line("LDI Rd, K", 27, 0),
        line("ST X, Rr", 16),
    ),
    "RETI": (
        line("LDI Rd, K", 16, "<back"),
        line("PUSH Rr", 16),
        line("LDI Rd, K", 16, ">back"),
        line("PUSH Rr", 16),
        line("RETI", to="back"),
    ),
}

FOLLOWING = {
    "NOP": (line("NOP", at="back"),),
    "LPM": (line("LPM", at="back"),),
    "STS": (line("STS k, Rr", DATA, 16, at="back"),),
    "RJMP": (line("RJMP k", "there", to="there", at="back"), line("NOP", at="there")),
}

DISABLING = {
    "CLI": (line("BCLR s", I),),
    "OUT": (line("OUT A, Rr", SREG, 4),),
    "STS": (line("STS k, Rr", SREG + IO, 4),),
}

FAULTS = {
    "load": (line("LD Rd, X", 2, at="fault"), FaultError),
    "store": (line("ST X, Rr", 2, at="fault"), FaultError),
    "direct load": (line("LDS Rd, k", 2, 0xFFF0, at="fault"), FaultError),
    "direct store": (line("STS k, Rr", 0xFFF0, 2, at="fault"), FaultError),
    "self-programming": (line("SPM", at="fault"), NotModelled),
    "a device": (line("IN Rd, A", 2, 0x15, at="fault"), NotModelled),
    "a device's write": (line("STS k, Rr", 0x35, 2, at="fault"), NotModelled),
    "pop": (line("POP Rd", 2, at="fault"), FaultError),
    "return": (line("RET", at="fault"), FaultError),
    "return from interrupt": (line("RETI", at="fault"), FaultError),
}

WRAPS = {
    "falling through": ((0xFFF, "NOP", ()), 0x000, 1),
    "a jump forward": ((0xFFF, "RJMP k", (4,)), 0x004, 2),
    "a jump back": ((0x002, "RJMP k", (-8,)), 0xFFB, 2),
    "a call forward": ((0xFFE, "RCALL k", (5,)), 0x004, 3),
    "a call from the last word": ((0xFFF, "RCALL k", (-16,)), 0xFF0, 3),
    "a branch forward": ((0xFFE, "BRBC s, k", (0, 9)), 0x008, 2),
    "a branch back": ((0x001, "BRBC s, k", (0, -9)), 0xFF9, 2),
    "a skip": ((0xFFF, "SBRC Rr, b", (2, 0)), 0x001, 2),
    "the second word of an instruction": ((0xFFF, "LDS Rd, k", (3, DATA)), 0x001, 2),
}


class EngineContract:
    """The tests; `make` is the engine's own."""

    @staticmethod
    def make(chip: Chip) -> Engine:
        """Makes the engine."""
        raise NotImplementedError

    def bench(self, case: Case) -> Bench:
        """Makes a bench for one of the loops."""
        return Bench(self.make, case.part_name, case.loop.listing)

    def straight(self, *lines: Line, part_name: str = "atmega328p") -> Bench:
        """Makes a bench for lines in a row."""
        return Bench(self.make, part_name, straight(part_name, *lines))

    # Undisturbed.

    @EACH_CASE
    def test_every_boundary_comes_at_its_published_cycle(self, case: Case) -> None:
        """DS40002198 sec. 5: every form and path; a limit at any cycle stops at the first boundary from there on."""
        bench, course = self.bench(case), case.loop.course
        bench.reset()
        for limit in range(1, course[-1].cycle):
            assert bench.run(limit) is (Stop.LIMIT if limit <= course[-2].cycle else Stop.AT_EXIT)
            expected = first_boundary(course, limit)
            assert (bench.cycle, bench.chip.program_counter) == (expected.cycle, expected.word)
            assert bench.engine.instructions == course.index(expected)
        one_by_one = bench.kept_state()
        bench.reset()
        assert bench.run() is Stop.AT_EXIT
        assert bench.cycle == course[-1].cycle
        assert bench.engine.instructions == len(course) - 1
        assert bench.kept_state() == one_by_one

    @EACH_CASE
    def test_a_limit_far_ahead_stops_at_the_first_boundary_from_there_on(self, case: Case) -> None:
        """An engine may run ahead, but never past the boundary."""
        bench, course = self.bench(case), case.loop.course
        for limit in range(case.loop.turn(LATE)[0].cycle, case.loop.turn(LATE)[-1].cycle):
            bench.reset()
            assert bench.run(limit) is Stop.LIMIT
            expected = first_boundary(course, limit)
            assert (bench.cycle, bench.chip.program_counter) == (expected.cycle, expected.word)
            assert bench.engine.instructions == course.index(expected)

    # Interrupts.

    @EACH_TURN
    @EACH_CASE
    def test_a_request_at_any_cycle_is_served_at_the_first_boundary_and_leaves_no_other_trace(
        self, case: Case, turn: int
    ) -> None:
        """The instruction at work is completed first; the response takes 4 cycles, or 5 with a 22-bit program counter.

        ATmega48A/…/328/P datasheet DS40002061A sec. 7.7.1, ATmega640/…/2561 datasheet sec. 7.8.1. Elapsed time is
        the undisturbed one and the handler's; registers, flags, memory and the other accesses are the undisturbed ones.
        """
        bench, program = self.bench(case), case.loop
        bench.reset()
        bench.run()
        undisturbed, accesses = bench.kept_state(), bench.accesses(program.course)
        assert bench.probe.touched == accesses
        cost = bench.handler_cost
        for cycle in range(program.turn(turn)[0].cycle, program.turn(turn)[-1].cycle + 1):
            vector = 1 + cycle % (bench.chip.part.vector_count - 1)
            bench.reset()
            bench.requester.ask(vector, bench.begin + cycle)
            assert bench.run() is Stop.AT_EXIT
            at = first_boundary(program.course, cycle).cycle
            assert [(e.vector, e.cycle - bench.begin) for e in bench.requester.entered] == [(vector, at)]
            assert bench.cycle == program.cycles + cost
            assert bench.runs_of_handler() == 1
            assert bench.kept_state() == undisturbed
            assert bench.engine.instructions == len(program.course) - 1 + bench.handler_instructions
            assert bench.probe.touched == bench.accesses(program.course, at, cost)
            (run,) = bench.chip.interrupts.finished
            assert (run.start_cycle - bench.begin, run.end_cycle - bench.begin, run.nested_in) == (at, at + cost, None)

    @EACH_TURN
    @EACH_CASE
    def test_the_address_of_the_instruction_that_waits_is_pushed_and_i_is_cleared(self, case: Case, turn: int) -> None:
        """DS40002061A sec. 7.7: the return address is pushed and I cleared in the response time; low byte first."""
        bench, program = self.bench(case), case.loop
        vector = 5
        vector_word = vector * bench.chip.interrupts.vector_words
        for cycle in range(program.turn(turn)[0].cycle, program.turn(turn)[-1].cycle + 1):
            bench.reset()
            bench.requester.ask(vector, bench.begin + cycle)
            assert bench.run(entries={vector_word}) is Stop.AT_ENTRY
            at = first_boundary(program.course, cycle)
            assert (bench.cycle, bench.chip.program_counter) == (at.cycle + bench.response, vector_word)
            assert bench.chip.flags[I] == 0
            top = bench.requester.entered[0].stack_pointer
            assert bench.chip.stack_pointer == top - bench.pc_bytes
            pushed = bytes(bench.chip.data[top - n] for n in range(bench.pc_bytes))
            assert int.from_bytes(pushed, "little") == at.word
            assert bench.run(entries={vector_word}) is Stop.AT_EXIT
            assert bench.cycle == program.cycles + bench.handler_cost

    @pytest.mark.parametrize("period", [20, 97])
    @pytest.mark.parametrize("keeps_log", [True, False], ids=["with log", "without log"])
    @EACH_CASE
    def test_recurring_requests_are_each_served_at_their_boundary(
        self, case: Case, period: int, keeps_log: bool
    ) -> None:
        """A flag set again while its handler runs is served one instruction after RETI: DS40002061A sec. 7.7."""
        bench, program = self.bench(case), case.loop
        bench.reset()
        bench.chip.interrupts.keeps_log = keeps_log
        bench.requester.ask(7, bench.begin + 11, period)
        assert bench.run() is Stop.AT_EXIT
        cost = bench.handler_cost
        served = served_runs(program.course, 11, period, cost)
        assert bench.cycle == program.cycles + served * cost
        assert bench.runs_of_handler() == served & 0xFF
        assert bench.engine.instructions == len(program.course) - 1 + served * bench.handler_instructions
        assert len(bench.chip.interrupts.finished) == (served if keeps_log else 0)

    @pytest.mark.parametrize("distance", range(4))
    def test_the_lower_vector_goes_first_and_the_other_one_instruction_after_it(self, distance: int) -> None:
        """Lower vectors have priority, and the main program advances by one instruction: DS40002061A sec. 7.7."""
        bench, program = self.bench(MIXED), MIXED.loop
        cost = bench.handler_cost
        for cycle in range(program.turn(EARLY)[0].cycle, program.turn(EARLY)[-1].cycle):
            bench.reset()
            bench.requester.ask(9, bench.begin + cycle)
            bench.requester.ask(4, bench.begin + cycle + distance)
            bench.run()
            first, later = first_boundary(program.course, cycle), first_boundary(program.course, cycle + distance)
            following = program.course[program.course.index(first) + 1].cycle
            expected = (
                [(4, first.cycle), (9, following + cost)]
                if first == later
                else [(9, first.cycle), (4, following + cost)]
            )
            assert [(e.vector, e.cycle - bench.begin) for e in bench.requester.entered] == expected
            assert bench.cycle == program.cycles + 2 * cost

    def test_a_level_asks_again_until_it_is_withdrawn(self) -> None:
        """A level-type source, as UDRE is, is not cleared by entering its handler: DS40002061A sec. 7.7."""
        bench, program = self.bench(MIXED), MIXED.loop
        cost = bench.handler_cost
        bench.requester.levels = frozenset({6})
        bench.reset()
        bench.requester.ask(6, bench.begin + 1)
        assert bench.run() is Stop.AT_EXIT
        # Once before each instruction but the first, which has begun before the request.
        served = len(program.course) - 2
        assert len(bench.requester.entered) == served
        assert bench.cycle == program.cycles + served * cost

    def test_a_handler_that_sets_i_is_interrupted_itself(self) -> None:
        """The handler may enable interrupts: DS40002061A sec. 7.7; SEI lets one more instruction run first."""
        lines = (line("NOP", at="start"), *[line("NOP")] * 40, line("NOP", at="end"))
        handler = (line("BSET s", I, at="handler"), HANDLER[0]._replace(at=""), *HANDLER[1:])
        bench = Bench(self.make, "atmega328p", Listing((*lines, *handler), core_of("atmega328p"), CODE))
        own, cost, into = bench.handler_course, bench.handler_cost, bench.response + bench.vector_jump
        for later in range(1, into + own[-2].cycle + 1):
            bench.reset()
            bench.requester.ask(8, bench.begin + 5)
            bench.requester.ask(3, bench.begin + 5 + later)
            assert bench.run() is Stop.AT_EXIT
            assert bench.cycle == 41 + 2 * cost
            at = max(later, into + own[2].cycle) - into
            # Two boundaries of the handler cannot take it: the one after SEI, and the one at its start.
            entered = 5 + into + next(b.cycle for b in own if b.cycle >= at)
            (inside, outside) = bench.chip.interrupts.finished
            assert (inside.vector, inside.nested_in, inside.start_cycle - bench.begin) == (3, 8, entered)
            assert inside.end_cycle - inside.start_cycle == cost
            assert (outside.vector, outside.nested_in) == (8, None)
            assert (outside.start_cycle, outside.end_cycle) == (bench.begin + 5, bench.begin + 5 + 2 * cost)

    @pytest.mark.parametrize(
        ("enabling", "following"),
        [("SEI", name) for name in FOLLOWING] + [(name, "STS") for name in ENABLING if name != "SEI"],
    )
    def test_one_instruction_runs_after_i_is_set_before_a_waiting_request_is_served(
        self, enabling: str, following: str
    ) -> None:
        """DS40002198 sec. 6.104.1 for SEI, DS40002061A sec. 7.7 for RETI; common belief, no source, for OUT, STS."""
        set_i = ENABLING[enabling]
        bench = self.straight(*set_i, *FOLLOWING[following], line("NOP"), line("INC Rd", 2), line("NOP"))
        course = bench.course
        earliest = course[len(set_i) + 1].cycle
        cost = bench.handler_cost
        for cycle in range(course[-2].cycle + 1):
            bench.reset()
            bench.chip.flags[I] = 0
            bench.requester.ask(2, bench.begin + cycle)
            assert bench.run() is Stop.AT_EXIT
            expected = first_boundary(course, max(cycle, earliest)).cycle
            assert bench.entered() == [expected]
            assert bench.cycle == course[-1].cycle + cost

    @pytest.mark.parametrize("disabling", DISABLING)
    def test_no_request_is_served_after_i_is_cleared(self, disabling: str) -> None:
        """CLI blocks at once, even what came while it ran: DS40002061A sec. 7.7."""
        bench = self.straight(line("EOR Rd, Rr", 4, 4), line("NOP"), *DISABLING[disabling], line("NOP"), line("NOP"))
        course = bench.course
        last = course[2].cycle
        for cycle in range(course[-1].cycle):
            bench.reset()
            bench.requester.ask(2, bench.begin + cycle)
            assert bench.run() is Stop.AT_EXIT
            expected = [first_boundary(course, cycle).cycle] if cycle <= last else []
            assert bench.entered() == expected
            assert bench.chip.flags[I] == 0

    def test_sei_and_cli_in_a_row_let_nothing_in(self) -> None:
        """The instruction after SEI runs before a waiting request, and CLI blocks at once: nothing comes between."""
        bench = self.straight(line("BSET s", I), line("BCLR s", I), line("NOP"), line("NOP"))
        bench.reset()
        bench.chip.flags[I] = 0
        bench.requester.ask(2, bench.begin)
        assert bench.run() is Stop.AT_EXIT
        assert bench.requester.entered == []

    def test_requests_wait_while_delivery_is_off(self) -> None:
        """A call that runs with interrupts off keeps what asked for one."""
        bench, program = self.bench(MIXED), MIXED.loop
        bench.reset()
        bench.chip.interrupts.delivers = False
        bench.requester.ask(3, bench.begin + 10)
        half = first_boundary(program.course, program.cycles // 2)
        assert bench.run(half.cycle) is Stop.LIMIT
        assert (bench.cycle, bench.requester.entered) == (half.cycle, [])
        assert bench.chip.interrupts.requests == 1 << 3
        bench.chip.interrupts.delivers = True
        assert bench.run() is Stop.AT_EXIT
        assert bench.entered() == [half.cycle]

    # Time without instructions.

    def test_a_request_wakes_a_sleeping_chip(self) -> None:
        """Waking takes 4 cycles more, or 5, and the program goes on after SLEEP: DS40002061A sec. 7.7.1 and 10."""
        for part_name in ("atmega328p", "atmega2560"):
            bench = self.straight(line("NOP"), line("SLEEP"), line("INC Rd", 2), line("NOP"), part_name=part_name)
            bench.chip.enters_sleep = lambda cycle: True
            cost = bench.handler_cost
            wake = rule("interrupt taken while asleep", bench.pc_bytes)
            for cycle in (2, 3, 4, 50, 1_000, 100_000):
                bench.reset()
                bench.requester.ask(2, bench.begin + cycle)
                if cycle > 2:
                    assert bench.run(cycle - 1) is Stop.LIMIT
                    assert bench.cycle == cycle - 1
                    assert bench.chip.is_asleep
                assert bench.run() is Stop.AT_EXIT
                assert bench.cycle == cycle + wake + cost + 2
                assert not bench.chip.is_asleep
                assert bench.engine.instructions == 4 + bench.handler_instructions

    def test_sei_and_sleep_in_a_row_sleep_before_a_waiting_request_wakes(self) -> None:
        """DS40002198 sec. 6.104.1: the instruction after SEI runs first, so the request is not lost before SLEEP."""
        bench = self.straight(line("BSET s", I), line("SLEEP"), line("NOP"))
        bench.chip.enters_sleep = lambda cycle: True
        bench.reset()
        bench.chip.flags[I] = 0
        bench.requester.ask(2, bench.begin)
        assert bench.run() is Stop.AT_EXIT
        cost = bench.handler_cost
        assert bench.cycle == 2 + rule("interrupt taken while asleep", 2) + cost + 1

    def test_of_requests_that_come_while_it_wakes_the_lowest_vector_is_served(self) -> None:
        """No source: the vector is taken to be chosen when the response begins, as it is when the CPU is awake."""
        bench = self.straight(line("SLEEP"), line("INC Rd", 2), line("NOP"))
        bench.chip.enters_sleep = lambda cycle: True
        wake = rule("interrupt taken while asleep", 2)
        for later in range(8):
            bench.reset()
            bench.requester.ask(9, bench.begin + 100)
            bench.requester.ask(4, bench.begin + 100 + later)
            assert bench.run() is Stop.AT_EXIT
            assert [e.vector for e in bench.requester.entered] == ([4, 9] if later <= wake else [9, 4])
            assert bench.entered()[0] == 100 + wake

    @pytest.mark.parametrize("held", [1, 4, 103, 104, 105, 200])
    def test_a_level_that_is_gone_before_the_chip_is_awake_wakes_it_and_interrupts_nothing(self, held: int) -> None:
        """It must be held until the start-up time is over to interrupt: DS40002061A sec. 13.2.1."""
        start_up = 100
        bench = self.straight(line("SLEEP"), line("INC Rd", 2), line("NOP"))
        bench.chip.enters_sleep = lambda cycle: True
        bench.chip.wakes = lambda cycle: start_up
        bench.requester.levels = frozenset({5})
        withdraw = bench.chip.events.alarm(lambda cycle: bench.chip.interrupts.set_request(5, False))
        bench.saved = bench.chip.save()
        bench.reset()
        bench.requester.ask(5, bench.begin + 50)
        withdraw.set(bench.begin + 50 + held)
        awake = 50 + start_up + rule("interrupt taken while asleep", 2)
        if held > start_up + rule("interrupt taken while asleep", 2):
            assert bench.run(to="end", limit=awake + bench.response + 1) is Stop.LIMIT
            assert bench.entered() == [awake]
        else:
            assert bench.run() is Stop.AT_EXIT
            assert bench.entered() == []
            assert bench.cycle == awake + 2
        assert not bench.chip.is_asleep
        assert bench.chip.asleep_cycles == awake - 1

    def test_a_request_that_cannot_wake_waits_until_another_has_woken_the_chip(self) -> None:
        """Table 10-1 of DS40002061A: each mode has its wake-up sources; the lowest vector is served first then."""
        bench = self.straight(line("SLEEP"), line("INC Rd", 2), line("NOP"))
        bench.chip.enters_sleep = lambda cycle: True
        wake = rule("interrupt taken while asleep", 2)
        bench.reset()
        bench.chip.interrupts.wakers = 1 << 9
        bench.requester.ask(3, bench.begin + 10)
        bench.requester.ask(9, bench.begin + 500)
        assert bench.run() is Stop.AT_EXIT
        assert next((e.vector, e.cycle - bench.begin) for e in bench.requester.entered) == (3, 500 + wake)
        assert bench.entered()[1] == 500 + wake + bench.handler_cost + 1
        bench.reset()
        bench.chip.interrupts.wakers = 1 << 9
        bench.requester.ask(3, bench.begin + 10)
        assert bench.run() is Stop.HALTED

    def test_a_chip_asleep_without_anything_to_come_is_halted(self) -> None:
        """No event is left that could ask for an interrupt."""
        bench = self.straight(line("SLEEP"), line("NOP"))
        bench.chip.enters_sleep = lambda cycle: True
        bench.reset()
        assert bench.run() is Stop.HALTED
        assert bench.chip.is_asleep

    @pytest.mark.parametrize(("syntax", "length"), [("RJMP k", 2), ("JMP k", 3)])
    def test_a_jump_to_itself_lets_time_pass_in_whole_turns(self, syntax: str, length: int) -> None:
        """Requests are served at the boundaries of the jump, a limit stops at one, and every turn is an instruction."""
        bench = self.straight(line(syntax, "start"))
        cost = bench.handler_cost
        for cycle in (1, 2, 3, 4, 5, 6, 1_000, 65_537):
            for limit in (cycle + 5, cycle + 500, cycle + 501, cycle + 502):
                bench.reset()
                bench.requester.ask(2, bench.begin + cycle)
                # One more to come, else the program waits for ever after the first.
                bench.requester.ask(3, FAR)
                assert bench.run(limit) is Stop.LIMIT
                at = -(-cycle // length) * length
                assert bench.entered() == [at]
                if limit >= at + cost:
                    turns = -(-(limit - cost) // length)
                    assert bench.cycle == turns * length + cost
                    assert bench.engine.instructions == turns + bench.handler_instructions

    def test_a_jump_to_itself_without_anything_to_come_is_halted(self) -> None:
        """Nothing can ever change again."""
        bench = self.straight(line("RJMP k", "start"))
        bench.reset()
        assert bench.run() is Stop.HALTED
        assert bench.chip.program_counter == bench.listing.words["start"]

    # Stops.

    def test_an_exit_comes_before_a_waiting_request_and_an_entry_after_it(self) -> None:
        """`Engine.run`; and the boundary at which a run begins counts for neither."""
        bench, program = self.bench(MIXED), MIXED.loop
        cost = bench.handler_cost
        for turn in (EARLY, LATE):
            for boundary in program.turn(turn)[1:]:
                words = {boundary.word}
                earlier = sum(b.word == boundary.word and b.cycle < boundary.cycle for b in program.course)
                bench.reset()
                bench.requester.ask(3, bench.begin + boundary.cycle)
                for _ in range(earlier):
                    assert bench.engine.run(FAR, exits=words) is Stop.AT_EXIT
                assert bench.engine.run(FAR, exits=words) is Stop.AT_EXIT
                assert (bench.cycle, bench.chip.program_counter) == (boundary.cycle, boundary.word)
                assert bench.requester.entered == []
                assert bench.chip.interrupts.requests == 1 << 3
                bench.reset()
                bench.requester.ask(3, bench.begin + boundary.cycle)
                for _ in range(earlier + 1):
                    assert bench.engine.run(FAR, entries=words) is Stop.AT_ENTRY
                assert (bench.cycle, bench.chip.program_counter) == (boundary.cycle + cost, boundary.word)
                assert bench.run() is Stop.AT_EXIT
                assert bench.cycle == program.cycles + cost

    @pytest.mark.parametrize("seed", range(2))
    @pytest.mark.parametrize("case", BROKEN_CASES, ids=str)
    def test_a_run_in_pieces_ends_as_an_unbroken_one(self, case: Case, seed: int) -> None:
        """Stops at limits, exits and entries at random, in handlers too, change nothing."""
        # The same words for every seed: an engine that compiles anew for other stops is then quick from the second on.
        random = Random(str(case))
        bench, program = self.bench(case), case.loop
        words = sorted(
            {b.word for b in program.course} | {w for w, _ in program.listing.steps("handler", "handler_left")}
        )
        chosen = [random.sample(words, 2) for _ in range(2)]
        random = Random(seed)
        period = random.choice([37, 83, 211])
        finals = []
        for is_broken in (False, True):
            bench.reset()
            bench.requester.ask(7, bench.begin + 11, period)
            if is_broken:
                for _ in range(300):
                    exits, entries = random.choice(chosen)
                    ahead = random.choice([1, 2, 3, 10, 100])
                    stop = bench.engine.run(
                        bench.chip.cycle + ahead, exits={bench.listing.words["end"], exits}, entries={entries}
                    )
                    if bench.chip.program_counter == bench.listing.words["end"]:
                        break
                    if stop is Stop.LIMIT:
                        assert ahead <= bench.chip.cycle
            if bench.chip.program_counter != bench.listing.words["end"]:
                assert bench.run() is Stop.AT_EXIT
            finals.append(
                (
                    bench.cycle,
                    bench.engine.instructions,
                    bench.kept_state(),
                    bench.runs_of_handler(),
                    bench.probe.touched[:],
                )
            )
        assert finals[0] == finals[1]
        assert finals[0][0] > program.cycles

    @EACH_CASE
    def test_a_state_kept_at_any_boundary_goes_on_as_the_run_did(self, case: Case) -> None:
        """`Chip.save` and `Chip.restore` keep all that there is, requests and things to come included."""
        bench = self.bench(case)
        bench.reset()
        bench.requester.ask(7, bench.begin + 11, 83)
        bench.run()
        unbroken = bench.cycle, bench.kept_state(), bench.runs_of_handler()
        bench.reset()
        bench.requester.ask(7, bench.begin + 11, 83)
        kept = []
        while bench.engine.run(bench.chip.cycle + 1, exits={bench.listing.words["end"]}) is Stop.LIMIT:
            kept.append(bench.chip.save())
        assert (bench.cycle, bench.kept_state(), bench.runs_of_handler()) == unbroken
        for state in [*kept[:40], *kept[-120::3]]:
            bench.chip.restore(state)
            assert bench.run() is Stop.AT_EXIT
            assert (bench.cycle, bench.kept_state(), bench.runs_of_handler()) == unbroken

    @EACH_TURN
    def test_a_device_stops_the_run_at_the_next_boundary(self, turn: int) -> None:
        """`Engine.request_stop`, called when an alarm goes off and when a register is written."""
        case = Case("atmega328p", "input and output")
        bench, program = self.bench(case), case.loop
        alarm = bench.chip.events.alarm(lambda cycle: bench.engine.request_stop())
        bench.saved = bench.chip.save()
        for cycle in range(program.turn(turn)[0].cycle + 1, program.turn(turn)[-1].cycle):
            bench.reset()
            alarm.set(bench.begin + cycle)
            assert bench.run() is Stop.REQUESTED
            at = first_boundary(program.course, cycle)
            assert (bench.cycle, bench.chip.program_counter) == (at.cycle, at.word)
            assert bench.run() is Stop.AT_EXIT
            assert bench.cycle == program.cycles

        bench.reset()
        bench.chip.bus.attach(PROBES[3], None, lambda value, mask, cycle: bench.engine.request_stop())
        for place, boundary in enumerate(program.course):
            touch = boundary.line and boundary.line.touch
            if touch and touch.is_write and touch.address == PROBES[3]:
                assert bench.run() is Stop.REQUESTED
                assert bench.cycle == program.course[place + 1].cycle

    @EACH_TURN
    def test_a_device_halts_the_cpu_after_the_instruction_that_touched_it(self, turn: int) -> None:
        """EEPE halts it for two cycles before the next instruction: DS40002061A sec. 8.4.1; requests wait that long."""
        case, halt = Case("atmega328p", "input and output"), 5
        bench, program = self.bench(case), case.loop
        bench.chip.bus.attach(PROBES[3], None, lambda value, mask, cycle: bench.chip.bus.halt(halt))
        halted, course = 0, []
        for boundary in program.course:
            course.append(boundary._replace(cycle=boundary.cycle + halted))
            touch = boundary.line and boundary.line.touch
            halted += halt if touch and touch.is_write and touch.address == PROBES[3] else 0
        assert halted > halt
        bench.reset()
        assert bench.run() is Stop.AT_EXIT
        assert bench.cycle == course[-1].cycle == program.cycles + halted
        span = [n for n, boundary in enumerate(program.course) if boundary in program.turn(turn)]
        for cycle in range(course[span[0]].cycle, course[span[-1]].cycle + 1):
            bench.reset()
            bench.requester.ask(2, bench.begin + cycle)
            assert bench.run() is Stop.AT_EXIT
            assert bench.entered() == [first_boundary(course, cycle).cycle]
            assert bench.cycle == program.cycles + halted + bench.handler_cost
            bench.reset()
            assert bench.run(cycle) is Stop.LIMIT
            assert bench.cycle == first_boundary(course, cycle).cycle

    @EACH_TURN
    def test_wdr_is_told_at_the_cycle_at_which_it_ends(self, turn: int) -> None:
        """DS40002198, page of WDR: one cycle; a watchdog counts from there."""
        turns = 1 if turn == EARLY else 60
        bench = self.straight(
            line("LDI Rd, K", 25, turns),
            line("WDR", at="turn"),
            line("NOP"),
            line("WDR"),
            line("DEC Rd", 25),
            line("BRBC s, k", 1, "turn"),
        )
        told: list[int] = []
        bench.chip.resets_watchdog = told.append
        bench.reset()
        assert bench.run() is Stop.AT_EXIT
        begins = [bench.begin + 1 + 6 * number for number in range(turns)]
        assert told == [begin + after for begin in begins for after in (1, 3)]
        assert bench.cycle == 1 + 6 * turns - 1

    @pytest.mark.parametrize("way", ["a write", "an alarm"])
    def test_code_that_changes_is_executed_as_it_is_from_then_on(self, way: str) -> None:
        """A page that SPM has written, say: whether a register was written or time had come."""
        turns, change = 90, 50
        bench = self.straight(
            line("LDI Rd, K", 25, turns),
            line("LDI Rd, K", 16, 0),
            line("OUT A, Rr", PROBES[3] - IO, 25, at="turn"),
            line("RCALL k", "changing"),
            line("DEC Rd", 25),
            line("BRBC s, k", 1, "turn"),
            line("RJMP k", "end", to="end"),
            line("INC Rd", 16, at="changing"),
            line("RET"),
        )
        chip = bench.chip
        word = bench.listing.words["changing"]
        # DEC r16 in the place of INC r16: DS40002198, 1001 010d dddd 1010 and 0011.
        dec, inc = (0x940A | 16 << 4).to_bytes(2, "little"), (0x9403 | 16 << 4).to_bytes(2, "little")
        assert chip.flash[2 * word : 2 * word + 2] == inc
        # A turn takes 1 + 3 + 1 + 4 + 1 + 2 cycles.
        due = bench.begin + 2 + 12 * change
        alarm = chip.events.alarm(lambda cycle: chip.write_flash(2 * word, dec))
        bench.saved = chip.save()
        if way == "a write":
            chip.bus.attach(
                PROBES[3],
                None,
                lambda value, mask, cycle: chip.write_flash(2 * word, dec) if value == turns - change else None,
            )
        for _ in range(2):
            chip.write_flash(2 * word, inc)
            bench.reset()
            if way == "an alarm":
                alarm.set(due)
            assert bench.run() is Stop.AT_EXIT
            assert chip.data[16] == (change - (turns - change)) & 0xFF
            assert bench.cycle == 2 + 12 * turns - 1 + 2

    def test_a_break_stops_before_it_where_that_is_asked_for(self) -> None:
        """The word 0x9598 is a NOP to a chip without a debugger, and a mark to a run that stops at it."""
        bench = self.straight(line("NOP"), line("INC Rd", 2), line("BREAK"), line("INC Rd", 2))
        bench.reset()
        assert bench.run(stops_at_break=True) is Stop.AT_BREAK
        assert (bench.cycle, bench.engine.instructions) == (2, 2)
        assert bench.chip.program_counter == bench.listing.words["start"] + 2
        assert bench.run() is Stop.AT_EXIT
        assert (bench.cycle, bench.engine.instructions) == (4, 4)

    def test_a_break_stops_before_it_though_it_is_an_exit_too(self) -> None:
        """Control comes to the exit once, then the run goes on to the BREAK at the same word."""
        bench = self.straight(line("NOP"), line("BREAK", at="mark"), line("NOP"))
        bench.reset()
        assert bench.run(to="mark", stops_at_break=True) is Stop.AT_EXIT
        assert bench.run(to="mark", stops_at_break=True) is Stop.AT_BREAK
        assert (bench.cycle, bench.engine.instructions) == (1, 1)

    def test_a_stop_asked_for_where_a_run_ends_otherwise_is_still_to_come(self) -> None:
        """At an exit and at a limit: the run that goes on stops at once, and the next one is free."""
        bench = self.straight(line("NOP"), line("NOP", at="middle"), line("NOP"))
        alarm = bench.chip.events.alarm(lambda cycle: bench.engine.request_stop())
        bench.saved = bench.chip.save()
        for limit, why in ((FAR, Stop.AT_EXIT), (1, Stop.LIMIT)):
            bench.reset()
            alarm.set(bench.begin + 1)
            assert bench.run(limit, to="middle" if why is Stop.AT_EXIT else "end") is why
            assert bench.run() is Stop.REQUESTED
            assert bench.cycle == 1
            assert bench.run() is Stop.AT_EXIT
            assert bench.cycle == 3

    def test_control_comes_to_the_word_after_sleep_when_the_handler_has_returned(self) -> None:
        """Waking runs the handler first, then resumes after SLEEP: DS40002061A sec. 10; asleep it is nowhere yet."""
        bench = self.straight(line("SLEEP"), line("NOP", at="after"), line("NOP"))
        bench.chip.enters_sleep = lambda cycle: True
        after = {bench.listing.words["after"]}
        for is_exit in (True, False):
            bench.reset()
            bench.requester.ask(2, bench.begin + 100)
            stop = bench.engine.run(FAR, exits=after) if is_exit else bench.engine.run(FAR, entries=after)
            assert stop is (Stop.AT_EXIT if is_exit else Stop.AT_ENTRY)
            assert bench.cycle == 100 + rule("interrupt taken while asleep", 2) + bench.handler_cost
            assert not bench.chip.is_asleep

    # I/O.

    def test_a_read_gives_the_value_of_its_own_cycle(self) -> None:
        """What is read changes each cycle, so the value read tells the cycle."""
        bench = self.straight(
            line("IN Rd, A", 2, PROBES[0] - IO),
            line("LDS Rd, k", 3, PROBES[0]),
            line("IN Rd, A", 4, PROBES[0] - IO),
            line("LDI Rd, K", 26, PROBES[0]),
            line("LDI Rd, K", 27, 0),
            line("LD Rd, X", 5),
            line("LD Rd, X+", 6),
            line("LD Rd, -X", 7),
            line("MOVW Rd, Rr", 28, 26),
            line("LDD Rd, Y+q", 8, 0),
        )
        bench.reset()
        Probe(bench.chip, PROBES[:1], lambda cycle: cycle - bench.begin)
        assert bench.run() is Stop.AT_EXIT
        assert list(bench.chip.data[2:9]) == [0, 2, 3, 7, 9, 11, 14]

    # Faults.

    def fails(self, bench: Bench, kind: type[FaultError], word: int, cycle: int) -> None:
        """Expects a fault at an instruction, with the chip left there."""
        with pytest.raises(FaultError) as caught:
            bench.run()
        assert type(caught.value) is kind
        assert (caught.value.address, caught.value.cycle - bench.begin) == (2 * word, cycle)
        assert (bench.chip.program_counter, bench.cycle) == (word, cycle)

    @pytest.mark.parametrize("what", FAULTS)
    def test_what_the_chip_cannot_do_is_refused_at_its_instruction(self, what: str) -> None:
        """The fault names the instruction and the cycle at which it began; nothing after it happens."""
        fault, kind = FAULTS[what]
        turns = 20
        bench = self.straight(
            line("LDI Rd, K", 25, turns),
            line("LDI Rd, K", 26, 0xF0),
            line("LDI Rd, K", 27, 0xFF),
            line("DEC Rd", 25, at="turn"),
            line("BRBC s, k", 1, "turn"),
            fault,
            line("INC Rd", 3),
        )

        def refuse(*access: int) -> int:
            raise NotModelled("no such thing")

        bench.chip.bus.attach(0x35, refuse, refuse)  # type: ignore[arg-type]
        bench.reset()
        before = bench.chip.data[3]
        self.fails(bench, kind, bench.listing.words["fault"], 3 + 3 * turns - 1)
        assert bench.chip.data[3] == before
        assert bench.engine.instructions == 3 + 2 * turns

    def test_a_word_that_is_no_instruction_is_refused(self) -> None:
        """0x0001 is on no AVR; reached by falling through, it names its own place."""
        bench = self.straight(line("NOP"), line("INC Rd", 2), line("NOP", at="hole"), line("NOP"))
        hole = bench.listing.words["hole"]
        bench.chip.flash[2 * hole : 2 * hole + 2] = b"\x01\x00"
        bench.reset()
        self.fails(bench, UnknownInstruction, hole, 2)

    @pytest.mark.parametrize("left", [0, 1, 3])
    @pytest.mark.parametrize("syntax", ["PUSH Rr", "RCALL k", "CALL k", "ICALL"])
    def test_a_stack_that_grows_into_data_is_refused(self, syntax: str, left: int) -> None:
        """Below the stack's floor is data; a call needs two bytes above it."""
        operands: tuple[int | str, ...] = {"PUSH Rr": (2,), "ICALL": ()}.get(syntax, ("start",))
        bench = self.straight(line("NOP"), line(syntax, *operands, at="grow"), line("RJMP k", "grow"))
        chip = bench.chip
        chip.data[30], chip.data[31] = bench.listing.words["start"] & 0xFF, bench.listing.words["start"] >> 8
        bench.saved = chip.save()
        bench.reset()
        chip.stack_floor = chip.stack_pointer - 40 - left
        grow = bench.listing.words["grow"]
        size = 1 if syntax == "PUSH Rr" else 2
        whole = (40 + left) // size
        turn = {"PUSH Rr": 2 + 2, "RCALL k": 3 + 1, "CALL k": 4 + 1, "ICALL": 3 + 1}[syntax]
        self.fails(bench, FaultError, grow, 1 + whole * turn)

    @pytest.mark.parametrize("syntax", ["PUSH Rr", "RCALL k", "POP Rd", "RET"])
    @pytest.mark.parametrize("pointer", [0x0000, 0x00FE, 0x0900])
    def test_a_stack_outside_ram_is_refused(self, syntax: str, pointer: int) -> None:
        """On the chip it would reach I/O registers, or nothing: no program means that."""
        operands: tuple[int | str, ...] = {"PUSH Rr": (2,), "POP Rd": (2,), "RET": ()}.get(syntax, ("start",))
        bench = self.straight(line("NOP"), line(syntax, *operands, at="fault"))
        bench.reset()
        before = bytes(bench.chip.data)
        bench.chip.stack_pointer = bench.chip.lowest_stack_pointer = pointer
        self.fails(bench, FaultError, bench.listing.words["fault"], 1)
        assert bytes(bench.chip.data) == before

    # The program counter.

    @pytest.mark.parametrize("what", WRAPS)
    def test_the_program_counter_goes_round_at_the_end_of_flash(self, what: str) -> None:
        """8 KB are 4,096 words and 12 bits of program counter: DS40002198, page of RJMP; ATmega8 datasheet."""
        (word, syntax, operands), reached, cycles = WRAPS[what]
        bench = Bench(self.make, "atmega8", Listing((line(syntax, *operands, at="start"),), core_of("atmega328p"), 0))
        chip = bench.chip
        code = bench.listing.code
        chip.flash[:] = b"\xff" * len(chip.flash)
        for number, each in enumerate(code):
            place = 2 * ((word + number) % chip.flash_words)
            chip.flash[place : place + 2] = each.to_bytes(2, "little")
        bench.engine.forget_code()
        chip.program_counter = word
        chip.data[2] = 0
        top = chip.stack_pointer
        assert bench.engine.run(chip.cycle + 1) is Stop.LIMIT
        assert (chip.program_counter, bench.cycle) == (reached, cycles)
        if "RCALL" in syntax:
            pushed = chip.data[top] | chip.data[top - 1] << 8
            assert pushed == (word + 1) % chip.flash_words

    def test_an_interrupt_at_the_end_of_flash_returns_to_its_start(self) -> None:
        """The boundary after the last word is that before the first."""
        listing = Listing((line("NOP", at="start"), line("RETI", at="handler")), core_of("atmega328p"), 0x100)
        bench = Bench(self.make, "atmega8", listing)
        chip = bench.chip
        chip.flash[-2:] = b"\0\0"
        chip.flash[:2] = b"\0\0"
        bench.engine.forget_code()
        chip.program_counter = chip.flash_words - 1
        top = chip.stack_pointer
        bench.requester.ask(4, chip.cycle + 1)
        assert bench.engine.run(FAR, entries={4}) is Stop.AT_ENTRY
        assert chip.data[top] | chip.data[top - 1] << 8 == 0
        assert bench.engine.run(FAR, exits={1}) is Stop.AT_EXIT
        assert bench.cycle == 1 + bench.response + 2 + 4 + 1
