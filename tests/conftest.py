"""Settings for every test."""

from collections.abc import Iterator

import pytest
from hypothesis import settings

# A busy machine is slow, not wrong: no deadline for a single example. The same examples in every run, so that a change
# that passes here passes everywhere; `--hypothesis-profile=search` looks for new ones.
settings.register_profile("suite", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, max_examples=1000)
settings.load_profile("suite")


@pytest.fixture(scope="session", autouse=True)
def cache_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test reads what an earlier run left in the user's cache, or leaves anything there."""
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("CYCLERULE_CACHE", str(tmp_path_factory.mktemp("cache")))
        environment.setenv("CYCLERULE_DATA", str(tmp_path_factory.mktemp("data")))
        yield
