"""Cases of the sections on how piercings heal: rates by level, by client, and by day after the piercing."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from pages.rows import Row, rate
from pipeline.contract import vocabulary as v
from pipeline.stats.intervals import wilson
from reports.edition import Edition
from reports.sections.clients import client_table
from reports.sections.healing import (
    complication_table,
    level_figure,
    level_table,
    material_site_figure,
    practitioner_share,
    rate_cells,
)
from reports.sections.onsets import onset_figure
from support.editions import AS_OF, DATA_FROM, frame, written

from .component import (
    ALL_EVENTS,
    ARABIC,
    HEBREW,
    LONG,
    MANY,
    NO_BASELINE,
    NO_DATA,
    NO_EVENT,
    ONE,
    PROVISIONAL,
    WHOLE_CHAIN,
    Component,
    drawn,
    ids,
    named,
)

YOUNG = AS_OF - timedelta(days=200)
"""Data from then on reaches back far enough for no rate."""
NOT_YET = {PROVISIONAL: NO_BASELINE}


def limits(events: int, n: int, names: tuple[str, str]) -> Row:
    """The limits of a share under the names of their columns; empty of nothing."""
    if not n:
        return dict.fromkeys(names)
    found = wilson(events, n)
    return dict(zip(names, (float(found.low), float(found.high)), strict=True))


def share(events: int, n: int) -> Row:
    """Columns of a share: events of piercings, rate and limits."""
    rates = {"procedures": n, "events": events, "rate": events / n if n else None}
    return rates | limits(events, n, ("wilson_low", "wilson_high"))


def among(events: int, reached: int) -> Row:
    """Columns of the share among those reached."""
    rates = {"reached": reached, "events_reached": events, "rate_reached": events / reached if reached else None}
    return rates | limits(events, reached, ("reached_low", "reached_high"))


def rated(events: int, n: int, events_reached: int, reached: int, **key: Any) -> Row:
    """A row of complication_rates that adds up."""
    return rate(**key) | share(events, n) | among(events_reached, reached) | {"coverage": reached / n if n else None}


USUAL, NONE, ALL, NOBODY = (12, 600, 9, 300), (0, 600, 0, 300), (600, 600, 300, 300), (0, 0, 0, 0)


def of_rates(*rows: Row, data_from: date | None = DATA_FROM) -> Edition:
    """An edition of rows of complication_rates."""
    return written(data_from=data_from, results={"complication_rates": rows})


def by_branch(names: Sequence[str], numbers: tuple[int, int, int, int]) -> list[Row]:
    """The same numbers of each branch."""
    return [rated(*numbers, dimension="branch", level=name) for name in names]


def cells(row: Row) -> tuple[Any, ...]:
    """The cells of one rate."""
    edition = written(data_from=row.pop("from", DATA_FROM))
    return rate_cells(edition, frame("complication_rates", [row]).row(0, named=True))


RATE_CELLS = Component(
    named(
        lambda row: cells(dict(row)),
        {
            NO_DATA: rated(*NOBODY),
            ONE: rated(*USUAL),
            NO_EVENT: rated(*NONE),
            ALL_EVENTS: rated(*ALL),
            "nobody reached": rated(12, 600, 0, 0),
            "too early": rated(*USUAL) | {"from": YOUNG},
        },
    ),
    {MANY: "is one rate", **NOT_YET},
)


def practitioner(numbers: tuple[int, int], data_from: date = DATA_FROM) -> Any:
    """The cell of a practitioner's share."""
    return practitioner_share(written(data_from=data_from), share(*numbers))


PRACTITIONER_SHARE = Component(
    named(practitioner, {ONE: (12, 600), NO_EVENT: (0, 600), ALL_EVENTS: (600, 600)})
    | {"too early": lambda _: practitioner((12, 600), YOUNG)},
    {NO_DATA: "a practitioner without piercings has no row", MANY: "is one share", **NOT_YET},
)


def every_complication(numbers: tuple[int, int, int, int]) -> Edition:
    """The same numbers of every complication."""
    windows = {one.name: one.window_days for one in v.COMPLICATIONS}
    return of_rates(*(rated(*numbers, complication=name, window_days=days) for name, days in windows.items()))


COMPLICATION_TABLE = Component(
    named(
        lambda edition: complication_table(edition, "all", "all", "all branches"),
        {
            NO_DATA: of_rates(),
            ONE: every_complication(USUAL),
            NO_EVENT: every_complication(NONE),
            ALL_EVENTS: every_complication(ALL),
            "too early": of_rates(rated(*USUAL), data_from=YOUNG),
        },
    ),
    {MANY: WHOLE_CHAIN, **NOT_YET},
)

LEVEL_TABLE = Component(
    named(
        lambda rows: level_table(of_rates(*rows), "infection", "branch", "Infection by branch"),
        {
            NO_DATA: [],
            ONE: by_branch(["B1"], USUAL),
            MANY: by_branch(ids(1000), USUAL),
            NO_EVENT: by_branch(["B1"], NONE),
            ALL_EVENTS: by_branch(["B1"], ALL),
            "long and right-to-left names": by_branch([LONG, HEBREW, ARABIC], USUAL),
        },
    ),
    NOT_YET,
)


