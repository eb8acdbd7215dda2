"""What the cycles of a call include.

Expected figures are sums of the AVR Instruction Set Manual's (DS40002198 sec. 5, AVRe): NOP, LDI, POP … as in the
comments, RET and RETI 4 with a 16-bit program counter and 5 with one of 22 bits, RCALL 3 and 4, CALL 4 and 5, JMP 3,
RJMP 2, PUSH and POP 2, a branch 1 or, taken, 2.
"""

from collections.abc import Callable

import pytest

import cyclerule as cr


@pytest.mark.parametrize(
    ("name", "cycles"),
    [
        ("straight", 1 + 1 + 4),  # NOP, NOP, RET
        ("only_near", 4),  # RET
        ("calls_near", 3 + 4 + 4),  # RCALL, the other's RET, RET
        ("calls_far", 4 + 6 + 4),  # CALL, straight, RET
    ],
)
def test_cycles_run_from_the_first_instruction_to_the_return_included(
    apiary: cr.Firmware, name: str, cycles: int
) -> None:
    """RET is inside, the caller's call instruction is not."""
    assert apiary.call(name).cycles == cycles


@pytest.mark.parametrize(
    ("name", "cycles"),
    [
        ("tail_jump", 1 + 2 + 6),  # NOP, RJMP, straight
        ("tail_far", 3 + 6),  # JMP, straight
        ("shared_first", 2 + 1 + 2 + 2 + 4),  # PUSH, LDI, RJMP into the other's end: POP, RET
        ("shared_second", 2 + 1 + 1 + 2 + 4),  # PUSH, LDI, NOP, POP, RET
    ],
)
def test_tail_calls_and_shared_tails_belong_to_the_function(apiary: cr.Firmware, name: str, cycles: int) -> None:
    """A call ends where control is back at the caller, wherever the RET stands that brings it there."""
    assert apiary.call(name).cycles == cycles


@pytest.mark.parametrize("depth", [0, 1, 5, 40])
def test_a_recursive_call_ends_with_its_outermost_return(apiary: cr.Firmware, depth: int) -> None:
    """TST 1, BREQ 1, DEC 1, RCALL 3 and RET 4 a level, and TST 1, BREQ 2 and RET 4 at the last."""
    call = apiary.call("counts_down", depth)
    assert call.cycles == 10 * depth + 7
    assert call.instructions == 5 * depth + 3
    assert call.stack_bytes == 2 * (depth + 1)


@pytest.mark.parametrize(
    ("part", "straight", "recursion", "call"),
    [
        ("attiny85", 6, 10 * 3 + 7, 3),  # no CALL: RCALL
        ("at90s8515", 6, 10 * 3 + 7, 3),
        ("atmega8", 6, 10 * 3 + 7, 3),
        ("atmega328p", 6, 10 * 3 + 7, 4),
        ("atmega2560", 7, 12 * 3 + 8, 5),  # 22-bit program counter: RET 5, RCALL 4, CALL 5
    ],
)
def test_calls_and_returns_take_what_the_part_takes(
    edges_on: Callable[[str], cr.Firmware], part: str, straight: int, recursion: int, call: int
) -> None:
    """Without a caller in the program its call would be CALL where the family has it, else RCALL."""
    firmware = edges_on(part)
    assert firmware.call("straight").cycles == straight
    assert firmware.call("straight").cycles_with_call == straight + call
    assert firmware.call("counts_down", 3).cycles == recursion


def test_cycles_with_call_add_the_call_instruction_of_the_linked_caller(apiary: cr.Firmware) -> None:
    """`only_near` is called by RCALL (3) and `straight` by CALL (4); what nothing calls counts as by CALL."""
    assert apiary.call("only_near").cycles_with_call == 4 + 3
    assert apiary.call("straight").cycles_with_call == 6 + 4
    assert apiary.call("tail_jump").cycles_with_call == 9 + 4


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("straight", ()),
        ("tail_far", ()),
        ("shared_second", ()),
        ("counts_down", (7,)),
        ("crc8_step", (0x31, 0x5A)),
        ("mean_weight", (40_000, 7)),
        ("tail_weight", (1234,)),
        ("recovers", (5,)),
        ("sorted_middle", ()),
    ],
)
def test_a_program_that_times_itself_with_the_timer_gets_cycles_with_call(
    apiary: cr.Firmware, name: str, values: tuple[object, ...]
) -> None:
    """TCNT1 at clock/1, read before and after a CALL, counts the call and 4 cycles of two LDS (see timed.S)."""
    # r25:r24 hold the timed function's own result when the second reading is made, so it comes back as an integer.
    timed = apiary.call(f"timed_{name}", *values, before=["start_timer"])
    assert timed.returned == apiary.call(name, *values).cycles + 4 + 4


