"""The declared columns of every result table: they stand behind the pages, are published as CSV, and kept in the store.

Columns the contract fixes come first, in its order; further ones of our own follow.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

_TEXT, _COUNT, _NUMBER, _DAY, _FLAG = pl.String, pl.Int64, pl.Float64, pl.Date, pl.Boolean
_MONEY = pl.Decimal(38, 10)


@dataclass(frozen=True)
class Result:
    """A result table: its name (of the CSV file too), what a row is, its grain, and its columns with their types."""

    name: str
    sentence: str
    grain: tuple[str, ...]
    schema: dict[str, pl.DataType | type[pl.DataType]]

    def frame(self, frame: pl.DataFrame) -> pl.DataFrame:
        """A frame's declared columns in their order and types, rows in the order of the grain.

        Raises polars' ColumnNotFoundError where one is missing. NaN becomes empty.
        """
        columns = [pl.col(name).cast(dtype) for name, dtype in self.schema.items()]
        return frame.select(columns).with_columns(pl.col(pl.Float64).fill_nan(None)).sort(self.grain, nulls_last=False)

    def gather(self, frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
        """Several frames as one, as `frame` gives it; without any, an empty one."""
        return pl.concat([pl.DataFrame(schema=self.schema), *map(self.frame, frames)]).sort(self.grain)


def _times(names: str, dtype: pl.DataType | type[pl.DataType]) -> dict[str, pl.DataType | type[pl.DataType]]:
    return dict.fromkeys(names.split(), dtype)


RESULTS: tuple[Result, ...] = (
    Result(
        "complication_rates",
        "Events among mature piercings of the 364-day period, for each level and complication.",
        ("dimension", "level", "complication"),
        _times("dimension level complication", _TEXT)
        | _times("window_days", _COUNT)
        | _times("period_start period_end", _DAY)
        | _times("procedures events", _COUNT)
        | _times("rate wilson_low wilson_high", _NUMBER)
        | _times("reached", _COUNT)
        | _times("coverage rate_reached reached_low reached_high", _NUMBER)
        | _times("events_reached attributed", _COUNT)
        | _times("data_from", _DAY),
    ),
    Result(
        "material_sites",
        "Events among mature piercings of the 364-day period, for each watched complication, material and site group.",
        ("complication", "material", "site_group"),
        _times("complication material site_group", _TEXT)
        | _times("procedures events", _COUNT)
        | _times("rate wilson_low wilson_high", _NUMBER)
        | _times("reached events_reached", _COUNT)
        | _times("rate_reached reached_low reached_high", _NUMBER),
    ),
    Result(
        "client_shares",
        "Events by client for each watched complication: the share of piercings allowing for clients with several, and "
        "the share of clients.",
        ("complication",),
        _times("complication", _TEXT)
        | _times("procedures events", _COUNT)
        | _times("rate wilson_low wilson_high design_effect clustered_low clustered_high", _NUMBER)
        | _times("clients clients_with", _COUNT)
        | _times("client_rate client_low client_high", _NUMBER),
    ),
    Result(
        "onsets",
        "The share of piercings on which each complication, or a stud taken out, was met first, up to each day after.",
        ("complication", "day"),
        _times("complication", _TEXT)
        | _times("day at_risk onsets", _COUNT)
        | _times("share share_low share_high", _NUMBER),
    ),
    Result(
        "attach",
        "Visits that left with aftercare, for each level and period.",
        ("dimension", "level", "period"),
        _times("dimension level period", _TEXT)
        | _times("eligible_visits attached_visits", _COUNT)
        | _times("rate wilson_low wilson_high", _NUMBER)
        | _times("provided_visits linked_visits", _COUNT),
    ),
    Result(
        "revisits",
        "Due revisits by what became of them, for each level and period.",
        ("dimension", "level", "period"),
        _times("dimension level period", _TEXT)
        | _times("due attended no_show cancelled_late unknown", _COUNT)
        | _times("no_show_rate wilson_low wilson_high", _NUMBER)
        | _times("threads kept_in_the_end", _COUNT),
    ),
    Result(
        "weekly",
        "What happened in each week at each branch, with infections expected so far.",
        ("week", "branch_id", "currency"),
        _times("week", _DAY)
        | _times("branch_id", _TEXT)
        | _times("visits procedures infections_observed", _COUNT)
        | _times("infections_expected", _NUMBER)
        | _times("aftercare_net jewellery_net", _MONEY)
        | _times("currency", _TEXT)
        | _times("mature", _FLAG),
    ),
    Result(
        "completion",
        "Weeks not yet known in full: infections seen, and those there will be once all are known, with 95 % limits.",
        ("dimension", "level", "week"),
        _times("dimension level", _TEXT)
        | _times("week", _DAY)
        | _times("procedures seen", _COUNT)
        | _times("known_share expected_final", _NUMBER)
        | _times("low high", _COUNT),
    ),
    Result(
        "control_charts",
        "Points of the control charts with their limits.",
        ("chart", "subgroup"),
        _times("chart dimension level complication subgroup", _TEXT)
        | _times("n observed", _COUNT)
        | _times("statistic centre lower upper", _NUMBER)
        | _times("signal", _FLAG)
        | _times("beyond", _TEXT)
        | _times("from_on to_on", _DAY)
        | _times("baseline", _NUMBER)
        | _times("baseline_from baseline_to", _DAY)
        | _times("why", _TEXT)
        | _times("mature in_baseline", _FLAG)
        | _times("rule rule_side", _TEXT)
        | _times("phase", _COUNT)
        | _times("phase_from", _DAY)
        | _times("reason", _TEXT)
        | _times("sigma_z", _NUMBER),
    ),
    Result(
        "comparison",
        "Each branch's events against those expected of its case mix, for each complication.",
        ("branch_id", "complication"),
        _times("branch_id complication", _TEXT)
        | _times("observed", _COUNT)
        | _times("expected ratio ratio_low ratio_high", _NUMBER)
        | _times("limit_low_95 limit_high_95 limit_low_998 limit_high_998 shrunk_ratio", _NUMBER)
        | _times("comparable", _FLAG)
        | _times("reason", _TEXT)
        | _times("procedures reached", _COUNT)
        | _times("coverage raw_ratio phi phi_winsorised tau2", _NUMBER)
        | _times("wide_low_95 wide_high_95 wide_low_998 wide_high_998", _NUMBER)
        | _times("posterior_low posterior_high probability_above", _NUMBER)
        | _times("model_expected model_ratio", _NUMBER),
    ),
    Result(
        "calibration",
        "Events against those the case-mix regression predicts, by tenths of predicted risk, for each complication.",
        ("complication", "tenth"),
        _times("complication", _TEXT)
        | _times("tenth procedures observed", _COUNT)
        | _times("predicted predicted_share share wilson_low wilson_high hosmer_lemeshow", _NUMBER),
    ),
    Result(
        "exposures",
        "Events of those exposed to each possible cause, against those expected of like piercings.",
        ("complication", "dimension", "level"),
        _times("dimension level complication", _TEXT)
        | _times("procedures observed", _COUNT)
        | _times("expected ratio ratio_low ratio_high limit_high p_value", _NUMBER)
        | _times("signal", _FLAG)
        | _times("first_on last_on", _DAY),
    ),
    Result(
        "signals",
        "Slices that passed their threshold: reasons to look, not findings.",
        ("signal_id",),
        _times("signal_id", _TEXT)
        | _times("raised_on", _DAY)
        | _times("complication dimension level method", _TEXT)
        | _times("started_on", _DAY)
        | _times("observed", _COUNT)
        | _times("expected ratio ratio_low ratio_high statistic threshold", _NUMBER)
        | _times("state", _TEXT)
        | _times("procedures", _COUNT)
        | _times("ended_on", _DAY)
        | _times("incident_id", _TEXT)
        | _times("standing_on faded_on", _DAY),
    ),
    Result(
        "incidents",
        "Open incidents: overlapping signals joined, with the likeliest cause and what speaks against.",
        ("incident_id",),
        _times("incident_id", _TEXT)
        | _times("opened_on", _DAY)
        | _times("complication dimension level state", _TEXT)
        | _times("started_on", _DAY)
        | _times("observed", _COUNT)
        | _times("expected ratio ratio_low ratio_high", _NUMBER)
        | _times("signals exposed still_exposed", _COUNT)
        | _times("ended_on standing_on", _DAY)
        | _times("cause_dimension cause_level against", _TEXT)
        | _times("provisional", _FLAG),
    ),
    Result(
        "explanations",
        "Slices that may be behind each open incident, the likeliest first.",
        ("incident_id", "rank"),
        _times("incident_id", _TEXT)
        | _times("rank", _COUNT)
        | _times("dimension level", _TEXT)
        | _times("evidence share", _NUMBER)
        | _times("observed", _COUNT)
        | _times("expected", _NUMBER),
    ),
    Result(
        "incident_weeks",
        "The last half year of each open incident by week of the piercing: observed, and expected so far.",
        ("incident_id", "week"),
        _times("incident_id", _TEXT)
        | _times("week", _DAY)
        | _times("procedures observed", _COUNT)
        | _times("expected", _NUMBER),
    ),
    Result(
        "watched_slices",
        "The watch over the chain, its branches, sites, materials, articles and batches: the last half year, and how "
        "near each is to its threshold.",
        ("complication", "dimension", "level"),
        _times("complication dimension level", _TEXT)
        | _times("observed", _COUNT)
        | _times("expected", _NUMBER)
        | _times("from_on", _DAY)
        | _times("evidence threshold", _NUMBER),
    ),
    Result(
        "thresholds",
        "Thresholds of the watch by family of slices, each set from the day it holds from.",
        ("complication", "holds_from", "dimension"),
        _times("complication dimension", _TEXT)
        | _times("holds_from", _DAY)
        | _times("threshold budget simulated_a_year", _NUMBER)
        | _times("basis", _TEXT)
        | _times("branches", _COUNT)
        | _times("piercings_a_week events_a_week", _NUMBER),
    ),
    Result(
        "answers",
        "Visits of each branch's last eight weeks that are answered by now, of those that would be if all clients "
        "answered in the end, beside the half year before.",
        ("branch_id",),
        _times("branch_id", _TEXT)
        | _times("from_on", _DAY)
        | _times("visits due answered visits_before answered_before", _COUNT)
        | _times("chance_fewer chance_more", _NUMBER)
        | _times("change", _TEXT),
    ),
    Result(
        "record_gaps",
        "Gaps in the records of piercings of the last 364 days.",
        ("procedure_id", "gap"),
        _times("procedure_id branch_id", _TEXT) | _times("performed_on", _DAY) | _times("gap", _TEXT),
    ),
    Result(
        "intake",
        "Every file taken in, with the fates of its rows.",
        ("file", "table", "sha256"),
        _times("file table sha256", _TEXT)
        | _times("rows accepted rejected duplicate superseded", _COUNT)
        | _times("loaded_at", pl.Datetime("us"))
        | _times("readable", _FLAG)
        | _times("undeclared", _TEXT),
    ),
    Result(
        "file_volumes",
        "Rows that files of the last 91 days brought for each branch, beside what was usual.",
        ("file", "table", "sha256", "branch_id"),
        _times("file table sha256 branch_id", _TEXT)
        | _times("rows days", _COUNT)
        | _times("usual", _NUMBER)
        | _times("flag", _TEXT)
        | _times("told_from told_to", _DAY)
        | _times("loaded_at", pl.Datetime("us")),
    ),
    Result(
        "rejected_rows",
        "Every rule that a row or file breaks, as long as it stands rejected.",
        ("file", "sha256", "table", "line", "column", "rule"),
        _times("file table", _TEXT) | _times("line", _COUNT) | _times("rule column value remedy sha256", _TEXT),
    ),
    Result(
        "calls",
        "Visits whose client should be asked today, each under its most urgent reason.",
        ("branch_id", "visit_id"),
        _times("branch_id visit_id", _TEXT)
        | _times("urgency", _COUNT)
        | _times("reason about", _TEXT)
        | _times("since due_on", _DAY)
        | _times("others", _TEXT),
    ),
    Result(
        "week_moves",
        "How the figures of the last week but one moved in a week: what was told, came late, was corrected, is known.",
        ("week", "branch_id", "figure", "currency"),
        _times("week", _DAY)
        | _times("branch_id figure currency", _TEXT)
        | _times("told late added taken_away now", _MONEY),
    ),
    Result(
        "packs",
        "Packs on the shelf of each branch that have expired, or will within 90 days before they are used.",
        ("branch_id", "expires_on", "lot_no"),
        _times("branch_id lot_no article_id", _TEXT)
        | _times("expires_on", _DAY)
        | _times("packs", _COUNT)
        | _times("counted_on", _DAY)
        | _times("used_a_week unused", _NUMBER),
    ),
    Result(
        "coverage",
        "How many piercings of each week and branch were reached within the 30-day window.",
        ("week", "branch_id"),
        _times("week", _DAY)
        | _times("branch_id", _TEXT)
        | _times("procedures reached", _COUNT)
        | _times("coverage coverage_low coverage_high", _NUMBER)
        | _times("mature", _FLAG),
    ),
    Result(
        "cause_branches",
        "Where each possible cause was met: exposed piercings and their events by branch.",
        ("complication", "dimension", "level", "branch_id"),
        _times("complication dimension level branch_id", _TEXT)
        | _times("procedures events", _COUNT)
        | _times("used_from used_to", _DAY),
    ),
    Result(
        "branch_practitioners",
        "Infections by practitioner and site group, for each branch.",
        ("branch_id", "practitioner_id", "site_group"),
        _times("branch_id practitioner_id site_group", _TEXT)
        | _times("procedures events reached", _COUNT)
        | _times("rate wilson_low wilson_high", _NUMBER),
    ),
    Result(
        "branches",
        "The branches, and the days their exports tell of.",
        ("branch_id",),
        _times("branch_id name premises region follow_up_policy", _TEXT)
        | _times("opened_on", _DAY)
        | _times("known", _FLAG)
        | _times("data_from data_through", _DAY),
    ),
)

QUARTER_PIERCINGS = Result(
    "quarter_piercings",
    "Piercings of each whole quarter, and of how many it was learned how they healed, as known 90 days after its end.",
    ("quarter", "site_group"),
    _times("quarter", _DAY)
    | _times("site_group", _TEXT)
    | _times("procedures reached", _COUNT)
    | _times("coverage coverage_low coverage_high", _NUMBER)
    | _times("small_count", _COUNT),
)
QUARTER_COMPLICATIONS = Result(
    "quarter_complications",
    "Complications that began within 30 days of piercings of each whole quarter, as known 90 days after its end.",
    ("quarter", "complication", "site_group"),
    _times("quarter", _DAY)
    | _times("complication site_group", _TEXT)
    | _times("events", _COUNT)
    | _times("rate wilson_low wilson_high", _NUMBER),
)
QUARTERS = (QUARTER_PIERCINGS, QUARTER_COMPLICATIONS)
"""What may be told outside the company: made when an edition for readers there is published, no result of a night."""

RESULT_BY_NAME = {result.name: result for result in RESULTS}
