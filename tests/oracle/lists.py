"""The lists that are made when asked for: who was exposed, packs of a lot, and whom to call.

From README and the notes beside `scapha trace` and `scapha calls`; days without a source are restated here by hand.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from .clock import instant, local_day
from .history import newest
from .intake import Taken
from .intervals import share, wilson
from .reports import asked_by_branch, matching_piercing, reported_kind
from .slices import Facts
from .visits import Piercing, Visit
from .words import WINDOW_OF, Row

RED = ("perichondritis", "systemic_infection", "embedded_stud", "excess_bleeding")
ORDER = ("red_flag", "signal", "unresolved", "missed_revisit", "first_check")


@dataclass(frozen=True, eq=False)
class Contact:
    """A follow-up about a visit: its day, the piercing it names and the complication it tells of, if any."""

    row: Row
    day: date
    named: str | None
    kind: str | None

    @property
    def is_heard(self) -> bool:
        return self.row["outcome"] in ("well", "complication")


class Contacts:
    """The contacts of each visit, and what follows from them."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.of_visit: dict[str, list[Contact]] = defaultdict(list)
        for one in facts.known.follow_ups:
            visit = facts.known.book.visit_of(one.row)
            if visit is not None:
                named = facts.known.book.named_piercing(one.row)
                day = local_day(one.row["contacted_at"], facts.known.contact_zone(one.row, visit))
                contact = Contact(one.row, day, named.procedure_id if named else None, reported_kind(one.row))
                self.of_visit[visit.visit_id].append(contact)

    def attempts(self, visit_id: str) -> list[Contact]:
        return [one for one in self.of_visit[visit_id] if asked_by_branch(one.row)]

    def answers(self, visit_id: str) -> list[date]:
        return self.facts.outcomes.answers.get(visit_id, [])

    def in_vain(self, visit_id: str) -> int:
        heard = max((one.day for one in self.of_visit[visit_id] if one.is_heard), default=date.min)
        return sum(one.row["outcome"] == "no_answer" and one.day > heard for one in self.attempts(visit_id))

    def declined(self, visit: Visit) -> bool:
        book = self.facts.known.book
        own = [visit, *(book.of_client.get(visit.client, []) if visit.client is not None else [])]
        return any(one.row["outcome"] == "declined" for each in own for one in self.of_visit[each.visit_id])

    def since(self, visit: Visit, report: Contact) -> list[Contact]:
        """Contacts from a report's day on about its piercing or none in particular."""
        about = report.named or matching_piercing(visit, report.row).procedure_id
        return [one for one in self.of_visit[visit.visit_id] if one.day >= report.day and one.named in (None, about)]

    def is_over(self, visit: Visit, report: Contact) -> bool:
        for one in self.since(visit, report):
            ended = one.row["resolved_on"]
            if one.kind == report.kind and ended is not None and ended <= self.facts.as_of:
                return True
            if one.row["outcome"] == "well" and one.kind is None and one.day > report.day:
                return True
        return False

    def is_seen(self, visit: Visit, report: Contact) -> bool:
        return any(
            one.row["clinician_seen"] or one.row["channel"] == "clinician_letter" for one in self.since(visit, report)
        )


def exposed(facts: Facts, dimension: str, level: str) -> list[Piercing]:
    """Piercings that stand under a level; of a pair, under both."""
    parts = list(zip(dimension.split(":"), level.split(":"), strict=True))
    return [
        piercing for piercing in facts.piercings if all(part in facts.levels[piercing.procedure_id] for part in parts)
    ]


def line(facts: Facts, contacts: Contacts, piercing: Piercing) -> Row:
    """One piercing of a line list."""
    attempts, answers = contacts.attempts(piercing.visit_id), contacts.answers(piercing.visit_id)
    vouching = [day for day in answers if 6 <= (day - piercing.day).days <= 44]
    kinds = {report.kind for report in facts.outcomes.reports.get(piercing.procedure_id, [])}
    contact = (
        "reached" if vouching else "heard from" if answers else "asked, no answer" if attempts else "not asked yet"
    )
    return {
        "procedure_id": piercing.procedure_id,
        "branch_id": piercing.branch_id,
        "contact": contact,
        "reached_on": min(vouching, default=None),
        "attempts": len(attempts),
        "last_asked_on": max((one.day for one in attempts), default=None),
        "last_answered_on": max(answers, default=None),
        "is_infected": facts.is_event("infection", piercing),
        "has_complication": bool(kinds - {"faint"}),
        "is_mature": (facts.as_of - piercing.day).days >= 44,
    }


