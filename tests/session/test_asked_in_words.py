"""Programs opened, functions found and inputs read as a user names them."""

from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError, BuildError, FirmwareError, UnknownName
from cyclerule.measure.results import Call, Sweep
from cyclerule.project.settings import Settings, read_settings
from cyclerule.session.inputs import read_inputs, read_setup
from cyclerule.session.opening import Program, open_program
from cyclerule.session.survey import Surveyed, spread, survey
from cyclerule.session.timing import time_target
from cyclerule.toolchain import find

APIARY = Path(__file__).parent / "programs" / "apiary.c"


def settings(part: str | None = "atmega328p", **given: str) -> Settings:
    """Gives settings that no file or environment of this machine plays a part in."""
    return read_settings(part=part, clock=given.get("clock"), folder=APIARY.parent, environment={})


@pytest.fixture(scope="module")
def program() -> Program:
    """The apiary, built for an ATmega328P."""
    return open_program([APIARY], settings())


def linked(folder: Path, *flags: str) -> Path:
    """Links the apiary by hand."""
    source, elf = folder / "apiary.c", folder / "apiary.elf"
    source.write_text(APIARY.read_text("utf-8") + "int main(void) { return 0; }\n", "utf-8")
    done = find().run("gcc", ["-mmcu=atmega328p", "-Os", *flags, str(source), "-o", str(elf)])
    assert done.returncode == 0, done.stderr
    return elf


class TestInputs:
    def test_small_parameters_left_out_take_every_value(self, program: Program) -> None:
        """Those of 16 bits or less, and that is every input there is."""
        inputs = read_inputs(program.firmware, "slow", {})
        assert dict(inputs.domains) == {"n": range(65536)}
        assert inputs.covers_every_input

    def test_a_part_of_the_values_is_not_every_input(self, program: Program) -> None:
        """Neither one parameter's nor one value less."""
        assert not read_inputs(program.firmware, "slow", {"n": "0..65534"}).covers_every_input
        assert read_inputs(program.firmware, "slow", {"n": "0..65535"}).covers_every_input
        assert not read_inputs(program.firmware, "by_season", {"now": "WINTER"}).covers_every_input
        assert not read_inputs(program.firmware, "half", {"weight": "1,2"}).covers_every_input

    def test_named_parameters_vary_in_their_order_then_the_others(self, program: Program) -> None:
        """The last one varies fastest."""
        inputs = read_inputs(program.firmware, "three", {"c": "1..3", "a": "5"})
        assert list(inputs.domains) == ["c", "a", "b"]
        assert inputs.count == 3 * 1 * 256

    def test_a_parameter_can_be_given_by_its_number(self, program: Program) -> None:
        """Functions without debug information have no names for them."""
        assert read_inputs(program.firmware, "three", {"1": "1", "2": "2", "3": "3"}).domains["c"] == [3]
        with pytest.raises(ArgumentError, match="a is given twice"):
            read_inputs(program.firmware, "three", {"1": "1", "a": "2"})

    @pytest.mark.parametrize(
        ("function", "given", "message"),
        [
            ("three", {}, r"16,777,216 inputs.*no more than 65,536.*a=0\.\.255 b=0\.\.255 c=0\.\.255"),
            ("sum", {}, r"counts \(const uint8_t \*\) is a pointer.*counts=hex:"),
            ("half", {}, r"weight \(float\) has too many values.*weight=2\.5"),
            ("step", {"beez": "3"}, "no parameter 'beez'; nearest: bees; step takes uint8_t bees"),
            ("wait", {"x": "3"}, "wait takes nothing"),
        ],
    )
    def test_what_cannot_be_left_out_is_asked_for(
        self, program: Program, function: str, given: dict[str, str], message: str
    ) -> None:
        """With an example that can be typed."""
        with pytest.raises((ArgumentError, UnknownName), match=message):
            read_inputs(program.firmware, function, given)

    def test_variables_are_read_by_their_type(self, program: Program) -> None:
        """One that does not exist is for the measurement to refuse, with the nearest names."""
        assert read_setup(program.firmware, {"mode": "0x10"}).globals == {"mode": [16]}
        with pytest.raises(UnknownName, match="nearest: mode"):
            time_target(program.target("step"), {"bees": "1"}, variables={"mod": "1"})


class TestTiming:
    def test_one_input_is_a_call_and_several_are_a_sweep(self, program: Program) -> None:
        """With the same figures."""
        call = time_target(program.target("step"), {"bees": "5"}, variables={"mode": "200"}).result
        sweep = time_target(program.target("step"), {"bees": "5,5"}, variables={"mode": "200"}).result
        assert isinstance(call, Call)
        assert isinstance(sweep, Sweep)
        assert call.returned == sweep.row(0).returned == 5 * 200
        assert call.cycles == sweep.row(1).cycles

    def test_what_runs_before_leaves_its_state(self, program: Program) -> None:
        """set_mode(9) first."""
        result = time_target(program.target("step"), {"bees": "5"}, before=[("set_mode", 9)]).result
        assert isinstance(result, Call)
        assert result.returned == 45


