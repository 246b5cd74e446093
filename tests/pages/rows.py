"""Rows of result tables that break nothing, to change a value of; dates are those of `support.editions`."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from support.editions import AS_OF, DATA_FROM, MONDAY

Row = dict[str, Any]


def branch(branch_id: str = "B1", **changes: Any) -> Row:
    """A row of branches: one that data came from up to the last day."""
    good = {"branch_id": branch_id, "known": True, "data_from": DATA_FROM, "data_through": AS_OF}
    return good | changes


def week(monday: date = MONDAY, branch_id: str = "B1", **changes: Any) -> Row:
    """A row of weekly."""
    good: Row = {
        "week": monday,
        "branch_id": branch_id,
        "visits": 10,
        "procedures": 15,
        "infections_observed": 0,
        "infections_expected": 0.5,
        "aftercare_net": Decimal(0),
        "jewellery_net": Decimal(0),
        "mature": monday + timedelta(days=6) <= AS_OF - timedelta(days=44),
    }
    return good | changes


def mondays(n: int, last: date = MONDAY) -> list[date]:
    """The last Mondays, the newest first."""
    return [last - timedelta(weeks=back) for back in range(n)]


def attach(monday: date = MONDAY, dimension: str = "all", level: str = "all", **changes: Any) -> Row:
    """A row of attach for a week: 4 of 10 visits bought, 5 left with aftercare."""
    good: Row = {
        "dimension": dimension,
        "level": level,
        "period": f"week:{monday}",
        "eligible_visits": 10,
        "attached_visits": 4,
        "rate": 0.4,
        "wilson_low": 0.168,
        "wilson_high": 0.687,
        "provided_visits": 5,
        "linked_visits": 9,
    }
    return good | changes


def rate(complication: str = "infection", dimension: str = "all", level: str = "all", **changes: Any) -> Row:
    """A row of complication_rates: 12 of 600 piercings, 300 of them reached, 9 of those with an event."""
    good: Row = {
        "dimension": dimension,
        "level": level,
        "complication": complication,
        "window_days": 30,
        "period_start": AS_OF - timedelta(days=44 + 363),
        "period_end": AS_OF - timedelta(days=44),
        "procedures": 600,
        "events": 12,
        "rate": 0.02,
        "wilson_low": 0.0119,
        "wilson_high": 0.0346,
        "reached": 300,
        "coverage": 0.5,
        "rate_reached": 0.03,
        "reached_low": 0.0159,
        "reached_high": 0.0561,
        "events_reached": 9,
        "attributed": 0,
        "data_from": DATA_FROM,
    }
    return good | changes


def compared(branch_id: str = "B1", complication: str = "infection", **changes: Any) -> Row:
    """A row of comparison: a branch within the limits."""
    good: Row = {
        "branch_id": branch_id,
        "complication": complication,
        "observed": 11,
        "expected": 10.0,
        "ratio": 1.1,
        "ratio_low": 0.55,
        "ratio_high": 1.97,
        "limit_low_95": 0.4,
        "limit_high_95": 1.7,
        "limit_low_998": 0.2,
        "limit_high_998": 2.1,
        "shrunk_ratio": 1.05,
        "comparable": True,
        "procedures": 500,
        "reached": 300,
        "coverage": 0.6,
        "raw_ratio": 1.2,
        "phi": 1.0,
        "phi_winsorised": 1.0,
        "tau2": 0.0,
        "wide_low_95": 0.4,
        "wide_high_95": 1.7,
        "wide_low_998": 0.1,
        "wide_high_998": 2.2,
        "posterior_low": 0.8,
        "posterior_high": 1.4,
        "probability_above": 0.2,
        "model_expected": 10.2,
        "model_ratio": 1.08,
    }
    return good | changes


def cause(
    dimension: str = "lot",
    level: str = "L1",
    complication: str = "infection",
    used_to: date = AS_OF,
    p_value: float = 1e-6,
) -> dict[str, list[Row]]:
    """A possible cause that stands out, in all the results that tell of it: 30 of 200 piercings, 6 expected."""
    key: Row = {"complication": complication, "dimension": dimension, "level": level}
    ratio: Row = {"observed": 30, "expected": 6.2, "ratio": 4.84, "ratio_low": 3.27, "ratio_high": 6.91}
    signal = key | ratio | {
        "signal_id": f"S-{dimension}-{level}-{complication}",
        "raised_on": AS_OF - timedelta(days=3),
        "method": "funnel",
        "started_on": AS_OF - timedelta(days=300),
        "ended_on": used_to,
        "statistic": 30.0,
        "threshold": 18.0,
        "state": "new",
        "procedures": 200,
    }  # fmt: skip
    exposure = key | ratio | {"procedures": 200, "limit_high": 18.0, "p_value": p_value, "signal": True}
    met = key | {
        "branch_id": "B1",
        "procedures": 200,
        "events": 30,
        "used_from": AS_OF - timedelta(days=300),
        "used_to": used_to,
    }
    return {"signals": [signal], "exposures": [exposure], "cause_branches": [met]}


def together(*results: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """Several rows of results as one."""
    names = dict.fromkeys(name for one in results for name in one)
    return {name: [row for one in results for row in one.get(name, [])] for name in names}


def plain_week() -> dict[str, list[Row]]:
    """A branch with a whole week, and the week before, in which nothing stands out."""
    return {
        "branches": [branch()],
        "weekly": [week(), week(mondays(2)[1], visits=8)],
        "attach": [attach()],
        "complication_rates": [rate()],
    }
