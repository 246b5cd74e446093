"""Completed piercings and visits, and the visit a follow-up belongs to."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from .clock import BranchZones, instant, local_day
from .words import Row


@dataclass(frozen=True, eq=False)
class Piercing:
    """A completed piercing: its values as read, its zone, its instant in UTC and its local day."""

    procedure_id: str
    visit_id: str
    branch_id: str
    zone: str
    at: datetime
    day: date
    row: Row


@dataclass(frozen=True, eq=False)
class Visit:
    """The completed piercings of one visit_id, in order; day, branch and practitioner are those of the first."""

    visit_id: str
    piercings: tuple[Piercing, ...]

    @property
    def first(self) -> Piercing:
        return self.piercings[0]

    @property
    def client(self) -> str | None:
        keys = (piercing.row["client_key"] for piercing in self.piercings)
        return next((key for key in keys if key is not None), None)

    @property
    def place(self) -> tuple[date, datetime, str]:
        """What `the latest visit` compares."""
        return self.first.day, self.first.at, self.visit_id


def completed_piercings(rows: Iterable[Row], zones: BranchZones) -> list[Piercing]:
    piercings = []
    for row in rows:
        if row["status"] in (None, "completed"):
            zone = zones(row["branch_id"])
            at, day = instant(row["performed_at"], zone), local_day(row["performed_at"], zone)
            piercings.append(Piercing(row["procedure_id"], row["visit_id"], row["branch_id"], zone, at, day, row))
    return piercings


def visits_of(piercings: Iterable[Piercing]) -> list[Visit]:
    by_visit = defaultdict(list)
    for piercing in piercings:
        by_visit[piercing.visit_id].append(piercing)
    return [
        Visit(visit_id, tuple(sorted(group, key=lambda piercing: (piercing.at, piercing.procedure_id))))
        for visit_id, group in by_visit.items()
    ]


class VisitBook:
    """Piercings by procedure_id, visits by visit_id, and the visits of each client in order."""

    def __init__(self, piercings: Iterable[Piercing], zones: BranchZones) -> None:
        self.zones = zones
        self.piercings = {piercing.procedure_id: piercing for piercing in piercings}
        self.visits = {visit.visit_id: visit for visit in visits_of(self.piercings.values())}
        self.of_client: dict[str, list[Visit]] = defaultdict(list)
        for visit in sorted(self.visits.values(), key=lambda visit: visit.place):
            if visit.client is not None:
                self.of_client[visit.client].append(visit)

    def named_piercing(self, follow_up: Row) -> Piercing | None:
        """Give the piercing a follow-up names: one that is unknown, not completed or of another visit is none."""
        piercing = self.piercings.get(follow_up["procedure_id"])
        if piercing is None or follow_up["visit_id"] not in (None, piercing.visit_id):
            return None
        return piercing

    def visit_of(self, follow_up: Row) -> Visit | None:
        """Give the visit a follow-up belongs to.

        The visit it names, known or not; without one that of its procedure; else the client's latest visit on or
        before the onset, or the contact day, which is the candidate visit's own local day.
        """
        if follow_up["visit_id"] is not None:
            return self.visits.get(follow_up["visit_id"])
        named = self.named_piercing(follow_up)
        if named is not None:
            return self.visits[named.visit_id]
        for visit in reversed(self.of_client.get(follow_up["client_key"], [])):
            if visit.first.day <= onset_day(follow_up, visit.first.zone):
                return visit
        return None

    def zone_of_follow_up(self, follow_up: Row) -> str:
        """Give the zone a follow-up's own times are local to, whatever its onset."""
        return self.linked_zone(follow_up) or self.zones.default

    def linked_zone(self, follow_up: Row) -> str | None:
        """Give the zone of the visit a follow-up is linked to, if it is known."""
        visit = self.visits.get(follow_up["visit_id"])
        if visit is None and follow_up["procedure_id"] in self.piercings:
            visit = self.visits[self.piercings[follow_up["procedure_id"]].visit_id]
        if visit is None and self.of_client.get(follow_up["client_key"]):
            visit = self.of_client[follow_up["client_key"]][-1]
        return visit.first.zone if visit is not None else None


def onset_day(follow_up: Row, zone: str) -> date:
    """Give onset_on, else the contact day in the zone."""
    onset_on: date | None = follow_up["onset_on"]
    return onset_on if onset_on is not None else local_day(follow_up["contacted_at"], zone)
