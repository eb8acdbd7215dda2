"""What the chip cannot do is a FaultError with its place; what the model lacks is a warning with its place."""

from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.errors import NotModelled, UnknownInstruction

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar", "auto"])


def line_of(program: str, text: str) -> int:
    """Gives the number of the first line of a program with a text."""
    lines = (PROGRAMS / program).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if text in line)


def fault(firmware: cr.Firmware, name: str, *values: object, **settings: object) -> cr.FaultError:
    """Gives the fault of a call; status 4, undecided."""
    with pytest.raises(cr.FaultError) as error:
        firmware.call(name, *values, **settings)  # type: ignore[arg-type]
    assert error.value.exit_status == 4
    return error.value


@BOTH
def test_a_word_that_is_no_instruction_is_told_with_its_address(apiary: cr.Firmware, engine: str) -> None:
    """Erased flash reads 0xFFFF, which no instruction is (DS40002198: SBRS has bit 3 clear)."""
    error = fault(apiary, "jumps_into_erased_flash", engine=engine)
    assert isinstance(error, UnknownInstruction)
    assert str(error).startswith(
        "word 0xffff at 0x1800 is no AVRe+ instruction of atmega328p; was flash past the program executed? (at 0x1800"
    )
    assert error.address == 0x1800


@BOTH
def test_a_store_beyond_ram_is_told_with_file_and_line(apiary: cr.Firmware, engine: str) -> None:
    """The ATmega328P has RAM up to 0x08FF."""
    error = fault(apiary, "stores_beyond_ram", engine=engine)
    line = line_of("edges.S", "sts RAMEND + 1")
    assert str(error) == (
        f"store to 0x0900, but atmega328p has memory up to 0x08ff only (at {PROGRAMS / 'edges.S'}:{line} in "
        "stores_beyond_ram, cycle 1 of stores_beyond_ram)"
    )
    assert error.place == f"{PROGRAMS / 'edges.S'}:{line} in stores_beyond_ram"
    assert error.address == (apiary.functions["stores_beyond_ram"].address or 0) + 2
    assert error.cycle > 0


@BOTH
def test_a_stack_that_grows_into_data_is_told_where_it_does(apiary: cr.Firmware, engine: str) -> None:
    """Recursion with 64 bytes a level in 2 KB of RAM."""
    error = fault(apiary, "deep", 60, engine=engine)
    assert str(error).startswith("the stack has grown down to 0x0")
    assert f", into the program's data, which end below 0x{apiary.image.data_end or 0:04x} (at " in str(error)
    assert f"apiary.c:{line_of('apiary.c', 'int deep(')} in deep" in error.place


@BOTH
def test_local_variables_that_reach_into_data_are_told_too(apiary: cr.Firmware, engine: str) -> None:
    """1970 bytes fit the RAM but not beside the program's data; nothing is pushed down there."""
    error = fault(apiary, "wide_frame", 3, engine=engine)
    assert str(error).startswith("the stack of wide_frame reaches down to 0x0")
    assert f"apiary.c:{line_of('apiary.c', 'uint8_t wide_frame(')} in wide_frame" in error.place
    with pytest.raises(cr.FaultError, match=r"the stack of wide_frame reaches.*with n = 7$"):
        apiary.sweep("wide_frame", n=[7, 8], engine=engine)


@BOTH
def test_a_device_refuses_what_it_cannot_count_with_file_and_line(apiary: cr.Firmware, engine: str) -> None:
    """TCNT1 in the waveform mode that the datasheet reserves, rather than a wrong count."""
    error = fault(apiary, "reads_wave", engine=engine)
    assert isinstance(error, NotModelled)
    assert str(error).startswith("TCNT1 is read, but waveform mode 13 of this timer is not modelled (at ")
    assert f"apiary.c:{line_of('apiary.c', 'uint8_t reads_wave(')} in reads_wave" in error.place
    assert error.address > 0


