"""What is known by an as-of date: the newest versions of everything, joined to visits."""

from dataclasses import dataclass
from datetime import date
from functools import cached_property

from .clock import BranchZones, local_day
from .history import KnownRow, newest
from .intake import Taken, zone_finder
from .visits import Visit, VisitBook, completed_piercings
from .words import EVENT_TIMES, Row


@dataclass(frozen=True)
class Settings:
    """The settings that the published tables depend on."""

    timezone: str = "UTC"
    adult_age: int = 18
    allowed_site_groups: tuple[str, ...] = ("lobe", "upper_cartilage")
    phases: tuple[tuple[date, str, str | None], ...] = ()
    """Phases of control charts: from which day, why, and of which branch alone."""


def as_of_default(taken: Taken, settings: Settings | None = None) -> date | None:
    """Give the newest local day among performed_at, contacted_at, sold_at and recorded_at of all stored rows."""
    zones = BranchZones(taken.reference("branches"), (settings or Settings()).timezone)
    days = []
    for table in EVENT_TIMES:
        zone_of = zone_finder(table, taken, zones)
        for version in taken.versions[table]:
            for column in ("performed_at", "contacted_at", "sold_at", "recorded_at"):
                time = version.values.get(column)
                if time is not None:
                    days.append(local_day(time, zone_of(version.values)))
    return max(days, default=None)


class Known:
    """Everything that counts as of a date. Reference rows have no history."""

    def __init__(self, taken: Taken, as_of: date, settings: Settings) -> None:
        self.as_of = as_of
        self.settings = settings
        self.branches = taken.reference("branches")
        self.practitioners = taken.reference("practitioners")
        self.articles = taken.reference("articles")
        self.products = taken.reference("products")
        lots = {(v.values["lot_no"], v.values["branch_id"], v.values["received_on"]): v for v in taken.versions["lots"]}
        self.lots = [version.values for version in lots.values()]
        self.zones = BranchZones(self.branches, settings.timezone)
        procedures = newest("procedures", taken.versions["procedures"], self.zone_of_row, as_of)
        self.first_recorded_on = {known.row["procedure_id"]: known.first_recorded_on for known in procedures}
        self.book = VisitBook(completed_piercings((known.row for known in procedures), self.zones), self.zones)
        # Zones have no history: a follow-up's times follow the branch at which its visit is now known to have been.
        self.zone_of_follow_up = zone_finder("follow_ups", taken, self.zones)
        self.follow_ups = newest("follow_ups", taken.versions["follow_ups"], self.zone_of_follow_up, as_of)
        self.revisits = self.rows_with_branch("revisits", taken)
        self.sales = self.rows_with_branch("sales", taken)

    def zone_of_row(self, row: Row) -> str:
        return self.zones(row["branch_id"])

    def rows_with_branch(self, table: str, taken: Taken) -> list[KnownRow]:
        return newest(table, taken.versions[table], self.zone_of_row, self.as_of)

    def contact_zone(self, follow_up: Row, visit: Visit) -> str:
        """Give the zone of a contact about a visit: the visit's own where the follow-up names only a client."""
        if follow_up["visit_id"] is None and self.book.named_piercing(follow_up) is None:
            return visit.first.zone
        return self.zone_of_follow_up(follow_up)

    def day_at_branch(self, row: Row, column: str) -> date:
        return local_day(row[column], self.zones(row["branch_id"]))

    @cached_property
    def data_from(self) -> date | None:
        return min((piercing.day for piercing in self.book.piercings.values()), default=None)

    def practitioner(self, practitioner_id: str | None) -> str | None:
        """Give the practitioner at the end of the chain of aliases; in a cycle the code stays as it is."""
        seen = {practitioner_id}
        last = practitioner_id
        while last in self.practitioners and self.practitioners[last]["alias_of"] is not None:
            last = self.practitioners[last]["alias_of"]
            if last in seen:
                return practitioner_id
            seen.add(last)
        return last

    @cached_property
    def lot_rows(self) -> dict[str, list[Row]]:
        by_lot: dict[str, list[Row]] = {}
        for row in self.lots:
            by_lot.setdefault(row["lot_no"], []).append(row)
        return by_lot

    def lot_expires_on(self, lot_no: str | None, branch_id: str) -> date | None:
        """Give the expiry of a lot: of its rows the branch's count, else the chain's, else any; then the earliest."""
        rows = self.lot_rows.get(lot_no, []) if lot_no is not None else []
        of_branch = [row for row in rows if row["branch_id"] == branch_id]
        of_chain = [row for row in rows if row["branch_id"] is None]
        days = [row["expires_on"] for row in of_branch or of_chain or rows if row["expires_on"] is not None]
        return min(days, default=None)
