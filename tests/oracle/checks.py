"""One record of an export: its values, or every rule it breaks."""

import hashlib
import hmac
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from .cells import BrokenRuleError, read_cell, shape
from .clock import BranchZones, instant, zone_named
from .visits import VisitBook
from .words import NOT_AFTER_NOW, RANGES, TABLES, Row


@dataclass(frozen=True)
class Breach:
    """A rule that a record breaks: in which column, and the shape of the value that breaks it."""

    column: str
    rule: str
    value: str


@dataclass(frozen=True)
class Judge:
    """What the rules need beside the record: the run's clock, the branches' zones and the key for client keys."""

    now: datetime
    zones: BranchZones
    key: bytes
    book: VisitBook | None = None  # of the visits follow-ups may be about

    def check(self, table: str, header: list[str], fields: list[str]) -> tuple[Row, list[Breach]]:
        """Give the record's values, which are complete only where it breaks no rule, and the rules it breaks."""
        if len(fields) != len(header):
            return {}, [Breach("", "row.fields", "")]
        texts = {name: field.strip() for name, field in zip(header, fields, strict=True)}
        row: Row = {}
        breaches = []
        for column, kind in TABLES[table].columns.items():
            text = texts.get(column, "")
            row[column] = None
            try:
                if text:
                    row[column] = read_cell(kind, text)
                elif column in TABLES[table].required:
                    raise BrokenRuleError("value.missing")
            except BrokenRuleError as broken:
                breaches.append(Breach(column, str(broken), shape(text)))
        if table == "follow_ups" and not any(texts.get(name) for name in ("visit_id", "procedure_id", "client_key")):
            breaches.append(Breach("visit_id", "link.missing", ""))
        if row.get("client_key") is not None:
            row["client_key"] = hmac.new(self.key, row["client_key"].encode(), hashlib.sha256).hexdigest()
        for column in (*self.out_of_range(row), *self.in_the_future(table, row)):
            rule = "number.range" if column in RANGES else "time.future"
            breaches.append(Breach(column, rule, shape(texts[column])))
        return row, breaches

    def out_of_range(self, row: Row) -> Iterator[str]:
        for column, (lowest, highest) in RANGES.items():
            if row.get(column) is not None and not lowest <= row[column] <= highest:
                yield column

    def in_the_future(self, table: str, row: Row) -> Iterator[str]:
        """Give the columns whose time lies after the run's clock.

        A wall time is local to the row's branch; a follow-up has none and takes that of its visit. Of one whose visit
        is not known, only what is still to come wherever the chain pierces counts as future.
        """
        if table not in NOT_AFTER_NOW:
            return
        if table == "follow_ups":
            linked = self.book.linked_zone(row) if self.book is not None else None
            zone = linked or self.zones.furthest_ahead(self.now)
        else:
            zone = self.zones(row["branch_id"])
        for column in NOT_AFTER_NOW[table]:
            value = row[column]
            if value is None:
                continue
            if isinstance(value, datetime):
                late = instant(value, zone) > self.now
            else:
                late = value > self.now.astimezone(zone_named(zone)).date()
            if late:
                yield column
