"""Arguments as one types them: structures, pointers to what the program has, macros; what they hold afterwards."""

from pathlib import Path

import pytest

from cyclerule.errors import CycleruleError
from cyclerule.measure.results import Call, Sweep
from cyclerule.project.settings import read_settings
from cyclerule.report.timing import TimeView, view_timed
from cyclerule.session.firmware import build
from cyclerule.session.opening import Program, Target, open_program
from cyclerule.session.timing import time_target

FRAMES = Path(__file__).parent / "programs" / "frames.c"


@pytest.fixture(scope="module")
def program() -> Program:
    """The frames, built for an ATmega328P."""
    return open_program([FRAMES], read_settings(part="atmega328p", folder=FRAMES.parent, environment={}))


def called(program: Program, name: str, **inputs: str) -> Call:
    """Times a function for one input."""
    result = time_target(program.target(name), inputs).result
    assert isinstance(result, Call)
    return result


def viewed(program: Program, name: str, **inputs: str) -> TimeView:
    """Gives what is shown of a call."""
    return view_timed(time_target(program.target(name), inputs))


FRAME = (
    '{"id": 3, "crc": {"poly": 7, "seed": 60000}, "urgent": 1, "kind": 5, "weights": [1, -2], "name": "queen", '
    '"season": "SPRING", "scale": 2.5, "label": "text:A"}'
)


ARRIVING = [
    ("check", {"frame": FRAME}, 7 + 60000 + 5 + 1 + ord("A")),
    ("check", {"frame": "last"}, 3),
    ("check", {"frame": "&last"}, 3),
    ("check", {"frame": "out"}, 0),
    ("seed_of", {"crc": '{"poly": 1, "seed": 2}'}, 3),
    ("seed_of", {"crc": "hex:010200"}, 3),
    ("apply", {"run": "twice", "x": "3"}, 6),
    ("apply", {"run": "&twice", "x": "3"}, 6),
    ("apply", {"run": "function:twice", "x": "3"}, 6),
    ("do_job", {"job": '{"run": "&twice", "with": 4}'}, 8),
    ("do_job", {"job": '{"run": "function:twice", "with": 4}'}, 8),
    ("in_flash", {"bytes": "flash:hex:0a0b0c", "n": "2"}, 12),
    ("first", {"bytes": "counts"}, 10),
    ("first", {"bytes": "&counts[2]"}, 30),
    ("first", {"bytes": "[200, 1]"}, 200),
    ("first", {"bytes": "NULL"}, 99),
    ("first", {"bytes": "&last.crc.seed"}, 2),
    ("far", {"a": "18446744073709551615"}, (1 << 64) - 1),
    ("far", {"a": "FAR"}, (1 << 64) - 1),
    ("near", {"a": "-2147483648"}, -(1 << 31)),
    ("scaled", {"x": "RATIO"}, 0.5),
    ("scaled", {"x": "LIMIT"}, 80.0),
    ("limited", {"x": "LIMIT"}, 40),
    ("limited", {"x": "TWICE_LIMIT"}, 80),
    ("limited", {"x": "SUMMER"}, 9),
    ("season_of", {"now": "SUMMER"}, 9),
    ("season_of", {"now": "LIMIT"}, 40),
    ("any", {"kind": "'i'", "2": "7", "3": "-2"}, 9),
    ("any", {"kind": "'l'", "2": "100000L", "3": "LIMIT"}, 100040),
    ("any", {"kind": "'d'", "2": "2.5"}, 10),
    ("any", {"kind": "'s'", "2": "text:bee"}, ord("e")),
]
"""Functions, what one types for their parameters, and what C returns for that."""


class TestValues:
    @pytest.mark.parametrize(("name", "inputs", "returned"), ARRIVING)
    def test_what_is_typed_is_what_arrives(
        self, program: Program, name: str, inputs: dict[str, str], returned: object
    ) -> None:
        """The function returns what C makes of it."""
        assert called(program, name, **inputs).returned == returned

    @pytest.mark.parametrize("flags", [["-O2"], ["-Os", "-flto"], ["-O2", "-ffunction-sections", "-Wl,--gc-sections"]])
    def test_it_arrives_the_same_in_every_build(self, flags: list[str]) -> None:
        """Other levels, link-time optimisation, dropped sections: all functions kept in one image."""
        names = tuple(dict.fromkeys(name for name, _, _ in ARRIVING))
        firmware = build([FRAMES], part="atmega328p", flags=[*flags, "-DKEEPS_DATA"], keep=[*names, "twice"])
        for name, inputs, returned in ARRIVING:
            result = time_target(Target(name, firmware.find_function(name), firmware), inputs).result
            assert isinstance(result, Call)
            assert result.returned == returned, (name, inputs)
            assert result.measured.image == "kept copy"

    def test_a_pointer_to_a_register_reaches_the_port(self, program: Program) -> None:
        """PORTB is written through it."""
        (write,) = called(program, "raise_pin", port="&PORTB", mask="4").io
        assert (write.register, write.value) == ("PORTB", 4)

    def test_macros_are_ends_of_ranges_and_members_of_lists(self, program: Program) -> None:
        """As numbers are."""
        sweep = time_target(program.target("limited"), {"x": "0..LIMIT"}).result
        assert isinstance(sweep, Sweep)
        assert sweep.domains["x"] == range(41)
        sweep = time_target(program.target("limited"), {"x": "LIMIT,TWICE_LIMIT,3"}).result
        assert isinstance(sweep, Sweep)
        assert list(sweep.domains["x"]) == [40, 80, 3]

    def test_several_structures_are_several_inputs(self, program: Program) -> None:
        """Parted by commas, as numbers are; commas inside belong to the structure."""
        sweep = time_target(program.target("seed_of"), {"crc": '{"poly": 1, "seed": 2},{"poly": 3}'}).result
        assert isinstance(sweep, Sweep)
        assert [row.returned for row in sweep.rows()] == [3, 3]
        assert sweep.count == 2


