"""Cases of the sections on who was reached, and what those who were not could change."""

from collections.abc import Sequence
from datetime import timedelta

from pages.rows import mondays
from reports.edition import Edition
from reports.sections.follow_up import answers_table, answers_words, bounds_table, changed_answers, coverage_table
from support.editions import AS_OF, written

from .component import ALL_EVENTS, ARABIC, EDGES, HEBREW, LONG, MANY, NO_DATA, NO_EVENT, ONE, Component, ids, named
from .healing import ALL, NOBODY, NONE, NOT_YET, USUAL, YOUNG, by_branch, of_rates


def coverage(names: Sequence[str], reached: int, n_weeks: int = 54) -> Edition:
    """Each branch's weeks of 10 piercings, so many of them reached."""
    rows = [
        {"week": week, "branch_id": name, "procedures": 10, "reached": reached, "mature": at >= 2}
        for name in names
        for at, week in enumerate(mondays(n_weeks))
    ]
    return written(results={"coverage": rows})


COVERAGE_TABLE = Component(
    named(
        coverage_table,
        {
            NO_DATA: written(),
            ONE: coverage(["B1"], 8),
            MANY: coverage(ids(1000), 8, 4),
            NO_EVENT: coverage(["B1"], 0),
            ALL_EVENTS: coverage(["B1"], 10),
            "one week": coverage(["B1"], 8, 3),
            "long and right-to-left names": coverage([LONG, HEBREW, ARABIC], 8, 4),
        },
    ),
    NOT_YET,
)

BOUNDS_TABLE = Component(
    named(
        bounds_table,
        {
            NO_DATA: of_rates(),
            ONE: of_rates(*by_branch(["B1"], USUAL)),
            MANY: of_rates(*by_branch(ids(1000), USUAL)),
            NO_EVENT: of_rates(*by_branch(["B1"], NONE)),
            ALL_EVENTS: of_rates(*by_branch(["B1"], ALL)),
            "nobody reached": of_rates(*by_branch(["B1"], (12, 600, 0, 0))),
            "no piercing old enough": of_rates(*by_branch(["B1"], NOBODY)),
            "too early": of_rates(*by_branch(["B1"], USUAL), data_from=YOUNG),
        },
    ),
    NOT_YET,
)


def answers(names: Sequence[str], answered: int, change: str | None = None, before: int = 400) -> Edition:
    """Of each branch's 60 visits so many answered, of which 40 would be were all clients to answer; 300 of 400 were."""
    rows = [
        {"branch_id": name, "from_on": AS_OF - timedelta(days=56), "visits": 60, "due": 40, "answered": answered}
        | {"visits_before": before, "answered_before": 3 * before // 4, "change": change}
        for name in names
    ]
    return written(results={"answers": rows})


ANSWERS = {
    NO_DATA: written(),
    ONE: answers(["B1"], 31),
    MANY: answers(ids(1000), 31),
    NO_EVENT: answers(["B1"], 0, "fewer"),
    ALL_EVENTS: answers(["B1"], 40, "more"),
    "nothing before": answers(["B1"], 31, before=0),
    "long and right-to-left names": answers([LONG, HEBREW, ARABIC], 12, "fewer"),
}

FOLLOW_UP = {
    "answers_table": Component(named(answers_table, ANSWERS), NOT_YET),
    "answers_words": Component(named(lambda _: answers_words(), {"always": ()}), dict.fromkeys(EDGES, "is constant")),
    "bounds_table": BOUNDS_TABLE,
    "changed_answers": Component(named(changed_answers, ANSWERS), NOT_YET),
    "coverage_table": COVERAGE_TABLE,
}