def sites(*numbers: tuple[int, int, int, int], data_from: date = DATA_FROM) -> Edition:
    """Infection by site group."""
    return of_rates(
        *(
            rated(*some, dimension="site_group", level=level)
            for level, some in zip((*dict.fromkeys(v.SITE_GROUPS.values()), v.MISSING), numbers, strict=False)
        ),
        data_from=data_from,
    )


LEVEL_FIGURE = Component(
    drawn(
        lambda figures, edition: level_figure(figures, edition, "infection", "site_group", "Infection by site group"),
        {
            NO_DATA: of_rates(),
            ONE: sites(USUAL, (9, 120, 5, 80), NONE, ALL, (1, 7, 0, 0)),
            NO_EVENT: sites(NONE, NONE),
            ALL_EVENTS: sites(ALL, ALL),
            "nothing to count": sites(NOBODY, NOBODY),
            "limits far apart": sites((1, 90_000, 1, 10), (1, 2, 0, 0)),
            "too early": sites(USUAL, data_from=YOUNG),
        },
    ),
    {MANY: WHOLE_CHAIN, **NOT_YET},
)


def pairs(numbers: tuple[int, int, int, int], materials: Sequence[str] = v.MATERIALS[:3]) -> Edition:
    """Infection by material and site group, the same numbers in each pair."""
    events, n, events_reached, reached = numbers
    rows = [
        {"complication": "infection", "material": material, "site_group": site_group}
        | share(events, n)
        | among(events_reached, reached)
        for material in materials
        for site_group in ("lobe", "upper_cartilage")
    ]
    return written(results={"material_sites": rows})


MATERIAL_SITE_FIGURE = Component(
    drawn(
        lambda figures, edition: material_site_figure(
            figures, edition, "infection", "Infection by material and site group"
        ),
        {
            NO_DATA: written(),
            ONE: pairs(USUAL),
            NO_EVENT: pairs(NONE),
            ALL_EVENTS: pairs(ALL, v.MATERIALS[:1]),
            "few piercings": pairs((1, 29, 0, 10)),
            "nobody reached": pairs((12, 600, 0, 0), v.MATERIALS[:1]),
        },
    ),
    {MANY: WHOLE_CHAIN, **NOT_YET},
)


def clients(events: int, clients_with: int, data_from: date = DATA_FROM) -> Edition:
    """The watched complications of 600 piercings and 400 clients, with the same numbers."""
    row = share(events, 600) | limits(min(600, 2 * events) // 2, 300, ("clustered_low", "clustered_high"))
    row |= {"design_effect": 2.0, "clients": 400, "clients_with": clients_with, "client_rate": clients_with / 400}
    row |= limits(clients_with, 400, ("client_low", "client_high"))
    rows = [{"complication": name} | row for name in v.WATCHED]
    return written(data_from=data_from, results={"client_shares": rows})


CLIENT_TABLE = Component(
    named(
        client_table,
        {
            NO_DATA: written(),
            ONE: clients(12, 10),
            NO_EVENT: clients(0, 0),
            ALL_EVENTS: clients(600, 400),
            "too early": clients(12, 10, YOUNG),
        },
    ),
    {MANY: WHOLE_CHAIN, **NOT_YET},
)

ONSET_STEPS = {2: 0.2, 5: 0.5, 9: 0.8, 30: 1.0}


def onsets(shares: dict[str, float], *, n: int = 1000, data_from: date = DATA_FROM) -> Edition:
    """Complications by the share of piercings they are met first on in the end."""
    rows = [
        {
            "complication": name,
            "day": day,
            "at_risk": n,
            "onsets": round(n * last * part),
            "share": last * part,
            "share_low": 0.8 * last * part,
            "share_high": min(1.0, 1.2 * last * part),
        }
        for name, last in shares.items()
        for day, part in ONSET_STEPS.items()
    ]
    return written(data_from=data_from, results={"onsets": rows})


WATCHED_SHARES = dict(zip(v.WATCHED, (0.03, 0.02, 0.012, 0.004), strict=True))

ONSET_FIGURE = Component(
    drawn(
        onset_figure,
        {
            NO_DATA: written(),
            ONE: onsets({"infection": 0.03}),
            ALL_EVENTS: onsets({"infection": 1.0}),
            "every watched complication": onsets(WATCHED_SHARES),
            "few onsets": onsets({"infection": 0.03}, n=50),
            "too early": onsets({"infection": 0.03}, data_from=YOUNG),
        },
    ),
    {NO_EVENT: "without an onset there is no row, as without data", MANY: WHOLE_CHAIN, **NOT_YET},
)

HEALING = {
    "client_table": CLIENT_TABLE,
    "complication_table": COMPLICATION_TABLE,
    "level_figure": LEVEL_FIGURE,
    "level_table": LEVEL_TABLE,
    "material_site_figure": MATERIAL_SITE_FIGURE,
    "onset_figure": ONSET_FIGURE,
    "practitioner_share": PRACTITIONER_SHARE,
    "rate_cells": RATE_CELLS,
}
