"""Reports, events, and who was reached."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from .clock import local_day
from .known import Known
from .visits import Piercing, Visit, onset_day
from .words import MEMBERS, WINDOW_OF, Row


@dataclass(frozen=True)
class Report:
    """A complication reported of one piercing."""

    kind: str
    onset: date
    recorded_on: date
    names_piercing: bool


class Outcomes:
    """What became of the piercings.

    reports: by procedure_id. studs_out: by procedure_id the days on which somebody told of a stud taken out.
    answers: by visit_id the days on which the branch asked and got an answer.
    events: by complication, then procedure_id, the reports that make the event.
    """

    def __init__(self, known: Known) -> None:
        self.reports = reports_by_piercing(known)
        self.studs_out = studs_out_by_piercing(known)
        self.answers = answers_by_visit(known)
        self.events: dict[str, dict[str, list[Report]]] = {complication: {} for complication in WINDOW_OF}
        for procedure_id, reports in self.reports.items():
            day = known.book.piercings[procedure_id].day
            for complication, window in WINDOW_OF.items():
                counted = [
                    report
                    for report in reports
                    if report.kind in MEMBERS[complication] and 0 <= (report.onset - day).days <= window
                ]
                if counted:
                    self.events[complication][procedure_id] = counted

    def is_event(self, complication: str, piercing: Piercing) -> bool:
        return piercing.procedure_id in self.events[complication]

    def reached(self, piercing: Piercing, window: int) -> bool:
        first = -(-window // 5)  # a fifth of the window, rounded up
        days = self.answers.get(piercing.visit_id, [])
        return any(first <= (day - piercing.day).days <= window + 14 for day in days)


def reports_by_piercing(known: Known) -> dict[str, list[Report]]:
    reports = defaultdict(list)
    for piercing in known.book.piercings.values():
        kind = piercing.row["immediate_event"]
        if kind not in (None, "none"):
            recorded_on = known.first_recorded_on[piercing.procedure_id]
            reports[piercing.procedure_id].append(Report(kind, piercing.day, recorded_on, True))
    for follow_up in known.follow_ups:
        kind = reported_kind(follow_up.row)
        visit = known.book.visit_of(follow_up.row)
        if kind is not None and visit is not None:
            named = known.book.named_piercing(follow_up.row)
            piercing = named or matching_piercing(visit, follow_up.row)
            onset = onset_day(follow_up.row, known.contact_zone(follow_up.row, visit))
            report = Report(kind, onset, follow_up.first_recorded_on, named is not None)
            reports[piercing.procedure_id].append(report)
    return dict(reports)


def studs_out_by_piercing(known: Known) -> dict[str, list[date]]:
    days = defaultdict(list)
    for follow_up in known.follow_ups:
        row = follow_up.row
        visit = known.book.visit_of(row)
        if row["stud_removed"] and visit is not None:
            piercing = known.book.named_piercing(row) or matching_piercing(visit, row)
            days[piercing.procedure_id].append(local_day(row["contacted_at"], known.contact_zone(row, visit)))
    return dict(days)


def reported_kind(follow_up: Row) -> str | None:
    """Give the complication named, whatever the outcome; `other` where the outcome says so and none is named."""
    kind: str | None = follow_up["complication"]
    if kind is None and follow_up["outcome"] == "complication":
        return "other"
    return kind


def matching_piercing(visit: Visit, follow_up: Row) -> Piercing:
    """Give the first procedure_id among those that match the ear and site named, or among all if none does."""
    matching = [
        piercing
        for piercing in visit.piercings
        if follow_up["ear"] in (None, piercing.row["ear"]) and follow_up["site"] in (None, piercing.row["site"])
    ]
    return min(matching or visit.piercings, key=lambda piercing: piercing.procedure_id)


def answers_by_visit(known: Known) -> dict[str, list[date]]:
    answers = defaultdict(list)
    for follow_up in known.follow_ups:
        if follow_up.row["outcome"] in ("well", "complication") and asked_by_branch(follow_up.row):
            visit = known.book.visit_of(follow_up.row)
            if visit is not None:
                zone = known.contact_zone(follow_up.row, visit)
                answers[visit.visit_id].append(local_day(follow_up.row["contacted_at"], zone))
    for revisit in known.revisits:
        row = revisit.row
        if row["status"] == "attended" and row["purpose"] != "problem":
            answers[row["visit_id"]].append(known.day_at_branch(row, "starts_at"))
    return dict(answers)


def asked_by_branch(follow_up: Row) -> bool:
    if follow_up["initiated_by"] is not None:
        return bool(follow_up["initiated_by"] == "branch")
    return follow_up["channel"] in ("phone", "message", "revisit")
