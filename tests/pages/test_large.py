"""Pages of a chain with very many branches: what is shown, and what only the files and the branches' own pages have."""

from datetime import timedelta

import pytest

from reports.pages import branch as branch_page
from reports.pages import compare, intake, safety
from reports.parts import MOST_BRANCHES, MOST_ROWS, Table
from support.editions import AS_OF, written

from .conftest import Drawn
from .rows import Row, branch, cause, compared, plain_week, rate, together

MANY = 250


def ids(n: int) -> list[str]:
    return [f"B{at:03}" for at in range(n)]


def chain(n: int, **changes: object) -> dict[str, list[Row]]:
    return together(
        plain_week() | {"branches": [branch(name) for name in ids(n)]},
        {
            "comparison": [compared(name, **changes) for name in ids(n)],
            "complication_rates": [rate(dimension="branch", level=name) for name in ids(n)],
        },
    )


def test_a_table_shows_its_first_rows_and_counts_the_others() -> None:
    rows = tuple((str(at),) for at in range(MANY))
    long, short = Table("", ("",), rows), Table("", ("",), rows[:MOST_ROWS])
    assert (long.shown, long.left_out) == (rows[:MOST_ROWS], MANY - MOST_ROWS)
    assert (short.shown, short.left_out) == (short.rows, 0)


def test_of_many_branches_the_first_are_told_of_and_the_others_counted(drawn: list[Drawn]) -> None:
    page = compare.build(written(results=chain(MANY, comparable=False, reason="too few reached")))
    told = [line for line in page.lead if "cannot be compared: " in line]
    assert len(told) == compare.BRANCHES_TOLD
    assert (
        f"{MANY - compare.BRANCHES_TOLD} further branches are not to be compared; the tables tell of them." in page.lead
    )
    assert len(drawn) == 2


def test_the_funnel_names_branches_outside_the_limits_where_they_are_many(drawn: list[Drawn]) -> None:
    results = chain(MANY)
    results["comparison"][7] |= {"ratio": 9.0}
    compare.build(written(results=results))
    (funnel, steps) = drawn
    assert str(funnel.spec).count("B007") == 2  # its point and its name
    assert str(funnel.spec).count("B008") == 1
    assert len(funnel.table.rows) == len(steps.table.rows) == MANY


def test_the_steps_of_many_branches_are_drawn_for_those_furthest_from_the_mean(drawn: list[Drawn]) -> None:
    results = chain(MANY)
    for at, row in enumerate(results["comparison"]):
        row |= {"raw_ratio": 1.0, "shrunk_ratio": 1 + at / 1000}
    compare.build(written(results=results))
    steps = drawn[-1]
    named = [name for name in ids(MANY) if name in str(steps.spec)]
    assert named == ids(MANY)[-MOST_BRANCHES:]
    assert steps.subtitle.endswith(f"Of {MANY} branches the {MOST_BRANCHES} furthest from the mean.")


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize(("n", "charted"), [(8, ids(8)), (9, ["B003"])])
def test_of_many_branches_those_with_a_recent_point_have_their_chart_on_the_watch(n: int, charted: list[str]) -> None:
    points: list[Row] = [
        {
            "chart": "p:branch", "dimension": "branch", "level": name, "complication": "infection",
            "subgroup": "2031-01-01", "signal": name == "B003", "to_on": AS_OF - timedelta(days=50),
        }
        for name in ids(n)
    ]  # fmt: skip
    edition = written(results=together(chain(n), {"control_charts": points}))
    assert safety._charted(edition) == charted


def test_gaps_of_more_branches_than_columns_are_summed() -> None:
    gaps: list[Row] = [
        {"procedure_id": f"P{at}", "branch_id": name, "performed_on": AS_OF, "gap": "lot_missing"}
        for at, name in enumerate(ids(MANY))
    ]
    table = intake.build(written(results=together(plain_week(), {"record_gaps": gaps}))).gaps
    assert table is not None
    assert table.heads == ("Gap", "Piercings", "Branches")
    assert [row[1:] for row in table.rows] == [(str(MANY), str(MANY))]


@pytest.mark.parametrize(("n", "n_trade"), [(MOST_BRANCHES, 1), (MOST_BRANCHES + 1, 0)])
def test_pages_of_many_branches_leave_the_trade_to_their_table(n: int, n_trade: int, drawn: list[Drawn]) -> None:
    results = chain(n)
    results["weekly"] = [row | {"branch_id": "B001"} for row in results["weekly"]]
    page = branch_page.build(written(results=results), "B001")
    assert [one.title for one in drawn].count("Visits: too few weeks before it to say") == n_trade
    assert "Visits" in [row[0] for row in page.figures.rows]


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize("more", [0, 5])
def test_of_many_possible_causes_the_first_are_told(more: int) -> None:
    causes = (cause(level=f"L{at:02}", p_value=1e-9 * (at + 1)) for at in range(safety.CAUSES_TOLD + more))
    page = safety.build(written(results=together(plain_week(), *causes)))
    assert len(page.causes) == safety.CAUSES_TOLD
    assert page.lead.endswith("exposures.csv has all.") == bool(more)
