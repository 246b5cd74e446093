"""Measures how soon a change in how often clients answer is told, and how often one is told where there is none.

`python tests/watch/answering.py [WORLDS] [FIRST_SEED]` prints both, on worlds as those of `measure.py`.
"""

import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from pipeline.watch.answers import FEWER, answers  # noqa: E402
from watch.measure import YEAR, middle, resampled, say  # noqa: E402
from watch.worlds import Story, World, draw  # noqa: E402


def told(world: World, nights: int, seed: int) -> tuple[int, float]:
    """How often a branch comes to be told of from the change on, and the first night on which one answers less."""
    drawn = draw(replace(world, after=nights), seed)
    begun, met = 0, np.inf
    before = np.zeros(world.branches, dtype=bool)
    for night in range(drawn.change, drawn.change + nights):
        change = answers(drawn.cohort.known_on(night), night).change
        is_told = change != None  # noqa: E711 - by element
        begun += int((is_told & ~before).sum())
        before = is_told
        met = min(met, night - drawn.change) if FEWER in change else met
    return begun, met


def many(world: World, nights: int, seeds: Iterable[int]) -> list[tuple[int, float]]:
    """What was told of many worlds, two at a time."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(partial(told, world, nights), seeds, chunksize=4))


def main() -> None:
    """Prints every figure."""
    words = sys.argv[1:]
    worlds, first = (int(words[at]) if len(words) > at else default for at, default in ((0, 200), (1, 100_000)))
    seeds = range(first, first + worlds)
    begun = np.array([one for one, _ in many(World(branches=8), 364, seeds)], dtype=np.float64)
    say(f"Marks a year where nothing changed, chain of 8: {resampled(begun * YEAR / 364, np.mean)}")
    for reach in (0.5, 0.35):
        weeks = np.array([met for _, met in many(World(story=Story(reach=reach)), 182, seeds)]) / 7
        late = float(np.quantile(weeks, 0.9, method="higher"))
        say(f"Answers from 70 to {100 * reach:.0f} %: {resampled(weeks, middle)} weeks, nine in ten by {late:.1f}")


if __name__ == "__main__":
    main()
