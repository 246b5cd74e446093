"""Who comes: visits to each shop day by day, and the holes pierced in them."""

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import SITES
from pipeline.simulate.chain import SITE_SHARES, Article, Chain
from pipeline.simulate.draws import (
    MINUTES_PER_DAY,
    Mask,
    Whole,
    as_day,
    as_time,
    choose,
    day_number,
    labels,
    stream,
    whole_between,
)

# Shapes of trade, all assumptions.
_MONTH_TRADE = np.array([0.85, 0.90, 0.95, 1.0, 1.05, 1.10, 1.15, 1.10, 0.95, 0.90, 0.95, 1.10])
_WEEKDAY_TRADE = np.array([0.7, 0.75, 0.8, 0.95, 1.2, 1.9, 0.7])  # Monday to Sunday
_HOLES_IF_LOBE = {"1": 0.18, "2": 0.72, "3": 0.06, "4": 0.04}
_HOLES_IF_CARTILAGE = {"1": 0.78, "2": 0.20, "3": 0.02}
_AGES_IF_LOBE = ((0, 4, 0.10), (5, 10, 0.30), (11, 15, 0.20), (16, 17, 0.07), (18, 70, 0.33))
_AGES_IF_CARTILAGE = ((5, 10, 0.01), (11, 15, 0.22), (16, 17, 0.22), (18, 55, 0.55))
_ADVICE = {"both": 0.62, "leaflet": 0.20, "verbal": 0.155, "none": 0.025}
_STATUSES = {"completed": 0.9935, "void": 0.004, "abandoned": 0.0025}
_RETURNING = 0.12
_DAYS_BEFORE_RETURN = 42
_OPENS, _CLOSES = 10 * 60, 17 * 60 + 45  # minutes of the day


def month_of(days: Whole) -> Whole:
    """Months since January 1970 of days since 1970-01-01."""
    return days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)


def _expected_visits(chain: Chain) -> tuple[Whole, np.ndarray]:
    """Every day of the chain's data, and the visits expected at each shop (rows) on each day (columns)."""
    days = np.arange(day_number(chain.first_day), day_number(chain.last_day) + 1)
    season = _MONTH_TRADE[month_of(days) % 12]
    weekday = _WEEKDAY_TRADE[(days + 3) % 7]  # 1970-01-01 was a Thursday
    trade = season / season.mean() * weekday / weekday.mean() / 7
    expected = np.array([branch.visits_per_week for branch in chain.branches])[:, None] * trade
    opened = np.array([day_number(branch.opened_on) for branch in chain.branches])[:, None]
    return days, np.where(days >= opened, expected, 0.0)


def _draw_times(chain: Chain, rng: np.random.Generator) -> tuple[Whole, Whole]:
    """Shop and minute of each visit, in order of both."""
    days, expected = _expected_visits(chain)
    counts = rng.poisson(expected)
    shop = np.repeat(np.arange(len(chain.branches)), counts.sum(axis=1))
    day = np.repeat(np.tile(days, len(chain.branches)), counts.ravel())
    minute = day * MINUTES_PER_DAY + whole_between(rng, _OPENS, _CLOSES, len(day))
    order = np.lexsort((minute, shop))
    return shop[order], minute[order]


def _draw_people(chain: Chain, shop: Whole, day: Whole, rng: np.random.Generator) -> pl.Series:
    """Who pierced: one of the shop's people at work that day, by their shares."""
    codes = np.zeros(len(shop), dtype=np.int64)
    luck = rng.random(len(shop))
    edges = np.searchsorted(shop, np.arange(len(chain.branches) + 1))
    teams: dict[str, list[int]] = {branch.branch_id: [] for branch in chain.branches}
    for number, person in enumerate(chain.practitioners):
        for branch_id in person.shares:
            teams[branch_id].append(number)
    for position, branch in enumerate(chain.branches):
        rows = slice(edges[position], edges[position + 1])
        team = [chain.practitioners[number] for number in teams[branch.branch_id]]
        weights = np.array([person.shares[branch.branch_id] for person in team])
        started = np.array([day_number(person.started_on) for person in team])
        ended = np.array([day_number(person.ended_on or chain.last_day) for person in team])
        at_work = (day[rows, None] >= started) & (day[rows, None] <= ended)
        reach = np.cumsum(weights * at_work, axis=1)
        chosen = (luck[rows, None] * reach[:, -1:] >= reach).sum(axis=1)
        codes[rows] = np.array(teams[branch.branch_id])[chosen]
    return labels(codes, [person.practitioner_id for person in chain.practitioners])


def _draw_ages(bands: tuple[tuple[int, int, float], ...], count: int, rng: np.random.Generator) -> Whole:
    """Ages by band; among grown-ups the young come most."""
    band = np.searchsorted(np.cumsum([share for _, _, share in bands]), rng.random(count), side="right")
    band = np.minimum(band, len(bands) - 1)
    low = np.array([first for first, _, _ in bands])[band]
    high = np.array([last for _, last, _ in bands])[band]
    luck = np.where(low >= 18, rng.random(count) ** 2, rng.random(count))
    ages: Whole = low + np.floor(luck * (high - low + 1)).astype(np.int64)
    return ages


def _first_visits(shop: Whole, day: Whole, is_cartilage: Mask, rng: np.random.Generator) -> Whole:
    """For each visit the client's first visit to the shop: itself, or an earlier one of the same kind."""
    number = np.arange(len(shop))
    start = np.searchsorted(shop, shop)
    earlier = start + np.floor(rng.random(len(shop)) * (number - start)).astype(np.int64)
    returns = (rng.random(len(shop)) < _RETURNING) & (day - day[earlier] >= _DAYS_BEFORE_RETURN)
    returns &= is_cartilage == is_cartilage[earlier]
    client = np.where(returns, earlier, number)
    while not np.array_equal(client, client[client]):
        client = client[client]
    return client


