"""The first line answers in words; each case is written out, so that one reads what a user reads."""

from dataclasses import replace

import pytest

from cyclerule.measure.results import Held, Warned
from cyclerule.report.sentence import sentence
from cyclerule.report.timing import view_time
from tests.report.handmade import FORAGE, MEASURED, at_clock, forage_cycles, made_call, made_sweep

MODE, PINB = Held("mode", 0), Held("PINB", 0)


def test_a_range_is_said_with_its_time_and_its_call() -> None:
    """41 and 49 cycles are 2.5625 and 3.0625 µs at 16 MHz: said with two decimals."""
    sweep = made_sweep({"bees": [0, 1]}, lambda bees: 41 + 8 * bees)
    assert sentence(view_time(sweep, covers_every_input=True)) == (
        "forage: 41 to 49 cycles, 2.56 to 3.06 µs at 16 MHz; 45 to 53 with its call; for every input (2)"
    )


def test_some_inputs_are_not_said_to_be_all() -> None:
    """A part of the domain is named as one would type it."""
    assert sentence(view_time(made_sweep(FORAGE, forage_cycles))) == (
        "forage: 1,041 to 3,048 cycles, 65.06 to 190.50 µs at 16 MHz; 1,045 to 3,052 with its call; "
        "for the 6 inputs bees=0..2 wind=0,7"
    )


def test_a_count_that_never_changes_is_said_to_be_the_same() -> None:
    """One figure, and for which inputs."""
    sweep = made_sweep({"bees": range(256)}, lambda bees: 16)
    assert sentence(view_time(sweep, covers_every_input=True)) == (
        "forage: 16 cycles, 1.00 µs at 16 MHz; 20 with its call; the same for every input (256)"
    )


def test_one_input_is_written_like_a_call_with_what_it_returns() -> None:
    """The input stands in the parentheses, and what was held behind it."""
    call = made_call({"bees": 3, "wind": 9}, 1, returned=-7, held=[MODE], call_cycles=3)
    assert sentence(view_time(call)) == (
        "forage(bees = 3, wind = 9): 1 cycle, 0.06 µs at 16 MHz; 4 with its call; returns -7; with mode = 0"
    )


def test_without_a_clock_there_are_cycles_only() -> None:
    """No clock is assumed."""
    call = made_call({}, 1_234_567, measured=at_clock(None))
    assert sentence(view_time(call)) == "forage: 1,234,567 cycles; 1,234,571 with its call"


def test_every_input_is_qualified_by_what_was_held() -> None:
    """A statement about every input names what it rests on; registers in hexadecimal."""
    sweep = made_sweep({"bees": range(2)}, lambda bees: 9, held=[MODE, PINB])
    view = view_time(sweep, covers_every_input=True, registers=frozenset({"PINB"}))
    assert sentence(view).endswith("the same for every input (2), with mode = 0, PINB = 0x00")


def test_many_held_values_are_counted_and_not_all_named() -> None:
    """The sentence stays one; the rest is shown below it."""
    call = made_call({}, 9, held=[Held(f"cell{n}", n) for n in range(7)])
    assert sentence(view_time(call)).endswith("; with cell0 = 0, cell1 = 1, cell2 = 2, cell3 = 3, and 3 more")


def test_a_kept_copy_is_said_to_be_one() -> None:
    """What was measured is not the program's own build."""
    call = made_call({}, 9, measured=replace(MEASURED, image="kept copy"))
    assert sentence(view_time(call)).endswith("; measured in a kept copy")


def test_warnings_are_pointed_at() -> None:
    """A figure that rests on what the model lacks is not said without that."""
    warnings = [Warned("hive.c:3", "TCNT0 is not modelled"), Warned("hive.c:4", "ADCSRA is not modelled")]
    assert sentence(view_time(made_call({}, 9, warnings=warnings))).endswith("; 2 warnings below")


def test_handlers_that_ran_inside_are_told_apart() -> None:
    """Cycles include them (the definition of cycles); how many is said."""
    text = sentence(view_time(made_call({}, 1200, handler_cycles=104)))
    assert "1,200 cycles" in text
    assert "; of which 104 in interrupt handlers" in text


def test_a_handler_has_no_call() -> None:
    """An interrupt is taken by the hardware: there is no call instruction to add."""
    assert "call" not in sentence(view_time(made_call({}, 28), is_handler=True))


@pytest.mark.parametrize("covers_every_input", [False, True])
def test_a_single_input_is_never_called_every_input(*, covers_every_input: bool) -> None:
    """A sweep of one input covers one, whatever its domain."""
    sweep = made_sweep({"bees": [3]}, lambda bees: 9)
    assert "every" not in sentence(view_time(sweep, covers_every_input=covers_every_input))
