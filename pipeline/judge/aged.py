"""Weeks whose rows are aged out: published as they were last counted, below the weeks counted now."""

from datetime import date

import polars as pl

from pipeline.results import RESULT_BY_NAME

Frames = dict[str, pl.DataFrame]


def with_kept_weeks(results: Frames, measures: Frames) -> Frames:
    """The results with kept weeks in place of any row of those weeks, from the frames `ageing` and `aged_<result>`."""
    ageing = measures.get("ageing")
    if ageing is None or ageing.is_empty():
        return results
    weeks_before: date = ageing["weeks_before"][0]
    joined = dict(results)
    for name, frame in results.items():
        if f"aged_{name}" in measures:
            counted = frame.filter(_is_counted(frame, weeks_before))
            joined[name] = RESULT_BY_NAME[name].gather([measures[f"aged_{name}"], counted])
    return joined


def still_counted(frame: pl.DataFrame, measures: Frames) -> pl.DataFrame:
    """A measure's rows of weeks, by its column `week`, that are counted and not kept."""
    ageing = measures.get("ageing")
    if ageing is None or ageing.is_empty():
        return frame
    return frame.filter(_is_counted(frame, ageing["weeks_before"][0]))


def _is_counted(frame: pl.DataFrame, weeks_before: date) -> pl.Expr:
    """Whether a row's week, by its column `week` or its period, is still counted; a row of no week is."""
    if "week" in frame.columns:
        return pl.col("week") >= weeks_before
    monday = pl.col("period").str.strip_prefix("week:").str.to_date("%Y-%m-%d", strict=False)
    return (monday >= weeks_before).fill_null(value=True)