class TestShown:
    def test_a_structure_is_shown_as_one_types_it(self, program: Program) -> None:
        """So that it can be typed again."""
        shown = viewed(program, "check", frame=FRAME).minimum.shown["frame"]
        assert shown == FRAME.replace("text:A", "A")

    def test_buffers_are_told_by_their_types(self, program: Program) -> None:
        """What the function wrote: an element, a text, numbers of two bytes; the bytes stand beside it."""
        view = viewed(program, "check", frame=FRAME)
        assert view.read["frame"].startswith(
            '{id: 4, crc: {poly: 7, seed: 60000}, urgent: 1, kind: 5, weights: [1, -5, 0], name: "queen", '
            "season: SPRING, scale: 2.5, label: 0x"
        )
        filled = viewed(program, "fill", out="out:8", n="4")
        assert (filled.buffers["out"], filled.read["out"]) == ("00002c0158028403", "[0, 300, 600, 900]")
        assert viewed(program, "name_it", out="out:4").read["out"] == '"q"'

    def test_a_structure_that_is_returned_is_told_by_its_members(self, program: Program) -> None:
        """It comes as bytes."""
        read = viewed(program, "made", id="3").read["return"]
        assert read == (
            '{id: 3, crc: {poly: 0, seed: 0}, urgent: 0, kind: 0, weights: [0, 0, -2], name: "b", season: SUMMER, '
            "scale: 1.5, label: 0x0000}"
        )


PARAMETER = "parameter 'frame' (struct frame *)"


@pytest.mark.parametrize(
    ("name", "inputs", "message"),
    [
        ("check", {"frame": '{"id": 256}'}, f"{PARAMETER}, member id takes 0 to 255; 256 given"),
        (
            "check",
            {"frame": '{"crc": {"seed": -1}}'},
            f"{PARAMETER}, member crc, member seed takes 0 to 65535; -1 given",
        ),
        (
            "check",
            {"frame": '{"kind": 128}'},
            f"{PARAMETER}, member kind is a bit-field of 7 bits that takes 0 to 127; 128 given",
        ),
        ("check", {"frame": '{"idd": 3}'}, f"no member 'idd'; nearest: id, kind; of {PARAMETER}"),
        ("check", {"frame": '{"season": "AUTUMN"}'}, "no enumerator 'AUTUMN'; there are SPRING, SUMMER, WINTER; for "),
        (
            "check",
            {"frame": '{"weights": [1, 2, 3, 4]}'},
            f"{PARAMETER}, member weights takes 3 elements (6 bytes); 8 ",
        ),
        ("check", {"frame": '{"id": 3'}, 'frame={"id": 3: a bracket or a quote is not closed'),
        ("check", {"frame": "{id: 3}"}, "frame={id: 3}: it is no JSON: JSON is malformed: "),
        ("check", {"frame": "lost"}, "no symbol 'lost'; nearest: last"),
        ("check", {"frame": "&last.kind"}, "last.kind is a bit-field, which has no address"),
        ("limited", {"x": "[1, 2]"}, "x=[1, 2]: uint8_t takes no structure or list; type for example x=0..255"),
        ("limited", {"x": "LIMITT"}, "x=LIMITT: 'LIMITT' is no whole number; type for example x=0..255"),
        ("limited", {"x": "RATIO"}, "x=RATIO: RATIO is 0.25, and uint8_t takes whole numbers"),
        ("limited", {"x": "NAME"}, "x=NAME: 'NAME' is no whole number; type for example x=0..255"),
        ("limited", {"x": "300"}, "parameter 'x' (uint8_t) takes 0 to 255; 300 given"),
        ("near", {"a": "2147483648"}, "parameter 'a' (int32_t) takes -2147483648 to 2147483647; 2147483648 given"),
        ("scaled", {"x": "1e39"}, "parameter 'x' (float) takes numbers up to ±3.4028234663852886e38; 1e+39 given"),
        ("apply", {"run": "last", "x": "1"}, "parameter 'run' (step): last is no function"),
        ("apply", {"run": "twize", "x": "1"}, "no symbol 'twize'; nearest: twice"),
        ("any", {"kind": "'i'", "3": "1"}, "any: 3= is given and 2= is not; what stands for ... has no gaps"),
        ("any", {"kind": "1,2", "2": "1"}, "any: with values that stand for ... it is called with one input, not 2"),
        ("season_of", {"now": "AUTUMN"}, "no enumerator 'AUTUMN'; "),
    ],
)
def test_what_does_not_fit_is_said_with_what_does(
    program: Program, name: str, inputs: dict[str, str], message: str
) -> None:
    """The range of numbers, the members there are; exit status 2."""
    with pytest.raises(CycleruleError) as error:
        called(program, name, **inputs)
    assert str(error.value).startswith(message)
    assert error.value.exit_status == 2
