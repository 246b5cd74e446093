"""A chain whose exports hold a payload in every text field, accepted where the contract lets it be, else refused.

A payload names what an id may name; where none may (too long, a colon, a control character), a plain id stands with
its mark, and the payload in the columns of free text. In refused rows each stands in every column there is.
"""

import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

from pipeline.addressees import MailSettings
from pipeline.contract.columns import ID_LENGTH, Kind
from pipeline.contract.tables import TABLES
from pipeline.settings import Settings
from support.exports import GOOD, Row, csv_text, fill, row
from support.payload_texts import MARK

SECRET = "Quillfeather"  # noqa: S105 - nobody's
"""In every client's key: no page, table, list or mail may hold it."""
LAST_DAY = date(2031, 2, 16)
NOW = datetime(2031, 2, 17, 3, 0)
DAYS = (3, 27, 70, 151)
"""How many days before the last a branch pierces: of each thing some are old enough to be told of, some to be asked."""
ILL = 20
"""Of so many piercings about one gets infected."""
N_RISING = 60
"""Piercings with a lot of which every other got infected: an incident to be mailed of."""
_NO_ID = re.compile(r"[:\x00-\x1f\x7f-\x9f]")
MAIL = {"from": "scapha@chain.example", "owner": ["owner@chain.example"], "quality_lead": ["lead@chain.example"]}


def is_id(text: str) -> bool:
    """Whether the contract lets a text be an id, as its rule `id.form` says."""
    return len(text.strip()) <= ID_LENGTH and not _NO_ID.search(text.strip())


def id_of(text: str) -> str:
    """The id that a payload is, or that stands for it."""
    found = MARK.search(text)
    assert found
    return text.strip() if is_id(text) else f"id {found[0]}"


def fill_inbox(inbox: Path, texts: Sequence[str], *, to_a_branch: int) -> None:
    """Write the exports of a chain with these payloads; so many share a branch that is named by the first of them."""
    rows: dict[str, list[Row]] = {table.name: [] for table in TABLES}
    refused: dict[str, list[Row]] = {table.name: [] for table in TABLES}
    for number, at in enumerate(range(0, len(texts), to_a_branch)):
        own = texts[at : at + to_a_branch]
        branch = id_of(own[0])
        rows["branches"].append(row("branches", branch_id=branch, name=own[0], region=own[-1], premises=own[-1]))
        for text in own:
            for table, one in _accepted(text, branch):
                rows[table].append(one)
            for table, one in _refused(text, branch):
                refused[table].append(one)
        if number == 0:
            for table, one in _rising(own[0], branch):
                rows[table].append(one)
    files = {f"{table}.csv": csv_text(found) for table, found in rows.items()}
    files |= {f"{table}_refused.csv": csv_text(found) for table, found in refused.items()}
    undeclared = {re.sub(r"[\x00-\x1f]", "", text): "x" for text in texts}
    fill(inbox, files | {"products_undeclared.csv": csv_text([row("products", product_id="plain") | undeclared])})


def settings(chain_name: str) -> Settings:
    """Settings under which a night mails into the outbox, for a chain of this name."""
    return Settings(chain_name=chain_name, mail=MailSettings.model_validate(MAIL))


def _accepted(text: str, branch: str) -> Iterator[tuple[str, Row]]:
    """A payload's rows: it names all that is pierced, used and sold."""
    one, found = id_of(text), MARK.search(text)
    assert found
    yield "practitioners", row("practitioners", practitioner_id=one, home_branch_id=branch)
    yield "practitioners", row("practitioners", practitioner_id=_short(one, "too"), home_branch_id=branch, alias_of=one)
    yield "articles", row("articles", article_id=one, clasp=text, nickel_release=text)
    yield "lots", row("lots", lot_no=one, branch_id=branch, article_id=one, quantity="90", recall_status=text)
    yield "products", row("products", product_id=one)
    yield "products", row("products", product_id=_short(one, "part"), bundle_of=one)
    yield "stock_counts", row("stock_counts", branch_id=branch, lot_no=one, on_hand=text, spoiled=text)
    for days in DAYS:
        visit, day = _short(one, days), LAST_DAY - timedelta(days=days)
        yield "procedures", _pierced(visit, branch, one, day)
        yield "follow_ups", _told(visit, day + timedelta(days=2), ill=int(found[1]) % ILL == days % ILL)
        yield "sales", row(
            "sales", sale_id=visit, visit_id=visit, branch_id=branch, product_id=one, batch_no=one, currency=text,
            client_key=f"{SECRET} {text}", sold_at=f"{day}T11:30",
        )  # fmt: skip
        yield "revisits", row(
            "revisits", revisit_id=visit, thread_id=one, visit_id=visit, branch_id=branch,
            client_key=f"{SECRET} {text}", starts_at=f"{day + timedelta(days=9)}T10:00",
        )  # fmt: skip
    yield "sales", row(
        "sales", sale_id=one, branch_id=branch, product_id=one, line_type="refund", refund_of=visit, currency=text,
        sold_at=f"{LAST_DAY}T09:00", quantity="-1", net_amount="-9.50",
    )  # fmt: skip


def _pierced(visit: str, branch: str, one: str, day: date) -> Row:
    return row(
        "procedures", procedure_id=visit, visit_id=visit, branch_id=branch, practitioner_id=one, article_id=one,
        lot_no=one, client_key=f"{SECRET} {one}", performed_at=f"{day}T11:00", age_years="30",
    )  # fmt: skip


def _told(visit: str, day: date, *, ill: bool) -> Row:
    outcome = {"outcome": "complication", "complication": "minor_infection"} if ill else {"outcome": "well"}
    return row(
        "follow_ups", follow_up_id=visit, visit_id=visit, procedure_id=visit, client_key=f"{SECRET} {visit}",
        contacted_at=f"{min(day, LAST_DAY)}T09:00", channel="phone", **outcome,
    )  # fmt: skip


def _short(one: str, end: object) -> str:
    """An id of its own that begins as a payload's does."""
    return f"{one[: ID_LENGTH - 6]} {end}"


def _rising(text: str, branch: str) -> Iterator[tuple[str, Row]]:
    """Piercings with a lot that infects."""
    one = id_of(text)
    for at in range(N_RISING):
        visit, day = _short(one, f"r{at}"), LAST_DAY - timedelta(days=5 + at % 25)
        yield "procedures", _pierced(visit, branch, one, day)
        yield "follow_ups", _told(visit, day + timedelta(days=2), ill=at % 2 == 0)


def _refused(text: str, branch: str) -> Iterator[tuple[str, Row]]:
    """A row of each table that holds a payload in every column but the branch, and so breaks a rule at least."""
    for table in TABLES:
        held = {column.name: _held(column.kind, text) for column in table.columns if column.name != "branch_id"}
        broken = {} if _breaks(table.name) else {table.key[0]: f"{text}:"}
        yield table.name, GOOD[table.name] | held | {"branch_id": branch} | broken


def _held(kind: Kind, text: str) -> str:
    return f"{SECRET} {text}" if kind is Kind.CLIENT else text


def _breaks(table: str) -> bool:
    """Whether a payload in every column of a table breaks a rule: one column at least is no text."""
    columns = next(one.columns for one in TABLES if one.name == table)
    return any(column.kind not in (Kind.ID, Kind.CODE, Kind.TEXT, Kind.CLIENT) for column in columns)
