"""Variables, members, registers and pins that are set before a call or a row of a sweep."""

from pathlib import Path

import pytest

import cyclerule as cr
from tests.measure.arrays import listed

PROGRAM = Path(__file__).parent / "programs" / "starts.c"
ENGINES = ("reference", "scalar")


@pytest.fixture(scope="module")
def starts() -> cr.Firmware:
    """A program whose functions read what can be set."""
    return cr.build([PROGRAM], part="atmega328p", clock="16 MHz")


class TestVariables:
    def test_members_elements_and_bit_fields_are_set_alone(self, starts: cr.Firmware) -> None:
        """What the struct's other members hold stays: the arithmetic is that of the source."""
        assert starts.call("weigh", 10, globals={"cell.gain": 7}).returned == 10 * 7 - 5
        assert starts.call("weigh", 10, globals={"cell.offset": -300}).returned == 10 * 2 - 300
        assert starts.call("filtered", 1, globals={"cell.table[1]": 40_000}).returned == 40_000 + 1000 + 9
        assert starts.call("filtered", 0, globals={"cell.filter": 7}).returned == 100 + 7000 + 9
        assert starts.call("filtered", 0, globals={"cell.channel": 31}).returned == 100 + 1000 + 31
        assert starts.call("frame_byte", 2, globals={"frames[1][2]": 99}).returned == 99
        assert starts.call("grams", 4, globals={"factor": 0.25}).returned == 1.0
        assert starts.call("letter", 1, globals={"label": "queen"}).returned == ord("u")

    def test_a_static_of_a_file_has_its_file_before_or_behind_it(self, starts: cr.Firmware) -> None:
        """All three name the same variable."""
        for name in ("turns", "starts.c:turns", "turns@starts.c"):
            assert starts.call("turned", globals={name: 500}).returned == 501

    def test_several_values_are_inputs_that_vary_before_the_parameters(self, starts: cr.Firmware) -> None:
        """Rows are in the order of the settings, then of the parameters."""
        sweep = starts.sweep("weigh", raw=[1, 2], globals={"cell.gain": range(3), "cell.offset": [0, -1]})
        assert sweep.names == ("cell.gain", "cell.offset", "raw")
        expected = [raw * gain + offset for gain in range(3) for offset in (0, -1) for raw in (1, 2)]
        assert listed(sweep.returned) == expected
        assert sweep.row(3).arguments == {"cell.gain": 0, "cell.offset": -1, "raw": 2}
        assert sweep.settings == {}

    def test_one_value_is_no_input(self, starts: cr.Firmware) -> None:
        """It is told with the result, and what was read of it is held."""
        sweep = starts.sweep("weigh", raw=range(3), globals={"cell.gain": [9], "mode": 3})
        assert sweep.names == ("raw",)
        assert sweep.settings == {"cell.gain": 9, "mode": 3}
        call = starts.call("wait_by_mode", globals={"mode": 3})
        assert call.settings == {"mode": 3}
        assert call.held == [("mode", 3)]

    @pytest.mark.parametrize("engine", ENGINES)
    def test_each_row_is_what_a_call_with_that_setting_gives(self, starts: cr.Firmware, engine: str) -> None:
        """Cycles too; on the compiled engine the loop over inputs sets the variable."""
        sweep = starts.sweep("wait_by_mode", globals={"mode": range(256)}, engine=engine)
        assert sweep.count == 256
        assert listed(sweep.returned) == list(range(256))
        for mode in (0, 1, 7, 255):
            call = starts.call("wait_by_mode", before=[("set_mode", mode)])
            assert sweep.row(mode).cycles == call.cycles
        assert sweep.maximum.arguments == {"mode": 255}
        assert sweep.held == []

    @pytest.mark.parametrize("engine", ENGINES)
    def test_numbers_of_every_kind_go_through_the_loop_over_inputs(self, starts: cr.Firmware, engine: str) -> None:
        """Two bytes, signed; four bytes, floating point; a parameter beside them."""
        signed = starts.sweep("weigh", raw=range(2), globals={"cell.offset": range(-300, 301, 100)}, engine=engine)
        assert listed(signed.returned) == [raw * 2 + offset for offset in range(-300, 301, 100) for raw in range(2)]
        floats = starts.sweep("grams", raw=range(1, 3), globals={"factor": [0.5, 0.25]}, engine=engine)
        assert listed(floats.returned) == [0.5, 1.0, 0.25, 0.5]

    def test_a_variable_set_in_part_is_held_without_that_part(self, starts: cr.Firmware) -> None:
        """`filtered` reads the table and both bit-fields; what is set for each row is no longer held."""
        held = starts.sweep("filtered", n=[0], globals={"cell.table[0]": [1, 2]}).held
        assert sorted(held) == [("cell.channel", 9), ("cell.filter", 1)]
        whole = starts.sweep("filtered", n=[0], globals={"mode": [1, 2]}).held
        assert [name for name, _ in whole] == ["cell"]

    def test_a_list_is_one_value_of_an_array_and_several_of_a_number(self, starts: cr.Firmware) -> None:
        """As for arguments; several values of an array are a list of such."""
        assert starts.call("filtered", 2, globals={"cell.table": [7, 8, 9]}).returned == 9 + 1000 + 9
        sweep = starts.sweep("filtered", n=[0], globals={"cell.table": [[7, 8, 9], b"\x03\x01"]})
        assert listed(sweep.returned) == [7 + 1009, 0x103 + 1009]

    def test_what_is_set_has_a_name_of_its_own_beside_a_parameter_of_that_name(self, starts: cr.Firmware) -> None:
        """The parameter keeps its name."""
        other = cr.build([PROGRAM.parent / "same_name.c"], part="atmega328p")
        sweep = other.sweep("more", bees=[1, 2], globals={"bees": [10, 20]})
        assert sweep.names == ("global bees", "bees")
        assert listed(sweep.returned) == [11, 12, 21, 22]


