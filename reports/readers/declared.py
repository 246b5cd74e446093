"""The readers, and who sees what of each result. What is not declared here is kept from all but the quality lead.

The quality lead's site holds everything. An owner hears of no single practitioner, client, piercing or row; those who
look at the chain neither; a branch hears of its own alone. Readers outside the company see no result of a night: what
is told them is made of quarters long past (`pipeline.judge.quarters`).
"""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from reports.readers import filters as f
from reports.readers.filters import Whole

Filter = Callable[[pl.DataFrame, Whole], pl.DataFrame]

EVERY_BRANCH = "branch/"
"""Stands among a reader's pages for the page of every branch."""


@dataclass(frozen=True)
class Reader:
    """A reader's name, their pages by path from the edition's root, the first page first, and whose branch it is."""

    name: str
    pages: tuple[str, ...]
    branch_id: str = ""

    @property
    def title(self) -> str:
        """What the summary calls the edition's reader."""
        return f"{self.name} {self.branch_id}" if self.branch_id else self.name


_ABOUT = ("methods.html", "dictionary.html")
QUALITY_LEAD = Reader(
    "quality lead", ("index.html", "safety.html", "compare.html", "intake.html", *_ABOUT, EVERY_BRANCH)
)
OWNER = Reader("owner", ("index.html", "compare.html", *_ABOUT))
CHAIN = Reader("chain", ("compare.html", *_ABOUT))
BRANCH = Reader("branch", (EVERY_BRANCH, *_ABOUT))
OUTSIDE = Reader("outside", ("index.html",))
BY_MAIL = Reader("quality lead by mail", ())
"""The quality lead where mail may be read on its way: as an owner, of incidents alone."""
READERS = {reader.name: reader for reader in (OWNER, BRANCH, CHAIN, OUTSIDE)}
"""Whom an edition can be published for, besides the quality lead."""


@dataclass(frozen=True)
class Seen:
    """What a reader sees of a result: these columns of the rows that a filter leaves.

    `emptied` columns are held without their values, since pages ask for them. Where there is something `counted_by`,
    pages are made of the rows but the published table only says how many there are of each.
    """

    columns: tuple[str, ...]
    rows: Filter = f.everything
    emptied: tuple[str, ...] = ()
    counted_by: tuple[str, ...] = ()


def _seen(columns: str, rows: Filter = f.everything, *, emptied: str = "", counted_by: str = "") -> Seen:
    return Seen(tuple(columns.split()), rows, tuple(emptied.split()), tuple(counted_by.split()))


_RATES = (
    "dimension level complication window_days period_start period_end procedures events rate wilson_low wilson_high "
    "reached coverage rate_reached reached_low reached_high events_reached attributed data_from"
)
_ATTACH = (
    "dimension level period eligible_visits attached_visits rate wilson_low wilson_high provided_visits linked_visits"
)
_REVISITS = (
    "dimension level period due attended no_show cancelled_late unknown no_show_rate wilson_low wilson_high threads "
    "kept_in_the_end"
)
_WEEKLY = (
    "week branch_id visits procedures infections_observed infections_expected aftercare_net jewellery_net mature "
    "currency"
)
_CHARTS = (
    "chart dimension level complication subgroup n observed statistic centre lower upper signal from_on to_on mature"
)
_CHARTS_OF_ITS_OWN = (
    f"{_CHARTS} beyond baseline baseline_from baseline_to why in_baseline rule rule_side phase phase_from reason "
    "sigma_z"
)
_COMPARISON = (
    "branch_id complication observed expected ratio ratio_low ratio_high limit_low_95 limit_high_95 limit_low_998 "
    "limit_high_998 comparable reason procedures reached coverage"
)
_COMPARISON_OF_ALL = (
    f"{_COMPARISON} shrunk_ratio raw_ratio phi phi_winsorised tau2 wide_low_95 wide_high_95 wide_low_998 wide_high_998 "
    "posterior_low posterior_high probability_above model_expected model_ratio"
)
_FOUND = "observed expected ratio ratio_low ratio_high"
_EXPOSURES = "dimension level complication signal"
_CAUSE_BRANCHES = "complication dimension level branch_id procedures events used_from used_to"
_INCIDENTS = "incident_id opened_on complication dimension level state started_on ended_on standing_on"
_OPEN = _seen(
    f"{_INCIDENTS} {_FOUND} signals exposed still_exposed cause_dimension cause_level against provisional", f.unnamed
)
_GAPS = _seen("procedure_id branch_id performed_on gap", f.numbered_piercings, counted_by="branch_id gap")
_REFUSED = _seen("table line rule", f.numbered_lines, emptied="file sha256", counted_by="table rule")
_PACKS = "branch_id lot_no article_id expires_on packs counted_on used_a_week unused"
_ANSWERS = "branch_id from_on visits due answered visits_before answered_before chance_fewer chance_more change"
_BRANCHES = "branch_id name premises region follow_up_policy opened_on known data_from data_through"

