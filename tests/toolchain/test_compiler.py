"""Running the toolchain's programs and asking what it knows of parts."""

import os
import re
from pathlib import Path

import pytest

from cyclerule.errors import BuildError, UnknownName
from cyclerule.toolchain import Toolchain, find
from cyclerule.toolchain.compiler import start


@pytest.fixture(scope="module")
def toolchain() -> Toolchain:
    """The toolchain on PATH."""
    return find()


def test_version_is_the_one_the_compiler_prints(toolchain: Toolchain) -> None:
    """`avr-gcc --version` in its first line; results are recorded with it."""
    first_line = toolchain.run("gcc", ["--version"]).stdout.splitlines()[0]
    assert re.fullmatch(r"avr-gcc \d+(\.\d+)+", toolchain.version)
    assert toolchain.version.removeprefix("avr-gcc ") in first_line.split()


@pytest.mark.parametrize("tool", ["gcc", "g++", "ar", "gcc-ar", "objdump", "objcopy", "nm", "size"])
def test_every_program_runs(toolchain: Toolchain, tool: str) -> None:
    """All print a version (GNU coding standards, --version)."""
    done = toolchain.run(tool, ["--version"])  # type: ignore[arg-type]
    assert done.returncode == 0
    assert "GNU" in done.stdout or "Free Software Foundation" in done.stdout
    assert done.command[1:] == ("--version",)


def test_a_failing_compiler_gives_its_words_and_status(toolchain: Toolchain, monkeypatch: pytest.MonkeyPatch) -> None:
    """In English whatever the user's language is, with characters beyond ASCII kept."""
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    monkeypatch.setenv("LANGUAGE", "de")
    done = toolchain.run("gcc", ["-c", "-x", "c", "-", "-o", os.devnull], stdin='#error "Bienenstöcke"\n')
    assert done.returncode == 1
    assert "error: #error" in done.stderr
    assert "Bienenstöcke" in done.stderr


def test_bytes_that_are_no_utf8_are_replaced(toolchain: Toolchain, tmp_path: Path) -> None:
    """A source in Latin-1 must not end in a traceback."""
    (tmp_path / "hive.c").write_bytes(b'#error "Bienenst\xf6cke"\n')
    done = toolchain.run("gcc", ["-c", "hive.c", "-o", os.devnull], cwd=tmp_path)
    assert done.returncode == 1
    assert "Bienenst\N{REPLACEMENT CHARACTER}cke" in done.stderr


def test_arguments_are_passed_as_they_are(toolchain: Toolchain, tmp_path: Path) -> None:
    """No shell: spaces, quotes, semicolons and stars are parts of a name."""
    source = tmp_path / "a hive; echo 'x' * $HOME.c"
    source.write_text("int weight;\n", encoding="utf-8")
    done = toolchain.run("gcc", ["-mmcu=atmega328p", "-c", source, "-o", tmp_path / "o.o"])
    assert (done.returncode, done.stderr) == (0, "")


def test_a_program_that_reads_does_not_wait_for_a_keyboard(toolchain: Toolchain) -> None:
    """Without `stdin` the input is empty."""
    assert toolchain.run("gcc", ["-E", "-x", "c", "-"]).returncode == 0


def test_a_missing_program_is_named(toolchain: Toolchain, tmp_path: Path) -> None:
    """A toolchain unpacked in part."""
    with pytest.raises(BuildError, match="avr-objdump"):
        Toolchain(tmp_path, "avr-gcc 5.4.0").run("objdump", [])


def test_a_program_that_cannot_start_is_told(tmp_path: Path) -> None:
    """A file that is no program at all."""
    program = tmp_path / "avr-gcc"
    program.write_bytes(b"\x00\x01\x02\x03")
    program.chmod(0o755)
    with pytest.raises(BuildError, match="cannot be run") as raised:
        start([str(program), "--version"])
    assert raised.value.command == (str(program), "--version")


