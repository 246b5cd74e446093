"""week_moves.csv: the week before the last whole one, counted as known a week ago and as known now."""

from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal

from .clock import local_day, monday, recorded_time
from .history import Version
from .intake import Taken
from .known import Known
from .slices import Facts
from .words import Row

Record = tuple[str, str, str, object]
"""branch_id, figure, currency, id"""


def week_moves(taken: Taken, facts: Facts) -> list[Row]:
    """Give told, late, added, taken away and now for each branch and figure: record by record."""
    before = facts.as_of - timedelta(weeks=1)
    last = monday(facts.as_of - timedelta(days=6))
    week = last - timedelta(weeks=1)
    now = records(facts, week)
    then = records(Facts(Known(taken, before, facts.known.settings)), week)
    heard_of = recorded_by(taken, facts.known, before)
    told_of = {
        piercing
        for piercing, reports in facts.outcomes.events["infection"].items()
        if any(report.recorded_on <= before for report in reports)
    }
    sums: dict[tuple[str, str, str], dict[str, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
    for record in now.keys() | then.keys():
        branch, figure, currency, name = record
        sum_of = sums[branch, figure, currency]
        amount, amount_then = now.get(record, Decimal(0)), then.get(record, Decimal(0))
        was_known = name in told_of if figure == "infection" else (figure, name) in heard_of
        sum_of["told"] += amount_then
        sum_of["now"] += amount
        if record not in then and not was_known:
            sum_of["late"] += amount
        else:
            sum_of["added" if amount > amount_then else "taken_away"] += amount - amount_then
    return [
        {"week": week, "branch_id": branch, "figure": figure, "currency": currency or None}
        | {part: sum_of[part] for part in ("told", "late", "added", "taken_away", "now")}
        for (branch, figure, currency), sum_of in sums.items()
    ]


def records(facts: Facts, week: date) -> dict[Record, Decimal]:
    """Give what counts in a week, as known by the facts' day."""
    found: dict[Record, Decimal] = {}
    for visit in facts.known.book.visits.values():
        if monday(visit.first.day) == week:
            found[visit.first.branch_id, "visit", "", visit.visit_id] = Decimal(1)
    for piercing in facts.piercings:
        if monday(piercing.day) == week:
            found[piercing.branch_id, "piercing", "", piercing.procedure_id] = Decimal(1)
            if facts.is_event("infection", piercing):
                found[piercing.branch_id, "infection", "", piercing.procedure_id] = Decimal(1)
    for line in facts.sales.lines:
        if line.category in ("aftercare", "jewellery") and monday(line.day) == week:
            amount = line.row["net_amount"]
            key = (line.row["branch_id"], "taking", line.row["currency"] or "", (line.sale_id, line.row["line_no"]))
            found[key] = -abs(amount) if line.line_type == "refund" else amount
    return found


def recorded_by(taken: Taken, known: Known, day: date) -> set[tuple[str, object]]:
    """Give the visits, piercings and receipt lines of which any version was recorded by a day."""

    def is_by_then(table: str, version: Version) -> bool:
        row = version.values
        return local_day(recorded_time(table, row), known.zone_of_row(row)) <= day

    procedures = [one.values for one in taken.versions["procedures"] if is_by_then("procedures", one)]
    sales = [one.values for one in taken.versions["sales"] if is_by_then("sales", one)]
    return {
        *(("visit", row["visit_id"]) for row in procedures),
        *(("piercing", row["procedure_id"]) for row in procedures),
        *(("taking", (row["sale_id"], row["line_no"])) for row in sales),
    }
