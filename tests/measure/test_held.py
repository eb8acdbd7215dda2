"""What a call depended on besides its arguments is listed as held, with its value, and nothing else is."""

import pytest

import cyclerule as cr


def test_globals_statics_and_pins_that_were_read_are_held(apiary: cr.Firmware) -> None:
    """`weigh` reads a static, a global and the pins of port B; the starting values are 500, 3 and nothing driven."""
    held = apiary.call("weigh", 7).held
    assert sorted(held) == [("PINB", 0), ("mode", 3), ("weight", 500)]
    assert (held[0].name, held[0].value) == ("PINB", 0)


def test_the_value_is_the_one_before_the_call(apiary: cr.Firmware) -> None:
    """`add_weight` reads `weight`, adds to it and reads it again: held is what it began with."""
    assert apiary.call("add_weight", 9).held == [("weight", 500)]
    assert apiary.call("add_weight", 9, globals={"weight": 77}).held == [("weight", 77)]
    assert apiary.call("add_weight", 9, before=[("add_weight", 1)]).held == [("weight", 501)]


def test_what_is_written_before_it_is_read_is_not_held(apiary: cr.Firmware) -> None:
    """`set_then_weigh` sets `mode` first; `recovers` reads only what it put there."""
    assert apiary.call("set_then_weigh", 7).held == []


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("crc8_step", (1, 2)),  # arguments in registers
        ("flash_at", (cr.flash(b"abc"), 1)),  # an argument's data in flash
        ("weight_of", (3,)),  # a constant table in RAM
        ("in_flash", (3,)),  # one in flash
        ("letter", (4,)),  # a string the compiler put into RAM without a name
        ("deep", (5,)),  # local variables
        ("mean_weight", (1000, 3)),  # the floating-point library
    ],
)
def test_arguments_constants_and_the_own_stack_are_not_held(
    apiary: cr.Firmware, name: str, values: tuple[object, ...]
) -> None:
    """None of these changes what the call does for the same input."""
    assert apiary.call(name, *values).held == []


def test_statics_of_one_name_are_held_apart(apiary: cr.Firmware) -> None:
    """Two functions each have a static `calls`; the name held is the one that `globals` takes."""
    assert apiary.call("count_hive").held == [("count_hive.calls", 0)]
    assert apiary.call("count_other").held == [("count_other.calls", 100)]
    assert apiary.call("count_hive", globals={"count_hive.calls": 5}).held == [("count_hive.calls", 5)]


def test_what_an_argument_points_to_in_the_program_is_held(apiary: cr.Firmware) -> None:
    """The address is the argument, the variable is not; an array is held whole."""
    assert apiary.call("first_of_log", globals={"log_room": b"\x09"}).held == [("log_room", b"\x09" + bytes(63))]
    pointed = apiary.call("label_letter", 0, globals={"label": cr.address("mode")}).held
    assert sorted(pointed) == [("label", apiary.image.symbol("mode").address), ("mode", 3)]


def test_memory_without_a_name_is_held_by_its_address(apiary: cr.Firmware) -> None:
    """The heap, buffers of earlier calls and RAM that nothing owns."""
    heap = apiary.call("from_heap", before=[("on_heap", 7)])
    assert heap.returned == 7
    assert [value for name, value in heap.held if name.startswith("RAM at 0x")] == [7]
    assert apiary.call("untouched_ram").held == [("RAM at 0x0700", 0)]


def test_a_running_timer_is_held(apiary: cr.Firmware) -> None:
    """TCNT1 read 5 cycles after it was started."""
    assert apiary.call("now", before=["start_timer"]).held == [("TCNT1L", 5), ("TCNT1H", 0)]


def test_a_register_is_held_when_it_is_read_and_not_when_it_is_saved(apiary: cr.Firmware) -> None:
    """`reads_r5` uses r5, which no argument is in, and only saves r6; compiled code saves what it has to keep."""
    assert apiary.call("reads_r5").held == [("r5", 0)]
    assert apiary.call("sorted_middle").held == [("compare_calls", 0)]


@pytest.mark.parametrize("engine", ["reference", "scalar"])
def test_a_sweep_holds_what_any_of_its_rows_read(apiary: cr.Firmware, engine: str) -> None:
    """Both engines name the same, whether a row at a time or in batches of compiled code."""
    sweep = apiary.sweep("weigh", count=range(40), engine=engine)
    assert sorted(sweep.held) == [("PINB", 0), ("mode", 3), ("weight", 500)]
    assert sweep.measured.engine == engine
    assert apiary.sweep("deep", n=range(12), engine=engine).held == []
    assert apiary.sweep("crc8_step", crc=range(20), byte=range(20), engine=engine).held == []