def test_part_names_are_sorted_parts_and_no_families(toolchain: Toolchain) -> None:
    """GCC manual, "AVR Options": avr2 … avrtiny are families; the rest are devices."""
    names = toolchain.part_names()
    assert list(names) == sorted(set(names))
    assert {"atmega328p", "atmega2560", "attiny85", "at90s8515", "atxmega128a1"} <= set(names)
    assert not {"avr1", "avr2", "avr25", "avr5", "avr6", "avrtiny", "avrxmega2"} & set(names)
    assert len(names) > 200


def test_part_names_of_an_older_compiler_are_those_it_lists_in_its_help(
    toolchain: Toolchain, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before version 5 there is no folder of device specs; `--target-help` has the list, its assembler's included."""
    run = Toolchain.run

    def without_specs(self: Toolchain, tool: str, arguments: list[str], **settings: object) -> object:
        done = run(self, tool, arguments, **settings)  # type: ignore[arg-type]
        return done._replace(stdout="device-specs\n") if arguments == ["-print-file-name=device-specs"] else done

    monkeypatch.setattr(Toolchain, "run", without_specs)
    names = toolchain.part_names()
    assert list(names) == sorted(set(names))
    assert {"atmega328p", "atmega2560", "attiny85", "at90s8515"} <= set(names)
    assert not {"avr2", "avr5", "Known", "MCU"} & set(names)


def test_macros_hold_the_headers_and_the_compilers_own(toolchain: Toolchain) -> None:
    """<avr/iom328p.h> of avr-libc 2.0.0; function-like macros are left out."""
    macros = toolchain.macros("atmega328p")
    assert macros["PORTB"] == "_SFR_IO8(0x05)"
    assert macros["__AVR_ATmega328P__"] == "1"
    assert macros["FLASHEND"] == "0x7FFF"
    assert "_SFR_IO8" not in macros
    assert "_SFR_IO8(io_addr)" not in macros


def test_macros_see_definitions_and_other_headers(toolchain: Toolchain) -> None:
    """As the user's build has them."""
    headers = ("avr/io.h", "util/setbaud.h")
    by_text = toolchain.macros("atmega328p", headers, {"F_CPU": "16000000UL", "BAUD": "9600"})
    by_list = toolchain.macros("atmega328p", headers, ["F_CPU=16000000UL", "BAUD=9600"])
    assert by_text["F_CPU"] == "16000000UL"
    assert "UBRR_VALUE" in by_text
    assert by_text == by_list
    assert "FLASHEND" not in toolchain.macros("atmega328p", ())


def test_definitions_are_the_macros_in_the_headers_order(toolchain: Toolchain) -> None:
    """-dD lists what -dM does, with places."""
    definitions = toolchain.definitions("atmega328p")
    assert {d.name: d.text for d in definitions} == toolchain.macros("atmega328p")
    order = [d.name for d in definitions]
    assert order.index("PINB") < order.index("DDRB") < order.index("PORTB") < order.index("TIMER1_OVF_vect")
    files = {d.name: d.file for d in definitions}
    assert Path(files["PORTB"]).name == "iom328p.h"
    assert Path(files["PORTB"]).is_absolute()
    assert files["__AVR_ARCH__"] == "<built-in>"


def test_definitions_have_the_compilers_own_where_its_listing_leaves_them_out(
    toolchain: Toolchain, monkeypatch: pytest.MonkeyPatch
) -> None:
    """GCC manual, "Preprocessor Options": -dD does not include the predefined macros; 5.4.0 does all the same."""
    run = Toolchain.run

    def without_own(self: Toolchain, tool: str, arguments: list[str], **settings: object) -> object:
        done = run(self, tool, arguments, **settings)  # type: ignore[arg-type]
        if "-dD" not in arguments:
            return done
        kept = done.stdout[done.stdout.index("avr/io.h") - 40 :]
        return done._replace(stdout=kept[kept.index("\n# ") + 1 :])

    whole = {(d.name, d.text) for d in toolchain.definitions("attiny85")}
    monkeypatch.setattr(Toolchain, "run", without_own)
    assert {(d.name, d.text) for d in toolchain.definitions("attiny85")} == whole


def test_a_missing_header_is_told_in_the_compilers_words(toolchain: Toolchain) -> None:
    """The compiler's own line stands in the error."""
    with pytest.raises(BuildError, match=r"hive/weight\.h: No such file") as raised:
        toolchain.macros("atmega328p", ("hive/weight.h",))
    assert raised.value.command


def test_an_unknown_part_is_told_with_the_nearest(toolchain: Toolchain) -> None:
    """Not the compiler's words, which speak of specs files."""
    with pytest.raises(UnknownName) as raised:
        toolchain.macros("atmega238p")
    assert "atmega328p" in raised.value.nearest


def test_startup_file_is_the_one_the_compiler_links(toolchain: Toolchain, tmp_path: Path) -> None:
    """The linker's own map names it (ld manual, -Map)."""
    found = toolchain.startup_file("atmega328p")
    assert found is not None
    linked = tmp_path / "hive.map"
    arguments: list[str | Path] = [
        "-mmcu=atmega328p",
        "-x",
        "c",
        "-",
        "-o",
        tmp_path / "hive.elf",
        f"-Wl,-Map={linked}",
    ]
    assert toolchain.run("gcc", arguments, stdin="int main(void) { return 0; }\n").returncode == 0
    assert str(found) in linked.read_text(encoding="utf-8")
    assert toolchain.has_startup("atmega328p")


def test_parts_have_a_start_up_file_exactly_where_a_program_links(toolchain: Toolchain, tmp_path: Path) -> None:
    """A sample; parts for assembler only (avr1) are linked from assembler."""
    names = toolchain.part_names()
    for name in [*names[::20], "atmega328p", "at90s1200", *(n for n in names if not toolchain.has_startup(n))]:
        arguments: list[str | Path] = [f"-mmcu={name}", "-x", "assembler", "-", "-o", tmp_path / "hive.elf"]
        done = toolchain.run("gcc", arguments, stdin=".global main\nmain: rjmp main\n")
        assert (done.returncode == 0) == toolchain.has_startup(name), (name, done.stderr)


def test_names_beside_the_library_are_parts_with_a_start_up_file(toolchain: Toolchain) -> None:
    """The quick look and the compiler's own answer come to the same."""
    beside = toolchain.startup_names()
    names = toolchain.part_names()
    for name in [*names[::15], *(name for name in names if name not in beside)]:
        assert (name in beside) == toolchain.has_startup(name), name


def test_a_part_without_start_up_file_is_told_to_lack_its_device_pack(toolchain: Toolchain) -> None:
    """avr-gcc 5.4.0 of Debian knows more parts than its avr-libc 2.0.0."""
    toolchain.check_startup("atmega328p")
    bare = sorted(set(toolchain.part_names()) - toolchain.startup_names())
    if not bare:
        pytest.skip("this toolchain has a start-up file for every part")
    with pytest.raises(BuildError) as raised:
        toolchain.check_startup(bare[0])
    assert f"the device pack of {bare[0]} is missing" in str(raised.value)
    assert f"crt{bare[0]}.o" in str(raised.value)
    with pytest.raises(UnknownName):
        toolchain.check_startup("atmega238p")


def test_data_starts_where_the_device_has_its_ram(toolchain: Toolchain) -> None:
    """Datasheets: ATmega328P 0x100, ATmega2560 0x200, AT90S8515 0x60; the AT90S1200 has no RAM."""
    starts = {name: toolchain.data_start(name) for name in ("atmega328p", "atmega2560", "at90s8515", "at90s1200")}
    assert starts == {"atmega328p": 0x100, "atmega2560": 0x200, "at90s8515": 0x60, "at90s1200": None}
