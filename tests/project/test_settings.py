"""Settings come from the option, else the environment, else cyclerule.toml, else the default; each says which."""

from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.project.settings import FILE_NAME, Settings, read_file, read_settings

TOML = """
part = "attiny85"
clock = 8_000_000
optimize = "2"
flags = ["-funsigned-char"]
sources = ["hive.c", "lib/crc.c"]
start_up = 6
defines = { LIMIT = 40, NAME = "wax" }
"""
ENVIRONMENT = {"CYCLERULE_PART": "atmega2560", "CYCLERULE_CLOCK": "20 MHz", "CYCLERULE_TOOLCHAIN": "/opt/avr"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a cyclerule.toml that has every setting."""
    (tmp_path / FILE_NAME).write_text(TOML, "utf-8")
    return tmp_path


def origins(settings: Settings) -> dict[str, str]:
    """Gives where each setting came from."""
    return {each.name: each.origin for each in settings.listed()}


def test_without_anything_all_are_defaults(tmp_path: Path) -> None:
    """No part and no clock is assumed; -Os is."""
    settings = read_settings(folder=tmp_path, environment={})
    assert (settings.part, settings.clock, settings.optimize, settings.toolchain) == (None, None, "s", None)
    assert (settings.flags, dict(settings.defines), settings.sources) == ((), {}, ())
    assert set(origins(settings).values()) == {"default"}


def test_the_file_gives_what_nothing_else_does(folder: Path) -> None:
    """Sources lie where the file is."""
    settings = read_settings(folder=folder, environment={})
    assert (settings.part, settings.clock, settings.optimize) == ("attiny85", 8_000_000, "2")
    assert settings.flags == ("-funsigned-char",)
    assert settings.defines == {"LIMIT": "40", "NAME": "wax"}
    assert settings.sources == (folder / "hive.c", folder / "lib" / "crc.c")
    assert origins(settings) == {**dict.fromkeys(origins(settings), FILE_NAME), "toolchain": "default"}


def test_the_environment_comes_before_the_file(folder: Path) -> None:
    """An empty variable counts as none."""
    settings = read_settings(folder=folder, environment={**ENVIRONMENT, "CYCLERULE_OPTIMIZE": ""})
    assert (settings.part, settings.clock, settings.toolchain) == ("atmega2560", "20 MHz", Path("/opt/avr"))
    assert settings.optimize == "2"
    assert origins(settings)["part"] == "environment CYCLERULE_PART"
    assert origins(settings)["toolchain"] == "environment CYCLERULE_TOOLCHAIN"


def test_the_option_comes_before_all(folder: Path) -> None:
    """Flags and defines add up, the option's behind the file's so that they win."""
    settings = read_settings(
        part="atmega328p",
        clock="16 MHz",
        optimize="3",
        flags=["-fno-inline"],
        defines={"LIMIT": "41"},
        toolchain=Path("/my/avr"),
        folder=folder,
        environment=ENVIRONMENT,
    )
    assert (settings.part, settings.clock, settings.optimize) == ("atmega328p", "16 MHz", "3")
    assert settings.flags == ("-funsigned-char", "-fno-inline")
    assert settings.defines == {"LIMIT": "41", "NAME": "wax"}
    assert origins(settings)["flags"] == origins(settings)["defines"] == "cyclerule.toml and option"
    assert origins(settings)["toolchain"] == "option"


def test_only_options_have_to_be_typed_again(folder: Path) -> None:
    """What the file and the environment say holds for the next command too."""
    given = {"flags": ["-fno-inline"], "defines": {"LIMIT": "41"}, "toolchain": Path("/my/avr")}
    settings = read_settings(optimize="3", folder=folder, environment=ENVIRONMENT, **given)  # type: ignore[arg-type]
    assert settings.as_options() == [
        *("--optimize", "3"),
        *("--flag=-fno-inline", "--define=LIMIT=41"),
        *("--toolchain", str(Path("/my/avr"))),
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("part = ", "Invalid value"),
        ("part = 3", "part is 3; it takes a part's name in quotes"),
        ("clock = true", "clock is True"),
        ('flags = "-Os"', "flags is '-Os'; it takes a list"),
        ("sources = [1]", "sources is"),
        ("defines = { X = true }", "defines is"),
        ("optimize = [2]", "optimize is"),
    ],
)
def test_a_wrong_value_is_named_with_what_is_taken(tmp_path: Path, text: str, message: str) -> None:
    """The file's name comes first."""
    path = tmp_path / FILE_NAME
    path.write_text(text, "utf-8")
    with pytest.raises(ArgumentError, match=message) as refused:
        read_file(path)
    assert str(refused.value).startswith(f"{path}: ")


def test_an_unknown_key_gets_the_nearest_one(tmp_path: Path) -> None:
    """A setting that is misspelled is not silently left out."""
    (tmp_path / FILE_NAME).write_text('prat = "atmega328p"', "utf-8")
    with pytest.raises(UnknownName, match="no setting 'prat'; nearest: part"):
        read_settings(folder=tmp_path, environment={})


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    """TOML is UTF-8 (TOML 1.0.0)."""
    path = tmp_path / FILE_NAME
    path.write_bytes(b'part = "\xff\xfe"')
    with pytest.raises(ArgumentError, match="not text in UTF-8"):
        read_file(path)
