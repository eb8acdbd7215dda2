"""The object that users hold: functions by name, loading finished files, declaring what nothing else tells."""

import shutil
import subprocess
from pathlib import Path

import pytest

import cyclerule as cr
from cyclerule.errors import CompilerMissing, DomainTooLarge, NotModelled

PROGRAMS = Path(__file__).parent / "programs"
PART = "atmega328p"


def run(tool: str, *arguments: str | Path) -> None:
    """Runs one of the compiler's own tools."""
    subprocess.run([tool, *map(str, arguments)], check=True, capture_output=True)


@pytest.fixture(scope="session")
def pair() -> cr.Firmware:
    """Two C files with statics of the same names, and main."""
    return cr.build([PROGRAMS / "left.c", PROGRAMS / "right.c"], part=PART, clock="16 MHz")


@pytest.fixture(scope="session")
def sensor() -> cr.Firmware:
    """A program in C++."""
    return cr.build(PROGRAMS / "sensor.cpp", part=PART)


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pair as finished files: whole, without debug information, symbols or the part's note, and as HEX."""
    folder = tmp_path_factory.mktemp("finished")
    made = {name: folder / f"{name}.elf" for name in ("whole", "no_debug", "no_symbols", "no_note")}
    made["hex"] = folder / "pair.hex"
    sources = [str(PROGRAMS / name) for name in ("left.c", "right.c")]
    run("avr-gcc", f"-mmcu={PART}", "-Os", "-gdwarf-4", *sources, "-o", made["whole"])
    for name, option in (("no_debug", "--strip-debug"), ("no_symbols", "--strip-all")):
        shutil.copy(made["whole"], made[name])
        run("avr-strip", option, made[name])
    run("avr-objcopy", "-R", ".note.gnu.avr.deviceinfo", made["whole"], made["no_note"])
    run("avr-objcopy", "-O", "ihex", made["whole"], made["hex"])
    return made


# Names.


def test_functions_are_a_mapping_by_link_symbol(pair: cr.Firmware) -> None:
    """Parameters, return type, file, line, size and where it was inlined."""
    left = pair.functions["left"]
    assert (left.name, left.line, left.is_static) == ("left", 23, False)
    assert left.file == str(PROGRAMS / "left.c")
    assert left.size_bytes > 0
    assert left.signature is not None
    assert [p.name for p in left.signature.parameters] == ["n"]
    assert [p.name for p in pair.parameters("times_seven")] == ["n"]
    assert "main" in pair.functions
    assert list(pair) == list(pair.functions)


def test_static_functions_of_one_name_are_told_apart_by_their_file(pair: cr.Firmware) -> None:
    """The bare name is refused with what to write instead."""
    assert pair.call("weigh@left.c", 10).returned == 11
    assert pair.call("weigh@right.c", 10).returned == 12
    with pytest.raises(cr.UnknownName) as error:
        pair.call("weigh", 10)
    assert "several have that name, so give one of weigh@left.c (" in str(error.value)
    assert "weigh@right.c" in str(error.value)


def test_static_variables_of_one_name_are_told_apart_by_their_file(pair: cr.Firmware) -> None:
    """In what is held and in what is set."""
    assert pair.call("weigh@left.c", 10).held == [("total@left.c", 3)]
    assert pair.call("weigh@left.c", 10, globals={"total@left.c": 30}).held == [("total@left.c", 30)]
    with pytest.raises(cr.UnknownName, match=r"several have that name: total@left\.c, total@right\.c"):
        pair.call("weigh@left.c", 10, globals={"total": 1})


def test_c_plus_plus_functions_go_by_their_source_names(sensor: cr.Firmware) -> None:
    """With or without namespace and class; `this` is the first argument; a reference takes a value and keeps one."""
    assert sensor.call("hive::Sensor::read", {"offset": 3}, 4).returned == 7
    assert sensor.call("Sensor::read", cr.address("sensor"), 4).returned == 9
    assert sensor.call("read", cr.address("sensor"), 4).held == [("sensor", b"\x05\x00")]
    assert sensor.call("hive::clamp", 200, 100).arguments["value"] == (100).to_bytes(2, "little")
    assert sensor.call("plain", 1).returned == 2
    assert sensor.call("_ZN4hive5clampERii", 20, 100).arguments[0] == (20).to_bytes(2, "little")


