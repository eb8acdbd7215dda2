"""C++ as users name it: overloads, members, templates, constructors, virtual calls, lambdas."""

from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.errors import CycleruleError
from cyclerule.firmware.spelling import canonical, is_constructor, without_arguments
from cyclerule.measure.results import Call
from cyclerule.project.settings import read_settings
from cyclerule.session.opening import Program, open_program
from cyclerule.session.timing import Timed, time_target

SCALES = Path(__file__).parent / "programs" / "scales.cpp"
FLAGS = ["-std=gnu++11"]


@pytest.fixture(scope="module")
def program() -> Program:
    """The scales, built for an ATmega328P."""
    return open_program([SCALES], read_settings(part="atmega328p", flags=FLAGS, folder=SCALES.parent, environment={}))


def timed(program: Program, name: str, **inputs: str) -> Timed:
    """Times a function as the command does."""
    return time_target(program.target(name, this=inputs.get("this")), inputs)


def called(program: Program, name: str, **inputs: str) -> Call:
    """Gives the result of one input."""
    result = timed(program, name, **inputs).result
    assert isinstance(result, Call)
    return result


class TestNames:
    @pytest.mark.parametrize(
        ("name", "inputs", "returned"),
        [
            ("add(int, int)", {"a": "1", "b": "-3"}, -2),
            ("add(int16_t,int16_t)", {"a": "1", "b": "-3"}, -2),
            ("add(float, float)", {"a": "1.5", "b": "2"}, 3.5),
            ("add(uint8_t)", {"a": "255"}, 0),
            ("add( unsigned char )", {"a": "7"}, 8),
            ("Scale::read", {"this": "hive_scale", "raw": "3"}, 3 * 3 - 5),
            ("hive::Scale::read", {"this": "&hive_scale", "raw": "3"}, 3 * 3 - 5),
            ("Scale::read(uint8_t) const", {"this": "hive_scale", "raw": "3"}, 3 * 3 - 5),
            ("Scale::read", {"this": '{"offset_": 1, "gain_": 10}', "raw": "3"}, 3 * 10 - 1),
            ("Scale::read", {"this": "hex:01000a", "raw": "3"}, 3 * 10 - 1),
            ("Scale::read", {"this": "out", "raw": "3"}, 0),
            ("poll", {"sensor": "humidity", "channel": "3"}, 3),
            ("poll", {"sensor": "temperature", "channel": "3"}, 0x100 - 3),
        ],
    )
    def test_what_stands_in_the_image_is_measured_as_built(
        self, program: Program, name: str, inputs: dict[str, str], returned: object
    ) -> None:
        """Overloads by their types, members with an object: a global, JSON, bytes or zeros."""
        call = called(program, name, **inputs)
        assert (call.returned, call.measured.image) == (returned, "as built")

    @pytest.mark.parametrize(
        ("name", "inputs", "returned"),
        [
            ("average<int>", {"a": "5", "b": "8"}, 6),
            ("average<uint8_t>", {"a": "250", "b": "4"}, 127),
            ("average<unsigned long>", {"a": "100000", "b": "300000"}, 200000),
            ("Ring<uint16_t, 4>::push", {"this": "ring", "item": "3"}, 0),
            ("Ring<uint8_t, 8>::push", {"this": "out", "item": "3"}, 0),
            ("Scale::offset", {"this": "hive_scale"}, 5),
            ("Scale::secret", {"this": "hive_scale", "by": "10"}, 15),
            ("hidden", {"x": "3"}, 0),
            ("lambda:58", {"y": "21"}, 42),
            ("Tare::operator()", {"this": '{"by": 3}', "raw": "10"}, 7),
            ("Tare::operator()(uint8_t)", {"this": "hex:04", "raw": "10"}, 6),
            ("Tare::operator bool", {"this": "out"}, 0),
        ],
    )
    def test_what_the_image_lacks_is_kept(
        self, program: Program, name: str, inputs: dict[str, str], returned: object
    ) -> None:
        """Instances of templates, inline members nobody calls, private ones, statics, lambdas by their line."""
        result = timed(program, name, **inputs)
        assert isinstance(result.result, Call)
        assert (result.result.returned, result.result.measured.image) == (returned, "kept copy")
        (note,) = result.target.notes
        assert note.endswith("kept apart it stands by itself, in a second build")

    def test_constructors_write_the_object(self, program: Program) -> None:
        """One of two by its types; the buffer is the object."""
        one = called(program, "hive::Scale::Scale(int16_t)", this="out", offset="-2")
        assert one.arguments["this"] == b"\xfe\xff\x02"
        two = called(program, "Scale::Scale(int16_t, uint8_t)", this="out", offset="3", gain="4")
        assert two.arguments["this"] == b"\x03\x00\x04"

    def test_a_destructor_takes_the_object_alone(self, program: Program) -> None:
        """What the compiler adds to its debug information is no parameter; the static member is held."""
        call = called(program, "Tare::~Tare", this="hex:05")
        assert list(call.given) == ["this"]
        assert call.held == [("Tare::channels", 4)]

    def test_an_operator_changes_the_object(self, program: Program) -> None:
        """It is shown afterwards."""
        assert called(program, "Tare::operator+=", this='{"by": 1}', more="2").arguments["this"] == b"\x03"

    def test_a_lambda_without_captures_needs_no_object(self, program: Program) -> None:
        """Every input is every value of its parameter."""
        result = timed(program, "lambda:58")
        assert result.covers_every_input
        assert result.inputs.count == 256


