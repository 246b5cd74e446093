"""Nights for tests that are about no figure: counting and judging take most of a small night."""

from collections.abc import Callable

import polars as pl

from pipeline import nightly
from pipeline.count import count
from pipeline.results import RESULT_BY_NAME, RESULTS


def without_figures(put: Callable[[object, str, object], object], *but: str) -> None:
    """Let nights count these measures alone, which are the results of their names; every other result is empty.

    `put` sets an attribute, as `monkeypatch.setattr` does for a test and `setattr` for a process.
    """

    def judged(measures: dict[str, pl.DataFrame], *_: object) -> dict[str, pl.DataFrame]:
        empty = {result.name: result.frame(pl.DataFrame(schema=result.schema)) for result in RESULTS}
        return empty | {name: RESULT_BY_NAME[name].frame(measures[name]) for name in but}

    put(nightly, "count", lambda con, settings, as_of: count(con, settings, as_of, ("data_span", *but)))
    put(nightly, "judge", judged)
