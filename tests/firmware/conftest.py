"""Programs built once for all tests that read firmware files."""

from collections.abc import Callable
from pathlib import Path

import pytest

from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.image import Image
from tests.firmware.hive_builds import build


@pytest.fixture(scope="session")
def elf_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Gives the ELF file of one of the hive's builds."""
    folder = tmp_path_factory.mktemp("hive")
    return lambda name: build(name, folder)


@pytest.fixture(scope="session")
def image_of(elf_of: Callable[[str], Path]) -> Callable[[str], Image]:
    """Gives one of the hive's builds as read from its ELF file; the same image each time."""
    images: dict[str, Image] = {}

    def image(name: str) -> Image:
        if name not in images:
            images[name] = read_elf(elf_of(name))
        return images[name]

    return image