def test_overloaded_functions_are_chosen_by_their_types(sensor: cr.Firmware) -> None:
    """As they are spoken of in C++, spaces or not; the bare name lists them."""
    assert sensor.call("hive::scale(int16_t)", 21).returned == 42
    assert sensor.call("hive::scale(float, uint8_t)", 1.5, 3).returned == 4.5
    assert sensor.call("scale(float,uint8_t)", 1.5, 3).returned == 4.5
    with pytest.raises(cr.UnknownName) as error:
        sensor.call("hive::scale", 1)
    assert "give one of hive::scale(int16_t) (" in str(error.value)
    assert "hive::scale(float, uint8_t) (" in str(error.value)


def test_instantiations_of_a_template_are_functions_of_their_own(sensor: cr.Firmware) -> None:
    """The compiler names them by the types it knows; the name alone means all of them."""
    assert sensor.call("hive::larger<int>", -4, 3).returned == 3
    assert sensor.call("larger<unsigned char>", 200, 3).returned == 200
    with pytest.raises(cr.UnknownName, match=r"several have that name, so give one of hive::larger<int>\(int, int\)"):
        sensor.call("hive::larger", 1, 2)


def test_run_calls_are_by_link_symbol(sensor: cr.Firmware) -> None:
    """Whatever name the function was asked for by."""
    run = sensor.run(max_cycles=5000, calls=["hive::Sensor::read", "scale(int16_t)"])
    assert set(run.calls) == {"_ZNK4hive6Sensor4readEi", "_ZN4hive5scaleEi"}
    assert run.calls["_ZN4hive5scaleEi"].count == 1
    assert sensor.run(until="function:scale(int16_t)").stopped == "until"


def test_a_handler_goes_by_its_vector(pair: cr.Firmware) -> None:
    """As ISR(TIMER1_OVF_vect) has it."""
    cycles = pair.call("__vector_13").cycles
    assert [pair.call(name).cycles for name in ("TIMER1_OVF", "TIMER1_OVF_vect")] == [cycles, cycles]


# Functions that the compiler changed.


@pytest.mark.parametrize("name", ["folded", "unused"])
def test_an_inlined_or_dropped_function_is_measured_in_a_kept_copy(pair: cr.Firmware, name: str) -> None:
    """What to type stands in the message, and the result says what was measured."""
    with pytest.raises(cr.CycleruleError, match=rf"keep=\['{name}'\]") as error:
        pair.call(name, 9)
    assert error.value.exit_status == 2
    kept = cr.build([PROGRAMS / "left.c", PROGRAMS / "right.c"], part=PART, keep=[name])
    call = kept.call(name, 9)
    assert call.returned == {"folded": 45, "unused": 0}[name]
    assert call.measured.image == "kept copy"


def test_a_clone_is_not_taken_for_its_function(pair: cr.Firmware) -> None:
    """The compiler made one with 7 built in: calling it by the function's parameters would be wrong."""
    clone = next(name for name in pair.functions if name.startswith("product."))
    for name in (clone, "product"):
        with pytest.raises(cr.ArgumentError, match=r"keep=\['product'\]"):
            pair.call(name, 3, 7)
    kept = cr.build([PROGRAMS / "left.c", PROGRAMS / "right.c"], part=PART, keep=["product"])
    assert kept.call("product", 300, 7).returned == 2103


# Finished files.


def test_a_loaded_elf_is_measured_as_the_build_it_came_from(pair: cr.Firmware, files: dict[str, Path]) -> None:
    """The part comes from the linker's note; the image is the same to the byte, so are the cycles."""
    loaded = cr.load(files["whole"], clock=16_000_000)
    assert (loaded.part.name, loaded.clock) == (PART, 16_000_000)
    assert loaded.image.sha256 == pair.image.sha256
    call, built = loaded.call("right", 3), pair.call("right", 3)
    assert (call.cycles, call.returned, call.held) == (built.cycles, built.returned, built.held)
    assert call.measured.compiler is not None


def test_a_file_without_the_note_needs_its_part(files: dict[str, Path]) -> None:
    """It is asked for, and taken."""
    with pytest.raises(cr.ArgumentError, match=r"does not say which part it is for; give it, for example part='atmega"):
        cr.load(files["no_note"])
    assert cr.load(files["no_note"], part="ATmega328P").call("right", 3).returned == 5 + 9


