"""Calls that do not come back: RunawayError says where it was, what it waits for and why that does not come."""

from pathlib import Path

import pytest

import cyclerule as cr

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])


def line_of(text: str) -> int:
    """Gives the number of the first line of the program with a text."""
    lines = (PROGRAMS / "apiary.c").read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if text in line)


def words(firmware: cr.Firmware, name: str, *values: object, **settings: object) -> str:
    """Gives the words with which a call is given up; status 4, undecided."""
    with pytest.raises(cr.RunawayError) as error:
        firmware.call(name, *values, **settings)  # type: ignore[arg-type]
    assert error.value.exit_status == 4
    assert error.value.place
    assert error.value.place in str(error.value)
    return str(error.value)


@BOTH
def test_a_jump_to_itself_is_told_at_once(apiary: cr.Firmware, engine: str) -> None:
    """Nothing can change it: no cycle limit is waited for."""
    text = words(apiary, "spins", engine=engine)
    line = line_of("void spins")
    assert f"spins never returns: it goes round in {PROGRAMS / 'apiary.c'}:{line} (at " in text
    assert f"apiary.c:{line} in spins, cycle " in text


@BOTH
def test_waiting_for_a_handler_names_vector_variable_and_that_interrupts_are_off(
    apiary: cr.Firmware, engine: str
) -> None:
    """The loop reads `ticks`, which the handler of TIMER1_COMPA stores."""
    text = words(apiary, "waits_for_tick", engine=engine)
    line = line_of("void waits_for_tick")
    assert (
        f"it goes round in {PROGRAMS / 'apiary.c'}:{line}; waits for TIMER1_COMPA, which changes ticks; "
        "interrupts are off (interrupts=True or --interrupts turns them on)"
    ) in text


def test_with_interrupts_on_the_same_call_comes_back(apiary: cr.Firmware) -> None:
    """What the message says to try works: once the timer runs, the tick comes within 500 cycles and a handler."""
    call = apiary.call("waits_for_tick", before=["start_ticking"], interrupts=True)
    assert call.cycles < 600
    assert len(call.handlers) == 1
    still = words(apiary, "waits_for_tick", interrupts=True, max_cycles=500_000)
    assert "waits for TIMER1_COMPA, which changes ticks; nothing has set that up: run first what does" in still
    assert "interrupts are off" not in still


@BOTH
def test_a_loop_that_counts_while_it_waits_is_told_at_the_limit(apiary: cr.Firmware, engine: str) -> None:
    """Its state never repeats, so nothing is certain; the handler stores through a function of its own."""
    text = words(apiary, "waits_and_counts", engine=engine, max_cycles=500_000)
    assert "waits_and_counts is not back after 500,000 cycles; it was going round in " in text
    assert "; waits for TIMER1_OVF, which changes late_ticks; interrupts are off" in text
    assert "; max_cycles allows more (at " in text


@BOTH
@pytest.mark.parametrize(
    ("name", "waits"),
    [
        ("waits_for_pin", "; waits for PINB to change"),
        ("waits_for_overflow", "; waits for TIFR1 to change"),
        ("waits_for_nothing", "; waits for reserved I/O address 0xe0 (a register that is not modelled) to change"),
    ],
)
def test_waiting_for_a_device_names_the_register(apiary: cr.Firmware, engine: str, name: str, waits: str) -> None:
    """And says so where the model does not have the device at all."""
    assert waits in words(apiary, name, engine=engine)


@BOTH
def test_a_device_that_may_yet_answer_is_waited_for(apiary: cr.Firmware, engine: str) -> None:
    """The running timer overflows after 65,536 cycles; with the slowest clock the limit comes before."""
    call = apiary.call("waits_for_overflow", before=["start_timer"], engine=engine)
    assert 65_536 - 4 <= call.cycles <= 65_536 + 8
    text = words(apiary, "waits_for_overflow", before=["start_slow_timer"], engine=engine, max_cycles=450_000)
    assert "is not back after 450,000 cycles; it was going round in " in text
    assert ", which reads TIFR1; max_cycles allows more" in text


@BOTH
def test_sleep_that_nothing_ends_is_told_at_the_sleep(apiary: cr.Firmware, engine: str) -> None:
    """The place is that of SLEEP, not of what would come after it."""
    text = words(apiary, "sleeps", engine=engine)
    assert "sleeps never returns: it goes to sleep; interrupts are off" in text
    assert f"apiary.c:{line_of('void sleeps')} in sleeps" in text


@BOTH
@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("gives_up", "does not return: it ended the program through exit"),
        ("jumps_to_null", "never returns: it came to the reset vector, where the program starts anew"),
        ("escapes", "never returns: it came to the reset vector, where the program starts anew"),
        ("leaves_past_caller", "never returns: the stack pointer is above the caller's, so it left past its caller"),
        ("keeps_a_byte", "does not return to its caller: it left 1 byte on the stack"),
    ],
)
def test_leaving_elsewhere_than_to_the_caller_is_told(apiary: cr.Firmware, engine: str, name: str, why: str) -> None:
    """Exit, a null pointer, a longjmp nobody waits for, and returns with another stack pointer."""
    text = words(apiary, name, engine=engine)
    assert text.startswith(f"{name} {why}")


@BOTH
def test_a_longjmp_past_the_caller_is_told(apiary: cr.Firmware, engine: str) -> None:
    """The buffer leads to a loop with the stack pointer above the caller's, as if main had called setjmp there."""
    target = apiary.functions["spins"].address
    assert target is not None
    stack_pointer, word = apiary.part.ram_end.to_bytes(2, "little"), (target // 2).to_bytes(2, "little")
    text = words(apiary, "escapes", globals={"rescue": bytes(18) + stack_pointer + b"\0" + word}, engine=engine)
    assert text.startswith("escapes never returns: the stack pointer is above the caller's, so it left past its caller")


def test_a_limit_is_for_one_call(apiary: cr.Firmware) -> None:
    """A long function fits a limit of its own length and none below."""
    cycles = apiary.call("busy", 2000).cycles
    assert apiary.call("busy", 2000, max_cycles=cycles + 4).cycles == cycles
    assert "is not back after 5,000 cycles" in words(apiary, "busy", 2000, max_cycles=5000)


def test_a_function_run_before_is_named_when_it_is_the_one(apiary: cr.Firmware) -> None:
    """The call itself has not begun."""
    assert words(apiary, "now", before=["spins"]).startswith("spins never returns")


@BOTH
def test_main_that_loops_for_ever_is_a_call_that_does_not_return(apiary: cr.Firmware, engine: str) -> None:
    """It can be asked for like any function."""
    assert words(apiary, "main", engine=engine).startswith("main never returns: it goes round in ")
