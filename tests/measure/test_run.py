"""The whole program from reset: where it stops, the calls that were followed, registers that were watched."""

from itertools import pairwise
from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.measure.results import CallStats

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])
FOLLOWED = ("square", "next_square", "bees_below", "refuse", "wait_for_tick", "send", "main", "TIMER1_OVF")


def stops(how: str, part: str = "atmega328p") -> cr.Firmware:
    """Builds a program that stops in a way."""
    return cr.build([PROGRAMS / "stops.c"], part=part, defines={f"STOP_{how}": "1"})


def line_of(program: str, text: str) -> int:
    """Gives the number of the first line with a text."""
    lines = (PROGRAMS / program).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if text in line)


@BOTH
def test_calls_are_counted_and_timed_as_by_themselves(monitor: cr.Firmware, engine: str) -> None:
    """`square` is called three times directly and three times by a jump; its cycles are those of the call alone."""
    run = monitor.run(until="exit", calls=FOLLOWED, engine=engine)
    square, next_square = run.calls["square"], run.calls["next_square"]
    assert (square.count, next_square.count, run.calls["send"].count) == (6, 3, 4)
    for name in ("square", "next_square", "send"):
        each = run.calls[name]
        alone = monitor.call(name, 3).cycles
        assert (each.minimum, each.maximum, each.mean, each.total) == (alone, alone, alone, alone * each.count)


@BOTH
def test_a_tail_call_ends_both_functions_at_the_caller(monitor: cr.Firmware, engine: str) -> None:
    """`next_square` jumps to `square`, 4 cycles in (SUBI 1, JMP 3), and both are back at `main` in the same cycle."""
    run = monitor.run(until="exit", calls=["square", "next_square"], engine=engine)
    inner = {row.start_cycle: row for row in run.calls["square"].rows}
    for outer in run.calls["next_square"].rows:
        row = inner[outer.start_cycle + 1 + 3]
        assert row.start_cycle + row.cycles == outer.start_cycle + outer.cycles
        assert (row.caller, outer.caller) == ("main", "main")


@BOTH
def test_a_recursive_function_has_a_row_for_each_call(monitor: cr.Firmware, engine: str) -> None:
    """Two calls at each level: 2^(n+1) - 1 for n = 1, 2, 3; the outer ones are called by main."""
    rows = monitor.run(until="exit", calls=["bees_below"], engine=engine).calls["bees_below"].rows
    outer = [row for row in rows if row.caller == "main"]
    assert [row.cycles for row in outer] == [monitor.call("bees_below", n).cycles for n in (1, 2, 3)]
    assert sum(row.caller == "bees_below" for row in rows) == len(rows) - 3
    # The compiler turned one of the two calls into a loop, so each level calls once for each level below it.
    assert len(rows) == sum(2**n for n in (1, 2, 3))


@BOTH
def test_rows_are_ordered_by_their_start(monitor: cr.Firmware, engine: str) -> None:
    """Inner calls end before outer ones and still come after them."""
    run = monitor.run(until="exit", calls=FOLLOWED, engine=engine)
    for stats in run.calls.values():
        starts = [row.start_cycle for row in stats.rows]
        assert starts == sorted(starts)
        assert isinstance(stats, CallStats)


@BOTH
def test_a_call_that_longjmp_left_is_none_that_returned(monitor: cr.Firmware, engine: str) -> None:
    """The second of three calls of `refuse` does not come back; the third is told apart from it."""
    rows = monitor.run(until="exit", calls=["refuse"], engine=engine).calls["refuse"].rows
    assert [row.cycles for row in rows] == [monitor.call("refuse", n).cycles for n in (1, 3)]


def test_calls_are_followed_with_a_return_address_of_three_bytes() -> None:
    """The ATmega2560 pushes one byte more; the same calls come back, the one that longjmp left does not."""
    large = cr.build([PROGRAMS / "monitor.c"], part="atmega2560")
    run = large.run(until="exit", calls=["square", "bees_below", "refuse", "TIMER1_OVF"])
    assert run.serial == b"123\n"
    assert (run.calls["square"].count, run.calls["bees_below"].count, run.calls["refuse"].count) == (6, 14, 2)
    assert run.calls["square"].maximum == large.call("square", 3).cycles
    assert run.calls["__vector_20"].count == run.handlers["TIMER1_OVF"].count == 3


