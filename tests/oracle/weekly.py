"""weekly.csv."""

from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal
from math import fsum

from .clock import monday
from .expected import ExpectedInfections, infections_among
from .sales import Line
from .slices import Facts
from .visits import Piercing
from .words import Row

Cell = tuple[date, str]
"""Monday, branch_id"""
COUNT_COLUMNS = ("visits", "procedures", "infections_observed", "infections_expected")


def weekly(facts: Facts) -> list[Row]:
    """Give a row for each week and branch, split by currency where its sales lines have several."""
    expected = ExpectedInfections(facts)
    visits: dict[Cell, int] = defaultdict(int)
    for visit in facts.known.book.visits.values():
        visits[monday(visit.first.day), visit.first.branch_id] += 1
    piercings: dict[Cell, list[Piercing]] = defaultdict(list)
    for piercing in facts.piercings:
        piercings[monday(piercing.day), piercing.branch_id].append(piercing)
    lines: dict[Cell, list[Line]] = defaultdict(list)
    for line in facts.sales.lines:
        if line.category in ("aftercare", "jewellery"):
            lines[monday(line.day), str(line.row["branch_id"])].append(line)
    rows = []
    for cell in sorted(visits.keys() | piercings.keys() | lines.keys()):
        counts = count_columns(facts, expected, visits.get(cell, 0), piercings.get(cell, []))
        rows += rows_of_cell(facts, cell, counts, lines.get(cell, []))
    return rows


def count_columns(facts: Facts, expected: ExpectedInfections, visits: int, piercings: list[Piercing]) -> Row:
    so_far = fsum(expected.of(piercing) for piercing in piercings)  # one after the as-of date adds F(k < 0) = 0
    return {
        "visits": visits,
        "procedures": len(piercings),
        "infections_observed": infections_among(facts, piercings),
        "infections_expected": so_far if expected.known else None,
    }


def rows_of_cell(facts: Facts, cell: Cell, counts: Row, lines: list[Line]) -> list[Row]:
    week, branch_id = cell
    rows = []
    currencies = sorted({line.row["currency"] or "" for line in lines}) or [""]
    for currency in currencies:
        of_currency = [line for line in lines if (line.row["currency"] or "") == currency]
        is_first = currency == currencies[0]
        rows.append(
            {
                "week": week,
                "branch_id": branch_id,
                **(counts if is_first else dict.fromkeys(COUNT_COLUMNS)),
                "aftercare_net": net_amount(of_currency, "aftercare"),
                "jewellery_net": net_amount(of_currency, "jewellery"),
                "mature": week + timedelta(days=6) <= facts.as_of - timedelta(days=44),
                "currency": currency or None,
            }
        )
    return rows


def net_amount(lines: list[Line], category: str) -> Decimal:
    """Give sales, gifts and bundle parts less refunds, whatever the sign a refund is written with."""
    total = Decimal(0)
    for line in lines:
        if line.category == category:
            amount: Decimal = line.row["net_amount"]
            total += -abs(amount) if line.line_type == "refund" else amount
    return total