def test_a_handler_is_measured_to_the_end_of_its_reti(apiary: cr.Firmware) -> None:
    """As a vector or a link symbol; PUSH r1, r0, IN, PUSH, CLR, PUSH r24, LDS, SUBI, STS, and all back, RETI."""
    call = apiary.call("TIMER1_COMPA")
    assert call.cycles == 4 * 2 + 1 + 1 + (2 + 1 + 2) + 4 * 2 + 1 + 4
    assert call.stack_bytes == 2 + 4
    for name in ("__vector_11", "TIMER1_COMPA_vect"):
        assert apiary.call(name).cycles == call.cycles


def test_handlers_count_in_cycles_and_not_in_own_cycles(apiary: cr.Firmware) -> None:
    """Every 500 cycles a handler takes 4 of response (DS40002061A sec. 7.7.1), JMP 3 and its body, RETI included."""
    alone = apiary.call("busy", 1000, before=["start_ticking"])
    together = apiary.call("busy", 1000, before=["start_ticking"], interrupts=True)
    handler = 4 + 3 + apiary.call("TIMER1_COMPA").cycles
    assert isinstance(together.returned, int)
    assert together.returned == together.cycles // 500 > 0
    assert together.own_cycles == alone.own_cycles == alone.cycles
    assert together.cycles == alone.cycles + together.returned * handler
    assert [each.vector for each in together.handlers] == [apiary.part.vectors["TIMER1_COMPA"]] * together.returned


def test_interrupts_are_off_during_a_call_even_if_the_function_turns_them_on(apiary: cr.Firmware) -> None:
    """With the handler's request pending, SEI; RET takes 1 + 4 cycles and nothing else runs."""
    call = apiary.call("enable", before=["start_ticking", ("busy", 1000)])
    assert (call.cycles, call.own_cycles, call.handlers) == (5, 5, [])


def test_a_return_by_longjmp_inside_the_call_is_a_return(apiary: cr.Firmware) -> None:
    """The functions setjmp and longjmp stay within the call; the program's own timer confirms the cycles above."""
    assert apiary.call("recovers", 9).returned == 9
    assert apiary.call("recovers", 0).returned == 0


def test_stack_bytes_are_the_deepest_use_with_the_return_address(apiary: cr.Firmware) -> None:
    """A leaf uses its return address alone, PUSH adds one; stack arguments and buffers are the caller's."""
    assert apiary.call("straight").stack_bytes == 2
    assert apiary.call("shared_first").stack_bytes == 3
    assert apiary.call("calls_far").stack_bytes == 4
    assert apiary.call("flash_at", cr.flash(b"abc"), 1).stack_bytes == 2


def test_io_writes_count_from_the_first_instruction_to_the_end_of_the_writing_one(apiary: cr.Firmware) -> None:
    """SBI 2, NOP 1, LDI 1, OUT 1: the pin at 2, the direction register at 5; a bit is shown in its whole byte."""
    call = apiary.call("sets_port_pin_and_count", before=["start_timer"])
    assert call.io == [(2, "PORTB", 0x08), (5, "DDRB", 0x21)]
    assert call.io[0].register == "PORTB"


def test_seconds_come_from_the_clock_and_are_none_without_one(
    apiary: cr.Firmware, edges_on: Callable[[str], cr.Firmware]
) -> None:
    """6 cycles at 16 MHz are 375 ns."""
    assert apiary.call("straight").seconds == 6 / 16_000_000
    assert edges_on("atmega328p").call("straight").seconds is None


def test_break_is_an_instruction_like_others_in_a_call(apiary: cr.Firmware) -> None:
    """BREAK takes 1 cycle and does nothing without a debugger (DS40002198, BREAK): NOP, BREAK, RET."""
    assert apiary.call("stops_at_break").cycles == 1 + 1 + 4


def test_what_was_measured_is_said_with_every_result(apiary: cr.Firmware) -> None:
    """Compiler, flags, image and its hash, part, clock and starting state."""
    measured = apiary.call("now", before=["start_timer"]).measured
    assert (measured.function, measured.part, measured.clock) == ("now", "atmega328p", 16_000_000)
    assert measured.image == "as built"
    assert measured.image_sha256 == apiary.image.sha256
    assert measured.compiler is not None
    assert measured.compiler.startswith("avr-gcc")
    assert "-Os" in measured.flags
    assert measured.start == "at the entry of main, after start_timer"
