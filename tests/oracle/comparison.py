"""comparison.csv (methods M5)."""

from collections import defaultdict
from dataclasses import dataclass
from math import fsum, sqrt
from statistics import NormalDist, median

from scipy.stats import poisson

from .case_mix import CaseMix
from .intervals import ratio_with_limits
from .slices import Facts
from .visits import Piercing
from .words import WINDOW_OF, Row

PREDICTION = {"limit_low_95": 0.025, "limit_high_95": 0.975, "limit_low_998": 0.001, "limit_high_998": 0.999}


@dataclass(frozen=True)
class Branch:
    """A branch in the rate period of one complication."""

    branch_id: str
    mature: int
    observed: int
    expected: float
    by_model: float | None
    reached: int
    passive: bool

    @property
    def coverage(self) -> float:
        return self.reached / self.mature


def comparison(facts: Facts) -> list[Row]:
    rows = []
    for complication in WINDOW_OF:
        branches = branches_in_period(facts, complication)
        shrunk = shrunk_ratios(branches)
        reasons = {}
        for branch in branches:
            others = [other for other in branches if other is not branch and other.mature > 0]
            reasons[branch.branch_id] = why_not_comparable(branch, others)
        comparable = [branch for branch in branches if reasons[branch.branch_id] is None and branch.expected > 0]
        spread = spread_of(comparable)
        for branch in branches:
            reason = reasons[branch.branch_id]
            rows.append(
                {
                    "branch_id": branch.branch_id,
                    "complication": complication,
                    **ratio_columns(branch),
                    "shrunk_ratio": shrunk.get(branch.branch_id),
                    "comparable": reason is None,
                    "reason": reason,
                    "raw_ratio": raw_ratio(branch, branches),
                    **spread,
                    **wide_limits(branch, spread["tau2"]),
                    "model_expected": branch.by_model,
                    "model_ratio": branch.observed / branch.by_model if (branch.by_model or 0) >= 1 else None,
                }
            )
    return rows


def branches_in_period(facts: Facts, complication: str) -> list[Branch]:
    mature = facts.mature(complication)
    piercings_of, events_of = defaultdict(list), defaultdict(list)
    by_branch: dict[str, list[Piercing]] = defaultdict(list)
    for piercing in mature:
        stratum = facts.stratum(piercing)
        piercings_of[stratum].append(piercing)
        if facts.is_event(complication, piercing):
            events_of[stratum].append(piercing)
        by_branch[piercing.branch_id].append(piercing)
    rate = {stratum: len(events_of[stratum]) / len(group) for stratum, group in piercings_of.items()}
    model = CaseMix(facts, complication)
    branches = []
    for branch_id in sorted({piercing.branch_id for piercing in facts.piercings}):
        own = by_branch.get(branch_id, [])
        row = facts.known.branches.get(branch_id)
        branches.append(
            Branch(
                branch_id,
                mature=len(own),
                observed=sum(facts.is_event(complication, piercing) for piercing in own),
                expected=fsum(rate[facts.stratum(piercing)] for piercing in own),
                by_model=fsum(model.risk[facts.stratum(piercing)] for piercing in own)
                if model.risk or not own
                else None,
                reached=sum(facts.outcomes.reached(piercing, WINDOW_OF[complication]) for piercing in own),
                passive=row is not None and row["follow_up_policy"] == "passive",
            )
        )
    return branches


def ratio_columns(branch: Branch) -> Row:
    ratio = ratio_with_limits(branch.observed, branch.expected) if branch.expected >= 1 else (None, None, None)
    limits = {
        name: float(poisson.ppf(share, branch.expected)) / branch.expected if branch.expected > 0 else None
        for name, share in PREDICTION.items()
    }
    return {
        "observed": branch.observed,
        "expected": branch.expected,
        **dict(zip(("ratio", "ratio_low", "ratio_high"), ratio, strict=True)),
        **limits,
    }


def shrunk_ratios(branches: list[Branch]) -> dict[str, float]:
    """Give each branch's ratio, shrunk towards the chain's (Marshall RM 1991, Applied Statistics 40:283-294)."""
    expecting = [branch for branch in branches if branch.expected > 0]
    total = fsum(branch.expected for branch in expecting)
    if not any(branch.observed for branch in expecting):
        return {}
    m = sum(branch.observed for branch in expecting) / total
    variance = fsum(b.expected * (b.observed / b.expected - m) ** 2 for b in expecting) / total
    a = max(0.0, variance - m / (total / len(expecting)))
    return {
        b.branch_id: m + (a / (a + m / b.expected) * (b.observed / b.expected - m) if a > 0 else 0.0) for b in expecting
    }


def raw_ratio(branch: Branch, branches: list[Branch]) -> float | None:
    events, mature = sum(b.observed for b in branches), sum(b.mature for b in branches)
    return branch.observed / branch.mature / (events / mature) if branch.mature and events else None


def spread_of(branches: list[Branch]) -> dict[str, float | None]:
    """Give phi, its winsorised form and tau^2 (Spiegelhalter DJ 2005, Statistics in Medicine 24:1185-1202)."""
    if len(branches) < 2:
        return {"phi": None, "phi_winsorised": None, "tau2": None}
    scores = sorted((b.observed - b.expected) / sqrt(b.expected) for b in branches)
    low, high = quantile(scores, 0.1), quantile(scores, 0.9)
    drawn_in = [min(max(score, low), high) for score in scores]
    phi, winsorised = (fsum(score**2 for score in some) / len(branches) for some in (scores, drawn_in))
    weights = [b.expected for b in branches]
    total = fsum(weights)
    excess = len(branches) * winsorised - (len(branches) - 1)
    tau2 = max(0.0, excess / (total - fsum(weight**2 for weight in weights) / total))
    return {"phi": phi, "phi_winsorised": winsorised, "tau2": tau2}


def quantile(ordered: list[float], share: float) -> float:
    """Give a quantile on the line between the two values beside it (type 7)."""
    place = share * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def wide_limits(branch: Branch, tau2: float | None) -> dict[str, float | None]:
    names = {"wide_low_95": 0.025, "wide_high_95": 0.975, "wide_low_998": 0.001, "wide_high_998": 0.999}
    if tau2 is None or branch.expected == 0:
        return dict.fromkeys(names)
    deviation = sqrt(1 / branch.expected + tau2)
    return {name: max(0.0, 1 + NormalDist().inv_cdf(share) * deviation) for name, share in names.items()}


def why_not_comparable(branch: Branch, others: list[Branch]) -> str | None:
    """Give the first reason that holds; `others` are the other branches with mature piercings."""
    if branch.mature == 0:
        return "no piercing is old enough yet"
    if not others:
        return "there is no other branch"
    if branch.passive and not all(other.passive for other in others):
        return "it does not ask after its clients"
    usual = median(other.coverage for other in others)
    if branch.coverage < usual / 2 or branch.coverage > usual * 2:
        return f"its follow-up reaches {branch.coverage:.0%} of piercings, elsewhere {usual:.0%}"
    return None
