"""The ten tables of the exports, declared once: columns, kinds, allowed words, keys and what they mean."""

from pipeline.contract import vocabulary as v
from pipeline.contract.columns import Column, Kind, Table

RECORDED_AT = Column(
    "recorded_at",
    Kind.TIME,
    "when the source wrote the row, or corrected it; of several versions the latest counts",
    past=True,
)


def _id(name: str, meaning: str, *, required: bool = False) -> Column:
    return Column(name, Kind.ID, meaning, required)


def _word(name: str, meaning: str, words: tuple[str, ...], *, required: bool = False) -> Column:
    return Column(name, Kind.WORD, meaning, required, words)


def _client() -> Column:
    return Column("client_key", Kind.CLIENT, "the client's key; kept only as a keyed hash")


PROCEDURES = Table(
    "procedures",
    "one row for each hole pierced",
    ("procedure_id",),
    (
        _id("procedure_id", "names the piercing", required=True),
        _id("visit_id", "names the client's stay, with one or more piercings", required=True),
        _client(),
        _id("branch_id", "the shop", required=True),
        _id("practitioner_id", "who pierced, by code"),
        Column("performed_at", Kind.TIME, "when the hole was pierced", required=True, past=True),
        _word("ear", "which ear", v.EARS),
        _word("site", "the place on the ear", v.SITES, required=True),
        _id("article_id", "the stud model"),
        Column("lot_no", Kind.CODE, "the sterile pack's lot"),
        Column("pack_expiry", Kind.DATE, "the date on the pack after which it may not be used"),
        Column("post_length_mm", Kind.DECIMAL, "length of the stud's post, in millimetres"),
        Column("age_years", Kind.WHOLE, "the client's age in whole years", low=0, high=120),
        _word("age_check", "how the age was checked", v.AGE_CHECKS),
        _word("consent", "whose consent was recorded", v.CONSENTS),
        _word("aftercare_given", "what advice the client left with", v.AFTERCARE_GIVEN),
        _word("immediate_event", "what happened during the piercing itself", v.IMMEDIATE_EVENTS),
        _word("status", "whether the piercing was completed; empty means completed", v.PROCEDURE_STATUSES),
        RECORDED_AT,
    ),
    event_times=("performed_at",),
)

FOLLOW_UPS = Table(
    "follow_ups",
    "one row for each attempt to learn how a piercing is doing, and each complication heard of",
    ("follow_up_id",),
    (
        _id("follow_up_id", "names the contact", required=True),
        _id("visit_id", "the visit it is about"),
        _id("procedure_id", "the piercing it is about"),
        _client(),
        Column("contacted_at", Kind.TIME, "when the contact was, or was tried", required=True, past=True),
        _word("channel", "how the contact was made", v.CHANNELS),
        _word("initiated_by", "whether the branch asked or the client told unasked", v.INITIATORS),
        _word("outcome", "what came of it", v.OUTCOMES, required=True),
        _word("complication", "the complication named", v.KIND_NAMES),
        Column("onset_on", Kind.DATE, "the day the complication began", past=True),
        Column("severity", Kind.WHOLE, "0 expected healing to 4 lasting deformity", low=0, high=4),
        _word("certainty", "who says so: client (possible), clinician (probable), culture (confirmed)", v.CERTAINTIES),
        _word("ear", "the ear the report names", v.EARS),
        _word("site", "the place on the ear the report names", v.SITES),
        Column("clinician_seen", Kind.FLAG, "whether a clinician saw the client"),
        Column("stud_removed", Kind.FLAG, "whether the stud was taken out"),
        Column("referred_same_day", Kind.FLAG, "whether the client was sent to medical care the same day"),
        Column("resolved_on", Kind.DATE, "the day the complication was over"),
        RECORDED_AT,
    ),
    event_times=("contacted_at",),
    one_of=("visit_id", "procedure_id", "client_key"),
)

REVISITS = Table(
    "revisits",
    "one row for each booked check after a visit",
    ("revisit_id",),
    (
        _id("revisit_id", "names the booking", required=True),
        _id("thread_id", "joins a booking with those it was moved to"),
        _id("visit_id", "the visit it follows", required=True),
        _client(),
        _id("branch_id", "the shop it is booked at", required=True),
        _word("purpose", "what the revisit is for", v.REVISIT_PURPOSES),
        Column("booked_at", Kind.TIME, "when it was booked", past=True),
        Column("starts_at", Kind.TIME, "when it starts", required=True),
        _word("status", "what became of it", v.REVISIT_STATUSES, required=True),
        Column("status_at", Kind.TIME, "when the status was set"),
        Column("reminder_sent", Kind.FLAG, "whether a reminder was sent"),
        RECORDED_AT,
    ),
    event_times=("status_at", "booked_at", "starts_at"),
)