class TestTargets:
    def test_a_function_that_stands_by_itself_is_measured_as_built(self, program: Program) -> None:
        """Without a note."""
        target = program.target("step")
        assert target.firmware is program.firmware
        assert target.notes == ()

    def test_an_inlined_or_dropped_function_is_measured_in_a_kept_copy(self, program: Program) -> None:
        """Which is said, and why."""
        inlined, dropped = program.target("doubled"), program.target("dropped")
        assert inlined.firmware.image.kind == dropped.firmware.image.kind == "kept copy"
        assert inlined.notes == (
            "as built it is inlined into twice_doubled; kept apart it stands by itself, in a second build",
        )
        assert dropped.notes[0].startswith("as built it is removed: nothing calls it, or the compiler worked out")
        result = time_target(dropped, {"x": "5"}).result
        assert isinstance(result, Call)
        assert result.returned == 15

    def test_apart_forces_a_kept_copy(self, program: Program) -> None:
        """Of a function that stands by itself too."""
        assert program.target("step", apart=True).firmware.image.kind == "kept copy"

    def test_a_kept_copy_is_built_once(self, program: Program) -> None:
        """Asked for twice."""
        assert program.target("doubled").firmware is program.target("doubled").firmware

    def test_the_nearest_names_include_inlined_functions_but_no_stand_in(self, program: Program) -> None:
        """The main that the build adds is not the user's."""
        with pytest.raises(UnknownName, match="nearest: doubled"):
            program.target("doubbled")
        assert "main" not in program.names

    def test_a_linked_file_says_that_a_kept_copy_needs_the_sources(self, tmp_path: Path) -> None:
        """It cannot be built again."""
        opened = open_program([linked(tmp_path, "-gdwarf-4")], settings(None))
        with pytest.raises(
            ArgumentError,
            match=r"doubled: as built it is inlined into twice_doubled, and .*give the sources",
        ):
            opened.target("doubled")
        with pytest.raises(ArgumentError, match="a kept copy needs a build of its own"):
            opened.target("step", apart=True)

    def test_one_of_several_static_functions_is_named_with_its_file(self, tmp_path: Path) -> None:
        """FUNCTION@FILE."""
        for name, factor in (("left", 3), ("right", 5)):
            (tmp_path / f"{name}.c").write_text(
                f"static __attribute__((noinline)) int scale(int x) {{ return {factor} * x; }}\n"
                f"int {name}(int x) {{ return scale(x) + 1; }}\n",
                "utf-8",
            )
        files = [tmp_path / "left.c", tmp_path / "right.c"]
        opened = open_program(files, settings())
        with pytest.raises(UnknownName, match="several have that name"):
            opened.target("scale")
        for file, factor in zip(files, (3, 5), strict=True):
            result = time_target(opened.target("scale", file), {"x": "7"}).result
            assert isinstance(result, Call)
            assert result.returned == 7 * factor
        with pytest.raises(UnknownName, match=r"no function 'scal'; nearest: scale; in .*left\.c"):
            opened.target("scal", files[0])


class TestOpening:
    def test_without_a_part_it_is_said_how_to_give_one(self) -> None:
        """By option, environment or file, with the most common ones."""
        with pytest.raises(ArgumentError, match=r"--part atmega328p.*attiny85.*CYCLERULE_PART.*cyclerule\.toml"):
            open_program([APIARY], settings(None))

    def test_without_files_it_is_said_what_to_give(self) -> None:
        """Neither given nor named by the settings."""
        with pytest.raises(ArgumentError, match="no file to look at"):
            open_program([], settings())

    def test_a_linked_files_own_part_comes_before_a_setting_but_not_before_an_option(self, tmp_path: Path) -> None:
        """A cyclerule.toml or the environment speaks of sources; an option speaks of this file."""
        elf = linked(tmp_path)
        elsewhere = read_settings(folder=tmp_path, environment={"CYCLERULE_PART": "attiny85"})
        opened = open_program([elf], elsewhere)
        assert opened.firmware.part.name == (opened.firmware.image.part or "attiny85")
        if opened.firmware.image.part is not None:
            with pytest.raises(FirmwareError, match="linked for atmega328p, not for attiny85"):
                open_program([elf], settings("attiny85"))

    def test_a_file_that_names_no_part_takes_the_setting(self, tmp_path: Path) -> None:
        """A HEX file; without one it is said how to give it."""
        path = tmp_path / "hive.hex"
        path.write_text(":0400000000C0FFCF6E\n:00000001FF\n", "utf-8")
        elsewhere = read_settings(folder=tmp_path, environment={"CYCLERULE_PART": "attiny85"})
        assert open_program([path], elsewhere).firmware.part.name == "attiny85"
        with pytest.raises(ArgumentError, match=r"hive\.hex does not say which part it is for\. .*--part atmega328p"):
            open_program([path], settings(None))

    def test_a_linked_file_is_given_alone(self, tmp_path: Path) -> None:
        """Its code is settled."""
        with pytest.raises(ArgumentError, match=r"apiary\.elf is linked already; give it alone"):
            open_program([APIARY, linked(tmp_path)], settings())

    def test_a_file_that_needs_others_is_told_which_stand_beside_it(self, tmp_path: Path) -> None:
        """Besides what the linker says."""
        (tmp_path / "hive.c").write_text("int weigh(int); int f(int x) { return weigh(x); }\n", "utf-8")
        (tmp_path / "scale.c").write_text("int weigh(int x) { return x; }\n", "utf-8")
        with pytest.raises(BuildError, match=r"undefined reference(?s:.*)beside hive\.c are scale\.c"):
            open_program([tmp_path / "hive.c"], settings())