class TestPins:
    @pytest.mark.parametrize("engine", ENGINES)
    def test_a_level_is_there_for_the_first_instruction(self, starts: cr.Firmware, engine: str) -> None:
        """`doors` reads PINB at once: the synchroniser (DS40002061A sec. 14.2.4) is behind it."""
        assert starts.call("doors", pins={"PINB": 0xA5}, engine=engine).returned == 0xA5
        assert starts.call("doors", pins={"PB3": 1, "PB0": True}, engine=engine).returned == 0b1001
        sweep = starts.sweep("doors", pins={"PINB": range(256)}, engine=engine)
        assert listed(sweep.returned) == list(range(256))
        assert sweep.held == []

    def test_the_other_pins_of_a_port_are_held(self, starts: cr.Firmware) -> None:
        """One pin is an input, seven are as they are."""
        sweep = starts.sweep("one_door", pins={"PB3": [0, 1]})
        assert listed(sweep.returned) == [0, 1]
        assert sweep.held == [("PINB but for PB3", 0)]

    def test_an_output_of_the_program_cannot_be_set_to_another_level(self, starts: cr.Firmware) -> None:
        """The program's own latch decides its level (DS40002061A sec. 14.2.1)."""
        assert starts.call("doors", before=["make_outputs"], pins={"PB0": 1, "PB7": 1}).returned == 0x85
        with pytest.raises(cr.ArgumentError) as error:
            starts.call("doors", before=["make_outputs"], pins={"PB1": 1})
        assert str(error.value) == (
            "PB1 cannot be set: at the start of the call PB1 is an output of the program, which holds it at 0"
        )

    def test_a_pin_that_a_register_makes_an_output_is_none_to_set(self, starts: cr.Firmware) -> None:
        """DDRB is set in the same breath; the same level is no contradiction."""
        assert starts.call("doors", registers={"PORTB": 1, "DDRB": 1}, pins={"PB0": 1, "PB1": 1}).returned == 3
        with pytest.raises(cr.ArgumentError, match="PB0 is an output of the program, which holds it at 0"):
            starts.call("doors", registers={"DDRB": 1}, pins={"PB0": 1})