SALES = Table(
    "sales",
    "one row for each line of a till receipt",
    ("sale_id", "line_no"),
    (
        _id("sale_id", "names the receipt", required=True),
        Column("line_no", Kind.WHOLE, "the line on the receipt", required=True),
        Column("sold_at", Kind.TIME, "when it was sold", required=True, past=True),
        _id("branch_id", "the shop", required=True),
        _client(),
        _id("visit_id", "the visit the sale belongs to"),
        _id("product_id", "the product", required=True),
        Column("batch_no", Kind.CODE, "the product's batch"),
        Column("quantity", Kind.WHOLE, "how many", required=True),
        Column("net_amount", Kind.DECIMAL, "money for the line, net of tax and discount", required=True),
        Column("currency", Kind.TEXT, "currency of the amount, ISO 4217"),
        _word("line_type", "what kind of line; empty means sale", v.LINE_TYPES),
        _id("refund_of", "the receipt a refund takes back"),
        RECORDED_AT,
    ),
    event_times=("sold_at",),
)

BRANCHES = Table(
    "branches",
    "one row for each shop",
    ("branch_id",),
    (
        _id("branch_id", "names the shop", required=True),
        Column("name", Kind.TEXT, "what people call it"),
        Column("region", Kind.TEXT, "where it lies"),
        Column("premises", Kind.TEXT, "what kind of shop it is"),
        Column("timezone", Kind.ZONE, "its time zone, by its name in the IANA list"),
        Column("opened_on", Kind.DATE, "the day it opened"),
        _word("follow_up_policy", "how it asks after its clients", v.FOLLOW_UP_POLICIES),
    ),
)

PRACTITIONERS = Table(
    "practitioners",
    "one row for each person who pierces, by code",
    ("practitioner_id",),
    (
        _id("practitioner_id", "the person's code", required=True),
        _id("home_branch_id", "the shop the person belongs to"),
        Column("trained_sites", Kind.SITES, "sites the person is trained for, separated by semicolons", words=v.SITES),
        Column("started_on", Kind.DATE, "first day"),
        Column("ended_on", Kind.DATE, "last day"),
        _id("alias_of", "the code this one is another spelling of"),
    ),
)

ARTICLES = Table(
    "articles",
    "one row for each stud model",
    ("article_id",),
    (
        _id("article_id", "names the model", required=True),
        _word("material", "what touches the skin", v.MATERIALS),
        Column("post_length_mm", Kind.DECIMAL, "length of the post, in millimetres"),
        Column("clasp", Kind.TEXT, "how it closes"),
        Column("nickel_release", Kind.TEXT, "what the supplier states of nickel release"),
    ),
)

LOTS = Table(
    "lots",
    "one row for each delivery of a lot of sterile packs",
    ("lot_no", "branch_id", "received_on"),
    (
        Column("lot_no", Kind.CODE, "the lot on the pack", required=True),
        _id("branch_id", "the shop that received it; empty for the whole chain"),
        _id("article_id", "the stud model in it"),
        Column("quantity", Kind.WHOLE, "packs received"),
        Column("received_on", Kind.DATE, "the day it came"),
        Column("expires_on", Kind.DATE, "the day after which it may not be used"),
        Column("recall_status", Kind.TEXT, "whether the supplier called it back"),
    ),
)

STOCK_COUNTS = Table(
    "stock_counts",
    "one row for each count of a lot on a shop's shelf",
    ("branch_id", "lot_no", "counted_at"),
    (
        _id("branch_id", "the shop", required=True),
        Column("lot_no", Kind.CODE, "the lot counted", required=True),
        Column("counted_at", Kind.TIME, "when it was counted", required=True),
        Column("on_hand", Kind.TEXT, "unopened packs on the shelf", required=True),
        Column("spoiled", Kind.TEXT, "packs thrown away since the last count"),
    ),
)

PRODUCTS = Table(
    "products",
    "one row for each thing sold",
    ("product_id",),
    (
        _id("product_id", "names the product", required=True),
        _word("category", "what kind of product", v.PRODUCT_CATEGORIES),
        Column("list_price", Kind.DECIMAL, "its price on the list"),
        _id("bundle_of", "the product it is a part of"),
    ),
)

TABLES: tuple[Table, ...] = (
    BRANCHES,
    PRACTITIONERS,
    ARTICLES,
    LOTS,
    PRODUCTS,
    PROCEDURES,
    FOLLOW_UPS,
    REVISITS,
    SALES,
    STOCK_COUNTS,
)
"""In the order they are taken in: branches first, since their zones date the wall times of all others."""

TABLE_BY_NAME = {table.name: table for table in TABLES}
