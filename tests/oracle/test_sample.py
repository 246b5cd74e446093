"""The pipeline and the second implementation agree on every cell of every table of the whole sample."""

import gc
from collections.abc import Iterator
from datetime import UTC

import pytest

from support.editions import AFTER_SAMPLE, SAMPLE_EXPORTS, Published, sample_night

from . import read_inbox, tables
from .comparing import differences


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """The night other folders look at too. Of the session, so that it is made before this folder's thresholds hold."""
    return sample_night(tmp_path_factory)


@pytest.fixture
def _uncollected() -> Iterator[None]:
    """No search for cycles of garbage: the second implementation keeps millions of objects at once."""
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("_uncollected")
def test_the_sample(sample: Published) -> None:
    ours = sample.edition.results
    theirs = tables(read_inbox(SAMPLE_EXPORTS, now=AFTER_SAMPLE.replace(tzinfo=UTC), key=b"a key"))
    assert [line for name, rows in theirs.items() for line in differences(name, ours[name], rows)] == []
