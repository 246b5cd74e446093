"""Judge: join the measures to the statistics, and give every result table.

Each module is about one kind of result; its functions take frames and give frames. Only here do frames and statistics
meet.
"""

from datetime import date

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.aged import with_kept_weeks
from pipeline.judge.charts import judge_control_charts
from pipeline.judge.clients import judge_client_shares
from pipeline.judge.comparison import judge_comparison
from pipeline.judge.expected import Reference, judge_weekly
from pipeline.judge.exposures import judge_exposures
from pipeline.judge.onsets import judge_onsets
from pipeline.judge.rates import (
    judge_attach,
    judge_branch_practitioners,
    judge_coverage,
    judge_material_sites,
    judge_rates,
    judge_revisits,
)
from pipeline.judge.records import judge_branches, judge_intake, judge_rejected_rows
from pipeline.judge.signals import judge_signals
from pipeline.judge.volumes import judge_file_volumes
from pipeline.results import RESULT_BY_NAME

Frames = dict[str, pl.DataFrame]


def judge(measures: Frames, known_by: date | None, raised_before: dict[str, date]) -> Frames:
    """Every result table by its name, from the measures as of a day; None where there is no data, and they are empty.

    `raised_before` holds the signals of earlier nights with the day each was first raised.
    """
    as_of = known_by or v.BEFORE_ANY_DATA
    data_from: date | None = measures["data_span"]["data_from"][0]
    reference = Reference(as_of, data_from)
    control_charts = judge_control_charts(measures["infection_sequence"], reference)
    exposures = judge_exposures(measures["exposed_piercings"], measures["exposure_levels"])
    results = {
        "complication_rates": judge_rates(measures["complication_counts"], data_from),
        "material_sites": judge_material_sites(measures["material_sites"]),
        "client_shares": judge_client_shares(measures["client_counts"]),
        "onsets": judge_onsets(measures["first_onsets"]),
        "attach": judge_attach(measures["attach_counts"]),
        "revisits": judge_revisits(measures["revisit_counts"]),
        "weekly": judge_weekly(
            measures["weekly_counts"], measures["infection_days"], measures["infection_delays"], reference
        ),
        "coverage": judge_coverage(measures["coverage_weeks"], as_of),
        "control_charts": control_charts,
        "comparison": judge_comparison(
            measures["branch_strata"], measures["complication_counts"], measures["branch_days"]
        ),
        "exposures": exposures,
        "signals": judge_signals(control_charts, exposures, as_of, raised_before),
        "record_gaps": measures["record_gaps"],
        "intake": judge_intake(measures["intake_files"]),
        "file_volumes": judge_file_volumes(measures["file_branch_days"], as_of),
        "rejected_rows": judge_rejected_rows(measures["rejections"]),
        "cause_branches": measures["cause_branches"],
        "branch_practitioners": judge_branch_practitioners(measures["branch_practitioners"]),
        "branches": judge_branches(measures["branch_days"]),
    }
    return with_kept_weeks({name: RESULT_BY_NAME[name].frame(frame) for name, frame in results.items()}, measures)
