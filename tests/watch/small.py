"""Small chains told piercing by piercing: what is usual everywhere, and what is planted in it."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar, expect
from pipeline.watch.families import FAMILIES
from pipeline.watch.frames import assumed_risk, day_number, make_cohorts

from .frames import Frames, frames_of

NIGHT = date(2032, 6, 30)


@dataclass(frozen=True)
class Pierced:
    """A piercing of a lobe of an adult, and what came to be known of it and when."""

    day: date
    branch: str = "B1"
    lot: str | None = None
    site: str = "lobe"
    site_group: str = "lobe"
    age_band: str | None = "18+"
    article: str | None = None
    material: str | None = None
    practitioner: str | None = None
    batches: tuple[str, ...] = ()
    answered: date | None = None
    recorded: date | None = None
    visit: str = ""


def before(days: int, night: date = NIGHT) -> date:
    return night - timedelta(days=days)


def chain(*, days: int = 120, a_day: int = 2, branches: int = 3, ill: float = 0.02, seed: int = 1) -> list[Pierced]:
    """What is usual: so many piercings a day in each branch, all answered after two weeks, few ill and told of soon.

    Each branch uses lots of its own for three weeks each, and others in common.
    """
    rng = Random(seed)
    return [
        usual(rng, before(age), f"B{branch}", ill)
        for age in range(days)
        for branch in range(1, branches + 1)
        for _ in range(a_day)
    ]


def usual(rng: Random, day: date, branch: str, ill: float) -> Pierced:
    stretch = day.toordinal() // 21
    is_ill = rng.random() < ill
    return Pierced(
        day,
        branch,
        f"L{stretch}" if rng.random() < 0.5 else f"L{stretch}-{branch}",
        answered=day + timedelta(days=14),
        recorded=day + timedelta(days=8) if is_ill else None,
    )


def planted(n: int, *, ill: int, first: date, days: int = 14, late: int = 7, **values: str) -> list[Pierced]:
    """So many piercings over some days from the first, the ill ones of them told of so many days later."""
    piercings = [Pierced(first + timedelta(days=at * days // n), **values) for at in range(n)]
    return [
        replace(p, recorded=p.day + timedelta(days=late)) if at % n * ill // n != (at + 1) * ill // n else p
        for at, p in enumerate(piercings)
    ]


def cohort_of(piercings: list[Pierced], night: date = NIGHT) -> Cohort:
    """The cohort of infections as a night knew it."""
    return make_cohorts(known_on(piercings, night))["infection"].known_on(day_number(night))


def known_on(piercings: list[Pierced], night: date) -> Frames:
    """The measures as a night counts them."""
    known = [p for p in piercings if p.day <= night]
    return frames_of([replace(p, answered=by(p.answered, night), recorded=by(p.recorded, night)) for p in known])


def by(day: date | None, night: date) -> date | None:
    return day if day and day <= night else None


def expected_of(cohort: Cohort, night: date = NIGHT) -> ExpectedSoFar:
    return expect(cohort, day_number(night), assumed_risk(cohort, "infection"))


def limits(level: float) -> FloatArray:
    """One threshold for every family."""
    return np.full(len(FAMILIES), level)


def nights(first: date, last: date) -> Iterator[date]:
    for after in range((last - first).days + 1):
        yield first + timedelta(days=after)
