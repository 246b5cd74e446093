"""A night's watch over one complication: who is reached, what is usual and expected so far, and every slice's score.

Written from the method notes alone: dicts and loops, a piercing at a time.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import pairwise
from math import exp, fsum, inf, log

from .expected import Delay

Name = tuple[str, str]
Stratum = tuple[str, str | None]
"""Site group and age band."""

FAMILIES = (
    *(("all",), ("branch",), ("site_group",), ("article",), ("material",), ("practitioner",), ("lot",), ("batch",)),
    *(("branch", "site_group"), ("branch", "article"), ("site_group", "article"), ("practitioner", "site_group")),
    *(("site_group", "lot"), ("branch", "lot")),
)
WINDOWS = (*range(2, 29, 2), *range(35, 183, 7))
RATIOS = (1.3, 2.0, 3.5, 6.0)
REFERENCE = 156 * 7
LATE = 26
"""Days after its window by which a complication's answers are in."""


@dataclass(frozen=True)
class Pierced:
    """A piercing, with what came to be known of it and when; `is_settled` and `is_caused` by a note."""

    day: date
    branch: str
    site: str
    site_group: str
    age_band: str | None = None
    article: str | None = None
    material: str | None = None
    practitioner: str | None = None
    lot: str | None = None
    batches: tuple[str, ...] = ()
    answered: date | None = None
    recorded: date | None = None
    visit: str = ""
    is_settled: bool = False
    is_caused: bool = False

    @property
    def stratum(self) -> Stratum:
        return self.site_group, self.age_band

    def levels(self, family: tuple[str, ...]) -> list[tuple[str, ...]]:
        """Give the levels it stands under: several of batches, none where a part is not known."""
        if family == ("all",):
            return [("all",)]
        if family == ("batch",):
            return [(batch,) for batch in self.batches]
        values = tuple(getattr(self, part) for part in family)
        return [] if None in values else [values]


@dataclass(frozen=True)
class Scored:
    """A slice on a night: events seen and expected so far by window, what these are worth, and its score."""

    observed: dict[int, int]
    expected: dict[int, float]
    precision: float
    score: float
    window: int
    """The likeliest, in days."""


