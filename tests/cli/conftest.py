"""Settings for the tests of the commands."""

import pytest


@pytest.fixture(autouse=True)
def environment_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test is told a part, a clock or a colour by whoever runs it."""
    for name in ("CYCLERULE_PART", "CYCLERULE_CLOCK", "CYCLERULE_OPTIMIZE", "NO_COLOR", "FORCE_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
