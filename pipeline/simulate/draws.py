"""Seeded streams of chance, and the few ways of drawing that every subject shares."""

import zlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]

MINUTES_PER_DAY = 1440
_EPOCH = date(1970, 1, 1)


def stream(seed: int, subject: str) -> np.random.Generator:
    """The chance of one subject: a stream of its own, so that drawing more in one leaves the others as they are."""
    return np.random.default_rng([seed, zlib.crc32(subject.encode())])


def day_number(day: date) -> int:
    """Days since 1970-01-01."""
    return (day - _EPOCH).days


def choose(rng: np.random.Generator, count: int, shares: Mapping[str, float]) -> pl.Series:
    """Draw `count` names, each as often as its share of all shares says."""
    edges = np.cumsum(list(shares.values()))
    return labels(np.searchsorted(edges / edges[-1], rng.random(count), side="right"), list(shares))


def labels(codes: NDArray[np.integer], names: Sequence[str]) -> pl.Series:
    """The names at the positions `codes`."""
    return pl.Series(codes.astype(np.uint32)).cat.to(pl.Enum(names))


def whole_between(rng: np.random.Generator, low: int, high: int, count: int) -> Whole:
    """Draw `count` whole numbers from `low` to `high`, both inclusive, each as likely."""
    return rng.integers(low, high, count, endpoint=True)


def is_any(column: str, names: Iterable[str]) -> pl.Expr:
    """Whether a column, of text or of a fixed list of names, holds one of the names."""
    return pl.col(column).cast(pl.String).is_in(list(names))


def blank(column: str, mask: Mask) -> pl.Expr:
    """The column with nothing where the mask is true."""
    return pl.when(~pl.Series(mask)).then(pl.col(column)).alias(column)


def as_time(minutes: str | pl.Expr) -> pl.Expr:
    """A wall time from minutes since 1970-01-01T00:00."""
    column = pl.col(minutes) if isinstance(minutes, str) else minutes
    return pl.from_epoch(column * 60, "s")


def as_day(days: str | pl.Expr) -> pl.Expr:
    """A date from days since 1970-01-01."""
    column = pl.col(days) if isinstance(days, str) else days
    return column.cast(pl.Int32).cast(pl.Date)