class TestVirtualCalls:
    def test_the_table_of_the_object_decides(self, program: Program) -> None:
        """`Sensor::read` has no code at all; `Sensor::kind` has, and a Temperature another."""
        result = timed(program, "Sensor::read", this="humidity", channel="3")
        assert isinstance(result.result, Call)
        assert result.result.returned == 3
        assert result.target.notes == (
            (
                "Sensor::read is virtual, and the table of humidity leads to Humidity::read; the call through the "
                "table belongs to the caller"
            ),
        )
        assert called(program, "Sensor::kind", this="temperature").returned == 2
        assert called(program, "Sensor::kind", this="humidity").returned == 1
        same = called(program, "Humidity::read", this="humidity", channel="3")
        assert same.cycles == result.result.cycles

    def test_in_python_too(self, program: Program) -> None:
        """An address is an object of the program."""
        firmware = program.firmware
        assert firmware.call("Sensor::read", cr.address("temperature"), 3).returned == 0x100 - 3
        sweep = firmware.sweep("Sensor::read", this=cr.address("humidity"), channel=range(3))
        assert [row.returned for row in sweep.rows()] == [0, 1, 2]

    def test_an_object_made_for_the_call_has_the_table_of_its_class(self, program: Program) -> None:
        """As its constructor would put there; members come from JSON."""
        assert called(program, "Humidity::read", this='{"base": 5}', channel="3").returned == 8

    def test_tables_are_constants_and_not_held(self, program: Program) -> None:
        """What is held of the call is the object."""
        assert [name for name, _ in called(program, "poll", sensor="humidity", channel="3").held] == ["humidity"]


@pytest.mark.parametrize(
    ("name", "inputs", "message"),
    [
        (
            "add",
            {},
            (
                "no single function 'add'; several have that name, so give one of add(int, int) (scales.cpp:25); "
                "add(float, float) (scales.cpp:26); add(uint8_t) (scales.cpp:27)"
            ),
        ),
        (
            "Scale::Scale",
            {"this": "out"},
            (
                "no single function 'Scale::Scale'; several have that name, so give one of hive::Scale::Scale(int16_t) "
                "(scales.cpp:8); hive::Scale::Scale(int16_t, uint8_t) (scales.cpp:9)"
            ),
        ),
        ("add(long)", {"a": "1"}, "no function 'add(long)'"),
        ("Scale::tar", {"this": "hive_scale"}, "no function 'Scale::tar'; nearest: "),
        ("lambda:62", {}, "no function 'lambda:62'"),
        (
            "Sensor::read",
            {"channel": "3"},
            (
                "Sensor::read is virtual and has no code of its own: give an object whose table is followed, "
                "this=OBJECT, or name what overrides it: Humidity::read, Temperature::read"
            ),
        ),
        (
            "Sensor::read",
            {"this": "hive_scale", "channel": "3"},
            "Sensor::read: hive_scale is class hive::Scale, whose first base is not Sensor",
        ),
        ("Sensor::read", {"this": "hum", "channel": "3"}, "no symbol 'hum'; nearest: humidity"),
        (
            "poll",
            {"sensor": "out", "channel": "3"},
            (
                "parameter 'sensor' (struct Sensor &): Sensor has virtual functions, and the program has no table "
                "of them for an object made here; name one of its objects, &NAME, or give all bytes, hex:…"
            ),
        ),
    ],
)
def test_what_is_not_there_is_said_with_what_is(
    program: Program, name: str, inputs: dict[str, str], message: str
) -> None:
    """Signatures where there are several; exit status 2."""
    with pytest.raises(CycleruleError) as error:
        timed(program, name, **inputs)
    told = str(error.value).replace(f"{SCALES.parent.as_posix()}/", "")
    assert told == message or (message.endswith(("nearest: ", "'")) and told.startswith(message))
    assert error.value.exit_status == 2


