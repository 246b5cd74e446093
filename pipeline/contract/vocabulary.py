"""The words of the trade that exports may use, and the groups, windows and bands the measures count by.

Every list stands here once; rules, SQL reference tables, the data dictionary and the simulated exports take it from
here.
"""

from dataclasses import dataclass
from datetime import date

SITE_GROUPS: dict[str, str] = {
    "lobe": "lobe",
    "upper_lobe": "lobe",
    "helix": "upper_cartilage",
    "scapha": "upper_cartilage",
    "forward_helix": "other_cartilage",
    "tragus": "other_cartilage",
    "antitragus": "other_cartilage",
    "conch": "other_cartilage",
    "daith": "other_cartilage",
    "rook": "other_cartilage",
    "other": "other",
}
SITES = tuple(SITE_GROUPS)

EARS = ("left", "right")
CONSENTS = ("adult_self", "guardian_present", "guardian_remote", "missing")
AGE_CHECKS = ("photo_id", "guardian_word", "self_declared", "none")
AFTERCARE_GIVEN = ("leaflet", "verbal", "both", "none")
PROCEDURE_STATUSES = ("completed", "abandoned", "void")
IMMEDIATE_EVENTS = ("none", "faint", "excess_bleeding", "tear", "misplacement", "other")
OUTCOMES = ("well", "complication", "no_answer", "declined")
CHANNELS = ("revisit", "phone", "message", "walk_in", "clinician_letter", "review")
ASKING_CHANNELS = ("phone", "message", "revisit")
"""Channels by which a branch asks: where `initiated_by` is empty, these count as the branch's own asking."""
INITIATORS = ("branch", "client")
CERTAINTIES = ("possible", "probable", "confirmed")
REVISIT_STATUSES = ("booked", "attended", "no_show", "cancelled_early", "cancelled_late", "moved", "unknown")
REVISIT_PURPOSES = ("check", "first_change", "problem")
LINE_TYPES = ("sale", "refund", "void", "gift", "bundle_part")
PRODUCT_CATEGORIES = ("aftercare", "jewellery", "service", "other")
MATERIALS = ("implant_titanium", "implant_steel", "niobium", "gold", "medical_plastic", "plated_steel", "other")
FOLLOW_UP_POLICIES = ("active", "message", "passive")

MISSING = "(missing)"
"""The level under which piercings without a value stand."""


@dataclass(frozen=True)
class Complication:
    """A complication, or a group of them, with the days after the piercing in which an onset counts.

    `members` are the kinds a report may name; a single kind is its own only member.
    """

    name: str
    window_days: int
    members: tuple[str, ...]
    words: str


def _kind(name: str, words: str, window_days: int = 30) -> Complication:
    return Complication(name, window_days, (name,), words)


KINDS: tuple[Complication, ...] = (
    _kind("minor_infection", "minor infection"),
    _kind("perichondritis", "perichondritis (infected cartilage)"),
    _kind("systemic_infection", "infection with fever or illness"),
    _kind("contact_allergy", "contact allergy", 90),
    _kind("embedded_stud", "embedded stud or clasp", 90),
    _kind("excess_bleeding", "excess bleeding"),
    _kind("hypertrophic_scar", "raised scar within the wound", 365),
    _kind("keloid", "keloid", 365),
    _kind("tear", "tear"),
    _kind("migration", "migration or rejection", 365),
    _kind("misplacement", "misplaced or crooked hole"),
    _kind("lost_stud", "lost stud"),
    _kind("faint", "faint"),
    _kind("other", "other complication"),
)
KIND_NAMES = tuple(kind.name for kind in KINDS)

INFECTION = Complication("infection", 30, ("minor_infection", "perichondritis", "systemic_infection"), "infection")
ANY = Complication("any", 30, tuple(name for name in KIND_NAMES if name != "faint"), "any complication but fainting")
COMPLICATIONS: tuple[Complication, ...] = (*KINDS, INFECTION, ANY)
"""Every complication and group that has a rate, in the order tables and pages show them."""

ONSET_DAYS = 90
"""Days after the piercing over which the beginnings of complications are followed."""
STUD_OUT = _kind("stud_out", "stud taken out, no complication before", ONSET_DAYS)
"""Not a complication, but what can come first and ends the time in which one could begin."""
ONSETS: tuple[Complication, ...] = (
    INFECTION,
    *(kind for kind in KINDS if kind.name not in INFECTION.members and kind.name != "faint"),
    STUD_OUT,
)
"""What is told apart by when it begins; of two that begin on one day the first named counts. Fainting is over when the
client leaves."""

WINDOWS = tuple(sorted({complication.window_days for complication in COMPLICATIONS}))


def answer_days(window_days: int) -> tuple[int, int]:
    """The first and last day after a piercing on which an asked answer vouches for a window."""
    return -(-window_days // 5), window_days + REPORTING_LAG_DAYS


AGE_BANDS: tuple[tuple[str, int, int], ...] = (
    ("0-4", 0, 4),
    ("5-10", 5, 10),
    ("11-15", 11, 15),
    ("16-17", 16, 17),
    ("18+", 18, 120),
)
"""Band, first and last age in it, both inclusive."""

REPORTING_LAG_DAYS = 14
"""Days after a window's end before its piercings count as mature: reports need time to come in."""

RATE_PERIOD_DAYS = 364
"""Days a rate looks back over: 52 whole weeks."""

BEFORE_ANY_DATA = date(1970, 1, 1)
"""Stands for the as-of date where there is no data, so that every measure comes out empty."""

REFUND_DAYS = 14
"""Days after a sale within which a refund takes it back for the attach rate."""

DIMENSIONS = (
    "all",
    "branch",
    "site",
    "site_group",
    "ear",
    "article",
    "material",
    "practitioner",
    "lot",
    "batch",
    "age_band",
    "practitioner:site_group",
)

WATCHED = ("infection", "contact_allergy", "embedded_stud", "excess_bleeding")
"""Complications whose excess is looked for in every possible cause."""

FOLLOWED = (*WATCHED, "any")
"""Complications that the watch follows night by night, in the order of their names on pages."""

ANSWERS_LEVEL = 0.0001
"""Chance, had nothing changed, of so few or so many answers by now, below which a branch is told of."""
SIGNALS_OVER = ("explained", "chance", "closed", "faded")
"""States in which a signal is no longer open."""

CAUSES = ("branch", "article", "material", "practitioner", "lot", "batch", "practitioner:site_group")
"""Dimensions whose levels may be the cause of an excess; of equal ones the first named is told."""