def test_another_part_than_the_note_s_is_refused(files: dict[str, Path]) -> None:
    """Measuring it there would be measuring something else."""
    with pytest.raises(cr.FirmwareError, match=r"is linked for atmega328p, not for atmega2560; leave the part out"):
        cr.load(files["whole"], part="atmega2560")


def test_without_debug_information_a_function_is_declared(pair: cr.Firmware, files: dict[str, Path]) -> None:
    """The symbol table has the name and nothing else; static functions of one name go by their address."""
    loaded = cr.load(files["no_debug"])
    with pytest.raises(
        cr.ArgumentError, match=r"right has no debug information .*declare\('uint8_t right\(uint8_t\)'\)"
    ):
        loaded.call("right", 3)
    loaded.declare("uint8_t right(uint8_t n)")
    call = loaded.call("right", 3)
    assert (call.cycles, call.returned) == (pair.call("right", 3).cycles, pair.call("right", 3).returned)
    assert call.measured.start == "at the entry of main"
    assert {name for name, _ in call.held} == {"ticks", "total"}
    assert [p.name for p in loaded.parameters("right")] == ["n"]
    with pytest.raises(cr.UnknownName, match="no function 'rigth'; nearest: right"):
        loaded.declare("uint8_t rigth(uint8_t)")


@pytest.mark.parametrize("kind", ["no_symbols", "hex"])
def test_without_symbols_a_function_is_declared_with_its_address(
    pair: cr.Firmware, files: dict[str, Path], kind: str
) -> None:
    """`main` is found in the start-up code, so that calls start there: `ticks` and `total` have their values."""
    loaded = cr.load(files[kind], part=PART)
    with pytest.raises(
        cr.UnknownName, match=r"declare a function with its address, declare\('uint8_t f\(uint8_t\) @ 0x"
    ):
        loaded.call("right", 3)
    address = pair.functions["right"].address
    assert address is not None
    loaded.declare(f"uint8_t right(uint8_t n) @ 0x{address:x}")
    call, built = loaded.call("right", 3), pair.call("right", 3)
    assert (call.cycles, call.returned, call.instructions) == (built.cycles, built.returned, built.instructions)
    assert call.measured.start == "at the entry of main"
    # `total` of right.c lies right behind `ticks`.
    assert call.held == [(f"RAM at 0x{pair.image.symbol('ticks').address:04x}", b"\x09\x04\0")]
    assert call.cycles_with_call == call.cycles + 4
    assert loaded.run(until="function:right", max_cycles=10_000).stopped == "until"
    assert loaded.run(max_cycles=10_000, calls=["right"]).calls["right"].count == 1


@pytest.mark.parametrize(
    ("prototype", "text"),
    [
        ("uint8_t right(uint8_t) @ here", "'here' is no address; write it as 0x80"),
        ("uint8_t right(uint8_t) @ 0x81", "0x81 is no even flash byte address inside the program"),
        ("uint8_t right(uint8_t) @ 0x8000", "0x8000 is no even flash byte address inside the program"),
        ("uint8_t right", "declares no function; one looks like 'float sin(float)'"),
        ("uint9_t right(uint8_t)", "uint9_t"),
    ],
)
def test_a_declaration_that_does_not_fit_is_said_to_be_so(files: dict[str, Path], prototype: str, text: str) -> None:
    """The compiler's own words where it is the compiler that refuses."""
    with pytest.raises(cr.CycleruleError) as error:
        cr.load(files["hex"], part=PART).declare(prototype)
    assert text in str(error.value)
    assert error.value.exit_status == 2


def test_a_file_that_is_no_firmware_is_said_to_be_none(tmp_path: Path) -> None:
    """A missing file, a folder, an empty file, text, an object."""
    with pytest.raises(cr.FirmwareError, match="No such file"):
        cr.load(tmp_path / "missing.elf", part=PART)
    with pytest.raises(cr.FirmwareError, match=str(tmp_path.name)):
        cr.load(tmp_path, part=PART)
    for content in (b"", b"int main(void) {}", bytes(range(256))):
        path = tmp_path / "strange.bin"
        path.write_bytes(content)
        with pytest.raises(cr.FirmwareError, match=r"strange\.bin"):
            cr.load(path, part=PART)
    run("avr-gcc", f"-mmcu={PART}", "-c", PROGRAMS / "left.c", "-o", tmp_path / "left.o")
    with pytest.raises(cr.FirmwareError, match=r"was not linked; link it, or give its source"):
        cr.load(tmp_path / "left.o", part=PART)