def head(lines: list[Row]) -> list[Row]:
    """The counts of a line list by branch, and those of all under no branch."""
    branches = sorted({row["branch_id"] for row in lines})
    return [head_row(name, [row for row in lines if name in (None, row["branch_id"])]) for name in [*branches, None]]


def head_row(branch: str | None, lines: list[Row]) -> Row:
    mature = [row for row in lines if row["is_mature"]]
    infected = sum(row["is_infected"] for row in mature)
    low, high = wilson(infected, len(mature))
    return {
        "branch_id": branch,
        "exposed": len(lines),
        "reached": sum(row["contact"] == "reached" for row in lines),
        "not_asked": sum(row["contact"] == "not asked yet" for row in lines),
        "infected": sum(row["is_infected"] for row in lines),
        "with_complication": sum(row["has_complication"] for row in lines),
        "mature": len(mature),
        "mature_infected": infected,
        "rate": share(infected, len(mature)),
        "wilson_low": low,
        "wilson_high": high,
    }


def packs(text: str | None) -> int | None:
    """A count of packs as text; None where it is no whole number."""
    whole, _, zeros = (text or "").partition(".")
    is_count = whole.isascii() and whole.isdigit() and not zeros.strip("0") and not (text or "").endswith(".")
    return int(whole) if is_count else None


def total(numbers: list[int | None]) -> int | None:
    """A sum that is unknown where one of its parts is, or where there is none."""
    known = [number for number in numbers if number is not None]
    return sum(known) if numbers and len(known) == len(numbers) else None


def stock(taken: Taken, facts: Facts) -> list[Row]:
    """What of each lot should be on each branch's shelf."""
    known = facts.known
    lots = [row for row in known.lots if row["received_on"] is None or row["received_on"] <= facts.as_of]
    used = defaultdict(list)
    for one in newest("procedures", taken.versions["procedures"], known.zone_of_row, facts.as_of):
        row = one.row
        if row["lot_no"] is not None and row["status"] in (None, "completed", "abandoned"):
            used[row["lot_no"], row["branch_id"]].append(instant(row["performed_at"], known.zones(row["branch_id"])))
    counts = counts_by_holder(taken, facts)
    delivered = {(row["lot_no"], row["branch_id"]) for row in lots}
    holders = sorted({holder for holder in delivered if holder[1] is not None} | set(used) | set(counts))
    rows = [shelf(holder, lots, used[holder], counts.get(holder, []), holder in delivered) for holder in holders]
    return rows + [
        chain_shelf(lot, lots, [row for row in rows if row["lot_no"] == lot and not row["is_delivered"]])
        for lot, branch in sorted(delivered, key=str)
        if branch is None
    ]


def counts_by_holder(taken: Taken, facts: Facts) -> dict[tuple[str, str], list[Row]]:
    """The counts of each lot and branch known by the day, the latest last."""
    last: dict[object, Row] = {}
    for version in taken.versions["stock_counts"]:
        row = version.values
        zone = facts.known.zones(row["branch_id"])
        at = instant(row["counted_at"], zone)
        last[row["branch_id"], row["lot_no"], at] = {**row, "at": at, "day": local_day(row["counted_at"], zone)}
    found = defaultdict(list)
    for row in sorted(last.values(), key=lambda row: row["at"]):
        if row["day"] <= facts.as_of:
            found[row["lot_no"], row["branch_id"]].append(row)
    return found


def shelf(holder: tuple[str, str], lots: list[Row], used: list[object], counts: list[Row], is_delivered: bool) -> Row:
    own = [row for row in lots if (row["lot_no"], row["branch_id"]) == holder]
    received, spoiled = total([row["quantity"] for row in own]), total([packs(row["spoiled"]) for row in counts])
    last = counts[-1] if counts else None
    came = [row for row in own if last and row["received_on"] is not None and row["received_on"] > last["day"]]
    at_most = None if received is None else received - len(used)
    should_be = None if at_most is None or spoiled is None else at_most - spoiled
    unexplained = None
    if last is not None and should_be is not None and packs(last["on_hand"]) is not None:
        there_then = should_be - sum(row["quantity"] for row in came) + sum(at > last["at"] for at in used)
        unexplained = there_then - packs(last["on_hand"])
    return {
        "lot_no": holder[0],
        "branch_id": holder[1],
        "received": received,
        "used": len(used),
        "spoiled": spoiled,
        "counted_on": last and last["day"],
        "on_hand": last and packs(last["on_hand"]),
        "used_since": last and sum(at > last["at"] for at in used),
        "received_since": last and sum(row["quantity"] or 0 for row in came),
        "is_delivered": is_delivered,
        "at_most": at_most,
        "should_be": should_be,
        "unexplained": unexplained,
    }


