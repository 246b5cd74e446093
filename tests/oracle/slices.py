"""The levels a piercing stands under, and the piercings a rate counts."""

from datetime import date, timedelta

from .known import Known
from .reports import Outcomes
from .sales import Sales
from .visits import Piercing
from .words import MISSING, SITE_GROUP, WINDOW_OF

Level = tuple[str, str]
"""dimension, level"""


def age_band(age: int | None) -> str:
    if age is None:
        return MISSING
    if age <= 4:
        return "0-4"
    if age <= 10:
        return "5-10"
    if age <= 15:
        return "11-15"
    return "16-17" if age <= 17 else "18+"


class Facts:
    """All that the tables are counted from, as of a date."""

    def __init__(self, known: Known) -> None:
        self.known = known
        self.as_of = known.as_of
        self.outcomes = Outcomes(known)
        self.sales = Sales(known)
        self.piercings = sorted(known.book.piercings.values(), key=lambda piercing: piercing.procedure_id)
        self.levels = {piercing.procedure_id: self.levels_of(piercing) for piercing in self.piercings}

    def levels_of(self, piercing: Piercing) -> list[Level]:
        row = piercing.row
        group = SITE_GROUP[row["site"]]
        article = self.known.articles.get(row["article_id"])
        practitioner = self.known.practitioner(row["practitioner_id"]) or MISSING
        levels = [
            ("all", "all"),
            ("branch", piercing.branch_id),
            ("site", row["site"]),
            ("site_group", group),
            ("ear", row["ear"] or MISSING),
            ("article", row["article_id"] or MISSING),
            ("material", (article["material"] if article is not None else None) or MISSING),
            ("practitioner", practitioner),
            ("lot", row["lot_no"] or MISSING),
            ("age_band", age_band(row["age_years"])),
            ("practitioner:site_group", f"{practitioner}:{group}"),
        ]
        return levels + [("batch", batch) for batch in sorted(self.sales.batches(piercing.visit_id))]

    def stratum(self, piercing: Piercing) -> tuple[str, str]:
        """Give the stratum of indirect standardisation: site group and age band."""
        return SITE_GROUP[piercing.row["site"]], age_band(piercing.row["age_years"])

    def period(self, complication: str) -> tuple[date, date]:
        """Give the first and last day of the rate period: 364 days that end where piercings become mature."""
        end = self.as_of - timedelta(days=WINDOW_OF[complication] + 14)
        return end - timedelta(days=363), end

    def mature(self, complication: str) -> list[Piercing]:
        start, end = self.period(complication)
        return [piercing for piercing in self.piercings if start <= piercing.day <= end]

    def is_event(self, complication: str, piercing: Piercing) -> bool:
        return self.outcomes.is_event(complication, piercing)
