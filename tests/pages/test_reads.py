"""Every page says which results it is made from, and is made from those."""

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from reports.edition import Edition
from reports.pages import branch, compare, index, intake, methods, safety


class Watched(dict[str, pl.DataFrame]):
    """Results that remember which of them were asked for."""

    def __init__(self, results: dict[str, pl.DataFrame]) -> None:
        super().__init__(results)
        self.read: set[str] = set()

    def __getitem__(self, name: str) -> pl.DataFrame:
        self.read.add(name)
        return super().__getitem__(name)


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize("page", [branch, compare, index, intake, methods, safety], ids=lambda page: page.__name__)
def test_a_page_reads_what_it_says(sample: Edition, page: Any) -> None:
    results = Watched(sample.results)
    edition = replace(sample, results=results)
    if page is branch:
        page.build(edition, "B01")
    else:
        page.build(edition)
    assert results.read == set(page.READS)