SEEN: dict[str, dict[Reader, Seen]] = {
    "complication_rates": {
        OWNER: _seen(_RATES, f.no_people),
        CHAIN: _seen(_RATES, f.chain_and_branches),
        BRANCH: _seen(_RATES, f.own_level),
    },
    "material_sites": {},
    "client_shares": {},
    "onsets": {},
    "attach": {
        OWNER: _seen(_ATTACH, f.chain_and_branches),
        CHAIN: _seen(_ATTACH, f.chain_and_branches),
        BRANCH: _seen(_ATTACH, f.own_level),
    },
    "revisits": {
        OWNER: _seen(_REVISITS, f.chain_and_branches),
        CHAIN: _seen(_REVISITS, f.chain_and_branches),
        BRANCH: _seen(_REVISITS, f.own_level),
    },
    "weekly": {OWNER: _seen(_WEEKLY), BRANCH: _seen(_WEEKLY, f.own_weeks)},
    "completion": {
        BRANCH: _seen("dimension level week procedures seen known_share expected_final low high", f.own_completion)
    },
    "control_charts": {
        OWNER: _seen(_CHARTS, f.chain_and_branches),
        BRANCH: _seen(_CHARTS_OF_ITS_OWN, f.own_level),
    },
    "comparison": {
        OWNER: _seen(_COMPARISON_OF_ALL),
        CHAIN: _seen(_COMPARISON_OF_ALL),
        BRANCH: _seen(_COMPARISON, f.own_comparison),
    },
    "calibration": dict.fromkeys(
        (OWNER, CHAIN),
        _seen(
            "complication tenth procedures observed predicted predicted_share share wilson_low wilson_high "
            "hosmer_lemeshow"
        ),
    ),
    "exposures": {
        OWNER: _seen(f"{_EXPOSURES} {_FOUND} procedures limit_high p_value first_on last_on", f.unnamed_causes),
        BRANCH: _seen(_EXPOSURES, f.standing_out_here, emptied=f"{_FOUND} procedures p_value"),
    },
    "signals": {
        OWNER: _seen(
            f"signal_id raised_on complication dimension level method started_on {_FOUND} statistic threshold state "
            "procedures ended_on incident_id standing_on faded_on",
            f.unnamed,
        )
    },
    "incidents": {
        OWNER: _OPEN,
        BY_MAIL: _OPEN,
        BRANCH: _seen(_INCIDENTS, f.met_here, emptied=f"{_FOUND} exposed"),
    },
    "explanations": {},
    "incident_weeks": {BY_MAIL: _seen("incident_id week procedures observed expected", f.weeks_of_no_person)},
    "watched_slices": {},
    "thresholds": {},
    "answers": {OWNER: _seen(_ANSWERS), CHAIN: _seen(_ANSWERS), BRANCH: _seen(_ANSWERS, f.own)},
    "record_gaps": {OWNER: _GAPS, CHAIN: _GAPS, BRANCH: _seen("procedure_id branch_id performed_on gap", f.own)},
    "intake": {
        OWNER: _seen("file table rows accepted rejected duplicate superseded loaded_at readable", f.numbered_files)
    },
    "file_volumes": {
        OWNER: _seen("file table branch_id rows days usual flag told_from told_to loaded_at", f.numbered_files)
    },
    "rejected_rows": {OWNER: _REFUSED, CHAIN: _REFUSED},
    "calls": {
        OWNER: _seen("branch_id urgency reason", counted_by="branch_id reason"),
        BRANCH: _seen("branch_id visit_id urgency reason about since due_on others", f.own),
    },
    "week_moves": {OWNER: _seen("week branch_id figure currency told late added taken_away now")},
    "packs": {OWNER: _seen(_PACKS), BRANCH: _seen(_PACKS, f.own)},
    "coverage": {},
    "cause_branches": {OWNER: _seen(_CAUSE_BRANCHES, f.unnamed_where), BRANCH: _seen(_CAUSE_BRANCHES, f.own)},
    "branch_practitioners": {
        BRANCH: _seen(
            "branch_id practitioner_id site_group procedures events reached rate wilson_low wilson_high", f.own
        )
    },
    "branches": {OWNER: _seen(_BRANCHES), CHAIN: _seen(_BRANCHES), BRANCH: _seen(_BRANCHES, f.own)},
    "quarter_piercings": {
        OUTSIDE: _seen("quarter site_group procedures reached coverage coverage_low coverage_high small_count")
    },
    "quarter_complications": {OUTSIDE: _seen("quarter complication site_group events rate wilson_low wilson_high")},
}
"""For each result, what each reader sees of it; an empty entry says that none does."""
