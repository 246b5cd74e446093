"""Sales lines that count, and the visits they go to."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from .known import Known
from .visits import Visit
from .words import Row


@dataclass(frozen=True, eq=False)
class Line:
    """A line of a sale that is not void. `own_visit` is found by visit_id, or by client, branch and day."""

    row: Row
    day: date
    line_type: str
    category: str | None
    own_visit: Visit | None

    @property
    def sale_id(self) -> str:
        return str(self.row["sale_id"])

    @property
    def names_a_sale(self) -> bool:
        return self.line_type == "refund" and self.row["refund_of"] is not None


@dataclass(frozen=True, eq=False)
class VisitLine:
    """A line that goes to a visit, and the day it is counted from: the sale's that a refund names, else the visit's."""

    line: Line
    visit: Visit
    counted_from: date

    @property
    def in_refund_time(self) -> bool:
        return 0 <= (self.line.day - self.counted_from).days <= 14


class Sales:
    """All lines of sales that are not void, and those of each visit."""

    def __init__(self, known: Known) -> None:
        self.lines = lines_that_count(known)
        self.of_visit: dict[str, list[VisitLine]] = defaultdict(list)
        sold = defaultdict(list)
        for line in sorted(self.lines, key=lambda line: line.row["line_no"]):
            sold[line.sale_id].append(line)
        # Any line is its own visit's, a refund too, whatever sale it counts against.
        self.linked = {line.own_visit.visit_id for line in self.lines if line.own_visit is not None}
        for line in self.lines:
            if line.names_a_sale:
                refunded = refunded_line(line, sold[line.row["refund_of"]])
                if refunded is not None and refunded.own_visit is not None:
                    self.add(VisitLine(line, refunded.own_visit, refunded.day))
            elif line.own_visit is not None:
                self.add(VisitLine(line, line.own_visit, line.own_visit.first.day))

    def add(self, line: VisitLine) -> None:
        self.of_visit[line.visit.visit_id].append(line)

    def batches(self, visit_id: str) -> set[str]:
        """Give the aftercare batches a visit is exposed to."""
        return {
            one.line.row["batch_no"]
            for one in self.of_visit.get(visit_id, [])
            if one.line.line_type in ("sale", "gift", "bundle_part")
            and one.line.category == "aftercare"
            and one.line.row["batch_no"] is not None
        }


def lines_that_count(known: Known) -> list[Line]:
    void_sales = {sale.row["sale_id"] for sale in known.sales if sale.row["line_type"] == "void"}
    by_client: dict[tuple[str, str, date], list[Visit]] = defaultdict(list)
    for visit in known.book.visits.values():
        if visit.client is not None:
            by_client[visit.client, visit.first.branch_id, visit.first.day].append(visit)
    lines = []
    for sale in known.sales:
        row = sale.row
        if row["sale_id"] in void_sales:
            continue
        day = known.day_at_branch(row, "sold_at")
        candidates = by_client.get((row["client_key"], row["branch_id"], day), [])
        own_visit = min(candidates, key=lambda visit: visit.visit_id, default=None)
        if row["visit_id"] is not None:
            own_visit = known.book.visits.get(row["visit_id"])
        product = known.products.get(row["product_id"])
        category = product["category"] if product is not None else None
        lines.append(Line(row, day, row["line_type"] or "sale", category, own_visit))
    return lines


def refunded_line(refund: Line, sold: list[Line]) -> Line | None:
    """Give the line a refund takes back: the sale's first with the same product that has a visit, else with any."""
    with_visit = [line for line in sold if line.own_visit is not None]
    same_product = [line for line in with_visit if line.row["product_id"] == refund.row["product_id"]]
    return next(iter(same_product or with_visit), None)
