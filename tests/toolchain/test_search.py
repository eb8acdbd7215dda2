"""Where a compiler is looked for, and what is said when there is none."""

import os
import shutil
import sys
from pathlib import Path

import pytest

from cyclerule.errors import BuildError, CompilerMissing
from cyclerule.toolchain import find, search

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the compilers of these tests are shell scripts and links")

REAL = Path(shutil.which("avr-gcc") or "/usr/bin/avr-gcc").absolute()


def toolchain_at(root: Path, version: str = "") -> Path:
    """Makes a toolchain below a folder: the real one under other names, or one that says it has another version."""
    folder = root / "bin"
    folder.mkdir(parents=True)
    for tool in ("gcc", "g++", "ar", "gcc-ar", "objdump", "objcopy", "nm", "size"):
        program = folder / f"avr-{tool}"
        if version and tool == "gcc":
            answer = f'case "$1" in -dump*) echo {version};; *) exec {REAL} "$@";; esac'
            program.write_text(f"#!/bin/sh\n{answer}\n", encoding="utf-8")
            program.chmod(0o755)
        else:
            program.symlink_to(REAL.with_name(f"avr-{tool}"))
    return folder


@pytest.fixture(autouse=True)
def _bare_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A user with an empty home and no compiler anywhere."""
    home = tmp_path / "home"
    (home / ".local" / "share").mkdir(parents=True)
    (tmp_path / "empty").mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("PATH", str(tmp_path / "empty"))
    monkeypatch.delenv("CYCLERULE_TOOLCHAIN", raising=False)
    monkeypatch.setattr(search, "_shared_folders", lambda: [(tmp_path / "shared", "*")])


def test_no_compiler_is_told_with_places_and_what_to_install() -> None:
    """One message: where it looked, what to do; the documented exit status of a failed build."""
    with pytest.raises(CompilerMissing) as raised:
        find()
    text = str(raised.value)
    assert "PATH" in text
    assert "CYCLERULE_TOOLCHAIN" in text
    assert str(Path.home() / ".local" / "share") in text
    assert "apt install gcc-avr avr-libc binutils-avr" in text
    assert "\n" not in text
    assert raised.value.exit_status == 3
    assert isinstance(raised.value, BuildError)


@pytest.mark.parametrize("form", ["bin/avr-gcc", "bin", ""])
def test_a_named_place_is_a_compiler_its_folder_or_its_root(tmp_path: Path, form: str) -> None:
    """All three are what people have at hand."""
    toolchain_at(tmp_path / "tools", "9.1.2")
    found = find(tmp_path / "tools" / form)
    assert found.version == "avr-gcc 9.1.2"
    assert found.directory == tmp_path / "tools" / "bin"
    assert found.run("objdump", ["--version"]).returncode == 0
    assert "atmega328p" in found.part_names()


@pytest.mark.parametrize("form", ["bin/avr-gcc", "bin", ""])
def test_the_environment_names_a_place_as_an_option_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    """CYCLERULE_TOOLCHAIN; a text with ~ is the home folder."""
    toolchain_at(Path.home() / "tools", "9.1.2")
    monkeypatch.setenv("CYCLERULE_TOOLCHAIN", f"~/tools/{form}")
    assert find().version == "avr-gcc 9.1.2"


def test_path_is_searched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a system package puts it there; a relative folder in PATH is made absolute."""
    toolchain_at(tmp_path / "tools", "9.1.2")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", "tools/bin")
    found = find()
    assert found.version == "avr-gcc 9.1.2"
    assert found.directory == tmp_path / "tools" / "bin"


@pytest.mark.parametrize(
    "place",
    [
        ".beehive/packages/hivekeeper/tools/avr-gcc/7.3.0-hive5",  # vendor, tool, version
        ".beehive/packages/toolchain-hive",
        ".local/share/avr-gcc-9.1.2",
        ".local/share/beehive/toolchains/avr",
        "opt/avr-gcc-9.1.2",
        "tools/beehive-ide/hardware/tools/avr",
        ".beehive/tools/avr-gcc/9.1.2",
        ".avr-gcc",
    ],
)
def test_unpacked_toolchains_are_found_below_the_home_folder(place: str) -> None:
    """Folders of the usual shapes, under names that no code knows."""
    toolchain_at(Path.home() / place, "9.1.2")
    assert find().version == "avr-gcc 9.1.2"


