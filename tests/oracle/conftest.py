"""Chains are judged with thresholds by size: solving them takes longer than all else, and the second has none."""

from collections.abc import Iterator

import pytest

from pipeline.watch import limits


@pytest.fixture(scope="module", autouse=True)
def _thresholds_by_size() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limits, "LEAST_PIERCINGS", 10**9)
        yield
