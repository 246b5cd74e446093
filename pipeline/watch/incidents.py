"""Incidents: slices beyond their threshold, overlapping ones joined, from the night they open until they fade.

A further slice belongs to an open incident where it no longer stands once the incident's own ratio is allowed for;
where it stands all the same, it is an incident of its own.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import WINDOWS
from pipeline.watch.cohort import NEVER, Cohort
from pipeline.watch.expected import ExpectedSoFar
from pipeline.watch.scoring import Scores, score_slices
from pipeline.watch.signal import Signal, region
from pipeline.watch.thresholds import QUIET_NIGHTS


@dataclass(frozen=True)
class Incident:
    """Signals of one incident, the first of which opened it; `standing` is the last night on which one stood."""

    signals: tuple[Signal, ...]
    standing: int

    @property
    def first(self) -> Signal:
        """The signal that opened it."""
        return self.signals[0]


@dataclass(frozen=True)
class Night:
    """A night's watch: incidents `open` at its end, those that `faded` and signals `raised` on it, and all scores."""

    open: tuple[Incident, ...]
    faded: tuple[Incident, ...]
    raised: tuple[Signal, ...]
    scores: Scores


def watch_night(
    before: tuple[Incident, ...], cohort: Cohort, night: int, expected: ExpectedSoFar, thresholds: FloatArray
) -> Night:
    """A night's watch, from the incidents open `before` it.

    `thresholds` has one for each family. Each slice beyond its own that is no signal yet, the furthest beyond first,
    opens an incident if it stands with the open ones allowed for, else joins the one that most of it lies in.
    """
    scores = score_slices(cohort, night, expected)
    limit = thresholds[cohort.slices.family]
    names = cohort.slices.names
    number = {names[at]: int(at) for at in np.flatnonzero(scores.score >= limit)}
    kept = [
        replace(incident, standing=night) if any(signal.name in number for signal in incident.signals) else incident
        for incident in before
    ]
    open_ = [incident for incident in kept if night - incident.standing <= QUIET_NIGHTS]
    known = {signal.name for incident in open_ for signal in incident.signals}
    waiting = [at for name, at in number.items() if name not in known]
    raised: list[Signal] = []
    while waiting:
        allowed = _allowed(open_, cohort, expected) if open_ else None
        now = score_slices(cohort, night, expected, allowed) if open_ else scores
        margin = (now.score - limit)[waiting]
        best = waiting[int(np.argmax(margin))]
        if margin.max() < 0:
            break
        waiting.remove(best)
        raised.append(Signal(names[best], night, night + 1 - int(WINDOWS[now.window[best]])))
        open_.append(Incident((raised[-1],), night))
    for at in waiting:
        raised.append(Signal(names[at], night, night + 1 - int(WINDOWS[scores.window[at]])))
        own = _incident_of(at, open_, cohort, expected)
        open_[own] = replace(open_[own], signals=(*open_[own].signals, raised[-1]), standing=night)
    faded = tuple(incident for incident in kept if night - incident.standing > QUIET_NIGHTS)
    return Night(tuple(open_), faded, tuple(raised), scores)


def _allowed(open_: list[Incident], cohort: Cohort, expected: ExpectedSoFar) -> FloatArray:
    """By how much each recent piercing's expected events are raised by the incidents it lies in: the largest ratio."""
    factor = np.ones(len(expected.recent))
    event = cohort.recorded[expected.recent] != NEVER
    for incident in open_:
        inside = region(incident.first, cohort, expected)
        ratio = (1 + event[inside].sum()) / (1 + expected.so_far[inside].sum())  # as if one more were seen as expected
        factor[inside] = np.maximum(factor[inside], ratio)
    return factor


def _incident_of(at: int, open_: list[Incident], cohort: Cohort, expected: ExpectedSoFar) -> int:
    """The open incident in which most of a slice's expected events lie."""
    own = np.zeros(len(cohort.performed), dtype=bool)
    own[cohort.members(at)] = True
    mass = np.where(own[expected.recent], expected.so_far, 0.0)
    return int(np.argmax([mass[region(incident.first, cohort, expected)].sum() for incident in open_]))