def test_shared_folders_are_searched_too(tmp_path: Path) -> None:
    """/opt on Linux, Program Files on Windows."""
    toolchain_at(tmp_path / "shared" / "avr-gcc", "9.1.2")
    assert find().directory == tmp_path / "shared" / "avr-gcc" / "bin"


def test_the_newest_unpacked_toolchain_is_taken() -> None:
    """By number, not by letter: 12 is newer than 7."""
    for version in ("7.3.0", "12.1.0", "5.4.0"):
        toolchain_at(Path.home() / "opt" / f"avr-gcc-{version}", version)
    assert find().version == "avr-gcc 12.1.0"


def test_an_unpacked_toolchain_that_does_not_run_is_passed_by() -> None:
    """Such as one for another processor."""
    toolchain_at(Path.home() / "opt" / "good", "5.4.0")
    broken = toolchain_at(Path.home() / "opt" / "broken", "9.9.9") / "avr-gcc"
    broken.write_bytes(b"\x7fELF\x00")
    assert find().version == "avr-gcc 5.4.0"


def test_the_option_goes_before_the_environment_and_that_before_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And an unpacked one comes last."""
    toolchain_at(tmp_path / "option", "1.0")
    toolchain_at(tmp_path / "environment", "2.0")
    toolchain_at(tmp_path / "path", "3.0")
    toolchain_at(Path.home() / "opt" / "unpacked", "99.0")
    assert find().version == "avr-gcc 99.0"
    monkeypatch.setenv("PATH", str(tmp_path / "path" / "bin"))
    assert find().version == "avr-gcc 3.0"
    monkeypatch.setenv("CYCLERULE_TOOLCHAIN", str(tmp_path / "environment"))
    assert find().version == "avr-gcc 2.0"
    assert find(str(tmp_path / "option")).version == "avr-gcc 1.0"


@pytest.mark.parametrize("by_environment", [True, False])
def test_a_named_place_without_compiler_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, by_environment: bool
) -> None:
    """Taking another compiler than the one named would give other cycles in silence."""
    monkeypatch.setenv("PATH", str(REAL.parent))
    monkeypatch.setenv("CYCLERULE_TOOLCHAIN", str(tmp_path / "nowhere") if by_environment else "")
    with pytest.raises(CompilerMissing) as raised:
        find(None if by_environment else tmp_path / "nowhere")
    text = str(raised.value)
    assert str(tmp_path / "nowhere" / "bin" / "avr-gcc") in text
    assert ("CYCLERULE_TOOLCHAIN" in text) == by_environment


def test_another_file_is_no_compiler(tmp_path: Path) -> None:
    """Its sister programs could not be found from such a name."""
    other = tmp_path / "gcc"
    other.write_text("", encoding="utf-8")
    with pytest.raises(CompilerMissing, match="that file is none"):
        find(other)


@pytest.mark.parametrize(("script", "said"), [("echo clang 15", "clang 15"), ("exit 3", "exit status 3")])
def test_a_program_that_only_has_the_name_is_told(tmp_path: Path, script: str, said: str) -> None:
    """What it answered stands in the error."""
    program = tmp_path / "avr-gcc"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(0o755)
    with pytest.raises(CompilerMissing, match=said):
        find(program)


def test_a_file_that_cannot_be_run_is_told(tmp_path: Path) -> None:
    """As after unpacking without permissions."""
    program = tmp_path / "avr-gcc"
    program.write_bytes(b"")
    with pytest.raises(CompilerMissing, match="cannot be run"):
        find(program)


def test_a_lone_link_to_a_compiler_has_its_sister_programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link in ~/bin, or a compiler cache's; the other programs are beside the compiler it leads to."""
    (tmp_path / "links").mkdir()
    (tmp_path / "links" / "avr-gcc").symlink_to(REAL)
    monkeypatch.setenv("PATH", str(tmp_path / "links"))
    found = find()
    assert found.directory == tmp_path / "links"
    assert found.run("nm", ["--version"]).returncode == 0


@pytest.mark.skipif(sys.platform != "linux", reason="the compiler of the system's package")
def test_the_systems_own_compiler_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The package gcc-avr puts it on PATH."""
    monkeypatch.setenv("PATH", str(REAL.parent))
    assert find().directory == REAL.parent
