"""What is kept of parts between runs, and that nothing kept can make an answer wrong."""

import json
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import cyclerule.cache
from cyclerule.errors import BuildError
from cyclerule.parts import Part, list_parts, load_part
from cyclerule.toolchain import Toolchain


@pytest.fixture(scope="module")
def fresh(toolchain: Toolchain) -> Part:
    """The part of these tests, not from a cache."""
    return load_part("attiny85", toolchain, cache=False)


def kept_file(cache: Path, prefix: str = "attiny85-") -> Path:
    """The one cache file whose name begins so."""
    (file,) = (cache / "parts").glob(f"{prefix}*.json")
    return file


def test_a_part_from_the_cache_equals_the_one_read(toolchain: Toolchain, cache: Path, fresh: Part) -> None:
    """Order of names included, for it decides which is preferred."""
    load_part("attiny85", toolchain)
    kept = load_part("attiny85", toolchain)
    assert kept == fresh
    assert list(kept.registers) == list(fresh.registers)
    assert list(kept.vectors) == list(fresh.vectors)
    assert kept.register_name(0x3D + 0x20) == fresh.register_name(0x3D + 0x20) == "SPL"


def test_the_second_time_the_compiler_is_not_asked(
    toolchain: Toolchain, cache: Path, fresh: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That is what the cache is for."""
    load_part("attiny85", toolchain)
    listed = list_parts(toolchain)

    def refuse(*_: object, **__: object) -> None:
        pytest.fail("the compiler was run")

    monkeypatch.setattr(Toolchain, "run", refuse)
    assert load_part("attiny85", toolchain) == fresh
    began = time.perf_counter()
    assert list_parts(toolchain) == listed
    assert time.perf_counter() - began < 0.5


def test_without_cache_nothing_is_kept(toolchain: Toolchain, cache: Path) -> None:
    """`cache=False` neither reads nor writes."""
    load_part("attiny85", toolchain, cache=False)
    assert not cache.exists()


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"\x00\xff\xfe",
        b"[]",
        b"null",
        b'{"files": [], "part": {}}',
        b'{"files": [["/nonexistent", 1, 2]], "part": null}',
        b"[" * 100_000,
    ],
    ids=["empty", "binary", "list", "null", "no part", "no file", "deep"],
)
def test_a_damaged_file_is_made_again(toolchain: Toolchain, cache: Path, fresh: Part, damage: bytes) -> None:
    """Whatever it holds; nothing is said about it."""
    load_part("attiny85", toolchain)
    file = kept_file(cache)
    good = file.read_bytes()
    file.write_bytes(damage)
    assert load_part("attiny85", toolchain) == fresh
    assert file.read_bytes() == good


def test_a_file_cut_short_anywhere_is_made_again(toolchain: Toolchain, cache: Path, fresh: Part) -> None:
    """As a full disk or a crash of another program leaves it."""
    load_part("attiny85", toolchain)
    file = kept_file(cache)
    good = file.read_bytes()
    for length in range(0, len(good), len(good) // 7):
        file.write_bytes(good[:length])
        assert load_part("attiny85", toolchain) == fresh
    assert file.read_bytes() == good


@pytest.mark.parametrize(
    ("field", "value"),
    [("flash_bytes", "8192"), ("family", "AVRx"), ("registers", {"PORTB": ["PORTB", "x", 1]}), ("vector_bytes", 3)],
)
def test_a_file_of_wrong_types_is_made_again(
    toolchain: Toolchain, cache: Path, fresh: Part, field: str, value: object
) -> None:
    """Well-formed but not what was written."""
    load_part("attiny85", toolchain)
    file = kept_file(cache)
    document = json.loads(file.read_bytes())
    document["part"][field] = value
    file.write_text(json.dumps(document), encoding="utf-8")
    assert load_part("attiny85", toolchain) == fresh


def test_a_changed_header_makes_the_part_be_read_again(toolchain: Toolchain, cache: Path, fresh: Part) -> None:
    """The kept part is of headers with these times and sizes; a new avr-libc under the same compiler has others."""
    load_part("attiny85", toolchain)
    file = kept_file(cache)
    document = json.loads(file.read_bytes())
    assert any(Path(entry[0]).name == "iotn85.h" for entry in document["files"])
    document["part"]["flash_bytes"] = 1
    file.write_text(json.dumps(document), encoding="utf-8")
    assert load_part("attiny85", toolchain).flash_bytes == 1  # so it is the kept one that counts …
    document["files"][0][1] -= 1
    file.write_text(json.dumps(document), encoding="utf-8")
    assert load_part("attiny85", toolchain) == fresh  # … until a file it was made from is another


def test_one_parts_file_is_not_taken_for_another(toolchain: Toolchain, cache: Path, fresh: Part) -> None:
    """Somebody may have renamed it."""
    load_part("attiny45", toolchain)
    other = kept_file(cache, "attiny45-")
    other.rename(other.with_name(other.name.replace("attiny45", "attiny85")))
    assert load_part("attiny85", toolchain) == fresh


@pytest.mark.skipif(os.name == "nt" or getattr(os, "geteuid", lambda: 1)() == 0, reason="needs a folder closed to us")
def test_a_cache_that_cannot_be_written_costs_nothing_but_time(toolchain: Toolchain, cache: Path, fresh: Part) -> None:
    """A read-only home is common on build servers."""
    cache.mkdir()
    cache.chmod(0o500)
    assert load_part("attiny85", toolchain) == fresh


def test_a_cache_below_a_file_costs_nothing_but_time(
    toolchain: Toolchain, tmp_path: Path, fresh: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The place named is no folder."""
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setenv("CYCLERULE_CACHE", str(tmp_path / "file"))
    assert load_part("attiny85", toolchain) == fresh


def test_several_may_load_the_same_part_at_once(toolchain: Toolchain, cache: Path, fresh: Part) -> None:
    """Threads of this process and other processes, into one empty cache, while one keeps damaging the file."""
    script = (
        "from cyclerule.parts import load_part; from cyclerule.toolchain import find; t = find()\n"
        "for _ in range(5): print(load_part('attiny85', t).flash_bytes)"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(cyclerule.cache.__file__).parents[1])}
    others = [
        subprocess.Popen([sys.executable, "-c", script], env=environment, stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]

    def load_and_damage(turn: int) -> Part:
        part = load_part("attiny85", toolchain)
        if turn % 4 == 0:
            kept_file(cache).write_bytes(b"{")
        return part

    with ThreadPoolExecutor(max_workers=4) as threads:
        parts = list(threads.map(load_and_damage, range(24)))
    outputs = [other.communicate(timeout=60)[0] for other in others]
    assert all(part == fresh for part in parts)
    assert outputs == ["8192\n" * 5] * 2
    assert load_part("attiny85", toolchain) == fresh
    assert [file.suffix for file in (cache / "parts").iterdir()] == [".json"]  # nothing half-written is left


@pytest.mark.skipif(os.name == "nt", reason="the compiler of this test is a shell script")
def test_without_a_c_library_parts_are_listed_without_sizes_and_not_kept(
    toolchain: Toolchain, tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A compiler whose avr-libc is still to be installed; when it is, no file tells."""
    compiler = tmp_path / "avr-gcc"
    compiler.write_text(f'#!/bin/sh\nexec {toolchain.program("gcc")} -nostdinc "$@"\n', encoding="utf-8")
    compiler.chmod(0o755)
    monkeypatch.setattr(Toolchain, "part_names", lambda self: ("atmega328p", "attiny85", "hive1"))
    listed = list_parts(Toolchain(tmp_path, toolchain.version))
    assert [(summary.name, summary.family, summary.flash_bytes) for summary in listed] == [
        ("atmega328p", "AVRe+", None),
        ("attiny85", "AVRe", None),
    ]
    assert not cache.exists()
    with pytest.raises(BuildError, match="is avr-libc installed"):
        load_part("atmega328p", Toolchain(tmp_path, toolchain.version))


def test_listing_finds_all_parts_each_once(toolchain: Toolchain) -> None:
    """`cyclerule parts` shows them by name."""
    listed = list_parts(toolchain)
    assert [summary.name for summary in listed] == list(toolchain.part_names())
    assert list_parts(toolchain) == listed
