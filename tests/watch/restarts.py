"""Measures what a note does: whether the watch is quiet once a cause is noted, and sees its return as its first rise.

`python tests/watch/restarts.py [WORLDS] [FIRST_SEED]`. In chains as those of `measure.py` something raises infections.
A fortnight after an incident points at it, it is done away with, and noted as the cause, or for comparison not; half a
year after it first began it is back. Worlds in which it is not met in the first eight weeks are left out of the return.
"""

import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from pipeline.stats.arguments import FloatArray  # noqa: E402
from pipeline.watch.cohort import Cohort  # noqa: E402
from pipeline.watch.expected import ExpectedSoFar, expect  # noqa: E402
from pipeline.watch.explanations import explain  # noqa: E402
from pipeline.watch.frames import Settled, day_of, settle  # noqa: E402
from pipeline.watch.incidents import Incident, watch_night  # noqa: E402
from pipeline.watch.thresholds import SETTLING_NIGHTS  # noqa: E402
from watch.measure import ASSUMED, FORTNIGHT, YEAR, is_guilty, middle, resampled, say, thresholds  # noqa: E402
from watch.worlds import Story, World, draw  # noqa: E402

AGAIN, NIGHTS = 182, 364
MET_BY = 56


@dataclass(frozen=True)
class Told:
    """A world's watch, in nights from the change: when the cause was met, done away with, and met again.

    `opened` counts the incidents between doing away with it and its return, whatever they point at.
    """

    met: float
    ended: float
    again: float
    opened: int


def watch(world: World, limits: FloatArray, takes_notes: bool, seed: int) -> Told:
    """Watches a world; its cause is done away with a fortnight after it is met, and noted if one `takes_notes`."""
    drawn = draw(world, seed)
    open_: tuple[Incident, ...] = ()
    notes: list[Settled] = []
    met = ended = np.inf
    opened = 0
    for night in range(drawn.change - SETTLING_NIGHTS, drawn.change + NIGHTS):
        day = night - drawn.change
        known = settle(drawn.cohort.known_on(night), notes)
        expected = expect(known, night, ASSUMED)
        before, open_ = open_, watch_night(open_, known, night, expected, limits).open
        opened += len({one.first for one in open_} - {one.first for one in before}) if ended < day < AGAIN else 0
        guilty = [one for one in open_ if any(is_guilty(world.story, signal.name) for signal in one.signals)]
        met = min(met, day) if guilty else met
        if day >= AGAIN and any(one.first.raised >= drawn.change + AGAIN for one in guilty):
            return Told(met, ended, day, opened)
        if ended == np.inf and met < np.inf and day >= met + FORTNIGHT:
            ended = day
            drawn = draw(replace(world, story=replace(world.story, until=day)), seed)  # the same up to this day
        if takes_notes and ended < np.inf and day < AGAIN:
            notes += [_note(one, known, expected, world.story, night) for one in guilty]
            open_ = tuple(one for one in open_ if one not in guilty)
    return Told(met, ended, np.inf, opened)


def _note(incident: Incident, known: Cohort, expected: ExpectedSoFar, story: Story, night: int) -> Settled:
    """The note on an incident: the likeliest guilty slice as its cause, from its estimated start to the night."""
    likeliest = [one.name for one in explain(incident, known, expected)]
    cause = next((name for name in likeliest if is_guilty(story, name)), incident.first.name)
    return Settled("infection", cause, day_of(incident.first.started), day_of(night), True)


def many(world: World, takes_notes: bool, seeds: Iterable[int]) -> list[Told]:
    """What was told of many worlds, two at a time."""
    limits = thresholds(world.branches)
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(partial(watch, replace(world, after=NIGHTS), limits, takes_notes), seeds, chunksize=4))


def report(name: str, world: World, seeds: range) -> None:
    """Prints how soon the cause was met, how often something opened in the quiet after, how soon its return was met."""
    for takes_notes in (True, False):
        told = many(world, takes_notes, seeds)
        in_time = [one for one in told if 0 <= one.met <= MET_BY]
        first = np.array([one.met for one in told if one.met >= 0]) / 7
        quiet = np.array([(one.opened, AGAIN - one.ended) for one in in_time])
        a_year = resampled(quiet, lambda rows: float(rows[:, 0].sum() / rows[:, 1].sum() * YEAR))
        again = np.array([one.again - AGAIN for one in in_time]) / 7
        say(
            f"{name}, {'noted' if takes_notes else 'nothing noted'}: met after {resampled(first, middle)} weeks; "
            f"opened {a_year} a year until the return; return met after {resampled(again, middle)} weeks, nine in ten "
            f"by {np.quantile(again, 0.9, method='higher'):.1f}; {len(in_time)} worlds"
        )


def main() -> None:
    """Prints every figure."""
    words = sys.argv[1:]
    worlds, first = (int(words[at]) if len(words) > at else default for at, default in ((0, 200), (1, 100_000)))
    seeds = range(first, first + worlds)
    report("Studio, 3 times", World(story=Story(3, "all", again=AGAIN)), seeds)
    report("Branch of 8, 3 times", World(branches=8, story=Story(3, "branch", again=AGAIN)), seeds)


if __name__ == "__main__":
    main()