@BOTH
def test_touching_a_register_that_is_not_modelled_is_told_with_name_and_line(apiary: cr.Firmware, engine: str) -> None:
    """A figure that rests on it is not given silently."""
    written = apiary.call("touches_absent", engine=engine).warnings
    place = f"{PROGRAMS / 'apiary.c'}:{line_of('apiary.c', 'void touches_absent')} in touches_absent"
    text = "reserved I/O address 0xe0 is not modelled: 0x40 was written to it and nothing else happens"
    assert [str(each) for each in written] == [f"{place}: warning: {text}"]
    read = apiary.call("reads_absent", engine=engine).warnings
    assert [each.text for each in read] == [
        f"{name} is not modelled: it reads as what was last written to it, here 0x00"
        for name in ("reserved I/O address 0xe0", "reserved I/O address 0xe1")
    ]
    assert all(f"apiary.c:{line_of('apiary.c', 'uint16_t reads_absent')} in" in each.place for each in read)


@BOTH
def test_a_warning_does_not_leak_into_the_next_call(apiary: cr.Firmware, engine: str) -> None:
    """It is there each time for the call that earns it, for `before` too, and for no other."""
    for _ in range(2):
        assert len(apiary.call("touches_absent", engine=engine).warnings) == 1
        assert apiary.call("straight", engine=engine).warnings == []
    assert len(apiary.call("straight", before=["touches_absent"], engine=engine).warnings) == 1
    assert apiary.sweep("crc8_step", crc=[1], byte=range(3), engine=engine).warnings == []
    sweep = apiary.sweep("touches_if", n=range(6), engine=engine)
    assert [each.text.split(" is ")[0] for each in sweep.warnings] == ["reserved I/O address 0xe0"]
    assert apiary.sweep("touches_if", n=range(3), engine=engine).warnings == []


def test_a_function_of_a_run_warns_once_a_register(apiary: cr.Firmware) -> None:
    """`touches_if` writes it in three of six rows: one warning."""
    assert len(apiary.sweep("touches_if", n=range(6)).warnings) == 1


@pytest.mark.parametrize(
    ("name", "values", "text"),
    [
        ("crc8_stp", (1, 2), "no function 'crc8_stp'; nearest: crc8_step"),
        ("CRC8_STEP", (1, 2), "no function 'CRC8_STEP'; nearest: crc8_step"),
        ("crc8_step", (1,), "crc8_step takes 2 arguments (uint8_t crc, uint8_t byte); 1 given"),
        ("crc8_step", (1, 2, 3), "crc8_step takes 2 arguments (uint8_t crc, uint8_t byte); 3 given"),
        ("crc8_step", (1, 256), "parameter 'byte' (uint8_t) takes 0 to 255; 256 given"),
        ("crc8_step", (-1, 2), "parameter 'crc' (uint8_t) takes 0 to 255; -1 given"),
        ("crc8_step", (1, "ab"), "parameter 'byte' (uint8_t) takes a whole number"),
        ("crc8_step", (1, 2.5), "parameter 'byte' (uint8_t) takes a whole number from 0 to 255; 2.5 given"),
        ("mean_weight", (1, None), "parameter 'count' (uint8_t) takes a whole number"),
        ("flash_at", (cr.address("nowhere"), 1), "no symbol 'nowhere'"),
        (
            "keep_label",
            (cr.out(2100),),
            "buffers and stack arguments take 2100 bytes and the return address 2; the stack",
        ),
        ("flash_at", (cr.flash(bytes(40_000)), 1), "bytes do not fit into program memory"),
        ("timed_sorted", (), "no function 'timed_sorted'; nearest: timed_sorted_middle"),
        (
            "longjmp",
            (1, 2),
            "longjmp has no debug information that tells its parameters; declare it first, for example",
        ),
    ],
)
def test_a_call_that_does_not_fit_says_what_would(
    apiary: cr.Firmware, name: str, values: tuple[object, ...], text: str
) -> None:
    """The nearest names, the parameters with their types, the range that a value has."""
    with pytest.raises(cr.CycleruleError) as error:
        apiary.call(name, *values)
    assert text in str(error.value)
    assert error.value.exit_status == 2
