"""The contract's tables and words, restated by hand: nothing here is taken from the pipeline."""

from dataclasses import dataclass
from typing import Any

Row = dict[str, Any]

SITE_GROUP = {
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

WINDOW = {
    "minor_infection": 30,
    "perichondritis": 30,
    "systemic_infection": 30,
    "contact_allergy": 90,
    "embedded_stud": 90,
    "excess_bleeding": 30,
    "hypertrophic_scar": 365,
    "keloid": 365,
    "tear": 30,
    "migration": 365,
    "misplacement": 30,
    "lost_stud": 30,
    "faint": 30,
    "other": 30,
}
INFECTIONS = ("minor_infection", "perichondritis", "systemic_infection")
MEMBERS: dict[str, tuple[str, ...]] = {kind: (kind,) for kind in WINDOW}
MEMBERS["infection"] = INFECTIONS
MEMBERS["any"] = tuple(kind for kind in WINDOW if kind != "faint")
WINDOW_OF = {**WINDOW, "infection": 30, "any": 30}
"""Days after the piercing in which an onset counts, for each of the 14 kinds and the two groups."""

SITE = tuple(SITE_GROUP)
EAR = ("left", "right")
COMPLICATION = tuple(WINDOW)
CONSENT = ("adult_self", "guardian_present", "guardian_remote", "missing")
AGE_CHECK = ("photo_id", "guardian_word", "self_declared", "none")
AFTERCARE_GIVEN = ("leaflet", "verbal", "both", "none")
IMMEDIATE_EVENT = ("none", "faint", "excess_bleeding", "tear", "misplacement", "other")
PROCEDURE_STATUS = ("completed", "abandoned", "void")
OUTCOME = ("well", "complication", "no_answer", "declined")
CHANNEL = ("revisit", "phone", "message", "walk_in", "clinician_letter", "review")
INITIATED_BY = ("branch", "client")
CERTAINTY = ("possible", "probable", "confirmed")
REVISIT_STATUS = ("booked", "attended", "no_show", "cancelled_early", "cancelled_late", "moved", "unknown")
PURPOSE = ("check", "first_change", "problem")
LINE_TYPE = ("sale", "refund", "void", "gift", "bundle_part")
CATEGORY = ("aftercare", "jewellery", "service", "other")
MATERIAL = ("implant_titanium", "implant_steel", "niobium", "gold", "medical_plastic", "plated_steel", "other")
POLICY = ("active", "message", "passive")

MISSING = "(missing)"


@dataclass(frozen=True)
class Table:
    """One export: the columns of its key, the required columns, and each column's kind.

    A kind is a name that `cells.read_cell` knows, or the tuple of words the column allows.
    """

    key: tuple[str, ...]
    required: tuple[str, ...]
    columns: dict[str, str | tuple[str, ...]]


TABLES = {
    "branches": Table(
        key=("branch_id",),
        required=("branch_id",),
        columns={
            "branch_id": "id",
            "name": "text",
            "region": "text",
            "premises": "text",
            "timezone": "zone",
            "opened_on": "date",
            "follow_up_policy": POLICY,
        },
    ),
    "procedures": Table(
        key=("procedure_id",),
        required=("procedure_id", "visit_id", "branch_id", "performed_at", "site"),
        columns={
            "procedure_id": "id",
            "visit_id": "id",
            "client_key": "client",
            "branch_id": "id",
            "practitioner_id": "id",
            "performed_at": "time",
            "ear": EAR,
            "site": SITE,
            "article_id": "id",
            "lot_no": "lot",
            "pack_expiry": "date",
            "post_length_mm": "decimal",
            "age_years": "whole",
            "age_check": AGE_CHECK,
            "consent": CONSENT,
            "aftercare_given": AFTERCARE_GIVEN,
            "immediate_event": IMMEDIATE_EVENT,
            "status": PROCEDURE_STATUS,
            "recorded_at": "time",
        },
    ),
    "revisits": Table(
        key=("revisit_id",),
        required=("revisit_id", "visit_id", "branch_id", "starts_at", "status"),
        columns={
            "revisit_id": "id",
            "thread_id": "id",
            "visit_id": "id",
            "client_key": "client",
            "branch_id": "id",
            "purpose": PURPOSE,
            "booked_at": "time",
            "starts_at": "time",
            "status": REVISIT_STATUS,
            "status_at": "time",
            "reminder_sent": "flag",
            "recorded_at": "time",
        },
    ),
    "sales": Table(
        key=("sale_id", "line_no"),
        required=("sale_id", "line_no", "sold_at", "branch_id", "product_id", "quantity", "net_amount"),
        columns={
            "sale_id": "id",
            "line_no": "whole",
            "sold_at": "time",
            "branch_id": "id",
            "client_key": "client",
            "visit_id": "id",
            "product_id": "id",
            "batch_no": "lot",
            "quantity": "whole",
            "net_amount": "decimal",
            "currency": "text",
            "line_type": LINE_TYPE,
            "refund_of": "id",
            "recorded_at": "time",
        },
    ),
    "follow_ups": Table(
        key=("follow_up_id",),
        required=("follow_up_id", "contacted_at", "outcome"),
        columns={
            "follow_up_id": "id",
            "visit_id": "id",
            "procedure_id": "id",
            "client_key": "client",
            "contacted_at": "time",
            "channel": CHANNEL,
            "initiated_by": INITIATED_BY,
            "outcome": OUTCOME,
            "complication": COMPLICATION,
            "onset_on": "date",
            "severity": "whole",
            "certainty": CERTAINTY,
            "ear": EAR,
            "site": SITE,
            "clinician_seen": "flag",
            "stud_removed": "flag",
            "referred_same_day": "flag",
            "resolved_on": "date",
            "recorded_at": "time",
        },
    ),
    "practitioners": Table(
        key=("practitioner_id",),
        required=("practitioner_id",),
        columns={
            "practitioner_id": "id",
            "home_branch_id": "id",
            "trained_sites": "sites",
            "started_on": "date",
            "ended_on": "date",
            "alias_of": "id",
        },
    ),
    "articles": Table(
        key=("article_id",),
        required=("article_id",),
        columns={
            "article_id": "id",
            "material": MATERIAL,
            "post_length_mm": "decimal",
            "clasp": "text",
            "nickel_release": "text",
        },
    ),
    "lots": Table(
        key=("lot_no", "branch_id", "received_on"),
        required=("lot_no",),
        columns={
            "lot_no": "lot",
            "branch_id": "id",
            "article_id": "id",
            "quantity": "whole",
            "received_on": "date",
            "expires_on": "date",
            "recall_status": "text",
        },
    ),
    "stock_counts": Table(
        key=("branch_id", "lot_no", "counted_at"),
        required=("branch_id", "lot_no", "counted_at", "on_hand"),
        columns={
            "branch_id": "id",
            "lot_no": "lot",
            "counted_at": "time",
            "on_hand": "text",
            "spoiled": "text",
        },
    ),
    "products": Table(
        key=("product_id",),
        required=("product_id",),
        columns={"product_id": "id", "category": CATEGORY, "list_price": "decimal", "bundle_of": "id"},
    ),
}
"""In the order in which the oracle takes them in: a zone must be known before the rows that are local to it."""

NOT_AFTER_NOW = {
    "procedures": ("performed_at", "recorded_at"),
    "follow_ups": ("contacted_at", "onset_on", "recorded_at"),
    "revisits": ("booked_at", "recorded_at"),
    "sales": ("sold_at", "recorded_at"),
}
RANGES = {"age_years": (0, 120), "severity": (0, 4)}
EVENT_TIMES = {
    "procedures": ("performed_at",),
    "follow_ups": ("contacted_at",),
    "sales": ("sold_at",),
    "revisits": ("status_at", "booked_at", "starts_at"),
}
"""Where a row has no recorded_at it counts as recorded at the first of these that it has."""