class TestRegisters:
    @pytest.mark.parametrize("engine", ENGINES)
    def test_a_register_is_written_right_before_the_call(self, starts: cr.Firmware, engine: str) -> None:
        """LDS TCNT1L reads in its second cycle: a timer that starts at clock/1 then shows 1."""
        assert starts.call("ticks", registers={"TCCR1B": 1}, engine=engine).returned == 1
        assert starts.call("ticks", registers={"TCCR1B.CS10": 1}, engine=engine).returned == 1
        assert starts.call("ticks", registers={"TCCR1B.0": 1, "TCNT1": 0x1234}, engine=engine).returned == 0x1235
        sweep = starts.sweep("ticks", registers={"TCNT1": [0, 255, 0xFFFF]}, engine=engine)
        assert listed(sweep.returned) == [0, 255, 0xFFFF]
        assert sweep.held == []
        assert starts.call("voltage", registers={"GPIOR0": 77}, engine=engine).returned == 77

    def test_what_is_set_in_one_call_is_not_there_in_the_next(self, starts: cr.Firmware) -> None:
        """Device and level are back."""
        starts.call("ticks", registers={"TCCR1B": 1}, pins={"PB0": 1})
        assert starts.call("ticks").returned == 0
        assert starts.call("doors").returned == 0


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"globals": {"modo": 1}}, "no global variable 'modo'; nearest: mode"),
        ({"globals": {"PINB": 1}}, "no global variable 'PINB'; there are cell, factor, frames, label, mode, turns"),
        ({"globals": {"cell.gian": 1}}, "no member 'gian'; nearest: gain; of global cell"),
        ({"globals": {"cell.table[3]": 1}}, "global cell.table has 3 elements, the last of which is cell.table[2]"),
        ({"globals": {"mode.x": 1}}, "global mode has no .x: it is uint8_t"),
        (
            {"globals": {"cell.filter.x": 1}},
            "global cell.filter.x: write a member as cfg.gain and an element as table[3]",
        ),
        ({"globals": {"cell.filter": 8}}, "global cell.filter is a bit-field of 3 bits that takes 0 to 7; 8 given"),
        ({"globals": {"cell.gain": 256}}, "global cell.gain takes 0 to 255; 256 given"),
        ({"globals": {"limits": b"\0"}}, "global limits lies in flash; only variables in RAM can be set"),
        ({"globals": {"mode": [1, 2]}}, "mode: a call has one value of it; a sweep takes several"),
        ({"globals": {"mode": []}}, "the domain of mode is empty; a..b includes both ends and a may not be above b"),
        ({"registers": {"TCCR1Q": 1}}, "no register 'TCCR1Q'; nearest: TCCR1C, TCCR1B, TCCR1A"),
        ({"registers": {"TCCR1B": 256}}, "register TCCR1B takes 0 to 255; 256 given"),
        ({"registers": {"TCCR1B.CS99": 1}}, "no bit 'CS99'; nearest: "),
        ({"registers": {"TCCR1B.CS10": 2}}, "register TCCR1B.CS10 takes 0 to 1; 2 given"),
        (
            {"registers": {"TIFR1": 1}},
            (
                "register TIFR1 cannot be set to 0x01: it is written as the program would, and then reads 0x00, as its "
                "device decides"
            ),
        ),
        ({"registers": {"SP": 1}}, "SP is set by the call itself: the stack begins where the program's own is"),
        (
            {"registers": {"CS10": 1}},
            "CS10 is a bit; say of which register, for example TCCR1B.CS10, or set the register",
        ),
        ({"pins": {"PB0": 2}}, "pin PB0 takes 0 to 1; 2 given"),
        ({"pins": {"PA0": 1}}, "no pin 'PA0'; nearest: "),
    ],
)
def test_what_cannot_be_set_is_said_in_one_message(starts: cr.Firmware, given: dict[str, object], text: str) -> None:
    """With the exit status of a wrong command."""
    with pytest.raises(cr.CycleruleError) as error:
        starts.call("ticks", **given)  # type: ignore[arg-type]
    # Which names of the part are near is the header's.
    assert str(error.value) == text or (text.endswith("nearest: ") and str(error.value).startswith(text))
    assert error.value.exit_status == 2


def test_a_value_that_does_not_fit_is_refused_before_anything_runs(starts: cr.Firmware) -> None:
    """The last of many: no row is measured first."""
    with pytest.raises(cr.ArgumentError, match=r"global mode takes 0 to 255; 256 given"):
        starts.sweep("wait_by_mode", globals={"mode": range(257)}, progress=lambda _done, _of: pytest.fail("it ran"))
