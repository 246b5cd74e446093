"""record_gaps.csv."""

from collections.abc import Iterator
from datetime import timedelta

from .slices import Facts
from .visits import Piercing
from .words import SITE_GROUP, Row


def record_gaps(facts: Facts) -> list[Row]:
    """Give the gaps of the completed piercings of the 364 days that end on the as-of date."""
    first_day = facts.as_of - timedelta(days=363)
    return [
        {
            "procedure_id": piercing.procedure_id,
            "branch_id": piercing.branch_id,
            "performed_on": piercing.day,
            "gap": gap,
        }
        for piercing in facts.piercings
        if first_day <= piercing.day <= facts.as_of
        for gap in gaps_of(facts, piercing)
    ]


def gaps_of(facts: Facts, piercing: Piercing) -> list[str]:
    return sorted([*client_gaps(facts, piercing), *material_gaps(facts, piercing), *staff_gaps(facts, piercing)])


def client_gaps(facts: Facts, piercing: Piercing) -> Iterator[str]:
    age, consent = piercing.row["age_years"], piercing.row["consent"]
    if age is None:
        yield "age_missing"
    elif age < facts.known.settings.adult_age and consent not in ("guardian_present", "guardian_remote"):
        yield "minor_without_guardian"
    if consent in (None, "missing"):
        yield "consent_missing"
    if piercing.row["aftercare_given"] in (None, "none"):
        yield "aftercare_missing"


def material_gaps(facts: Facts, piercing: Piercing) -> Iterator[str]:
    lot_no, article_id = piercing.row["lot_no"], piercing.row["article_id"]
    if lot_no is None:
        yield "lot_missing"
    elif lot_no not in facts.known.lot_rows:
        yield "lot_unknown"
    expiry = piercing.row["pack_expiry"] or facts.known.lot_expires_on(lot_no, piercing.branch_id)
    if expiry is not None and expiry < piercing.day:
        yield "pack_expired"
    if article_id is not None and article_id not in facts.known.articles:
        yield "article_unknown"


def staff_gaps(facts: Facts, piercing: Piercing) -> Iterator[str]:
    practitioner = facts.known.practitioner(piercing.row["practitioner_id"])
    if practitioner is None:
        yield "practitioner_missing"
    elif practitioner not in facts.known.practitioners:
        yield "practitioner_unknown"
    if SITE_GROUP[piercing.row["site"]] not in facts.known.settings.allowed_site_groups:
        yield "site_not_allowed"