@dataclass(frozen=True)
class WatchedNight:
    """A night over piercings performed by then; `assumed` is the risk of a site group to start from."""

    piercings: Sequence[Pierced]
    night: date
    assumed: dict[str, float]
    window_days: int = 30

    @cached_property
    def all_branches(self) -> list[str]:
        return sorted({p.branch for p in self.piercings})

    def age(self, p: Pierced) -> int:
        return (self.night - p.day).days

    def is_answered(self, p: Pierced) -> bool:
        return p.answered is not None and p.answered <= self.night

    def is_event(self, p: Pierced) -> bool:
        return p.recorded is not None and p.recorded <= self.night

    # Recording

    @cached_property
    def timing(self) -> dict[str, list[float]]:
        """Give, by branch, the part of all answers known by each day, as if 20 of the whole chain's were its own."""
        longest = self.window_days + LATE
        delays: dict[str, list[int]] = {branch: [] for branch in self.all_branches}
        for p in self.piercings:
            if longest <= self.age(p) < longest + 26 * 7 and p.answered is not None and self.is_answered(p):
                delays[p.branch].append(min(max((p.answered - p.day).days, 0), longest))
        every = [delay for own in delays.values() for delay in own]
        days = range(longest + 1)
        chain = [part(every, day) if every else day / longest for day in days]
        return {
            branch: [(sum(delay <= day for delay in own) + 20 * chain[day]) / (len(own) + 20) for day in days]
            for branch, own in delays.items()
        }

    @cached_property
    def reach(self) -> dict[tuple[str, int], float]:
        """Give the share reached, by branch and week since the first piercing."""
        answers: dict[tuple[str, int], int] = defaultdict(int)
        due: dict[tuple[str, int], float] = defaultdict(float)
        for p in self.piercings:
            answers[p.branch, self.week(p)] += self.is_answered(p)
            due[p.branch, self.week(p)] += self.timing[p.branch][min(self.age(p), self.window_days + LATE)]
        overall = (sum(answers.values()) + 1) / (fsum(due.values()) + 2)
        shares = {}
        weeks = range(max(week for _, week in due) + 1)
        for branch in self.all_branches:
            had = could = 0.0
            own_answers = sum(answers[branch, week] for week in weeks)
            usual = (10 * overall + own_answers) / (10 + fsum(due[branch, week] for week in weeks))
            for week in weeks:
                had, could = 0.6 * had + answers[branch, week], 0.6 * could + due[branch, week]
                shares[branch, week] = min((10 * usual + had) / (10 + could), 1.0)
        return shares

    def week(self, p: Pierced) -> int:
        return (p.day - self.first_day).days // 7

    @cached_property
    def first_day(self) -> date:
        return min(p.day for p in self.piercings)

    @cached_property
    def unasked(self) -> float:
        """Give the chance that a client not reached tells of an event, relative to one who was: 10 of 40 to begin."""
        events: dict[Stratum, int] = defaultdict(int)
        reached: dict[Stratum, int] = defaultdict(int)
        for p in self.reference:
            if self.is_answered(p):
                reached[p.stratum] += 1
                events[p.stratum] += self.is_event(p)
        overall = sum(events.values()) / sum(reached.values()) if reached else 0.0
        others = [p for p in self.reference if not self.is_answered(p)]
        would = fsum((events[p.stratum] + 5 * overall) / (reached[p.stratum] + 5) for p in others)
        return min((10 + sum(self.is_event(p) for p in others)) / (10 / 0.25 + would), 1.0)

    def recording(self, p: Pierced) -> float:
        """Give the chance that an event of a piercing is recorded in the end."""
        share = self.reach[p.branch, self.week(p)]
        return share + (1 - share) * self.unasked

    # The usual risk

    @cached_property
    def reference(self) -> list[Pierced]:
        first = max(56, self.window_days + LATE)
        return [p for p in self.piercings if first <= self.age(p) < first + REFERENCE and not p.is_caused]

    @cached_property
    def delay(self) -> Delay:
        seen = [p for p in self.piercings if self.is_event(p) and self.age(p) < REFERENCE]
        return Delay([(max((p.recorded - p.day).days, 0), self.age(p)) for p in seen if p.recorded is not None])

    @cached_property
    def at_risk(self) -> list[float]:
        """Give how far each reference piercing is at risk of an event that is known."""
        return [self.recording(p) * self.delay.share(self.age(p)) for p in self.reference]

    @cached_property
    def steps(self) -> list[dict[object, float]]:
        """Give the ratios of the baseline, each of what is usual after those before it.

        The whole, site groups, strata, sites, months and branches.
        """
        spans = max(map(self.age, self.reference)) - min(map(self.age, self.reference)) + 1 if self.reference else 0
        priors = [11.0, 10.0, 10.0, 10.0, 25.0 if spans >= 364 else inf, 25.0 if len(self.all_branches) > 1 else inf]
        usual = [self.assumed[p.site_group] * share for p, share in zip(self.reference, self.at_risk, strict=True)]
        ratios: list[dict[object, float]] = []
        for step, prior in enumerate(priors):
            observed: dict[object, int] = defaultdict(int)
            expected: dict[object, list[float]] = defaultdict(list)
            for p, mean in zip(self.reference, usual, strict=True):
                observed[kinds(p)[step]] += self.is_event(p)
                expected[kinds(p)[step]].append(mean)
            own = {
                kind: 1.0 if prior == inf else (prior + observed[kind]) / (prior + fsum(means))
                for kind, means in expected.items()
            }
            usual = [mean * own[kinds(p)[step]] for p, mean in zip(self.reference, usual, strict=True)]
            ratios.append(own)
        return ratios

    def risk(self, p: Pierced) -> float:
        """Give the usual risk of a client reached; what the reference period tells nothing of is as the broader is."""
        risk = self.assumed[p.site_group]
        for kind, ratios in zip(kinds(p), self.steps, strict=True):
            risk *= ratios.get(kind, 1.0)
        return risk

    def worth(self, branch: str) -> float:
        """Give how many events a branch's risk is worth as knowledge."""
        own = sum(self.is_event(p) for p in self.reference if p.branch == branch)
        return 25.0 + own if len(self.all_branches) > 1 else inf

    @cached_property
    def overall(self) -> float:
        return 11.0 + sum(self.is_event(p) for p in self.reference)

    @cached_property
    def concordance(self) -> float:
        """Give the part of visits whose piercings share a fate, as if it were 0.2 of two pairs that are sure to."""
        by_visit: dict[str, list[Pierced]] = defaultdict(list)
        for p in self.reference:
            by_visit[p.visit].append(p)
        pairs = [pair for own in by_visit.values() for pair in pairwise(own)]
        both = sum(self.is_event(p) and self.is_event(other) for p, other in pairs)
        chances = [[self.risk(p) * self.recording(p) for p in pair] for pair in pairs]
        apart = fsum(p * q for p, q in chances)
        part = (both - apart + 0.4) / (fsum(min(pair) for pair in chances) - apart + 2)
        return min(max(part, 0.0), 1.0)

    # What is expected so far, and the slices

    @cached_property
    def recent(self) -> list[Pierced]:
        return [p for p in self.piercings if 0 <= self.age(p) < 182 and not p.is_settled]

    @cached_property
    def so_far(self) -> dict[int, float]:
        """Give a recent piercing's events expected to be known by now, by the piercing's identity."""
        return {id(p): self.risk(p) * self.recording(p) * self.delay.share(self.age(p)) for p in self.recent}

    @cached_property
    def slices(self) -> dict[Name, list[Pierced]]:
        """Give every slice, those left out that hold the very piercings of one named before."""
        named: dict[Name, list[Pierced]] = {}
        held: set[frozenset[int]] = set()
        for family in FAMILIES:
            members: dict[tuple[str, ...], list[Pierced]] = defaultdict(list)
            for p in self.piercings:
                for level in p.levels(family):
                    members[level].append(p)
            for level in sorted(members):
                own = frozenset(map(id, members[level]))
                if own not in held:
                    held.add(own)
                    named[":".join(family), ":".join(level)] = members[level]
        return named

    def scored(self, name: Name) -> Scored:
        """Give a slice's figures of the night."""
        own = [p for p in self.slices[name] if id(p) in self.so_far]
        observed = {window: sum(self.is_event(p) for p in own if self.age(p) < window) for window in WINDOWS}
        expected = {window: fsum(self.so_far[id(p)] for p in own if self.age(p) < window) for window in WINDOWS}
        precision = self.precision(own)
        if not observed[182]:
            return Scored(observed, expected, precision, -inf, 2)
        by_window = {}
        for window, gap in zip(WINDOWS, gaps(), strict=True):
            terms = [log_ratio(observed[window], expected[window], precision, ratio) for ratio in RATIOS]
            by_window[window] = log_sum(terms) + log(gap / 4)
        score = log_sum(by_window.values())
        return Scored(observed, expected, precision, score, max(by_window, key=lambda window: by_window[window]))

    def precision(self, own: list[Pierced]) -> float:
        """Give the events that a slice's expected ones are worth: 1 over the variance of their logarithm."""
        parts: dict[str, list[float]] = defaultdict(list)
        for p in own:
            parts[p.branch].append(self.so_far[id(p)])
        total = fsum(mean for means in parts.values() for mean in means)
        spread = (
            fsum((fsum(means) / total) ** 2 / self.worth(branch) for branch, means in parts.items()) if total else 0
        )
        return 1 / (1 / self.overall + spread)


def kinds(p: Pierced) -> tuple[object, ...]:
    """Give what each step of the baseline tells piercings apart by."""
    return "all", p.site_group, p.stratum, p.site, p.day.month, p.branch


def part(delays: list[int], day: int) -> float:
    return sum(delay <= day for delay in delays) / len(delays)


def gaps() -> list[int]:
    return [window - before for window, before in zip(WINDOWS, (0, *WINDOWS), strict=False)]


def log_ratio(observed: int, expected: float, precision: float, ratio: float) -> float:
    """Give how much likelier so many events are where `ratio` times as many come, as a logarithm."""
    if precision == inf:
        return observed * log(ratio) - (ratio - 1) * expected
    return observed * log(ratio) + (precision + observed) * log((precision + expected) / (precision + ratio * expected))


def log_sum(logs: Iterable[float]) -> float:
    logs = list(logs)
    return max(logs) + log(fsum(exp(one - max(logs)) for one in logs))