@BOTH
def test_handlers_are_followed_to_their_reti_and_counted_by_vector(monitor: cr.Firmware, engine: str) -> None:
    """Three ticks: 4 cycles of response, JMP 3 and the body; as a call the body alone, named by its link symbol."""
    run = monitor.run(until="exit", calls=["TIMER1_OVF", "wait_for_tick"], engine=engine)
    body = monitor.call("TIMER1_OVF").cycles
    rows = run.calls["__vector_13"].rows
    assert [row.cycles for row in rows] == [body] * 3
    assert {row.caller for row in rows} == {"wait_for_tick"}
    assert set(run.handlers) == {"TIMER1_OVF"}
    handler = run.handlers["TIMER1_OVF"]
    assert (handler.count, handler.minimum, handler.maximum, handler.total) == (3, body + 7, body + 7, 3 * (body + 7))


@BOTH
def test_cycles_of_a_call_include_the_handlers_inside(monitor: cr.Firmware, engine: str) -> None:
    """Each wait ends with the tick of an overflow, 65,536 cycles after the one before."""
    run = monitor.run(until="exit", calls=["wait_for_tick", "TIMER1_OVF"], engine=engine)
    ticks = [row.start_cycle for row in run.calls["__vector_13"].rows]
    assert [later - earlier for earlier, later in pairwise(ticks)] == [65_536, 65_536]
    for wait, tick in zip(run.calls["wait_for_tick"].rows, ticks, strict=True):
        assert wait.start_cycle < tick < wait.start_cycle + wait.cycles


@BOTH
def test_what_is_followed_changes_nothing(monitor: cr.Firmware, engine: str) -> None:
    """Cycles, instructions, serial text and writes are the same with everything watched and with nothing."""
    quiet = monitor.run(until="exit", watch=["GPIOR0"], engine=engine)
    busy = monitor.run(until="exit", calls=FOLLOWED, watch=["GPIOR0", "UDR0", "TCNT1"], engine=engine)
    assert (busy.cycles, busy.instructions, busy.serial) == (quiet.cycles, quiet.instructions, quiet.serial)
    assert busy.watched["GPIOR0"] == quiet.watched["GPIOR0"]


@BOTH
def test_a_function_entered_right_behind_sei_keeps_its_first_instruction_undisturbed(engine: str) -> None:
    """The instruction after SEI runs before a pending interrupt (DS40002198 sec. 6.104.1), also where it is an entry.

    The handler copies GPIOR0 to GPIOR1: it sees the 1 that the function's first instruction puts there.
    """
    firmware = cr.build([PROGRAMS / "shadow.c"], part="atmega328p")
    alone = firmware.run(max_cycles=1000, watch=["GPIOR0", "GPIOR1"], engine=engine)
    followed = firmware.run(max_cycles=1000, watch=["GPIOR0", "GPIOR1"], calls=["fallen_into"], engine=engine)
    assert [write.value for write in alone.watched["GPIOR1"]] == [1]
    assert followed.watched == alone.watched
    assert followed.calls["fallen_into"].count == 1


def test_two_names_of_one_function_both_have_its_calls(monitor: cr.Firmware) -> None:
    """`also_square` is an alias of `square`; each name is a key."""
    run = monitor.run(until="exit", calls=["square", "also_square"])
    assert run.calls["also_square"] == run.calls["square"]
    assert run.calls["square"].count == 6


def test_a_function_that_was_not_called_has_no_rows(monitor: cr.Firmware) -> None:
    """Before the first round nothing is sent."""
    stats = monitor.run(until="function:wait_for_tick", calls=["send"]).calls["send"]
    assert (stats.count, stats.rows, stats.minimum, stats.maximum, stats.mean, stats.total) == (0, (), 0, 0, 0.0, 0)


@BOTH
def test_watched_registers_list_their_writes_from_reset_on(monitor: cr.Firmware, engine: str) -> None:
    """The rounds, and the sum of squares and counted bees at the end; a 16-bit register is watched in both halves."""
    run = monitor.run(until="exit", watch=["GPIOR0", "UBRR0"], engine=engine)
    total = sum((n + 1) ** 2 + n**2 + 2**n - 1 for n in (1, 2, 3))
    assert [write.value for write in run.watched["GPIOR0"]] == [1, 2, 3, total]
    assert [(write.register, write.value) for write in run.watched["UBRR0"]] == [("UBRR0H", 0), ("UBRR0L", 8)]
    cycles = [write.cycle for write in run.watched["GPIOR0"]]
    assert cycles == sorted(cycles)
    assert 0 < cycles[0] < cycles[-1] < run.cycles


@BOTH
def test_serial_text_is_what_the_first_port_has_sent(monitor: cr.Firmware, engine: str) -> None:
    """The program waits for the end of its last frame."""
    run = monitor.run(until="exit", engine=engine)
    assert run.serial == b"123\n"
    assert run.seconds == run.cycles / 16_000_000


