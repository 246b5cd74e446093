"""What can be planted in a chain: harm with a cause, changes of policy, and coincidences without any cause."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.contract.vocabulary import INFECTION

INFECTIONS = INFECTION.members


@dataclass(frozen=True)
class Effect:
    """A factor on the true risk of some complications of the piercings that `where` picks.

    `where` is an expression over the frame of piercings (see `visits.draw_piercings`), with their lot and batches.
    """

    name: str
    complications: tuple[str, ...]
    factor: float
    where: pl.Expr


@dataclass(frozen=True)
class PlantedLot:
    """A lot of so many packs, delivered to some shops and used up between two days."""

    lot_no: str
    article_id: str
    packs: Mapping[str, int]
    first_on: date
    last_on: date


@dataclass(frozen=True)
class PlantedBatch:
    """A batch of an aftercare product that some shops had on the shelf between two days."""

    batch_no: str
    product_id: str
    branch_ids: tuple[str, ...]
    first_on: date
    last_on: date


@dataclass(frozen=True)
class ReachChange:
    """A shop reaches another share of its visits made between two days."""

    branch_id: str
    first_on: date
    last_on: date
    reach: float


@dataclass(frozen=True)
class OfferChange:
    """From a day on some shops (none named: all) sell aftercare to another share of their visits, or bundle it."""

    from_on: date
    attach: float
    bundled: float = 0.0
    branch_ids: tuple[str, ...] = ()


@dataclass(frozen=True)
class PriceChange:
    """A product's price from a day on."""

    product_id: str
    from_on: date
    price: float


@dataclass(frozen=True)
class Mislabelling:
    """A share of the allergies to an article that are reported as a minor infection."""

    article_id: str
    share: float


@dataclass(frozen=True)
class Coincidence:
    """Exactly so many infections come to light of a shop's piercings between two days, whatever chance had drawn."""

    branch_id: str
    first_on: date
    last_on: date
    infections: int


@dataclass(frozen=True)
class Stories:
    """All that is planted in a chain; nothing, unless told."""

    effects: tuple[Effect, ...] = ()
    lots: tuple[PlantedLot, ...] = ()
    batches: tuple[PlantedBatch, ...] = ()
    reach_changes: tuple[ReachChange, ...] = ()
    offers: tuple[OfferChange, ...] = ()
    prices: tuple[PriceChange, ...] = ()
    mislabelled: tuple[Mislabelling, ...] = ()
    coincidences: tuple[Coincidence, ...] = ()
