"""The rows of tables that can be explained, made of what the measures count as a night makes them."""

from collections.abc import Callable, Mapping
from datetime import date

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.clients import judge_client_shares
from pipeline.judge.completion import judge_completion
from pipeline.judge.expected import Reference
from pipeline.judge.exposures import judge_exposures, taken_out
from pipeline.judge.onsets import judge_onsets
from pipeline.receipts.figures import Explained, Figure
from reports import words

Frames = Mapping[str, pl.DataFrame]


def published(explained: Explained, frames: Frames, as_of: date) -> pl.DataFrame:
    """A table's rows as known by a day, from its measures: what tells them apart and what they count, maybe more."""
    make = _MADE.get(explained.table)
    return make(frames, as_of) if make else frames[explained.measures[0]]


def not_counted(figure: Figure, frames: Frames) -> dict[str, tuple[str, str]]:
    """Piercings of a figure's level and days of which its measures alone tell why it does not count them, by id."""
    find = _NOT_COUNTED.get(figure.explained.table)
    return find(figure, frames) if find else {}


def _taken_out(figure: Figure, frames: Frames) -> dict[str, tuple[str, str]]:
    rows = taken_out(frames["exposed_piercings"], frames["exposure_levels"]).filter(
        pl.col(column) == pl.lit(value) for column, value in figure.key.items()
    )
    return {
        procedure_id: ("counts for a cause chosen before", named_cause(dimension, level))
        for procedure_id, dimension, level in rows.select("procedure_id", "by_dimension", "by_level").iter_rows()
    }


def _no_longer_at_risk(figure: Figure, frames: Frames) -> dict[str, tuple[str, str]]:
    earlier = frames["first_met"].filter(pl.col("day") < pl.lit(figure.row["day"]))
    return {
        procedure_id: ("met something before", f"{_ONSET[complication]}, day {day}")
        if complication
        else ("not known about so long", f"to day {day}")
        for procedure_id, complication, day in earlier.select("procedure_id", "complication", "day").iter_rows()
    }


def named_cause(dimension: str, level: str) -> str:
    """A cause by its name, but a practitioner: of these a receipt tells only the one asked for."""
    return "a practitioner" if dimension.startswith("practitioner") else f"{words.DIMENSION[dimension]} {level}"


def _weekly(frames: Frames, _: date) -> pl.DataFrame:
    return frames["weekly_counts"].rename({"infections": "infections_observed"})


def _comparison(frames: Frames, _: date) -> pl.DataFrame:
    of_branches = frames["complication_counts"].filter(pl.col("dimension") == "branch").drop("dimension")
    return of_branches.rename({"level": "branch_id", "events": "observed"})


def _completion(frames: Frames, as_of: date) -> pl.DataFrame:
    reference = Reference(as_of, None)  # only its day counts here
    return judge_completion(frames["infection_days"], frames["infection_delays"], reference)


_ONSET = {complication.name: complication.words for complication in v.ONSETS}
_NOT_COUNTED = {"exposures": _taken_out, "onsets": _no_longer_at_risk}
_MADE: dict[str, Callable[[Frames, date], pl.DataFrame]] = {
    "weekly": _weekly,
    "comparison": _comparison,
    "exposures": lambda frames, _: judge_exposures(frames["exposed_piercings"], frames["exposure_levels"]),
    "client_shares": lambda frames, _: judge_client_shares(frames["client_counts"]),
    "onsets": lambda frames, _: judge_onsets(frames["first_onsets"]),
    "completion": _completion,
}
"""How tables are made whose rows are not just those of their one measure."""
