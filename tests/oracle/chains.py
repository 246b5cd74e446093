"""Small invented chains whose exports sit on the edges of the contract.

`small_exports` draws from a seeded `random.Random`, not from Hypothesis: a folder is thousands of choices, which takes
Hypothesis seconds to draw and longer to shrink; a seed is a complete and short account of a failure. To feed it from
Hypothesis all the same, map `st.integers()` through `random.Random`.

What happens in the chain stands here, what else a visit brings in `chain_trade.py`, and how the rows are delivered
(corrections, files, dirt) in `delivering.py`.
"""

from datetime import date, timedelta
from random import Random

from .chain_trade import ARTICLES, BRANCHES, PRACTITIONERS, Trade
from .delivering import Cells, deliver, deliver_more, write_exports
from .drawing import LAST_DAY, LATER, NOW
from .words import CHANNEL, COMPLICATION, CONSENT, IMMEDIATE_EVENT, INFECTIONS, SITE

__all__ = ["LATER", "NOW", "second_night", "small_exports", "write_exports"]

OUTBREAK_MONDAY = date(2032, 3, 1)
LOTS = ("L-A", "L-B", "L-C", "L-D", "l-a", "")
PIERCING_AGES = (
    *(0, 1, 13, 14, 29, 30, 31, 43, 44, 45, 46, 55, 56, 57, 58, 103, 104, 105),
    *(362, 363, 364, 365, 378, 379, 380, 406, 407, 408, 466, 467, 468, 741, 742, 743, 744),
)
"""Days before the last day at which something begins or ends: maturity, rate, reference and 52-week periods."""
ONSETS = (-1, 0, 1, 2, 5, 12, 29, 30, 31, 89, 90, 91, 364, 365, 366)
CONTACTS = (0, 1, 5, 6, 7, 17, 18, 19, 29, 30, 31, 43, 44, 45, 46, 72, 73, 74, 90, 103, 104, 105, 365, 378, 379, 380)
AGES = ("0", "4", "5", "10", "11", "15", "16", "17", "18", "120", "34.0")
CLOCK_CHANGES = (date(2031, 10, 26), date(2031, 11, 2), date(2032, 3, 14), date(2032, 3, 28), date(2032, 4, 4))


def small_exports(rng: Random) -> dict[str, str]:
    """Give an export folder as path -> text, for `write_exports`.

    Four in eleven are large enough for charts and signals: an outbreak, of a lot or of a week.
    """
    return deliver(rng, Chain(rng).tables())


def second_night(rng: Random, exports: dict[str, str]) -> dict[str, str]:
    """Give the folder as the next night finds it: the old files, some gone, and further rows and corrections."""
    return deliver_more(rng, exports, Chain(rng).tables())


