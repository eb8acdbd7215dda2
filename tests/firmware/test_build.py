"""Builds, checked against the same compiler called directly, and against what its other programs say of the image."""

import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import pytest

from cyclerule.cache import cache_folder
from cyclerule.errors import ArgumentError, BuildError, CompilerMissing, CycleruleError, UnknownName
from cyclerule.firmware.build import BuiltImage, build_image, clock_in_sources
from cyclerule.firmware.compiling import dependencies
from cyclerule.firmware.flags import read_flags
from cyclerule.firmware.object_cache import Made, ObjectCache
from cyclerule.toolchain import Completed, Toolchain, find

PART = "atmega328p"
HIVE = Path(__file__).parent / "hive"
HIVE_PROGRAMS = {
    "C and assembly": (["hive.c", "scale.c", "swap.S"], ["-std=gnu99"]),
    "C++": (["sensor.cpp"], ["-std=gnu++11"]),
}
LEVELS = {
    "-Os": ["-Os"],
    "-O2": ["-O2"],
    "-Os -flto": ["-Os", "-flto"],
    "-Os, sections": ["-Os", "-ffunction-sections", "-Wl,--gc-sections"],
}
STRICT = ["-pedantic", "-Wredundant-decls", "-Wcast-qual", "-Wshadow", "-Wundef", "-Werror"]
CRC = """#include <stdint.h>
static uint8_t step(uint8_t crc)
{
    return (crc & 0x80) ? (crc << 1) ^ 0x07 : crc << 1;
}
static inline uint8_t twice(uint8_t crc) { return step(step(crc)); }
extern uint8_t table[3], crc8(uint8_t, uint8_t);
uint8_t table[3] = {1, 2, 3};
uint8_t crc8(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t i = 0; i < 4; i++)
        crc = twice(crc);
    return crc;
}
"""


@pytest.fixture(scope="module")
def toolchain() -> Toolchain:
    """The installed avr-gcc."""
    try:
        return find()
    except CompilerMissing:
        pytest.skip("avr-gcc is not installed (Debian: gcc-avr avr-libc)")


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's folder to work in, and a cache of the test's own."""
    place = tmp_path / "work"
    place.mkdir()
    monkeypatch.chdir(place)
    monkeypatch.setenv("CYCLERULE_CACHE", str(tmp_path / "cache"))
    return place


@pytest.fixture
def build(toolchain: Toolchain) -> Callable[..., BuiltImage]:
    """Builds files of the working folder, written first from texts given by name; nothing may be written there."""

    def built(*names: str, texts: dict[str, str] | None = None, part: str = PART, **settings: object) -> BuiltImage:
        write(texts or {})
        before = set(Path().rglob("*"))
        try:
            return build_image(names or list(texts or {}), toolchain=toolchain, part_name=part, **settings)  # type: ignore[arg-type]
        finally:
            assert set(Path().rglob("*")) == before

    return built


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> list[Completed]:
    """Every run of a program of the toolchain from now on."""
    done: list[Completed] = []
    run = Toolchain.run

    def recorded(self: Toolchain, tool: str, arguments: Sequence[str | Path], **settings: object) -> Completed:
        completed = run(self, tool, arguments, **settings)  # type: ignore[arg-type]
        done.append(completed)
        return completed

    monkeypatch.setattr(Toolchain, "run", recorded)
    return done


def write(texts: dict[str, str]) -> None:
    """Writes files of the working folder, dated back, as an editor's would be by the time of a build."""
    for name, text in texts.items():
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        os.utime(path, (1_700_000_000, 1_700_000_000))


def output(*command: str, given: str | None = None) -> str:
    """Runs a program and gives what it printed."""
    return subprocess.run(command, input=given, capture_output=True, text=True, check=True).stdout


def code_bytes(elf: Path) -> bytes:
    """Gives what objcopy makes of a program for the chip."""
    raw = elf.with_suffix(".bin")
    output("avr-objcopy", "-O", "binary", "-R", ".eeprom", str(elf), str(raw))
    return raw.read_bytes()


def compiled_directly(folder: Path, sources: Sequence[str], options: Sequence[str]) -> bytes:
    """Builds with avr-gcc alone, each source by itself as makefiles do, and gives the code bytes."""
    folder.mkdir(exist_ok=True)
    objects = []
    for source in sources:
        objects.append(str(folder / f"{Path(source).stem}.o"))
        tool = "avr-g++" if source.endswith(".cpp") else "avr-gcc"
        output(tool, f"-mmcu={PART}", *options, "-c", source, "-o", objects[-1])
    link = [option for option in options if not option.startswith("-std=")]
    output("avr-gcc", f"-mmcu={PART}", *link, *objects, "-lm", "-o", str(folder / "program.elf"))
    return code_bytes(folder / "program.elf")


def body(image: BuiltImage, name: str) -> bytes:
    """Gives a function's code."""
    function = image.functions[name]
    assert function.address is not None
    return image.flash[function.address : function.address + function.size_bytes]


def names(image: BuiltImage) -> set[str]:
    """Gives all link symbols in flash."""
    return {symbol.name for symbol in image.symbols if symbol.space == "flash"}