def unused_packs(taken: Taken, facts: Facts) -> list[Row]:
    """Packs that have expired, or will within 90 days before they are used: packs go one by one, oldest first."""
    lots = defaultdict(list)
    for row in facts.known.lots:
        lots[row["lot_no"]].append(row)
    used = Counter()
    for one in newest("procedures", taken.versions["procedures"], facts.known.zone_of_row, facts.as_of):
        if one.row["lot_no"] is not None and one.row["status"] in (None, "completed", "abandoned"):
            day = local_day(one.row["performed_at"], facts.known.zones(one.row["branch_id"]))
            used[one.row["branch_id"], article_of(lots[one.row["lot_no"]])] += day > facts.as_of - timedelta(days=56)
    shelves = defaultdict(list)
    for row in stock(taken, facts):
        days = [lot["expires_on"] for lot in lots[row["lot_no"]] if lot["expires_on"] is not None]
        article = article_of(lots[row["lot_no"]])
        if row["branch_id"] is not None and article is not None and days and (there := packs_there(row)) > 0:
            shelves[row["branch_id"], article].append((min(days), row["lot_no"], there, row["counted_on"]))
    rows = []
    for (branch, article), shelf_lots in shelves.items():
        gone = Fraction(0)
        for expires_on, lot, there, counted_on in sorted(shelf_lots):
            by_then = Fraction(used[branch, article], 56) * max(0, (expires_on - facts.as_of).days)
            going = min(Fraction(there), max(Fraction(0), by_then - gone))
            gone += going
            if expires_on <= facts.as_of + timedelta(days=90) and there - going >= 1:
                rows.append(
                    {
                        "branch_id": branch,
                        "lot_no": lot,
                        "article_id": article,
                        "expires_on": expires_on,
                        "packs": there,
                        "counted_on": counted_on,
                        "used_a_week": used[branch, article] / 8,
                        "unused": float(there - going),
                    }
                )
    return rows


def article_of(lots: list[Row]) -> str | None:
    """The article of a lot whose deliveries agree on one, those that name none left aside."""
    named = {row["article_id"] for row in lots} - {None}
    return named.pop() if len(named) == 1 else None


def packs_there(row: Row) -> int:
    """Packs on a shelf by its latest count, else by what came and went; 0 where nothing tells."""
    if row["on_hand"] is not None:
        return row["on_hand"] + row["received_since"] - row["used_since"]
    return next((value for value in (row["should_be"], row["at_most"]) if value is not None), 0)


def chain_shelf(lot: str, lots: list[Row], others: list[Row]) -> Row:
    received = total([row["quantity"] for row in lots if row["lot_no"] == lot and row["branch_id"] is None])
    used, spoiled = sum(row["used"] for row in others), total([row["spoiled"] for row in others])
    at_most = None if received is None else received - used
    return {
        "lot_no": lot,
        "branch_id": None,
        "received": received,
        "used": used,
        "spoiled": spoiled,
        "at_most": at_most,
        "should_be": None if at_most is None or spoiled is None else at_most - spoiled,
        "unexplained": None,
    }


def calls(facts: Facts, signals: list[Row]) -> list[Row]:
    """Whom to call, the most urgent first."""
    contacts = Contacts(facts)
    missed, exposures = last_missed(facts), of_signals(facts, contacts, signals)
    rows = []
    for visit in facts.known.book.visits.values():
        found = [
            *complaints(contacts, visit),
            *exposures.get(visit.visit_id, []),
            *asking(facts, contacts, visit, missed.get(visit.visit_id)),
        ]
        found = [one for one in found if one[0] == "red_flag" or may_be_asked(facts, contacts, visit)]
        if found:
            reasons = [name for name in ORDER if any(one[0] == name for one in found)]
            due_on, since, about = min(one[1:] for one in found if one[0] == reasons[0])
            rows.append(
                {
                    "visit_id": visit.visit_id,
                    "branch_id": visit.first.branch_id,
                    "urgency": ORDER.index(reasons[0]) + 1,
                    "reason": reasons[0],
                    "about": about or None,
                    "since": since,
                    "due_on": due_on,
                    "others": sorted(reasons[1:]),
                }
            )
    return sorted(rows, key=lambda row: (row["urgency"], row["due_on"], row["branch_id"], row["visit_id"]))