class Chain(Trade):
    """One invented chain, event by event."""

    def __init__(self, rng: Random) -> None:
        super().__init__(rng)
        self.outbreak = rng.choice(("",) * 7 + ("lot", "lot", "week", "week"))
        self.visits: list[list[Cells]] = []

    def tables(self) -> dict[str, list[Cells]]:
        for number in range(self.rng.randint(90, 170) if self.outbreak else self.rng.randint(8, 30)):
            self.visits.append(self.visit(f"V{number:03d}"))
        sales = [line for visit in self.visits for line in self.sales(visit)]
        return {
            "procedures": [row for visit in self.visits for row in visit],
            "follow_ups": [row for visit in self.visits for row in self.follow_ups(visit)] + [self.newest_contact()],
            "revisits": [row for visit in self.visits for row in self.revisits(visit)],
            "sales": sales,
            **self.reference(),
        }

    def visit(self, visit_id: str) -> list[Cells]:
        day = self.days[visit_id] = self.visit_day()
        branch, client, at = self.one_of(BRANCHES), self.client(), self.time(day)
        return [self.piercing(visit_id, number, branch, client, at) for number in range(self.one_of((1, 1, 2, 2, 3)))]

    def visit_day(self) -> date:
        rng = self.rng
        if self.outbreak == "week":
            return OUTBREAK_MONDAY - timedelta(days=7 * rng.randint(0, 3) - rng.randint(0, 6))
        if self.outbreak == "lot" and rng.random() < 0.12:
            return OUTBREAK_MONDAY + timedelta(days=rng.randint(0, 20))
        if rng.random() < 0.1:
            return self.one_of(CLOCK_CHANGES)
        return LAST_DAY - timedelta(days=self.one_of(PIERCING_AGES) if rng.random() < 0.5 else rng.randint(0, 430))

    def in_outbreak(self, day: date) -> bool:
        days = {"": 0, "lot": 21, "week": 7}[self.outbreak]
        return OUTBREAK_MONDAY <= day < OUTBREAK_MONDAY + timedelta(days=days)

    def client(self) -> str:
        return self.maybe(0.85, [f"C{number:02d}" for number in range(60 if self.outbreak else 14)])

    def piercing(self, visit_id: str, number: int, branch: str, client: str, at: str) -> Cells:
        rng, day = self.rng, self.days[visit_id]
        bad_lot = self.outbreak == "lot" and self.in_outbreak(day)
        plain = 0.95 if self.outbreak else 0.7
        return {
            "procedure_id": f"{rng.choice('PQ')}{visit_id[1:]}-{number}",
            "visit_id": visit_id,
            "client_key": client if rng.random() < 0.9 else "",
            "branch_id": branch if rng.random() < 0.97 else rng.choice(BRANCHES),
            "practitioner_id": self.maybe(0.93, PRACTITIONERS),
            "performed_at": at if rng.random() < 0.6 else self.time(day),
            "ear": self.maybe(0.85, ("left", "right")),
            "site": rng.choice(("lobe", "lobe", "helix") if rng.random() < plain else SITE),
            "article_id": "K1" if bad_lot else self.maybe(0.95, ARTICLES),
            "lot_no": "L-BAD" if bad_lot else rng.choice(LOTS),
            "pack_expiry": self.maybe(0.2, [(day + timedelta(days=n)).isoformat() for n in (-1, 0, 1)]),
            "post_length_mm": self.maybe(0.3, ("8", "8.0", "10.5")),
            "age_years": self.maybe(0.95, ("18", "34.0") if self.outbreak else AGES),
            "consent": self.maybe(0.85, CONSENT),
            "aftercare_given": self.maybe(0.8, ("leaflet", "verbal", "both", "none")),
            "immediate_event": self.maybe(0.15, IMMEDIATE_EVENT),
            "status": self.maybe(0.5, ("completed",) * 8 + ("abandoned", "void")),
            "recorded_at": self.recorded(day, (0, 0, 0, 1, 20)),
        }

    def follow_ups(self, visit: list[Cells]) -> list[Cells]:
        most = 5 if self.in_outbreak(self.days[visit[0]["visit_id"]]) else 3
        return [self.follow_up(visit, number) for number in range(self.one_of((0, 1, 1, 2, most)))]

    def follow_up(self, visit: list[Cells], number: int) -> Cells:
        rng = self.rng
        piercing = rng.choice(visit)
        day = self.days[piercing["visit_id"]]
        in_outbreak = self.in_outbreak(day)
        contacts, onsets = (CONTACTS[:11], ONSETS[1:8]) if in_outbreak else (CONTACTS, ONSETS)
        contacted = min(day + timedelta(days=self.one_of(contacts)), LAST_DAY)
        onset = min(day + timedelta(days=self.one_of(onsets)), contacted + timedelta(days=1), LAST_DAY)
        ill = rng.random() < (0.95 if in_outbreak else 0.04 if self.outbreak == "lot" else 0.4)
        kind = rng.choice(INFECTIONS) if rng.random() < (0.95 if in_outbreak else 0.6) else rng.choice(COMPLICATION)
        usual = rng.choice(("well", "no_answer", "declined", "complication"))
        follow_up_id = f"F{piercing['visit_id'][1:]}-{number}"
        return {
            "follow_up_id": follow_up_id,
            **self.link(piercing),
            "contacted_at": self.time(contacted),
            "channel": self.maybe(0.85, CHANNEL),
            "initiated_by": self.maybe(0.5, ("branch", "branch", "client")),
            "outcome": "complication" if ill and rng.random() < 0.85 else usual,
            "complication": kind if ill else "",
            "onset_on": onset.isoformat() if rng.random() < 0.5 else "",
            "severity": self.maybe(0.3, ("0", "1", "4")),
            "certainty": self.maybe(0.2, ("possible", "confirmed")),
            "ear": piercing["ear"] if rng.random() < 0.3 else self.maybe(0.3, ("left", "right")),
            "site": piercing["site"] if rng.random() < 0.4 else self.maybe(0.2, SITE),
            "clinician_seen": self.maybe(0.3, ("yes", "no", "1", "0", "true", "false")),
            "stud_removed": Random(follow_up_id).choice(("", "", "no", "0", "yes", "1")),
            "recorded_at": self.recorded(contacted, (0, 0, 1, 3, 10, 40)),
        }

    def link(self, piercing: Cells) -> Cells:
        """Give the three links of a follow-up, of every kind that the contract tells apart."""
        if self.in_outbreak(self.days[piercing["visit_id"]]):
            return {"visit_id": piercing["visit_id"], "procedure_id": piercing["procedure_id"]}
        other = self.one_of(self.one_of(self.visits))
        nowhere = {"procedure_id": "P-nowhere", "client_key": piercing["client_key"] or "C01"}
        return self.one_of(
            (
                {"visit_id": piercing["visit_id"]},
                {"visit_id": piercing["visit_id"], "client_key": piercing["client_key"]},
                {"procedure_id": piercing["procedure_id"]},
                {"visit_id": piercing["visit_id"], "procedure_id": piercing["procedure_id"]},
                {"visit_id": piercing["visit_id"], "procedure_id": other["procedure_id"]},
                {"client_key": piercing["client_key"] or "C01"},
                {"client_key": piercing["client_key"] or "C02"},
                nowhere,
                {"visit_id": "V-nowhere", "client_key": piercing["client_key"]},
            )
        )

    def newest_contact(self) -> Cells:
        """Give the contact that makes the last day the newest, so that the edges are where they are meant to be."""
        at = f"{LAST_DAY.isoformat()}T09:00Z"
        return {"follow_up_id": "F-last", "client_key": "C-last", "contacted_at": at, "outcome": "no_answer"}