class TestNothingIsAdded:
    @pytest.mark.parametrize("program", HIVE_PROGRAMS)
    @pytest.mark.parametrize("level", LEVELS)
    def test_the_code_is_what_the_compiler_makes_without_debug_information(
        self, program: str, level: str, toolchain: Toolchain, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Source: avr-gcc 5.4.0 called directly without -g and with -gdwarf-4; objcopy gives the same bytes for both.

        And the image that is built, whatever else its commands have, consists of those bytes.
        """
        monkeypatch.chdir(HIVE)
        sources, standard = HIVE_PROGRAMS[program]
        options = [*LEVELS[level], *standard]
        plain = compiled_directly(tmp_path / "plain", sources, options)
        with_debug = compiled_directly(tmp_path / "debug", sources, [*options, "-gdwarf-4"])
        image = build_image(
            sources, toolchain=toolchain, part_name=PART, optimize=options[0].removeprefix("-O"), flags=options[1:]
        )
        assert plain == with_debug
        assert image.flash[: len(plain)] == plain
        assert image.flash_used[-1][1] == len(plain)
        assert image.build.has_own_main
        assert image.kind == "as built"

    def test_the_record_repeats_the_build(
        self, build: Callable[..., BuiltImage], tmp_path: Path, workplace: Path
    ) -> None:
        """The commands, typed in a copy of the folder, give the same code."""
        texts = {
            "crc.c": CRC,
            "lib/crc.c": "int other(void) { return 5; }\n",
            "main.cpp": 'extern "C" unsigned char crc8(unsigned char, unsigned char);\n'
            "int main() { return crc8(LIMIT, F_CPU / 1000000); }\n",
        }
        flags = ["-Wall", "-fno-exceptions", "-Wl,--relax"]
        image = build(texts=texts, clock="16 MHz", optimize="2", defines={"LIMIT": 40}, flags=flags)
        record = image.build
        assert record.compiler.startswith("avr-gcc ")
        assert record.flags == (
            "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-O2", "-DLIMIT=40", *flags, "-gdwarf-4"
        )  # fmt: skip
        assert image.flags == ("-O2", "-DLIMIT=40", *flags)
        copy = tmp_path / "copy"
        copy.mkdir()
        (copy / "lib").mkdir()
        for name, text in texts.items():
            (copy / name).write_text(text, encoding="utf-8")
        for command in record.commands:
            subprocess.run(command, cwd=copy, check=True)
        repeated = code_bytes(copy / "crc.elf")
        assert image.flash[: len(repeated)] == repeated

    def test_user_flags_count_as_they_do_for_the_compiler(self, build: Callable[..., BuiltImage]) -> None:
        """A later -O wins (GCC manual, "Optimize Options"); a -g of a makefile does not take the line table away."""
        texts = {"crc.c": CRC}
        assert build(texts=texts, flags=["-O3", "-g"]).flash == build(texts=texts, optimize="3").flash
        assert build(texts=texts, flags=["-O3", "-g"]).functions["crc8"].line == 9
        assert build(texts=texts, flags=["-ggdb3", "-gstabs"]).functions["crc8"].line == 9


class TestLanguages:
    def test_every_kind_of_file_goes_in(self, build: Callable[..., BuiltImage], workplace: Path) -> None:
        """C, C++, assembly with and without preprocessing, an object and a library, in one program."""
        texts = {
            "a.c": "int from_c(void) { return 1; }\n",
            "b.cpp": "int from_cpp() { return 2; }\n",
            "c.cc": "int from_cc() { return 2; }\n",
            "d.S": "#define NAME from_preprocessed\n.global NAME\nNAME: ret\n",
            "e.s": ".global from_plain\nfrom_plain: ret\n",
            "f.asm": "#define NAME from_asm\n.global NAME\nNAME: ret\n",
            "main.c": "int in_library(void);\nint main(void) { return in_library(); }\n",
        }
        write(texts)
        objects = workplace.parent / "objects"
        objects.mkdir()
        for name in ("from_object", "in_library"):
            made = str(objects / f"{name}.o")
            source = f"int {name}(void) {{ return 3; }}"
            output("avr-gcc", f"-mmcu={PART}", "-x", "c", "-c", "-", "-o", made, given=source)
        output("avr-ar", "rcs", str(objects / "library.a"), str(objects / "in_library.o"))
        image = build(*texts, str(objects / "from_object.o"), str(objects / "library.a"))
        wanted = {"from_c", "_Z8from_cppv", "_Z7from_ccv", "from_preprocessed", "from_plain", "from_asm", "from_object"}
        assert wanted | {"in_library", "main"} <= names(image)
        assert image.build.compiled == tuple(texts)

    def test_floating_point_functions_are_found(self, build: Callable[..., BuiltImage]) -> None:
        """The maths library is linked without being asked for."""
        image = build(texts={"a.c": "#include <math.h>\nfloat f(float x) { return sin(x) + sqrt(x); }\n"})
        assert {"sin", "sqrt"} <= names(image)

    def test_the_compilers_own_standard_holds_unless_told(self, build: Callable[..., BuiltImage]) -> None:
        """avr-gcc 5.4: __STDC_VERSION__ is 201112L by default; -std=gnu99 reaches C alone, -std=gnu++11 C++ alone."""
        c = "#if __STDC_VERSION__ != {}\n#error another\n#endif\nint f(void) {{ return 0; }}\n"
        cpp = "#if __cplusplus != {}\n#error another\n#endif\n"
        version = output("avr-gcc", "-dM", "-E", "-x", "c", "-", given="")
        default = re.search(r"__STDC_VERSION__ (\w+)", version)
        assert default is not None
        build(texts={"a.c": c.format(default[1])})
        image = build(texts={"a.c": c.format("199901L"), "b.cpp": cpp.format("201103L")},
                      flags=["-std=gnu99", "-std=gnu++11", "-fno-rtti", "-Werror"])  # fmt: skip
        assert image.build.warnings == ()


class TestMissingMain:
    @pytest.mark.parametrize("flags", [[], ["-flto"], ["-ffunction-sections", "-Wl,--gc-sections"]], ids=str)
    def test_a_main_that_does_nothing_stands_in_for_a_missing_one(
        self, flags: list[str], build: Callable[..., BuiltImage]
    ) -> None:
        """The functions of the file are there, also where the link drops what nothing calls, when asked for."""
        image = build(texts={"crc.c": CRC}, flags=flags, asked=["crc8"])
        assert not image.build.has_own_main
        assert {"main", "crc8"} <= names(image)
        # main: rjmp to itself (AVR Instruction Set Manual, RJMP: k = -1).
        assert body(image, "main") == b"\xff\xcf"

    def test_a_function_that_nothing_calls_vanishes_from_such_a_link_unless_asked_for(
        self, build: Callable[..., BuiltImage]
    ) -> None:
        """What --undefined is for; without link-time optimization it changes nothing."""
        assert "crc8" not in names(build(texts={"crc.c": CRC}, flags=["-flto"]))
        assert build(texts={"crc.c": CRC}).flash == build(texts={"crc.c": CRC}, asked=["crc8"]).flash

    @pytest.mark.parametrize("flags", [[], ["-flto"]], ids=str)
    def test_the_users_own_main_wins(self, flags: list[str], build: Callable[..., BuiltImage]) -> None:
        """Whether it is in a source or in a library."""
        image = build(texts={"a.c": "volatile int x; int main(void) { x = 5; return x; }\n"}, flags=flags)
        assert image.build.has_own_main
        assert len(body(image, "main")) > 2

    def test_a_main_in_the_users_library_wins(self, build: Callable[..., BuiltImage], workplace: Path) -> None:
        """As cores of board packages bring it, named as a file or by -l."""
        folder = workplace.parent
        text = "extern int crc8(int); int main(void) { return crc8(1); }"
        made = str(folder / "main.o")
        output("avr-gcc", f"-mmcu={PART}", "-Os", "-x", "c", "-c", "-", "-o", made, given=text)
        output("avr-ar", "rcs", str(folder / "libcore.a"), made)
        write({"crc.c": CRC})
        assert build("crc.c", str(folder / "libcore.a")).build.has_own_main
        assert build("crc.c", flags=["-L", str(folder), "-lcore"]).build.has_own_main


class TestKeptCopies:
    @pytest.mark.parametrize("flags", [[], ["-flto"], ["-ffunction-sections", "-Wl,--gc-sections"]], ids=str)
    def test_inlined_and_dropped_functions_stand_by_themselves(
        self, flags: list[str], build: Callable[..., BuiltImage]
    ) -> None:
        """No warning comes of it under strict flags, and lines stay those of the user's file."""
        unused = CRC + "static uint8_t nobody_calls_it(uint8_t x) { return x + 1; }\n"
        kept = ["step", "twice", "nobody_calls_it"]
        flags = [*flags, "-Wall", "-Wextra", "-Wno-unused-function", *STRICT]
        assert not {"step", "twice"} & names(build(texts={"crc.c": unused}, flags=flags))
        image = build("crc.c", flags=flags, keep=kept)
        assert set(kept) <= names(image)
        assert image.kind == "kept copy"
        assert image.build.warnings == ()
        assert image.build.kept == tuple(kept)
        for name, line in {"step": 2, "twice": 6, "nobody_calls_it": 16}.items():
            function = image.functions[name]
            assert (function.file, function.line) == ("crc.c", line)
            assert function.address is not None
            end = function.address + function.size_bytes
            rows = [row for row in image.lines.rows if function.address <= row.address < end and not row.end_sequence]
            assert {row.file for row in rows} == {"crc.c"}
            # The first row is that of the opening brace.
            assert rows[0].line in (line, line + 1)

    def test_the_unit_takes_the_files_place(self, build: Callable[..., BuiltImage]) -> None:
        """Nothing is defined twice, and where only a dropped function was kept the rest has the same code."""
        unused = CRC + "static uint8_t nobody_calls_it(uint8_t x) { return x + 1; }\n"
        plain = build(texts={"crc.c": unused})
        kept = build("crc.c", keep=["nobody_calls_it"])
        assert body(kept, "crc8") == body(plain, "crc8")
        assert [s.name for s in kept.symbols if s.name == "table"] == ["table"]
        # clr-free: SUBI r24,-1 (255), RET (AVR Instruction Set Manual).
        assert body(kept, "nobody_calls_it") == b"\x8f\x5f\x08\x95"

    def test_plain_inline_functions_of_c_are_kept_with_their_place(self, build: Callable[..., BuiltImage]) -> None:
        """C11 6.7.4: an inline definition alone makes no function, so its address alone would not either."""
        source = (
            '#include "a.h"\n'
            "inline int low(int x);\n"
            "int f(int x) { return low(x) + high(x); }\n"
            "inline int low(int x) { return x & 15; }\n"
        )
        write({"a.c": source, "a.h": "\ninline int high(int x) { return x >> 4; }\n"})
        image = build("a.c", keep=["low", "high"])
        assert (image.functions["low"].file, image.functions["low"].line) == ("a.c", 4)
        assert (image.functions["high"].file, image.functions["high"].line) == ("a.h", 2)

    def test_a_function_of_a_header_is_kept_where_it_is_included(self, build: Callable[..., BuiltImage]) -> None:
        """Two files may have their own copy of it."""
        texts = {
            "hive.h": "static inline int warmer(int a, int b) { return a > b ? a : b; }\n",
            "a.c": '#include "hive.h"\nint f(void) { return 1; }\n',
            "b.c": '#include "hive.h"\nint warmer_of(int x) { return warmer(x, 7); }\nint main(void) { return 0; }\n',
            "c.c": "extern int warmer(int, int);\nint unrelated;\n",
        }
        write(texts)
        image = build("a.c", "b.c", "c.c", keep=["warmer"])
        assert "warmer" in names(image)
        assert image.functions["warmer"].file == "hive.h"
        assert len(image.build.generated) == 1
        assert "warmer" in names(build("a.c", keep=["warmer"]))

    def test_headers_beside_a_source_in_another_folder_are_found(self, build: Callable[..., BuiltImage]) -> None:
        """#include with quotes looks beside the including file first (GCC manual, "Include Syntax")."""
        write({"limit.h": "#error the wrong one\n", "src/limit.h": "#define LIMIT 9\n"})
        write({"src/a.c": '#include "limit.h"\nstatic int limited(int x) { return x > LIMIT ? LIMIT : x; }\n'})
        image = build("src/a.c", keep=["limited"])
        assert image.functions["limited"].file == "src/a.c"

    CPP = """
namespace hive {
static int scaled(int x) { return x * 3; }
struct Sensor { int offset; int read(int x) { return x + offset; } static int half(int x) { return x / 2; } };
}
namespace { int hidden(int x) { return x * 7; } }
template<class T> T doubled(T x) { return x + x; }
int several(int x) { return x; }
long several(long x) { return x + 1; }
int uses(hive::Sensor &s) { return hive::scaled(hidden(s.read(hive::Sensor::half(doubled(several(5)))))); }
"""

    @pytest.mark.parametrize("flags", [[], ["-flto"], ["-ffunction-sections", "-Wl,--gc-sections"]], ids=str)
    def test_functions_of_cpp_are_kept(self, flags: list[str], build: Callable[..., BuiltImage]) -> None:
        """Of namespaces and of classes, overloaded ones by their types, templates by an instantiation."""
        keep = {
            "hive::scaled": "hive::scaled(int)",
            "hive::Sensor::read": "hive::Sensor::read(int)",
            "hive::Sensor::half": "hive::Sensor::half(int)",
            "hidden": "(anonymous namespace)::hidden(int)",
            "template int doubled<int>(int)": "int doubled<int>(int)",
            "int several(int)": "several(int)",
        }
        image = build(texts={"a.cpp": self.CPP}, flags=[*flags, "-Wall", "-Wextra", *STRICT], keep=list(keep))
        spoken = output("c++filt" if sys.platform == "linux" else "avr-c++filt", given="\n".join(sorted(names(image))))
        assert set(keep.values()) <= set(spoken.splitlines())
        assert image.build.warnings == ()

    def test_one_of_several_functions_must_be_said(self, build: Callable[..., BuiltImage]) -> None:
        """The message says how."""
        with pytest.raises(ArgumentError, match=r"several functions several; .* 'int several\(int\)'"):
            build(texts={"a.cpp": self.CPP}, keep=["several"])

    def test_a_function_that_no_source_defines_is_named_with_the_nearest(
        self, build: Callable[..., BuiltImage]
    ) -> None:
        """A declaration is no definition."""
        with pytest.raises(UnknownName, match="no function 'stepp'; nearest: step"):
            build(texts={"crc.c": CRC}, keep=["stepp"])
        with pytest.raises(UnknownName, match="no function 'absent'"):
            build(texts={"a.c": "int absent(int);\nint f(void) { return absent(1); }\n"}, keep=["absent"])
        with pytest.raises(ArgumentError, match="cannot be kept"):
            build(texts={"crc.c": CRC}, keep=["step; int x"])

    def test_functions_of_several_files_are_kept_together(self, build: Callable[..., BuiltImage]) -> None:
        """The constants that refer to kept functions are linked into one program, static functions of one name too."""
        texts = {
            f"{letter}.c": "static int twice(int x) { return 2 * x; }\n"
            f"int {letter}(int x) {{ return twice(x) + 1; }}\n"
            for letter in "ab"
        }
        texts["c.c"] = "static int thrice(int x) { return 3 * x; }\nint c(int x) { return thrice(x) + 1; }\n"
        image = build(texts=texts, keep=["thrice", "twice"])
        standing = [each for each in image.functions.values() if each.source_name in ("twice", "thrice")]
        assert len(standing) == 3
        assert all(each.address is not None for each in standing)

    def test_a_source_with_a_mistake_is_told_as_without_keeping(self, build: Callable[..., BuiltImage]) -> None:
        """The compiler's words name the user's file and line, not the generated unit."""
        with pytest.raises(BuildError) as caught:
            build(texts={"broken.c": "static int f(int x) {\n    return x\n}\n"}, keep=["f"])
        assert str(caught.value).startswith(
            "broken.c does not compile:\nbroken.c: In function 'f':\nbroken.c:3:1: error"
        )
        # One that the compiler meets only in the second build: two definitions of a name of the unit's own.
        with pytest.raises(BuildError, match=r"broken.c:1:5: .*cyclerule_kept_0"):
            build(texts={"broken.c": "int cyclerule_kept_0;\nstatic int f(int x) { return x; }\n"}, keep=["f"])

    def test_warnings_in_headers_do_not_speak_of_the_unit(self, build: Callable[..., BuiltImage]) -> None:
        """The compiler says from where a header is included; the generated unit is none of the user's files."""
        texts = {"a.c": '#include "a.h"\nstatic int f(void) { return 1; }\nint h(void) { return f(); }\n',
                 "a.h": "static inline int g(void) { int unused; return 1; }\n"}  # fmt: skip
        write(texts)
        plain, kept = build("a.c", flags=["-Wall"]), build("a.c", flags=["-Wall"], keep=["f"])
        assert "unused variable" in plain.build.warnings[0]
        assert kept.build.warnings == plain.build.warnings


class TestMessages:
    def test_the_compilers_words_come_with_the_users_path_and_line(self, build: Callable[..., BuiltImage]) -> None:
        """In English whatever the user's language, for every source that fails."""
        texts = {
            "src/a.c": "int f(void)\n{\n    return missing;\n}\n",
            "b.cpp": "int g() { return nothing; }\n",
            "c.c": "int h(void) { return 0; }\n",
        }
        with pytest.raises(BuildError) as caught:
            build(texts=texts)
        message = str(caught.value)
        assert "src/a.c:3:12: error: 'missing' undeclared" in message
        assert "b.cpp:1:18: error: 'nothing' was not declared" in message
        assert "tmp" not in message
        assert caught.value.exit_status == 3
        assert caught.value.command

    def test_warnings_of_a_build_that_works_are_kept(self, build: Callable[..., BuiltImage]) -> None:
        """Also when everything comes from the cache."""
        texts = {"a.c": "int f(int x)\n{\n    int unused;\n    return x;\n}\n"}
        first = build(texts=texts, flags=["-Wall"])
        again = build("a.c", flags=["-Wall"])
        assert first.build.warnings == again.build.warnings
        assert len(first.build.warnings) == 1
        assert "a.c:3:9: warning: unused variable" in first.build.warnings[0]
        kept = build("a.c", flags=["-Wall"], keep=["f"])
        assert kept.build.warnings == first.build.warnings

    def test_the_linkers_words_name_the_users_files(self, build: Callable[..., BuiltImage]) -> None:
        """Not the objects that were made of them, wherever those are."""
        texts = {
            "a.c": "int absent(void);\nint f(void)\n{\n    return absent();\n}\n",
            "b.c": "int f(void) { return 1; }\n",
        }
        with pytest.raises(BuildError, match=r"a\.c:4: undefined reference to .absent.") as caught:
            build("a.c", texts={"a.c": texts["a.c"]})
        assert "tmp" not in str(caught.value).replace(str(Path.cwd()), "")
        assert "collect2" not in str(caught.value)
        with pytest.raises(BuildError, match=r"multiple definition of .f.") as caught:
            build(texts=texts)
        assert "first defined here" in str(caught.value)

    def test_what_a_cpp_program_misses_is_said_in_words(self, build: Callable[..., BuiltImage]) -> None:
        """The chip has no C++ runtime library."""
        text = "struct S { S(); int v; };\nint f() { static S s; return s.v + *new int; }\nS::S() : v(1) {}\n"
        with pytest.raises(BuildError, match=r"no operator new; define it") as caught:
            build(texts={"a.cpp": text})
        assert "-fno-threadsafe-statics" in str(caught.value)

    def test_a_program_too_large_is_told_by_how_much(self, build: Callable[..., BuiltImage]) -> None:
        """An ATmega328P has 32,768 bytes of flash and 2,048 of RAM (datasheet, "Configuration Summary")."""
        large = (
            "#include <avr/pgmspace.h>\nconst char x[32700] PROGMEM = {1};\nint f(void) { return pgm_read_byte(x); }\n"
        )
        small = build(texts={"a.c": large.replace("32700", "10000")})
        used = small.flash_used[-1][1] + 22700
        with pytest.raises(BuildError, match=rf"{used} bytes of flash, {used - 32768} more than the 32768 there are"):
            build(texts={"a.c": large})
        with pytest.raises(BuildError, match=r"take 2500 bytes of RAM, 452 more than the 2048 there are"):
            build(texts={"a.c": "char x[2500];\n"})

    @pytest.mark.parametrize(
        ("name", "message"),
        [
            ("missing.c", "source file missing.c does not exist"),
            ("folder", "folder is a folder"),
            ("hive.h", "hive.h is a header; give the source file that includes it"),
            ("hive.ino", "setup.. program; give the program's folder|setup"),
            ("hive.elf.hex", "is linked already; load it"),
            ("hive.txt", "files ending in .txt are not built; known are C"),
            ("hive", "files without a suffix are not built"),
        ],
    )
    def test_what_cannot_be_built_is_refused_by_name(
        self, name: str, message: str, build: Callable[..., BuiltImage], workplace: Path
    ) -> None:
        """Before anything is compiled."""
        (workplace / "folder").mkdir()
        if name not in ("missing.c", "folder"):
            write({name: ""})
        with pytest.raises(ArgumentError, match=message):
            build(name)

    def test_nothing_at_all_is_refused(self, toolchain: Toolchain) -> None:
        """An empty list of files."""
        with pytest.raises(ArgumentError, match="nothing to build"):
            build_image([], toolchain=toolchain, part_name=PART)

    def test_a_part_the_compiler_does_not_know_comes_with_the_nearest(self, build: Callable[..., BuiltImage]) -> None:
        """And one without a start-up file is a missing device pack."""
        with pytest.raises(UnknownName, match=r"no part 'atmega382p'; nearest: .*atmega328p"):
            build(texts={"crc.c": CRC}, part="atmega382p")

    @pytest.mark.parametrize(
        ("settings", "message"),
        [
            ({"optimize": "9"}, "optimization level '9' is none of 0, 1, 2, 3, s, g, fast"),
            ({"flags": ["-mmcu=atmega8"]}, "the part is given by its own option"),
            ({"flags": ["-c"]}, "always linked"),
            ({"flags": ["-ofile"]}, "'-ofile' cannot be used here"),
            ({"flags": ["-save-temps"]}, "leaves files beside the sources"),
            ({"flags": ["-Wl,--strip-all"]}, "names that functions are found by"),
            ({"flags": ["other.c"]}, "files are given as sources"),
            ({"flags": "-Wall -Wextra"}, "flags are a list of words"),
            ({"flags": ["-include"]}, "needs a word after it"),
            ({"defines": {"4x": 1}}, "'4x' is no name of a macro"),
            ({"clock": "fast"}, "clock 'fast' is not understood"),
        ],
    )
    def test_settings_that_do_not_fit_are_refused(
        self, settings: dict[str, object], message: str, build: Callable[..., BuiltImage]
    ) -> None:
        """Each says what and why."""
        with pytest.raises(ArgumentError, match=message):
            build(texts={"crc.c": CRC}, **settings)

    def test_an_unknown_flag_is_refused_in_the_compilers_words(self, build: Callable[..., BuiltImage]) -> None:
        """The compiler knows best which flags it has."""
        with pytest.raises(BuildError, match="unrecognized command line option"):
            build(texts={"crc.c": CRC}, flags=["-fno-such-thing"])


class TestClock:
    @pytest.mark.parametrize(
        ("text", "hertz", "line"),
        [
            ("#define F_CPU 8000000UL\n", 8_000_000, 1),
            ("\n#  define F_CPU (16 * 1000000UL)\n", 16_000_000, 2),
            ("#define XTAL 20000000\n#define F_CPU XTAL\n", 20_000_000, 2),
            ("#ifndef F_CPU\n#define F_CPU 1000000\n#endif\n", 1_000_000, 2),
        ],
    )
    def test_an_f_cpu_in_the_source_is_found(
        self, text: str, hertz: int, line: int, build: Callable[..., BuiltImage], toolchain: Toolchain
    ) -> None:
        """As the preprocessor sees it, at its place; a build without a clock adds none."""
        image = build(texts={"a.c": f"{text}unsigned long clock(void) {{ return F_CPU; }}\n"})
        (found,) = image.build.clocks
        assert (found.hertz, found.file, found.line) == (hertz, "a.c", line)
        assert not any("F_CPU" in flag for flag in image.build.flags)
        assert image.build.warnings == ()
        assert clock_in_sources(["a.c"], toolchain=toolchain, part_name=PART) == (found,)
        # LDI of the four bytes, lowest first: the code was compiled for that clock.
        loaded = [image.flash[image.functions["clock"].address or 0 :][i : i + 2] for i in range(0, 8, 2)]
        values = {(w[1] << 8 | w[0]) >> 4 & 0xF0 | w[0] & 0x0F for w in loaded if w[1] >> 4 == 0xE}
        assert values <= set(hertz.to_bytes(4, "little"))

    def test_a_clock_that_contradicts_the_source_is_a_warning_that_shows_both(
        self, build: Callable[..., BuiltImage]
    ) -> None:
        """And the compiler's warning about the same is not repeated."""
        image = build(texts={"a.c": "#define F_CPU 8000000UL\nint f(void) { return 1; }\n"}, clock="16 MHz")
        (warning,) = image.build.warnings
        assert "16 MHz was asked for, but F_CPU is 8 MHz (a.c:1)" in warning
        assert build("a.c", clock=8_000_000).build.warnings == ()

    def test_two_sources_that_disagree_are_a_warning(self, build: Callable[..., BuiltImage]) -> None:
        """Without a clock asked for."""
        texts = {"a.c": "#define F_CPU 8000000UL\n", "b.c": "#define F_CPU 16000000UL\n"}
        (warning,) = build(texts=texts).build.warnings
        assert "F_CPU is 8 MHz (a.c:1) and also 16 MHz (b.c:1)" in warning

    def test_a_definition_that_gives_way_takes_the_clock_asked_for(self, build: Callable[..., BuiltImage]) -> None:
        """That is what #ifndef F_CPU is for."""
        text = "#ifndef F_CPU\n#define F_CPU 1000000UL\n#endif\n#if F_CPU != 16000000\n#error\n#endif\n"
        image = build(texts={"a.c": text}, clock="16 MHz")
        assert image.build.clocks == ()
        assert image.build.warnings == ()

    def test_the_librarys_own_guess_is_not_the_sources_clock(
        self, build: Callable[..., BuiltImage], toolchain: Toolchain
    ) -> None:
        """<util/delay.h> takes 1 MHz where nothing defines F_CPU, with a warning of its own (avr-libc 2.0.0)."""
        image = build(texts={"a.c": "#include <util/delay.h>\nvoid f(void) { _delay_us(5); }\n"})
        assert image.build.clocks == ()
        assert "F_CPU not defined" in image.build.warnings[0]
        assert clock_in_sources(["a.c"], toolchain=toolchain, part_name=PART) == ()

    def test_a_clock_among_flags_or_in_a_header_counts(self, build: Callable[..., BuiltImage]) -> None:
        """A project's configuration header is the usual place; so is its makefile."""
        write({"conf/config.h": "#define F_CPU 12000000\n"})
        image = build(texts={"a.c": '#include "config.h"\nint f(void) { return 1; }\n'}, include_dirs=["conf"])
        assert [(c.hertz, c.file, c.line) for c in image.build.clocks] == [(12_000_000, "conf/config.h", 1)]
        image = build(texts={"b.c": "int f(void) { return 1; }\n"}, flags=["-DF_CPU=4000000"], clock="8 MHz")
        assert "8 MHz was asked for, but F_CPU is 4 MHz (the flags)" in image.build.warnings[0]


class TestCache:
    def test_nothing_changed_means_nothing_is_compiled_and_nothing_linked(
        self, build: Callable[..., BuiltImage], runs: list[Completed]
    ) -> None:
        """No program of the toolchain is started at all, and the image is the same."""
        texts = {"crc.c": CRC, "main.c": "int main(void) { return 0; }\n"}
        first = build(texts=texts, clock="16 MHz")
        assert first.build.compiled == ("crc.c", "main.c")
        assert first.build.linked
        runs.clear()
        again = build(*texts, clock="16 MHz")
        assert runs == []
        assert again.build.compiled == ()
        assert not again.build.linked
        assert again.flash == first.flash
        assert again.functions.keys() == first.functions.keys()

    def test_only_what_changed_is_compiled(self, build: Callable[..., BuiltImage]) -> None:
        """Contents count, not dates."""
        texts = {"crc.c": CRC, "main.c": "int main(void) { return 0; }\n"}
        build(texts=texts)
        os.utime("crc.c")
        assert build(*texts).build.compiled == ()
        write({"main.c": "int main(void) { return 1; }\n"})
        changed = build(*texts)
        assert changed.build.compiled == ("main.c",)
        assert changed.build.linked
        write({"main.c": texts["main.c"]})
        assert build(*texts).build.compiled == ()

    def test_a_header_that_changed_counts(self, build: Callable[..., BuiltImage]) -> None:
        """Included by another header, too."""
        write({"limit.h": "#define LIMIT 5\n", "hive.h": '#include "limit.h"\n'})
        texts = {"a.c": '#include "hive.h"\nint f(void) { return LIMIT; }\n'}
        build(texts=texts)
        write({"limit.h": "#define LIMIT 6\n"})
        assert build("a.c").build.compiled == ("a.c",)

    def test_a_header_that_comes_before_another_counts(self, build: Callable[..., BuiltImage]) -> None:
        """It was not there at the first build, so no list of dependencies names it."""
        write({"late/limit.h": "#define LIMIT 5\n"})
        write({"a.c": '#include "limit.h"\n#include <stdint.h>\nint8_t f(void) { return LIMIT; }\n'})
        settings = {"include_dirs": ["early", "late"]}
        first = build("a.c", **settings)
        write({"early/limit.h": "#define LIMIT 6\n"})
        second = build("a.c", **settings)
        assert second.build.compiled == ("a.c",)
        assert second.flash != first.flash
        write({"limit.h": "#define LIMIT 7\n"})
        assert build("a.c", **settings).build.compiled == ("a.c",)
        write({"early/stdint.h": "typedef long int8_t;\n"})
        assert build("a.c", **settings).build.compiled == ("a.c",)

    @pytest.mark.parametrize(
        "settings",
        [
            {"optimize": "2"},
            {"flags": ["-fno-inline"]},
            {"defines": {"X": "1"}},
            {"clock": 1_000_000},
            {"part": "atmega168"},
            {"include_dirs": ["."]},
        ],
        ids=str,
    )
    def test_every_setting_counts(self, settings: dict[str, object], build: Callable[..., BuiltImage]) -> None:
        """What was compiled otherwise is not taken."""
        build(texts={"crc.c": CRC})
        assert build("crc.c", **settings).build.compiled == ("crc.c",)
        assert build("crc.c", **settings).build.compiled == ()
        assert build("crc.c").build.compiled == ()

    def test_a_linker_script_named_in_the_flags_counts(self, build: Callable[..., BuiltImage]) -> None:
        """Its contents, that is."""
        write({"extra.ld": "__first = 1;\n"})
        build(texts={"crc.c": CRC}, flags=["-Wl,extra.ld"])
        write({"extra.ld": "__second = 1;\n"})
        image = build("crc.c", flags=["-Wl,extra.ld"])
        assert image.build.linked
        assert any(symbol.name == "__second" for symbol in image.symbols)

    def test_a_library_found_by_the_linker_counts(self, build: Callable[..., BuiltImage], workplace: Path) -> None:
        """Named by -l, it is no source."""
        folder = workplace.parent / "libraries"
        folder.mkdir()

        def library(value: int) -> None:
            made = str(folder / "bee.o")
            text = f"int bee(void) {{ return {value}; }}"
            output("avr-gcc", f"-mmcu={PART}", "-Os", "-x", "c", "-c", "-", "-o", made, given=text)
            output("avr-ar", "rcs", str(folder / "libbee.a"), made)
            os.utime(folder / "libbee.a", (1_700_000_000, 1_700_000_000))

        library(1)
        write({"a.c": "int bee(void);\nint main(void) { return bee(); }\n"})
        settings = {"flags": [f"-L{folder}", "-lbee"]}
        first = build("a.c", **settings)
        assert not build("a.c", **settings).build.linked
        library(2)
        second = build("a.c", **settings)
        assert second.build.linked
        assert second.flash != first.flash

    def test_files_that_no_list_names_are_read_every_time(self, build: Callable[..., BuiltImage]) -> None:
        """.incbin takes in a file behind the preprocessor's back."""
        write({"data.bin": "abc"})
        text = '.section .text\n.global data\ndata: .incbin "data.bin"\n'
        first = build(texts={"a.S": text})
        write({"data.bin": "xyz"})
        second = build("a.S")
        assert b"xyz" in second.flash
        assert b"xyz" not in first.flash

    def test_damaged_files_are_made_again(self, build: Callable[..., BuiltImage], tmp_path: Path) -> None:
        """Cut off, overwritten or of another kind altogether."""
        first = build(texts={"crc.c": CRC})
        for kind in ("*.json", "*.product", "*"):
            for damage in (b"", b"[]", b'[{"inputs": 5}]', b"[3]", b"\xff\xfe", None):
                damaged = [path for path in (tmp_path / "cache" / "objects").rglob(kind) if path.is_file()]
                assert damaged
                for path in damaged:
                    path.write_bytes(path.read_bytes()[:-1] if damage is None else damage)
                again = build("crc.c")
                assert again.build.compiled == ("crc.c",)
                assert again.flash == first.flash
                assert build("crc.c").build.compiled == ()

    def test_without_a_cache_everything_is_made_and_nothing_kept(
        self, build: Callable[..., BuiltImage], tmp_path: Path
    ) -> None:
        """cache=False."""
        first = build(texts={"crc.c": CRC}, cache=False)
        assert build("crc.c", cache=False).build.compiled == ("crc.c",)
        assert not (tmp_path / "cache" / "objects").exists()
        assert build("crc.c").flash == first.flash

    def test_a_cache_that_cannot_be_written_is_no_reason_to_fail(
        self, build: Callable[..., BuiltImage], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A file stands where its folder should be."""
        (tmp_path / "file").write_text("", encoding="utf-8")
        monkeypatch.setenv("CYCLERULE_CACHE", str(tmp_path / "file"))
        assert build(texts={"crc.c": CRC}).build.compiled == ("crc.c",)

    def test_several_builds_at_once_do_not_disturb_each_other(
        self, build: Callable[..., BuiltImage], tmp_path: Path
    ) -> None:
        """Two processes and two threads build the same program into one empty cache."""
        write({f"part{n}.c": f"int f{n}(int x) {{ return x * {n}; }}\n" for n in range(4)})
        program = (
            "from cyclerule.firmware.build import build_image\nfrom cyclerule.toolchain import find\n"
            f"image = build_image(['part0.c', 'part1.c', 'part2.c', 'part3.c'], toolchain=find(), part_name={PART!r})\n"
            "print(image.sha256)\n"
        )
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        command = [sys.executable, "-c", program]
        others = [subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) for _ in range(2)]
        here: list[str] = []
        threads = [
            threading.Thread(target=lambda: here.append(build(*(f"part{n}.c" for n in range(4))).sha256))
            for _ in range(2)
        ]
        for thread in threads:
            thread.start()
        there = [other.communicate()[0].strip() for other in others]
        for thread in threads:
            thread.join()
        assert len({*here, *there}) == 1
        assert len(here) == 2
        assert build(*(f"part{n}.c" for n in range(4))).build.compiled == ()
        assert [p for p in (tmp_path / "cache").rglob(".*") if p.is_file()] == []

    def test_the_longest_unused_goes_when_the_cache_has_grown(self, tmp_path: Path) -> None:
        """Down to four fifths of the limit; what was used just now stays, since another process may be at it."""
        folder = tmp_path / "objects"
        cache = ObjectCache(folder, limit_bytes=10_000)
        for number in range(20):
            cache.product([str(number)], partial(Made, bytes([number]) * 1000))
        files = sorted(folder.rglob("*.product"), key=lambda p: p.read_bytes()[:1])
        assert len(files) == 20
        cache.trim()
        assert len(list(folder.rglob("*.product"))) == 20
        for age, path in enumerate(reversed(files)):
            os.utime(path, (1_700_000_000 - age, 1_700_000_000 - age))
        # Used again, so now the youngest.
        assert not cache.product(["0"], lambda: Made(b"")).was_made
        cache.trim(youngest_seconds=0)
        left = sorted(p.read_bytes()[0] for p in folder.rglob("*.product"))
        assert sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) <= 8_000
        assert 0 in left
        assert left[1:] == list(range(20 - len(left) + 1, 20))

    def test_a_source_written_during_the_build_is_not_kept(self, tmp_path: Path) -> None:
        """What the compiler read of it is not known."""
        source = tmp_path / "a.c"
        source.write_text("old", encoding="utf-8")
        cache = ObjectCache(tmp_path / "objects")

        def make() -> Made:
            source.write_text("new", encoding="utf-8")
            os.utime(source, (source.stat().st_atime + 10, source.stat().st_mtime + 10))
            return Made(b"object", inputs=(str(source),))

        assert cache.product(["a"], make).was_made
        assert cache.product(["a"], make).was_made

    def test_the_cache_is_in_the_users_folder_for_such_things(self, build: Callable[..., BuiltImage]) -> None:
        """Under the name "objects"."""
        build(texts={"crc.c": CRC})
        assert any(cache_folder("objects").rglob("*.product"))


class TestNames:
    @pytest.mark.parametrize("name", ["with space.c", "bienenstöcke.c", "a#b.c", "price$.c", "tab\tin it.c", "-dash.c"])
    def test_any_name_of_a_file_works(self, name: str, build: Callable[..., BuiltImage]) -> None:
        """Compiled, kept, and found again in the cache."""
        if sys.platform == "win32" and "\t" in name:
            pytest.skip("no name on this system")
        image = build(texts={name: CRC})
        assert image.functions["crc8"].file in (name, f"./{name}")
        assert build(name).build.compiled == ()
        assert "step" in names(build(name, keep=["step"]))

    def test_a_file_given_twice_is_built_once(self, build: Callable[..., BuiltImage], workplace: Path) -> None:
        """As a shell's wildcards may do."""
        write({"crc.c": CRC})
        assert build("crc.c", "./crc.c", str(workplace / "crc.c")).build.compiled == ("crc.c",)

    @pytest.mark.parametrize(
        ("rule", "files"),
        [
            ("object: hive.c hive.h \\\n /usr/include/stdint.h\n", ["hive.c", "hive.h", "/usr/include/stdint.h"]),
            ("object: with\\ space.c a\\#b.c price$$.c\n", ["with space.c", "a#b.c", "price$.c"]),
            ("object: C:\\hive\\hive.c \\\r\n D:/b.h\r\n", ["C:\\hive\\hive.c", "D:/b.h"]),
            ("", []),
        ],
    )  # fmt: skip
    def test_rules_for_make_are_read(self, rule: str, files: list[str]) -> None:
        """GNU make manual, "Rule Syntax": a blank is quoted by a backslash, a dollar by another dollar."""
        assert dependencies(rule) == files


def test_flags_reach_the_step_they_are_for() -> None:
    """-D, -I and standards when compiling, libraries behind the objects, machine and -f options in both."""
    given = [
        "-DX",
        "-I",
        "inc",
        "-L.",
        "-lbee",
        "-flto",
        "-mcall-prologues",
        "-std=gnu99",
        "-Wl,--relax",
        "-Wa,-a=x.lst",
    ]
    flags = read_flags("s", [*given, "-MMD", "-MP", "-MF", "x.d", "-Wl,-Map=x.map"], {"LIMIT": None, "ON": True})
    assert flags.compile("C") == [
        "-Os",
        "-DLIMIT",
        "-DON=1",
        "-DX",
        "-I",
        "inc",
        "-flto",
        "-mcall-prologues",
        "-std=gnu99",
    ]
    assert flags.compile("C++") == ["-Os", "-DLIMIT", "-DON=1", "-DX", "-I", "inc", "-flto", "-mcall-prologues"]
    assert flags.link() == (["-Os", "-flto", "-mcall-prologues"], ["-L.", "-lbee", "-Wl,--relax"])
    assert flags.has_lto
    assert flags.drops_unused
    assert not read_flags("s", ["-flto", "-fno-lto"], {}).has_lto
    assert flags.search_folders == (Path("inc"),)


def test_no_build_ends_in_a_traceback(build: Callable[..., BuiltImage]) -> None:
    """Whatever a file holds: every refusal is an error of this project's own."""
    contents = {"a.c": "\0\1\2", "b.cpp": "}}}}", "c.S": "garbage here", "d.o": "no object", "e.a": "no library"}
    for name, text in contents.items():
        with pytest.raises(CycleruleError):
            build(texts={name: text})