# Building.


def test_the_compiler_s_own_words_come_with_a_build_error(tmp_path: Path) -> None:
    """At the user's line; exit status 3."""
    source = tmp_path / "broken.c"
    source.write_text("int f(int n)\n{\n    return m;\n}\n", encoding="utf-8")
    with pytest.raises(cr.BuildError) as error:
        cr.build(source, part=PART)
    assert "broken.c:3" in str(error.value)
    assert "'m' undeclared" in str(error.value)
    assert error.value.exit_status == 3


def test_an_unknown_part_offers_the_nearest() -> None:
    """Names are those of the compiler."""
    with pytest.raises(cr.UnknownName, match=r"no part 'atmega382p'; nearest: .*atmega328p"):
        cr.build(PROGRAMS / "left.c", part="atmega382p")


def test_a_missing_compiler_is_an_error_of_the_build(tmp_path: Path) -> None:
    """With where it was looked for."""
    with pytest.raises(CompilerMissing) as error:
        cr.build(PROGRAMS / "left.c", part=PART, toolchain=tmp_path)
    assert str(tmp_path) in str(error.value)
    assert error.value.exit_status == 3


def test_the_clock_defines_f_cpu_or_comes_from_the_source(tmp_path: Path) -> None:
    """Two clocks are a warning that shows both; none is none."""
    source = tmp_path / "clocked.c"
    source.write_text("#include <stdint.h>\nuint32_t clock(void) { return F_CPU; }\n", encoding="utf-8")
    given = cr.build(source, part=PART, clock="8 MHz")
    assert (given.clock, given.call("clock").returned, given.warnings) == (8_000_000, 8_000_000, [])
    source.write_text("#define F_CPU 1000000UL\nunsigned long clock(void) { return F_CPU; }\n", encoding="utf-8")
    found = cr.build(source, part=PART)
    assert (found.clock, found.call("clock").returned) == (1_000_000, 1_000_000)
    both = cr.build(source, part=PART, clock="8 MHz")
    assert len(both.warnings) == 1
    assert "8 MHz" in both.warnings[0]
    assert "1 MHz" in both.warnings[0]
    assert both.call("clock").returned == 1_000_000
    source.write_text("int nothing;\nvoid idle(void) { nothing = 1; }\n", encoding="utf-8")
    without = cr.build(source, part=PART)
    assert without.clock is None
    assert without.call("idle").seconds is None


def test_a_family_without_a_model_is_refused(tmp_path: Path) -> None:
    """Rather than measured by the wrong figures."""
    with pytest.raises(NotModelled, match=r"is of family AVRx.*not modelled yet"):
        cr.build(PROGRAMS / "left.c", part="atxmega128a1").call("left", 1)


# The package.


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (cr.ArgumentError, 2),
        (cr.UnknownName, 2),
        (cr.FirmwareError, 2),
        (cr.BuildError, 3),
        (cr.RunawayError, 4),
        (cr.FaultError, 4),
        (DomainTooLarge, 4),
        (cr.BoundError, 4),
        (cr.BoardError, 5),
    ],
)
def test_every_error_is_a_cyclerule_error_with_its_exit_status(error: type[cr.CycleruleError], status: int) -> None:
    """2 the command was wrong, 3 the build failed, 4 not decided, 5 board or port."""
    assert issubclass(error, cr.CycleruleError)
    assert error.exit_status == status


def test_the_public_names_are_there_and_sorted() -> None:
    """Each can be imported; others are an AttributeError."""
    assert cr.__all__ == sorted(cr.__all__)
    assert all(getattr(cr, name) is not None for name in cr.__all__)
    assert set(cr.__all__) <= set(dir(cr))
    with pytest.raises(AttributeError, match="no attribute 'measure_everything'"):
        _ = cr.measure_everything


def test_the_example_of_the_package_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """The ten lines at the top of `cyclerule/__init__.py`."""
    import doctest

    monkeypatch.chdir(Path(__file__).parents[2])
    results = doctest.testmod(cr)
    assert (results.failed, results.attempted > 3) == (0, True)