Reason = tuple[str, date, date, str]
"""reason, by when, since when, about what"""


def complaints(contacts: Contacts, visit: Visit) -> Iterator[Reason]:
    as_of = contacts.facts.as_of
    for one in contacts.of_visit[visit.visit_id]:
        age = (as_of - one.day).days
        if one.kind in (None, "faint") or not 0 <= age <= 90 or contacts.is_over(visit, one):
            continue
        is_grave = one.kind in RED or (one.row["severity"] or 0) >= 3
        if is_grave and not contacts.is_seen(visit, one):
            yield "red_flag", as_of, one.day, one.kind
        elif age >= 7:
            yield "unresolved", one.day + timedelta(days=7), one.day, one.kind


def of_signals(facts: Facts, contacts: Contacts, signals: list[Row]) -> dict[str, list[Reason]]:
    """By visit the signals it was exposed to."""
    found = defaultdict(list)
    for signal in signals:
        raised, window = signal["raised_on"], WINDOW_OF[signal["complication"]]
        parts = signal["dimension"].split(":")
        if raised > facts.as_of or all(part in ("all", "site", "site_group", "ear", "age_band") for part in parts):
            continue
        about = "|".join(signal[name] for name in ("complication", "dimension", "level"))
        for piercing in exposed(facts, signal["dimension"], signal["level"]):
            age = (facts.as_of - piercing.day).days
            answered = max(contacts.answers(piercing.visit_id), default=date.min)
            vouching = piercing.day + timedelta(days=-(-window // 5))
            if 0 <= age <= window + 14 and piercing.day >= signal["started_on"] and answered < min(raised, vouching):
                since = max(raised, piercing.day)
                found[piercing.visit_id].append(("signal", since, since, about))
    return found


def asking(facts: Facts, contacts: Contacts, visit: Visit, missed: tuple[date, str] | None) -> Iterator[Reason]:
    answered = max(contacts.answers(visit.visit_id), default=date.min)
    if missed is not None and 14 <= (facts.as_of - missed[0]).days <= 60 and answered < missed[0]:
        yield "missed_revisit", missed[0] + timedelta(days=14), missed[0], missed[1]
    day, branch = visit.first.day, facts.known.branches.get(visit.first.branch_id)
    is_asked = bool(contacts.attempts(visit.visit_id) or contacts.answers(visit.visit_id))
    is_passive = branch is not None and branch["follow_up_policy"] == "passive"
    if not is_asked and not is_passive and 14 <= (facts.as_of - day).days <= 44:
        yield "first_check", day + timedelta(days=14), day, ""


def may_be_asked(facts: Facts, contacts: Contacts, visit: Visit) -> bool:
    days = [one.day for one in contacts.attempts(visit.visit_id)] + contacts.answers(visit.visit_id)
    is_rested = all((facts.as_of - day).days >= 2 for day in days)
    return is_rested and contacts.in_vain(visit.visit_id) < 3 and not contacts.declined(visit)


def last_missed(facts: Facts) -> dict[str, tuple[date, str]]:
    """By visit the day and state of its last revisit that stands, where nobody is known to have come."""
    known, last = facts.known, {}
    standing = [
        one.row for one in known.revisits if one.row["status"] not in ("cancelled_early", "cancelled_late", "moved")
    ]
    for row in sorted(standing, key=lambda row: (instant(row["starts_at"], known.zone_of_row(row)), row["revisit_id"])):
        last[row["visit_id"]] = row
    told = {"booked": "unknown", "unknown": "unknown", "no_show": "no_show"}
    days = {visit_id: known.day_at_branch(row, "starts_at") for visit_id, row in last.items()}
    return {
        visit_id: (days[visit_id], told[row["status"]])
        for visit_id, row in last.items()
        if row["status"] in told and days[visit_id] <= facts.as_of
    }
