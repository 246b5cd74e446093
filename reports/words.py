"""Names and words for readers: one fixed list, so that the same thing is always called the same."""

from datetime import date

from pipeline.contract import vocabulary as v
from reports import numbers
from reports.locales import isolated

COMPLICATION = {complication.name: complication.words for complication in v.COMPLICATIONS}

SITE_GROUP = {
    "lobe": "lobe",
    "upper_cartilage": "upper cartilage",
    "other_cartilage": "other cartilage",
    "other": "other site",
}

DIMENSION = {
    "all": "whole chain",
    "branch": "branch",
    "site": "site",
    "site_group": "site group",
    "ear": "ear",
    "article": "article",
    "material": "material",
    "practitioner": "practitioner",
    "lot": "lot",
    "batch": "aftercare batch",
    "age_band": "age",
    "practitioner:site_group": "practitioner and site group",
}

GAP = {
    "minor_without_guardian": "a minor without a guardian's consent",
    "consent_missing": "consent not recorded",
    "age_missing": "age not recorded",
    "lot_missing": "lot not recorded",
    "lot_unknown": "lot that no delivery names",
    "pack_expired": "pack past its expiry date",
    "article_unknown": "article that no list names",
    "practitioner_missing": "practitioner not recorded",
    "practitioner_unknown": "practitioner that no list names",
    "site_not_allowed": "site outside the allowed groups",
    "aftercare_missing": "no aftercare advice recorded",
}
"""Gaps in the order of how much they weigh."""

RECORD = {
    "procedures": "piercing",
    "follow_ups": "follow-up",
    "revisits": "revisit",
    "sales": "receipt",
}
"""What a row of each table is called."""

POLICY = {"active": "asks every client", "message": "sends a message", "passive": "waits for clients to come back"}

NO_RANKING = (
    "By code, in the order of the codes: this is no ranking. Few piercings make wide intervals, and who does more "
    "cartilage will see more infection."
)

AGAINST = {
    "more_asked": "More clients of these branches were asked than before, so more may only have come to light.",
    "recorded_at_once": "Half or more of them were recorded on one day: a backlog typed in looks like this.",
    "few": "It rests on few cases.",
}
"""What speaks against a rise, by the watch's own words for it."""

STATE = {
    "new": "nobody has noted anything yet",
    "looked_into": "being looked into",
    "explained": "a cause was found",
    "chance": "put down to chance",
    "closed": "closed",
    "faded": "faded by itself",
}

CAUTION_SIGNAL = "A signal is a reason to look, not a finding: it says that chance alone seldom does this, not why."
CAUTION_RED_FLAGS = (
    "Fever or feeling unwell, spreading or severe pain or swelling of the upper ear, a pocket of pus, an ear losing "
    "its shape, a buried stud, bleeding beyond 30 minutes of pressure, trouble breathing or a widespread rash: "
    "medical care today."
)
CAUTION_ADVICE = (
    "Local law and licensed practice decide what may be done. These pages give no medical and no legal advice."
)


def named(dimension: str, level: str) -> str:
    """A level with its dimension: `lot K3-M10-04`, `practitioner P-014, upper cartilage`."""
    if dimension == "all":
        return "the whole chain"
    if ":" in dimension:
        return ", ".join(_part(*part) for part in zip(dimension.split(":"), level.split(":"), strict=True))
    if dimension in ("site_group", "material", "site"):
        level = SITE_GROUP.get(level, level).replace("_", " ")
    return f"{DIMENSION.get(dimension, dimension)} {isolated(level)}"


def _part(dimension: str, level: str) -> str:
    """A level as part of a pair; a site group needs no word before it."""
    return SITE_GROUP.get(level, level) if dimension == "site_group" else named(dimension, level)


def outer_limits() -> str:
    """What the limits are called beyond which chance alone goes once in 500: `99.8 % limits`."""
    return f"{numbers.share(0.998)} limits"


def no_data_since(through: date | None) -> str:
    """What is said of a branch that was not heard of lately: never that it had no clients."""
    return f"no data since {numbers.day(through)}" if through else "no data yet"


def plural(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: `1 infection`, `12 infections`."""
    return f"{numbers.count(number)} {one if number == 1 else many or one + 's'}"
