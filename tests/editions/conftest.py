"""The sample's night, shared with the other tests that look at it."""

import pytest

from support.editions import Published, sample_night


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Published:
    return sample_night(tmp_path_factory)
