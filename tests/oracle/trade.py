"""attach.csv and revisits.csv."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, timedelta

from .clock import monday
from .intervals import share, wilson
from .sales import VisitLine
from .slices import Facts
from .visits import Visit
from .words import MISSING, Row


def periods_of(day: date, as_of: date) -> list[str]:
    """Give the week of a day, and `52w` if it is one of the 364 days that end on the as-of date."""
    year = ["52w"] if as_of - timedelta(days=363) <= day <= as_of else []
    return [f"week:{monday(day).isoformat()}", *year]


def net_quantity(lines: Iterable[VisitLine], line_types: tuple[str, ...]) -> int:
    """Give the aftercare pieces of lines of these types, less refunds made in time."""
    total = 0
    for one in lines:
        quantity: int = one.line.row["quantity"]
        if one.line.category != "aftercare":
            continue
        if one.line.line_type in line_types:
            total += quantity
        elif one.line.line_type == "refund" and one.in_refund_time:
            total -= abs(quantity)
    return total


def attach(facts: Facts) -> list[Row]:
    eligible: dict[tuple[str, str, str], list[Visit]] = defaultdict(list)
    for visit in facts.known.book.visits.values():
        for period in periods_of(visit.first.day, facts.as_of):
            eligible["all", "all", period].append(visit)
            eligible["branch", visit.first.branch_id, period].append(visit)
            if period == "52w":
                practitioner = facts.known.practitioner(visit.first.row["practitioner_id"])
                eligible["practitioner", practitioner or MISSING, period].append(visit)
    return [attach_row(facts, *key, visits) for key, visits in sorted(eligible.items())]


def attach_row(facts: Facts, dimension: str, level: str, period: str, visits: list[Visit]) -> Row:
    lines = [facts.sales.of_visit.get(visit.visit_id, []) for visit in visits]
    attached = sum(net_quantity(some, ("sale",)) > 0 for some in lines)
    low, high = wilson(attached, len(visits))
    return {
        "dimension": dimension,
        "level": level,
        "period": period,
        "eligible_visits": len(visits),
        "attached_visits": attached,
        "rate": share(attached, len(visits)),
        "wilson_low": low,
        "wilson_high": high,
        "provided_visits": sum(net_quantity(some, ("sale", "gift", "bundle_part")) > 0 for some in lines),
        "linked_visits": sum(visit.visit_id in facts.sales.linked for visit in visits),
    }


def thread_of(row: Row) -> str:
    return str(row["thread_id"] or row["revisit_id"])


def revisits(facts: Facts) -> list[Row]:
    due: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    kept = set()
    for known in facts.known.revisits:
        row = known.row
        day = facts.known.day_at_branch(row, "starts_at")
        if day > facts.as_of or row["status"] in ("cancelled_early", "moved"):
            continue
        for period in periods_of(day, facts.as_of):
            due["all", "all", period].append(row)
            due["branch", row["branch_id"], period].append(row)
        if row["status"] == "attended":
            kept.add(thread_of(row))
    return [revisits_row(*key, rows, kept) for key, rows in sorted(due.items())]


def revisits_row(dimension: str, level: str, period: str, rows: list[Row], kept: set[str]) -> Row:
    statuses = [row["status"] for row in rows]
    threads = {thread_of(row) for row in rows}
    low, high = wilson(statuses.count("no_show"), len(rows))
    return {
        "dimension": dimension,
        "level": level,
        "period": period,
        "due": len(rows),
        "attended": statuses.count("attended"),
        "no_show": statuses.count("no_show"),
        "cancelled_late": statuses.count("cancelled_late"),
        "unknown": statuses.count("unknown") + statuses.count("booked"),
        "no_show_rate": share(statuses.count("no_show"), len(rows)),
        "wilson_low": low,
        "wilson_high": high,
        "threads": len(threads),
        "kept_in_the_end": len(threads & kept),
    }