@BOTH
def test_a_run_ends_where_until_says(monitor: cr.Firmware, engine: str) -> None:
    """On entry of a function or a line, at a cycle, at a text, at the program's end."""
    function = monitor.run(until="function:bees_below", engine=engine)
    first = monitor.run(until="exit", calls=["bees_below"]).calls["bees_below"].rows[0]
    assert (function.cycles, function.stopped) == (first.start_cycle, "until")
    assert function.place.endswith(f"monitor.c:{line_of('monitor.c', 'bees_below(uint8_t') + 1} in bees_below")

    number = line_of("monitor.c", "sum += next_square(round)")
    line = monitor.run(until=f"line:monitor.c:{number}", engine=engine)
    assert line.stopped == "until"
    assert line.place.endswith(f"monitor.c:{number} in main")

    cycles = monitor.run(until="cycles:70_000", engine=engine)
    assert cycles.stopped == "until"
    assert 70_000 <= cycles.cycles < 70_000 + 4

    serial = monitor.run(until="serial:12", engine=engine)
    assert (serial.serial, serial.stopped) == (b"12", "until")

    end = monitor.run(until="exit", engine=engine)
    assert end.stopped == "until"
    assert end.place.endswith("in _exit")

    handler = monitor.run(until="function:TIMER1_OVF", engine=engine)
    assert handler.stopped == "until"


@BOTH
@pytest.mark.parametrize("part", ["at90s8515", "atmega328p", "atmega2560"])
def test_the_word_0x9598_is_a_break_on_every_family(engine: str, part: str) -> None:
    """The oldest family has no BREAK instruction; the word is one all the same. LDI, ten times NOP, SUBI, BRNE."""
    firmware = stops("AT_BREAK", part)
    run = firmware.run(until="break", engine=engine)
    assert run.stopped == "until"
    assert run.cycles == firmware.run(until="function:main").cycles + 1 + 10 * (1 + 1 + 2) - 1
    assert run.place.endswith(" in main")


@BOTH
def test_why_a_run_stopped_is_said(monitor: cr.Firmware, engine: str) -> None:
    """Asleep for ever and a jump to itself with no event to come are a halt, a store past RAM is a fault."""
    assert monitor.run(max_cycles=1000, engine=engine).stopped == "max_cycles"
    assert monitor.run(until="cycles:9000", max_cycles=1000, engine=engine).stopped == "max_cycles"
    for how in ("ASLEEP", "IN_LOOP", "AT_END"):
        run = stops(how).run(engine=engine)
        assert run.stopped == "halted"
        assert run.cycles < 1000
    run = stops("BY_FAULT").run(engine=engine)
    number = line_of("stops.c", "RAMEND + 1")
    assert run.stopped == "fault"
    assert run.fault is not None
    assert run.fault.startswith("store to 0x0900, but atmega328p has memory up to 0x08ff only (at ")
    assert run.place.endswith(f"stops.c:{number} in main")
    assert run.place in run.fault


def test_a_run_takes_one_second_unless_told_otherwise(apiary: cr.Firmware) -> None:
    """`apiary` starts no timer, so its endless loop is a halt before; `cycles:` extends the limit."""
    assert apiary.run().stopped == "halted"
    passes = cr.build([PROGRAMS / "passes.c"], part="atmega328p", clock="1 MHz")
    assert 1_000_000 <= passes.run().cycles < 1_000_000 + 4
    assert 2_000_000 <= passes.run(until="cycles:2_000_000").cycles < 2_000_000 + 4


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({"until": "end"}, "until='end' is not understood; the ends of a run are exit, break, cycles:N"),
        ({"until": "line:80"}, "until='line:80': write it as line:FILE:N, for example line:hive.c:41"),
        ({"until": "line:monitor.c:2"}, "no line with code 'monitor.c:2'; lines with code near it: "),
        ({"until": "line:other.c:2"}, "no line with code 'other.c:2'; no code is from other.c"),
        ({"until": "function:sqare"}, "no function 'sqare'; nearest: square"),
        ({"calls": ["sqare"]}, "no function 'sqare'; nearest: square"),
        ({"watch": ["GPIO0"]}, "no register 'GPIO0'; nearest: GPIOR0"),
        ({"max_cycles": -1}, "max_cycles=-1: give a number of cycles above 0, or leave it out for 16,000,000"),
        ({"engine": "quick"}, "engine 'quick' is not available"),
    ],
)
def test_a_run_that_cannot_begin_says_why(monitor: cr.Firmware, settings: dict[str, object], text: str) -> None:
    """What is wrong and what there is instead, with exit status 2."""
    with pytest.raises(cr.CycleruleError) as error:
        monitor.run(**settings)  # type: ignore[arg-type]
    assert text in str(error.value)
    assert error.value.exit_status == 2
