"""A word with `=` is a domain, an existing path a file, another word a function."""

from pathlib import Path

import pytest

from cyclerule.cli.words import one_function, only_files, read_assignments, sort_words
from cyclerule.errors import ArgumentError


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to stand in, with two sources, a folder and a program without a suffix."""
    for name in ("hive.c", "crc.c", "blink"):
        (tmp_path / name).write_text("", "utf-8")
    (tmp_path / "lib").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_words_are_sorted_by_what_they_are() -> None:
    """In any order; a file that is named twice counts once."""
    words = sort_words(["hive.c", "raw=0..9", "forage", "crc.c", "hive.c", "2=every", "mode.rate=3"])
    assert words.files == (Path("hive.c"), Path("crc.c"))
    assert words.functions == (("forage", None),)
    assert words.assignments == {"raw": "0..9", "2": "every", "mode.rate": "3"}


def test_a_value_may_hold_anything() -> None:
    """The first `=` separates; blanks, more of them and paths belong to the value."""
    assert sort_words(["text=text:a = b.c"]).assignments == {"text": "text:a = b.c"}
    assert sort_words(["x="]).assignments == {"x": ""}


def test_a_function_may_say_its_file() -> None:
    """FUNCTION@FILE tells functions of one name apart, and counts as naming the file."""
    words = sort_words(["weigh@crc.c", "hive.c"])
    assert words.functions == (("weigh", Path("crc.c")),)
    assert words.files == (Path("crc.c"), Path("hive.c"))


def test_what_exists_is_a_file_whatever_its_name() -> None:
    """An existing path is a file."""
    assert sort_words(["blink"]).files == (Path("blink"),)


@pytest.mark.parametrize("name", ["operator+", "hive::Sensor::read", "scale(int, float)", "weigh.constprop.0", "_f$1"])
def test_functions_of_every_spelling_pass(name: str) -> None:
    """C++ names and the compiler's own."""
    assert sort_words([name]).functions == ((name, None),)


@pytest.mark.parametrize(
    ("word", "message"),
    [
        ("hiv.c", r"there is no file hiv\.c; nearest: hive\.c"),
        ("main.elf", r"there is no file main\.elf"),
        ("away/x.cpp", "there is no folder away"),
        ("weigh@cr.c", r"weigh@cr\.c: there is no file cr\.c; nearest: crc\.c"),
    ],
)
def test_a_file_that_is_not_there_is_not_taken_for_a_function(word: str, message: str) -> None:
    """What ends like a source, an ELF or a HEX file is meant as one."""
    with pytest.raises(ArgumentError, match=message):
        sort_words(["hive.c", word])


def test_a_name_given_twice_is_refused() -> None:
    """Which one was meant cannot be known."""
    with pytest.raises(ArgumentError, match="raw= is given twice"):
        sort_words(["raw=1", "raw=2"])


def test_a_setting_without_a_value_is_refused() -> None:
    """The option is named."""
    with pytest.raises(ArgumentError, match="--set mode: write it as name=value"):
        read_assignments("--set", ["mode"])


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["hive.c"], "which function.*`cyclerule hive.c`"),
        (["hive.c", "forage", "weigh"], "takes one function, but there are 2: forage, weigh"),
    ],
)
def test_time_takes_one_function(words: list[str], message: str) -> None:
    """None and several are both told."""
    with pytest.raises(ArgumentError, match=message):
        one_function("time", sort_words(words))


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["hive.c", "time"], "time is a command; it comes first"),
        (["tiem", "hive.c"], "nearest command: time"),
        (["hive.c", "forage"], "if it is a function: cyclerule time hive.c forage"),
        (["hive.c", "raw=3"], "raw=3 is for a function: cyclerule time FILE… FUNCTION raw=3"),
    ],
)
def test_a_listing_takes_files_only_and_says_what_was_meant(words: list[str], message: str) -> None:
    """Each refusal has what to type."""
    with pytest.raises(ArgumentError, match=message):
        only_files(sort_words(words))