@pytest.fixture(scope="module")
def surveyed(program: Program) -> dict[str, Surveyed]:
    """The apiary's functions, surveyed."""
    return {each.name: each for each in survey(program, seconds=12)}


class TestSurvey:
    def test_every_function_of_the_source_is_there_in_its_order(self, surveyed: dict[str, Surveyed]) -> None:
        """Without the main that the build adds; one that the compiler dropped leaves no trace to list."""
        assert list(surveyed) == [
            *("TIMER1_OVF", "set_mode", "step", "wait", "convert", "sum", "half", "by_season", "slow", "three"),
            *("doubled", "folded", "twice_doubled"),
        ]

    def test_small_domains_are_covered_whole(self, program: Program, surveyed: dict[str, Surveyed]) -> None:
        """With the figures that the function has when it is timed."""
        step = surveyed["step"]
        assert (step.covers, step.inputs) == ("every input", 256)
        assert step.sweep is not None
        timed = time_target(program.target("step"), {}).result
        assert isinstance(timed, Sweep)
        assert (step.sweep.minimum, step.sweep.maximum) == (timed.minimum, timed.maximum)
        assert surveyed["by_season"].inputs == 3

    def test_a_handler_is_listed_by_its_vector(self, program: Program, surveyed: dict[str, Surveyed]) -> None:
        """By which it can be timed too."""
        sweep = surveyed["TIMER1_OVF"].sweep
        assert sweep is not None
        result = time_target(program.target("TIMER1_OVF"), {}).result
        assert isinstance(result, Call)
        assert result.cycles == sweep.maximum.cycles

    @pytest.mark.parametrize(
        ("name", "problem", "example"),
        [
            ("sum", "counts is a pointer", ("counts=hex:0102030405060708", "n=8")),
            ("half", "weight has too many values", ("weight=2.5",)),
            ("three", "16,777,216 inputs are too many", ("a=0..255", "b=0..255", "c=0..255")),
            ("wait", "waits for TIMER1_OVF", ()),
        ],
    )
    def test_what_could_not_be_called_says_why_and_what_to_type(
        self, program: Program, surveyed: dict[str, Surveyed], name: str, problem: str, example: tuple[str, ...]
    ) -> None:
        """The example works."""
        found = surveyed[name]
        assert found.sweep is None
        assert problem in (found.problem or "")
        assert found.example == example
        if example:
            assert read_inputs(program.firmware, name, dict(word.split("=", 1) for word in example)).count >= 1

    def test_inlined_functions_are_measured_in_a_kept_copy(
        self, program: Program, surveyed: dict[str, Surveyed]
    ) -> None:
        """With the figures that timing it gives."""
        doubled = surveyed["doubled"]
        assert doubled.stands == "inlined into twice_doubled"
        assert doubled.sweep is not None
        assert doubled.sweep.measured.image == "kept copy"
        assert surveyed["folded"].stands == "without code of its own"
        timed = time_target(program.target("doubled"), {}).result
        assert isinstance(timed, Sweep)
        assert doubled.sweep.measured.image_sha256 == timed.measured.image_sha256

    def test_a_domain_covered_in_part_is_said_to_be_so(self, program: Program) -> None:
        """There is no time at all: `slow` takes seconds over all its inputs."""
        slow = next(each for each in survey(program, seconds=0) if each.name == "slow")
        assert (slow.covers, slow.inputs) == ("some inputs", 65536)
        assert slow.sweep is not None
        assert slow.sweep.count < 65536

    def test_a_part_of_a_domain_has_its_ends(self) -> None:
        """And values evenly between."""
        assert spread(range(65536), 5) == [0, 16384, 32768, 49151, 65535]
        assert spread(range(4), 8) == range(4)

    def test_a_file_without_debug_information_lists_what_its_symbols_say(self, tmp_path: Path) -> None:
        """The functions of the user, without the libraries' and the start-up code's."""
        names = {each.name: each for each in survey(open_program([linked(tmp_path)], settings(None)))}
        assert {"TIMER1_OVF", "step", "sum", "main"} <= set(names)
        assert not [name for name in names if name.startswith("__")]
        assert "--declare" in (names["step"].problem or "")

    def test_progress_is_told_for_each_function(self, program: Program) -> None:
        """Up to all."""
        told: list[tuple[str, int, int]] = []
        survey(program, seconds=0.5, progress=lambda *each: told.append(each))
        assert told[0][1:] == (0, 13)
        assert told[-1][1:] == (13, 13)
