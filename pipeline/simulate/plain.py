"""A plain chain of any size, in which nothing is wrong: a null against which surveillance can be measured.

Its people, lots, batches, stud models and shops have no effect on any risk. Only site, age, season and the advice
given do, everywhere alike, and shops differ in how many of their clients they reach.
"""

import math
from datetime import date, timedelta

import numpy as np

from pipeline.simulate.chain import PRODUCTS, Alias, Article, Branch, Chain, Practitioner
from pipeline.simulate.draws import stream

_ARTICLES = (
    Article("A1", "implant_titanium", 8.0, "closed cup", "below 0.1", 0.42, 0.48),
    Article("A2", "implant_titanium", 10.0, "closed cup", "below 0.1", 0.06, 0.30),
    Article("A3", "implant_steel", 8.0, "butterfly", "below 0.2", 0.24, 0.20),
    Article("A4", "medical_plastic", 8.0, "flat disc", "none", 0.12, 0.02),
    Article("A5", "gold", 8.0, "butterfly", "nickel-free", 0.16, 0.0),
)
_POLICIES = ("active", "active", "message", "active", "active", "active", "message", "active", "active", "passive")
_REACH = {"active": (0.60, 0.80), "message": (0.40, 0.52), "passive": (0.12, 0.20)}
_PREMISES = ("jeweller", "pharmacy", "salon", "jeweller", "studio")
_SHOPS_PER_SUPPLY_GROUP = 4
_VISITS_PER_PERSON = 13  # a week
_FAR_ZONE_EVERY = 7


def _code(prefix: str, number: int, of: int, least: int) -> str:
    return f"{prefix}{number:0{max(least, len(str(of)))}d}"


def _branch(number: int, of: int, first_day: date, rng: np.random.Generator) -> Branch:
    policy = _POLICIES[(number - 1) % len(_POLICIES)]
    return Branch(
        branch_id=_code("B", number, of, 2),
        name=f"Shop {number}",
        region=("north", "south", "west")[number % 3],
        premises=_PREMISES[number % len(_PREMISES)],
        timezone="Atlantic/Azores" if number % _FAR_ZONE_EVERY == 0 else "Atlantic/Faroe",
        opened_on=first_day - timedelta(days=int(rng.integers(200, 4000))),
        follow_up_policy=policy,
        visits_per_week=float(np.clip(rng.lognormal(math.log(43), 0.4), 15, 100)),
        reach=float(rng.uniform(*_REACH[policy])),
        cartilage=float(rng.uniform(0.18, 0.32)),
        supply_group=(number - 1) // _SHOPS_PER_SUPPLY_GROUP,
    )


def _people(branches: tuple[Branch, ...], first_day: date, rng: np.random.Generator) -> tuple[Practitioner, ...]:
    teams = [max(2, round(branch.visits_per_week / _VISITS_PER_PERSON)) for branch in branches]
    homes = [branch for branch, size in zip(branches, teams, strict=True) for _ in range(size)]
    return tuple(
        Practitioner(
            practitioner_id=_code("P-", number, len(homes), 3),
            home_branch_id=home.branch_id,
            shares={home.branch_id: float(rng.uniform(0.6, 1.4))},
            started_on=first_day - timedelta(days=int(rng.integers(30, 2500))),
        )
        for number, home in enumerate(homes, 1)
    )


def plain_chain(branches: int, weeks: int, seed: int, last_day: date) -> Chain:
    """A chain of so many shops over the weeks that end on `last_day`."""
    rng = stream(seed, "chain")
    first_day = last_day - timedelta(days=7 * weeks - 1)
    shops = tuple(_branch(number, branches, first_day, rng) for number in range(1, branches + 1))
    people = _people(shops, first_day, rng)
    first = people[0].practitioner_id
    return Chain(shops, people, _ARTICLES, PRODUCTS, first_day, last_day, (Alias(f"{first}B", first, 0.2),))
