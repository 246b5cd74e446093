"""An edition as a reader may see it: its pages are then made of what is left, so that none can tell more."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from pipeline.results import QUARTERS, RESULTS
from reports.edition import Edition
from reports.readers.declared import BRANCH, QUALITY_LEAD, SEEN, Reader, Seen
from reports.readers.filters import Whole

_DECLARED = {result.name: result for result in (*RESULTS, *QUARTERS)}


@dataclass(frozen=True)
class PublishedTable:
    """A table as it is published: what it holds, what tells its rows apart, and its rows."""

    sentence: str
    grain: tuple[str, ...]
    frame: pl.DataFrame


def edition_for(edition: Edition, reader: Reader) -> Edition:
    """What a reader may see of an edition; results they see nothing of are gone."""
    if reader == QUALITY_LEAD:
        return edition
    whole = Whole(edition.results, reader.branch_id)
    results = {
        name: _left(frame, seen, whole)
        for name, frame in edition.results.items()
        if (seen := _what_is_seen(name, reader)) is not None
    }
    return replace(edition, results=results)


def published_tables(edition: Edition, reader: Reader) -> dict[str, PublishedTable]:
    """The tables of a reader's edition by name, from what `edition_for` left: without emptied columns, or in counts."""
    held = (name for name in _DECLARED if name in edition.results)
    return {name: _published(name, edition.results[name], _what_is_seen(name, reader)) for name in held}


def _what_is_seen(name: str, reader: Reader) -> Seen | None:
    """What a reader sees of a result; None where it is not declared. All branches see alike, each its own."""
    seen: Mapping[Reader, Seen] = SEEN.get(name, {})
    return seen.get(BRANCH if reader.branch_id else reader)


def _left(frame: pl.DataFrame, seen: Seen, whole: Whole) -> pl.DataFrame:
    empty = (pl.lit(None, dtype=frame.schema[name]).alias(name) for name in seen.emptied)
    left = seen.rows(frame, whole)
    return left.select(*(name for name in seen.columns if name in left.columns), *empty)


def _published(name: str, frame: pl.DataFrame, seen: Seen | None) -> PublishedTable:
    result = _DECLARED[name]
    if seen is None:  # of the quality lead
        return PublishedTable(result.sentence, result.grain, frame)
    if seen.counted_by:
        counted = frame.group_by(seen.counted_by).len("rows").sort(seen.counted_by)
        return PublishedTable(f"How many: {result.sentence[0].lower()}{result.sentence[1:]}", seen.counted_by, counted)
    kept = [column for column in frame.columns if column not in seen.emptied]
    return PublishedTable(result.sentence, tuple(name for name in result.grain if name in kept), frame.select(kept))
