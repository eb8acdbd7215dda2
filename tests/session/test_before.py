"""What runs before a call, as one types it."""

from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.errors import ArgumentError, BuildError, CycleruleError, UnknownName
from cyclerule.measure.results import Call
from cyclerule.project.settings import read_settings
from cyclerule.session.before import prepared, read_calls
from cyclerule.session.opening import Program, open_program
from cyclerule.session.timing import Timed, time_target
from cyclerule.toolchain import find

APIARY = Path(__file__).parent / "programs" / "apiary.c"
SETTINGS = read_settings(part="atmega328p", folder=APIARY.parent, environment={})


@pytest.fixture(scope="module")
def program() -> Program:
    """The apiary, built for an ATmega328P."""
    return open_program([APIARY], SETTINGS)


def timed(program: Program, name: str, *before: str, **inputs: str) -> Timed:
    """Times a function with texts before it."""
    target, calls = prepared(program, program.target(name), before)
    return time_target(target, inputs, before=calls)


def returned(result: Timed) -> object:
    """Gives what a single call returned."""
    assert isinstance(result.result, Call)
    return result.result.returned


class TestCalls:
    @pytest.mark.parametrize(
        ("text", "calls"),
        [
            ("wait", ["wait"]),
            ("set_mode(9)", [("set_mode", 9)]),
            (" set_mode ( 0x09 ) ; wait() ; ", [("set_mode", 9), ("wait",)]),
            ("set_mode(9U); // then\n set_mode('a')", [("set_mode", 9), ("set_mode", ord("a"))]),
            ("by_season(SUMMER)", [("by_season", 9)]),
            ("half(2.5f)", [("half", 2.5)]),
            ('sum(hex:0102, 2); sum("ab", 2UL)', [("sum", b"\1\2", 2), ("sum", "ab", 2)]),
            ("sum(&mode, 1)", [("sum", cr.address("mode"), 1)]),
        ],
    )
    def test_calls_with_constants_run_in_the_image_as_it_is(
        self, program: Program, text: str, calls: list[object]
    ) -> None:
        """As one writes calls in C, or with domains of one value."""
        target, found = prepared(program, program.target("step"), [text])
        assert found == calls
        assert target.firmware is program.firmware

    def test_their_state_is_the_one_that_the_call_starts_from(self, program: Program) -> None:
        """The last one wins."""
        result = timed(program, "step", "set_mode(3); set_mode(9)", bees="5")
        assert returned(result) == 45
        assert result.result.measured.image == "as built"

    def test_a_value_that_does_not_fit_is_an_error_with_the_range(self, program: Program) -> None:
        """C would take it silently."""
        with pytest.raises(ArgumentError, match=r"parameter 'chosen' \(uint8_t\) takes 0 to 255; 300 given"):
            timed(program, "step", "set_mode(300)", bees="1")

    def test_a_wrong_number_of_values_is_an_error(self, program: Program) -> None:
        """With what the function takes."""
        with pytest.raises(ArgumentError) as error:
            read_calls(program.firmware, ["set_mode(1, 2)"])
        assert str(error.value) == "--before set_mode(1, 2): set_mode takes uint8_t chosen; 2 given"
        with pytest.raises(ArgumentError) as error:
            read_calls(program.firmware, [" ; "])
        assert str(error.value).startswith("--before ' ; ': give functions to call first")

    def test_a_name_alone_is_a_function(self, program: Program) -> None:
        """The nearest one is offered."""
        with pytest.raises(UnknownName, match="no function 'set_mod'; nearest: set_mode"):
            timed(program, "step", "set_mod", bees="1")


class TestCode:
    def test_other_statements_are_compiled_in_the_context_of_the_file(self, program: Program) -> None:
        """Its globals, types and macros are there; the result says that this is another image."""
        result = timed(program, "step", "mode = 4; for (uint8_t n = 0; n < 3; n++) mode += n", bees="5")
        assert returned(result) == 5 * 7
        measured = result.result.measured
        assert measured.image == "build with code before"
        assert measured.start == ("at the entry of main, after mode = 4; for (uint8_t n = 0; n < 3; n++) mode += n")
        (note,) = result.target.notes
        assert note.startswith("the code before is compiled behind the first file, in a second build; what it calls")

    def test_a_call_with_an_expression_is_code(self, program: Program) -> None:
        """And so is one of a macro."""
        assert returned(timed(program, "step", "set_mode(2 + 3)", bees="5")) == 25
        assert returned(timed(program, "step", "set_mode(7); cli()", bees="2")) == 14

    def test_the_function_itself_is_that_of_the_program(self, program: Program) -> None:
        """It takes as long as in the program's own build."""
        own, other = timed(program, "step", "set_mode(9)", bees="5"), timed(program, "step", "mode = 9;", bees="5")
        assert isinstance(own.result, Call)
        assert isinstance(other.result, Call)
        assert (own.result.cycles, own.result.returned) == (other.result.cycles, other.result.returned)

    def test_it_goes_together_with_a_kept_copy(self, program: Program) -> None:
        """`folded` is inlined in the program's own build; one unit has both."""
        result = timed(program, "folded", "mode = 1;", x="3")
        assert returned(result) == 5
        assert len(result.target.notes) == 2

    def test_what_does_not_compile_is_said_at_its_place_in_the_text(self, program: Program) -> None:
        """In the compiler's words."""
        with pytest.raises(BuildError) as error:
            timed(program, "step", "modus = 4", bees="1")
        assert str(error.value).startswith("the statements do not compile:\n--before:1:1: error: 'modus' undeclared")
        with pytest.raises(CycleruleError, match=r"^--before:1:11: this { is never closed$"):
            timed(program, "step", "if (mode) {", bees="1")

    def test_a_linked_file_takes_calls_only(self, tmp_path: Path) -> None:
        """Nothing can be compiled into it."""
        elf = tmp_path / "apiary.elf"
        source = tmp_path / "apiary.c"
        source.write_text(APIARY.read_text("utf-8") + "int main(void) { return 0; }\n", "utf-8")
        done = find().run("gcc", ["-mmcu=atmega328p", "-Os", "-gdwarf-4", str(source), "-o", str(elf)])
        assert done.returncode == 0, done.stderr
        linked = open_program([elf], SETTINGS)
        assert returned(timed(linked, "step", "set_mode(9)", bees="5")) == 45
        with pytest.raises(ArgumentError) as error:
            timed(linked, "step", "mode = 9", bees="5")
        assert str(error.value) == (
            f"--before 'mode = 9' has to be compiled, and {elf} is linked already; give the sources, or calls of its "
            "functions with constants, such as 'start(); set_mode(3)'"
        )
