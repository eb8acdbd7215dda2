"""Every part that the installed toolchain can link for, loaded once."""

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from cyclerule.parts import Part, PartSummary, list_parts, load_part
from cyclerule.toolchain import Toolchain, find

# Loading the XMEGA parts' long headers too would take half the time again and shows nothing new.
SAMPLED_XMEGA = ("atxmega128a1", "atxmega16a4u", "atxmega32e5", "atxmega384c3")


@pytest.fixture(scope="session")
def toolchain() -> Toolchain:
    """The toolchain on PATH."""
    return find()


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty cache of this test's own."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("CYCLERULE_CACHE", str(folder))
    return folder


@pytest.fixture(scope="session")
def summaries(toolchain: Toolchain) -> list[PartSummary]:
    """All parts of the toolchain, not from a cache."""
    return list_parts(toolchain, cache=False)


@pytest.fixture(scope="session")
def all_parts(toolchain: Toolchain, summaries: list[PartSummary]) -> dict[str, Part]:
    """Every part with a start-up file, of XMEGA a few, by name; not from a cache."""
    names = [s.name for s in summaries if s.has_startup and (s.family != "AVRxm" or s.name in SAMPLED_XMEGA)]
    with ThreadPoolExecutor(max_workers=(os.cpu_count() or 1) + 1) as threads:
        return dict(zip(names, threads.map(lambda name: load_part(name, toolchain, cache=False), names), strict=True))
