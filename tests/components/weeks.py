"""Cases of the sections on weeks: infections, trade, and figures that moved."""

from collections.abc import Sequence
from decimal import Decimal

from pages.rows import attach, mondays, week
from reports.business import lines_of
from reports.edition import Edition
from reports.parts import Figure, Figures
from reports.sections.infections import completed_figure, infections_figure
from reports.sections.moves import moves_table
from reports.sections.trade import trade_figures
from support.editions import MONDAY, written

from .component import (
    ALL_EVENTS,
    GAPS,
    MANY,
    NO_BASELINE,
    NO_DATA,
    NO_EVENT,
    ONE,
    PROVISIONAL,
    Component,
    drawn,
    ids,
    named,
    wave,
)


def infections(
    counts: Sequence[int], *, names: Sequence[str] = ("B1",), young: int = 6, back: Sequence[int] | None = None
) -> Edition:
    """Weeks of branches with so many infections, of which the last are still filling in; some of these completed."""
    days = mondays(1 + max(back or range(len(counts)), default=0))
    known = list(zip(sorted(back or range(len(counts)), reverse=True), counts, strict=False))
    weekly = [
        week(days[at], name, infections_observed=count, infections_expected=1.3, mature=at >= young)
        for at, count in known
        for name in names
    ]
    completion = [
        {"dimension": "all", "level": "all", "week": days[at], "procedures": 30, "seen": count}
        | {"known_share": 0.1 if at == 0 else 1 - 0.5 / at}
        | ({"expected_final": count + 6.0 / at, "low": count, "high": count + 12 // at} if at else {})
        for at, count in known
        if at < young
    ]
    return written(results={"weekly": weekly, "completion": completion})


COUNTS = [round(max(0, value)) for value in wave(40, 1.5, 2)]
INFECTION_WEEKS = {
    NO_DATA: written(),
    ONE: infections(COUNTS),
    MANY: infections([1, 0], names=ids(1000), young=2),
    NO_EVENT: infections([0] * 20),
    ALL_EVENTS: infections([15] * 20),
    PROVISIONAL: infections(COUNTS[:4]),
    "one week": infections([2]),
    "weeks missing": infections(COUNTS[: len(GAPS)], back=GAPS),
}

INFECTIONS_FIGURE = Component(
    drawn(lambda figures, edition: infections_figure(figures, edition, None, "all branches"), INFECTION_WEEKS)
)
COMPLETED_FIGURE = Component(
    drawn(lambda figures, edition: completed_figure(figures, edition, None, "all branches"), INFECTION_WEEKS)
)


def moves(names: Sequence[str], told: int, **parts: int) -> Edition:
    """How every figure of the week before the newest moved."""
    nothing = dict.fromkeys(("told", "late", "added", "taken_away", "now"), Decimal(0))
    amounts = {name: Decimal(value) for name, value in parts.items()}
    rows = [
        {"week": mondays(2)[1], "branch_id": name, "figure": figure, "currency": "EUR" if figure == "taking" else None}
        | nothing
        | amounts
        | {"told": Decimal(told), "now": told + sum(amounts.values(), Decimal(0))}
        for name in names
        for figure in ("visit", "piercing", "infection", "taking")
    ]
    return written(results={"week_moves": rows})


MOVES_TABLE = Component(
    named(
        moves_table,
        {
            NO_DATA: written(),
            ONE: moves(["B1"], 40, late=2, added=1, taken_away=-3),
            MANY: moves(ids(1000), 40, late=2, taken_away=-3),
            NO_EVENT: moves(["B1"], 0),
            ALL_EVENTS: moves(["B1"], 40, taken_away=-40),
        },
    ),
    {PROVISIONAL: NO_BASELINE},
)


def trade(visits: Sequence[int], bought: Sequence[int] = (), names: Sequence[str] = ("B1",)) -> Edition:
    """Visits of each branch by week, and of 10 of the chain's how many bought aftercare; the newest last."""
    weekly = [
        week(day, name, visits=number)
        for day, number in zip(reversed(mondays(len(visits))), visits, strict=True)
        for name in names
    ]
    sold = [
        attach(day, attached_visits=number, provided_visits=min(10, number + 1), rate=number / 10)
        for day, number in zip(reversed(mondays(len(bought))), bought, strict=True)
    ]
    return written(results={"weekly": weekly, "attach": sold})


def traded(figures: Figures, edition: Edition) -> tuple[Figure, ...]:
    """The chain's trade in the newest week."""
    return trade_figures(figures, lines_of(edition, "all", "all"), MONDAY, "all branches")


VISITS = [round(value) for value in wave(60, 40, 12)]

TRADE_FIGURES = Component(
    drawn(
        traded,
        {
            NO_DATA: written(),
            ONE: trade(VISITS, [*([6] * 30), *([3] * 30)]),
            MANY: trade(VISITS[:2], names=ids(1000)),
            NO_EVENT: trade([0] * 20, [0] * 20),
            ALL_EVENTS: trade(VISITS, [10] * 60),
            "one week": trade([12], [4]),
            "none for longer than is drawn": written(results={"weekly": [week(mondays(80)[-1])]}),
        },
    ),
    {PROVISIONAL: NO_BASELINE},
)

WEEKS = {
    "completed_figure": COMPLETED_FIGURE,
    "infections_figure": INFECTIONS_FIGURE,
    "moves_table": MOVES_TABLE,
    "trade_figures": TRADE_FIGURES,
}