BUILDS = {
    "-Os": ("s", []),
    "-O2": ("2", []),
    "-Os -flto": ("s", ["-flto"]),
    "-O2 -flto, sections dropped": ("2", ["-flto", "-ffunction-sections", "-Wl,--gc-sections"]),
    "-Os, sections dropped": ("s", ["-ffunction-sections", "-Wl,--gc-sections"]),
}


@pytest.fixture(scope="module", params=list(BUILDS))
def built(request: pytest.FixtureRequest) -> Program:
    """The scales with a main, by each way of building."""
    optimize, flags = BUILDS[request.param]
    settings = read_settings(
        part="atmega328p", flags=[*FLAGS, "-DRUNS", *flags], optimize=optimize, folder=SCALES.parent, environment={}
    )
    return open_program([SCALES], settings)


class TestEveryBuild:
    @pytest.mark.parametrize(
        ("name", "inputs", "returned"),
        [
            ("add(int, int)", {"a": "1", "b": "-3"}, -2),
            ("add(float, float)", {"a": "1.5", "b": "2"}, 3.5),
            ("add(uint8_t)", {"a": "255"}, 0),
            ("Scale::read", {"this": "hive_scale", "raw": "3"}, 4),
            ("poll", {"sensor": "humidity", "channel": "3"}, 3),
            ("average<int>", {"a": "5", "b": "8"}, 6),
            ("average<uint8_t>", {"a": "250", "b": "4"}, 127),
            ("Ring<uint16_t, 4>::push", {"this": "ring", "item": "3"}, 0),
            ("Ring<uint8_t, 8>::push", {"this": "out", "item": "3"}, 0),
            ("Scale::offset", {"this": "hive_scale"}, 5),
            ("Scale::secret", {"this": "hive_scale", "by": "10"}, 15),
            ("hidden", {"x": "3"}, 0),
            ("lambda:58", {"y": "21"}, 42),
            ("hive::Scale::Scale(int16_t)", {"this": "out", "offset": "-2"}, None),
            ("Sensor::read", {"this": "humidity", "channel": "3"}, 3),
            ("Temperature::kind", {"this": "temperature"}, 2),
        ],
    )
    def test_gives_what_the_source_says(
        self, built: Program, name: str, inputs: dict[str, str], returned: object
    ) -> None:
        """As built, where that is labelled so, in the very image of the plain build; else in a kept copy."""
        result = timed(built, name, **inputs)
        assert isinstance(result.result, Call)
        assert result.result.returned == returned
        measured = result.result.measured
        assert measured.image in ("as built", "kept copy")
        assert (measured.image == "as built") == (measured.image_sha256 == built.firmware.image.sha256)


@pytest.mark.parametrize(
    ("written", "one_way"),
    [
        ("add( unsigned  char )", "add(unsigned char)"),
        ("f(uint32_t, long unsigned)", "f(long unsigned int,long unsigned int)"),
        ("Ring<uint16_t, 4u>::push(uint16_t) const", "Ring<unsigned int,4>::push(unsigned int)"),
        ("f(const char *, unsigned)", "f(const char*,unsigned int)"),
        ("f(void)", "f()"),
        ("f(int8_t, char)", "f(signed char,char)"),
        ("operator long long int", "operator long long int"),
    ],
)
def test_names_have_one_spelling(written: str, one_way: str) -> None:
    """Sized types are those of avr-libc 2.0.0's stdint.h for 16-bit int."""
    assert canonical(written) == one_way
    assert canonical(canonical(written)) == one_way


def test_constructors_and_instances_are_told_by_their_names() -> None:
    """With their types or without."""
    assert is_constructor("hive::Scale::Scale(int)")
    assert is_constructor("Scale::~Scale")
    assert is_constructor("Ring<int, 4>::Ring")
    assert not is_constructor("Scale")
    assert not is_constructor("hive::Scale::read")
    assert without_arguments("Ring<Pair<int, 2>, 4>::push") == "Ring::push"
