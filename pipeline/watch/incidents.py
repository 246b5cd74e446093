"""Incidents: slices beyond their threshold, overlapping ones joined, from the night they open until they fade.

A further slice belongs to an open incident where it no longer stands once the incident's own ratio is allowed for;
where it stands all the same, it is an incident of its own.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import WINDOWS
from pipeline.watch.arrays import NEVER, IntArray
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar
from pipeline.watch.scoring import Scores, score_slices
from pipeline.watch.signal import Name, Signal, region
from pipeline.watch.thresholds import OVERLAP, QUIET_NIGHTS


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

    `thresholds` has one for each family. A slice beyond its own, the furthest beyond first, opens an incident if it
    stands with the open ones allowed for, also where it had joined one before; else it joins one that it overlaps, and
    if there is none it waits for more evidence.
    """
    scores = score_slices(cohort, night, expected)
    beyond = _Beyond(cohort, night, expected, thresholds[cohort.slices.family], scores)
    kept = [beyond.stood(incident) for incident in before]
    open_ = [incident for incident in kept if night - incident.standing <= QUIET_NIGHTS]
    raised: list[Signal] = []
    waiting = beyond.waiting(open_)
    while waiting and (signal := beyond.furthest(waiting, open_)) is not None:
        waiting.remove(cohort.slices.index[signal.name])
        open_ = [_without(incident, signal) for incident in open_]
        open_.append(Incident((signal,), night))
        raised += [signal] if signal.raised == night else []
    joined = {signal.name for incident in open_ for signal in incident.signals}
    for at in waiting:
        own = beyond.overlapped(at, open_)
        if own is not None and cohort.slices.names[at] not in joined:
            raised.append(beyond.joins(at))
            open_[own] = replace(open_[own], signals=(*open_[own].signals, raised[-1]))
    faded = tuple(incident for incident in kept if night - incident.standing > QUIET_NIGHTS)
    return Night(tuple(open_), faded, tuple(raised), scores)


def _without(incident: Incident, signal: Signal) -> Incident:
    """An incident without a signal that had joined it."""
    return replace(incident, signals=tuple(one for one in incident.signals if one.name != signal.name))


class _Beyond:
    """The slices beyond their threshold on a night, and how they stand to open incidents."""

    def __init__(self, cohort: Cohort, night: int, expected: ExpectedSoFar, limit: FloatArray, scores: Scores) -> None:
        self.cohort, self.night, self.expected, self.limit, self.scores = cohort, night, expected, limit, scores
        self.slices = [int(at) for at in np.flatnonzero(scores.score >= limit)]
        self.names = {cohort.slices.names[at] for at in self.slices}
        self.joined: dict[Name, Signal] = {}
        self._regions: dict[Signal, IntArray] = {}

    def stood(self, incident: Incident) -> Incident:
        """The incident, standing on this night where any of its signals does."""
        if any(signal.name in self.names for signal in incident.signals):
            return replace(incident, standing=self.night)
        return incident

    def waiting(self, open_: list[Incident]) -> list[int]:
        """Slices that opened no incident, those that joined one too."""
        self.joined = {signal.name: signal for incident in open_ for signal in incident.signals[1:]}
        first = {incident.first.name for incident in open_}
        return [at for at in self.slices if self.cohort.slices.names[at] not in first]

    def furthest(self, waiting: list[int], open_: list[Incident]) -> Signal | None:
        """The signal of the waiting slice that is furthest beyond with open incidents allowed for; None if none is."""
        is_waiting = np.zeros(self.cohort.slices.count, dtype=bool)
        is_waiting[waiting] = True
        few = replace(self.cohort, slices=self.cohort.slices.chosen(is_waiting))  # so that many incidents cost little
        now = score_slices(few, self.night, self.expected, self._allowed(open_))
        margin = now.score - self.limit[is_waiting]
        at = int(np.argmax(margin))
        return self._signal(few.slices.names[at], now.window[at]) if margin[at] >= 0 else None

    def joins(self, at: int) -> Signal:
        """The signal of a slice that joins an incident."""
        return self._signal(self.cohort.slices.names[at], self.scores.window[at])

    def _signal(self, name: Name, window: int) -> Signal:
        """The signal of a slice: the one it has already, or one raised on this night."""
        return self.joined.get(name, Signal(name, self.night, self.night + 1 - int(WINDOWS[window])))

    def _region(self, incident: Incident) -> IntArray:
        """The recent piercings, by their place, that an incident's first signal is about."""
        if incident.first not in self._regions:
            self._regions[incident.first] = np.flatnonzero(region(incident.first, self.cohort, self.expected))
        return self._regions[incident.first]

    def _allowed(self, open_: list[Incident]) -> FloatArray:
        """By how much incidents raise what is expected of each recent piercing in them: the largest ratio."""
        factor = np.ones(len(self.expected.recent))
        event = self.cohort.recorded[self.expected.recent] != NEVER
        for incident in open_:
            inside = self._region(incident)
            # As if one more were seen as expected.
            ratio = (1 + event[inside].sum()) / (1 + self.expected.so_far[inside].sum())
            factor[inside] = np.maximum(factor[inside], ratio)
        return factor

    def overlapped(self, at: int, open_: list[Incident]) -> int | None:
        """The open incident that shares most of its expected events with a slice, if half of the smaller's or more."""
        own = np.zeros(len(self.cohort.performed), dtype=bool)
        own[self.cohort.slices.members(at)] = True
        mass = np.where(own[self.expected.recent], self.expected.so_far, 0.0)
        inside = [self._region(incident) for incident in open_]
        common = np.array([mass[one].sum() for one in inside])
        smaller = np.array([min(mass.sum(), self.expected.so_far[one].sum()) for one in inside])
        best = int(np.argmax(common))
        return best if common[best] >= OVERLAP * smaller[best] else None
