"""Judge: join the measures to the statistics, and give every result table.

Each module is about one kind of result; its functions take frames and give frames. Only here do frames and statistics
meet.
"""

from datetime import date

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.aged import still_counted, with_kept_weeks
from pipeline.judge.calling import judge_calls
from pipeline.judge.case_mix import fit_risks, judge_calibration
from pipeline.judge.charts import judge_control_charts
from pipeline.judge.clients import judge_client_shares
from pipeline.judge.comparison import judge_comparison
from pipeline.judge.completion import judge_completion
from pipeline.judge.expected import Reference, judge_weekly
from pipeline.judge.exposures import judge_exposures
from pipeline.judge.moves import judge_week_moves
from pipeline.judge.onsets import judge_onsets
from pipeline.judge.packs import judge_packs
from pipeline.judge.rates import (
    judge_attach,
    judge_branch_practitioners,
    judge_coverage,
    judge_material_sites,
    judge_rates,
    judge_revisits,
)
from pipeline.judge.records import judge_branches, judge_intake, judge_rejected_rows
from pipeline.judge.volumes import judge_file_volumes
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import Settings
from pipeline.watch.night import Memory, watch

Frames = dict[str, pl.DataFrame]


def judge(measures: Frames, known_by: date | None, memory: Memory, settings: Settings) -> Frames:
    """Every result table by its name, from the measures as of a day; None where there is no data, and they are empty.

    `memory` is what earlier nights left to the watch.
    """
    as_of = known_by or v.BEFORE_ANY_DATA
    data_from: date | None = measures["data_span"]["data_from"][0]
    reference = Reference(as_of, data_from)
    exposures = judge_exposures(measures["exposed_piercings"], measures["exposure_levels"])
    risks = fit_risks(measures["branch_strata"])
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
        "completion": judge_completion(measures["infection_days"], measures["infection_delays"], reference),
        "coverage": judge_coverage(measures["coverage_weeks"], as_of),
        "comparison": judge_comparison(
            measures["branch_strata"], measures["complication_counts"], measures["branch_days"], risks
        ),
        "calibration": judge_calibration(risks),
        "exposures": exposures,
        "record_gaps": measures["record_gaps"],
        "intake": judge_intake(measures["intake_files"]),
        "file_volumes": judge_file_volumes(measures["file_branch_days"], as_of),
        "rejected_rows": judge_rejected_rows(measures["rejections"]),
        "cause_branches": measures["cause_branches"],
        "branch_practitioners": judge_branch_practitioners(measures["branch_practitioners"]),
        "branches": judge_branches(measures["branch_days"]),
        "week_moves": judge_week_moves(measures["week_records"], measures["week_records_before"], as_of),
        "packs": judge_packs(measures["lot_stock"], as_of),
    }
    results = with_kept_weeks({name: RESULT_BY_NAME[name].frame(frame) for name, frame in results.items()}, measures)
    sequence = still_counted(measures["infection_sequence"], measures)
    charts = judge_control_charts(results["weekly"], sequence, reference, settings.phases)
    watched = watch(measures, as_of, memory, settings.false_alarms_a_year)
    calls = RESULT_BY_NAME["calls"].frame(judge_calls(measures, watched["signals"], as_of))
    return results | {"control_charts": charts, "calls": calls} | watched
