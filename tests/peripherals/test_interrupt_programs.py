"""Interrupt rules as programs show them: nesting, and the one instruction after I is set; DS40002061A sec. 7.7."""

from tests.peripherals.test_programs import BOTH, program


@BOTH
def test_a_handler_that_lets_others_in_is_interrupted_by_them(engine: str) -> None:
    """ISR_NOBLOCK begins with SEI: a match each 100 cycles comes several times into a handler of over 400."""
    run = program("nested.c").run(until="cycles:200000", watch=["GPIOR0", "GPIOR1", "GPIOR2"], engine=engine)
    depths = [each.value for each in run.watched["GPIOR1"]]
    assert set(depths) == {1, 2}
    slow, quick = run.handlers["TIMER1_COMPA"], run.handlers["TIMER0_COMPA"]
    assert slow.count in (99, 100)
    # Each match is served: with I set all the time but in handlers and the short atomic block, none waits 100 cycles.
    assert abs(quick.count - 1999) <= 1
    assert slow.minimum > 400 + 3 * quick.minimum


def test_both_engines_agree_on_nested_handlers() -> None:
    """To the cycle, in every write and in the times of the handlers."""
    firmware = program("nested.c")
    one, other = (
        firmware.run(until="cycles:200000", watch=["GPIOR0", "GPIOR1", "GPIOR2"], engine=engine)
        for engine in ("reference", "scalar")
    )
    assert one.watched == other.watched
    assert one.handlers == other.handlers


@BOTH
def test_one_instruction_runs_after_sei_out_and_reti_before_the_handler(engine: str) -> None:
    """SEI: DS40002198 sec. 6.104.1; RETI: DS40002061A sec. 7.7; OUT SREG: common belief, no source."""
    run = program("shadows.c").run(until="cycles:3000", watch=["GPIOR0", "GPIOR2"], engine=engine)
    assert [each.value for each in run.watched["GPIOR0"]] == [0x11, 0x12, 0x13]
    assert [each.value for each in run.watched["GPIOR2"]] == [0x21, 0x22, 0x23]
    assert run.stopped == "halted"
