"""Settings for the tests of the commands."""

import pytest

from cyclerule.cli.last import last_results


@pytest.fixture(autouse=True)
def environment_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """No test is told a part, a clock or a colour by whoever runs it, or a last result by another test."""
    monkeypatch.setenv("CYCLERULE_DATA", str(tmp_path_factory.mktemp("data")))
    last_results.cache_clear()
    for name in ("CYCLERULE_PART", "CYCLERULE_CLOCK", "CYCLERULE_OPTIMIZE", "NO_COLOR", "FORCE_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
