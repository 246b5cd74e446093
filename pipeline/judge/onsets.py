"""When complications begin: the share of piercings that each is met first on, by days since the piercing."""

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.cumulative_incidence import cumulative_incidence


def judge_onsets(first_onsets: pl.DataFrame) -> pl.DataFrame:
    """onsets: a row for each complication and day it began on, from the measure first_onsets.

    A piercing counts for the complication it met first; the others then can no longer be first, which is what competing
    risks are. A stud taken out, as far as no complication came before, is one more of these. Piercings known about for
    a shorter time count while they are.
    """
    names = [complication.name for complication in v.ONSETS]
    cause = first_onsets["complication"].replace_strict(names, range(1, len(names) + 1), default=0).to_numpy()
    times, causes = (np.repeat(part, first_onsets["piercings"]) for part in (first_onsets["day"].to_numpy(), cause))
    curves = cumulative_incidence(times, causes, len(names))
    frames = (
        pl.DataFrame(
            {
                "complication": [name] * len(curve.days),
                "day": curve.days,
                "at_risk": curve.at_risk,
                "onsets": curve.events,
                "share": curve.values.estimate,
                "share_low": curve.values.low,
                "share_high": curve.values.high,
            }
        ).filter(pl.col("onsets") > 0)
        for name, curve in zip(names, curves, strict=True)
    )
    return RESULT_BY_NAME["onsets"].gather(frames)