def _draw_articles(articles: tuple[Article, ...], is_cartilage: Mask, rng: np.random.Generator) -> pl.Series:
    """One stud model for all holes of a visit."""
    count = len(is_cartilage)
    lobe = choose(rng, count, {article.article_id: article.lobe_share for article in articles})
    cartilage = choose(rng, count, {article.article_id: article.cartilage_share for article in articles})
    return cartilage.zip_with(pl.Series(is_cartilage), lobe)


def _draw_site_groups(chain: Chain, shop: Whole, rng: np.random.Generator) -> pl.Series:
    """Site group of each visit, so that the shops' shares hold for holes, not for visits."""
    lobe_holes = sum(int(holes) * share for holes, share in _HOLES_IF_LOBE.items())
    cartilage_holes = sum(int(holes) * share for holes, share in _HOLES_IF_CARTILAGE.items())
    cartilage = np.array([branch.cartilage for branch in chain.branches])
    other = np.array([branch.other_cartilage for branch in chain.branches])
    visits = cartilage * lobe_holes / (cartilage_holes * (1 - cartilage) + cartilage * lobe_holes)
    luck = rng.random(len(shop))
    is_other = luck < (visits * other / cartilage)[shop]
    codes = np.where(is_other, 2, np.where(luck < visits[shop], 1, 0))
    return labels(codes, list(SITE_SHARES))


def _draw_clients(shop: Whole, day: Whole, is_cartilage: Mask, rng: np.random.Generator) -> tuple[Whole, Whole]:
    """For each visit the client's first visit to the shop, and the client's age; who returns has grown older."""
    count = len(shop)
    first = _first_visits(shop, day, is_cartilage, rng)
    ages = np.where(is_cartilage, _draw_ages(_AGES_IF_CARTILAGE, count, rng), _draw_ages(_AGES_IF_LOBE, count, rng))
    return first, ages[first] + (day - day[first]) // 365


def _draw_holes(is_cartilage: Mask, rng: np.random.Generator) -> pl.Series:
    """How many holes each visit is for."""
    lobe, cartilage = (
        choose(rng, len(is_cartilage), shares).cast(pl.String).cast(pl.Int64)
        for shares in (_HOLES_IF_LOBE, _HOLES_IF_CARTILAGE)
    )
    return cartilage.zip_with(pl.Series(is_cartilage), lobe)


def draw_visits(chain: Chain, seed: int) -> pl.DataFrame:
    """One row per visit, in order of shop and time.

    Columns: visit (its position), visit_no (within the shop), visit_id, client_key, branch_id, follow_up_policy,
    practitioner_id, performed_at, performed_on, the same as minute and day since 1970, site_group, holes, age_years,
    article_id, aftercare_given.
    """
    rng = stream(seed, "visits")
    shop, minute = _draw_times(chain, rng)
    day = minute // MINUTES_PER_DAY
    group = _draw_site_groups(chain, shop, rng)
    is_cartilage = (group != "lobe").to_numpy()
    first, age_years = _draw_clients(shop, day, is_cartilage, rng)
    policies = {branch.branch_id: branch.follow_up_policy for branch in chain.branches}
    visit_no = np.arange(len(shop)) - np.searchsorted(shop, shop) + 1
    visits = pl.DataFrame(
        {
            "visit": np.arange(len(shop)),
            "branch_id": labels(shop, chain.branch_ids),
            "follow_up_policy": labels(shop, chain.branch_ids).cast(pl.String).replace_strict(policies),
            "visit_no": visit_no,
            "client_no": visit_no[first],
            "minute": minute,
            "day": day,
            "site_group": group,
            "age_years": age_years,
            "holes": _draw_holes(is_cartilage, rng),
            "practitioner_id": _draw_people(chain, shop, day, rng),
            "article_id": _draw_articles(chain.articles, is_cartilage, rng),
            "aftercare_given": choose(rng, len(shop), _ADVICE),
        }
    )
    return visits.with_columns(
        performed_at=as_time("minute"),
        performed_on=as_day("day"),
        visit_id=pl.format("{}-{}", "branch_id", pl.col("visit_no").cast(pl.String).str.zfill(6)),
        client_key=pl.format("{}-C{}", "branch_id", pl.col("client_no").cast(pl.String).str.zfill(6)),
    ).drop("client_no")


def draw_piercings(visits: pl.DataFrame, seed: int) -> pl.DataFrame:
    """One row per hole, in order of its visit.

    Columns: those of the visit, piercing (its position), hole_no, ear, site, status.
    """
    rng = stream(seed, "piercings")
    holes = visits["holes"].to_numpy()
    piercings = visits[np.repeat(np.arange(len(visits)), holes)]
    count = len(piercings)
    hole = np.arange(count) - np.repeat(np.cumsum(holes) - holes, holes)
    first_ear = np.repeat(rng.integers(0, 2, len(visits)), holes)
    sites = {group: choose(rng, len(visits), shares) for group, shares in SITE_SHARES.items()}
    site = visits.with_columns(**{f"at_{group}": at.cast(pl.Enum(SITES)) for group, at in sites.items()}).select(
        site=pl.coalesce(pl.when(pl.col("site_group") == group).then(f"at_{group}") for group in sites)
    )["site"]
    return piercings.with_columns(
        piercing=pl.Series(np.arange(count)),
        hole_no=pl.Series(hole + 1),
        status=choose(rng, count, _STATUSES),
        ear=labels((first_ear + hole) % 2, ["left", "right"]),
        site=site.gather(np.repeat(np.arange(len(visits)), holes)),
    )
