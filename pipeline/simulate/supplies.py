"""What the shops have on their shelves: lots of sterile packs, counts of them, and batches of aftercare."""

import numpy as np
import polars as pl

from pipeline.simulate.chain import Chain
from pipeline.simulate.draws import MINUTES_PER_DAY, Whole, as_day, as_time, is_any, stream, whole_between
from pipeline.simulate.stories import PlantedBatch, PlantedLot
from pipeline.simulate.visits import month_of

_LOT_LASTS_WEEKS = 8
_PACKS_PER_LOT = (60, 400)
_SHELF_LIFE_DAYS = 3 * 365
_SPOILED_SHARE = 0.015
_COUNTED_AT = 18 * 60 + 30  # minutes of the last day of the month
_MISCOUNTED_SHARE = 0.02


def chain_month(chain: Chain, days: Whole) -> Whole:
    """Number of the month of the chain's data, 1 for the month in which its first week ends."""
    first = month_of(np.array([np.datetime64(chain.first_day).astype(np.int64) + 6]))[0]
    months: Whole = month_of(days) - first + 1
    return np.maximum(months, 1)


def supply_groups(chain: Chain) -> pl.DataFrame:
    """Each shop's supply group: branch_id, supply_group."""
    return pl.DataFrame(
        {
            "branch_id": pl.Series(chain.branch_ids, dtype=pl.Enum(chain.branch_ids)),
            "supply_group": [branch.supply_group for branch in chain.branches],
        }
    )


def _take_planted(piercings: pl.DataFrame, lots: tuple[PlantedLot, ...], rng: np.random.Generator) -> pl.Series:
    """The planted lot of each piercing that takes a pack from one, empty for all others."""
    names = np.full(len(piercings), "", dtype=object)
    for lot in lots:
        for branch_id, packs in lot.packs.items():
            rows = piercings.filter(
                is_any("branch_id", [branch_id]),
                is_any("article_id", [lot.article_id]),
                pl.col("performed_on").is_between(lot.first_on, lot.last_on),
            )["piercing"].to_numpy()
            spoiled = round(packs * _SPOILED_SHARE)
            names[rng.permutation(rows)[: packs - spoiled]] = lot.lot_no
    return pl.Series(names, dtype=pl.String).replace("", None)


def _cut_lots(piercings: pl.DataFrame, weeks: int) -> pl.DataFrame:
    """Cut each supply group's use of an article, in order of time, into lots: piercing, article, group, ordinal."""
    stream_of = ["article_id", "supply_group"]
    lowest, highest = _PACKS_PER_LOT
    packs = (pl.len() * _LOT_LASTS_WEEKS // weeks).clip(lowest, highest).over(stream_of)
    return (
        piercings.sort("performed_at", "piercing")
        .with_columns(ordinal=pl.int_range(pl.len()).over(stream_of) // packs)
        .select("piercing", *stream_of, "ordinal", "day")
    )


def _name_lots(cut: pl.DataFrame, chain: Chain, taken: set[str], rng: np.random.Generator) -> pl.DataFrame:
    """Name each lot by article, month of receipt and serial, passing over names that planted lots have taken."""
    lots = (
        cut.group_by("article_id", "supply_group", "ordinal")
        .agg(first_use=pl.col("day").min())
        .sort("article_id", "first_use", "supply_group", "ordinal")
    )
    received = lots["first_use"].to_numpy() - whole_between(rng, 4, 10, len(lots))
    lots = lots.with_columns(received=pl.Series(received), month=pl.Series(chain_month(chain, received)))
    lots = lots.sort("article_id", "month", "received", "supply_group", "ordinal").with_columns(
        serial=pl.int_range(1, pl.len() + 1).over("article_id", "month"),
    )
    name = pl.format(
        "{}-M{}-{}",
        "article_id",
        pl.col("month").cast(pl.String).str.zfill(2),
        pl.col("serial").cast(pl.String).str.zfill(2),
    )
    lots = lots.with_columns(lot_no=name)
    clash = pl.col("lot_no").is_in(list(taken))
    return lots.with_columns(lot_no=pl.when(clash).then(pl.col("lot_no") + "A").otherwise("lot_no"))


def assign_lots(
    piercings: pl.DataFrame, chain: Chain, planted: tuple[PlantedLot, ...], seed: int
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give every piercing the lot its pack came from, and list the lots as delivered to each shop.

    Returns the piercings with supply_group, lot_no and pack_expiry, and the deliveries: lot_no, branch_id, article_id,
    quantity, spoiled, received (day since 1970), expires_on.
    """
    rng = stream(seed, "supplies")
    piercings = piercings.join(supply_groups(chain), on="branch_id", how="left", maintain_order="left").with_columns(
        planted_lot=_take_planted(piercings, planted, rng)
    )
    cut = _cut_lots(piercings.filter(pl.col("planted_lot").is_null()), chain.weeks)
    lots = _name_lots(cut, chain, {lot.lot_no for lot in planted}, rng)
    ordinary = cut.join(lots, on=["article_id", "supply_group", "ordinal"]).select("piercing", "lot_no", "received")
    piercings = (
        piercings.join(ordinary, on="piercing", how="left", maintain_order="left")
        .with_columns(
            lot_no=pl.coalesce("planted_lot", "lot_no"),
            received=pl.coalesce("received", pl.col("day").min().over("planted_lot") - 4),
        )
        .with_columns(pack_expiry=as_day(pl.col("received") + _SHELF_LIFE_DAYS))
        .drop("planted_lot")
    )
    return piercings.drop("received"), _deliveries(piercings, planted, rng)


def _deliveries(piercings: pl.DataFrame, planted: tuple[PlantedLot, ...], rng: np.random.Generator) -> pl.DataFrame:
    """Packs of each lot that each shop received: those used, those spoiled and a few left over."""
    used = (
        piercings.group_by("lot_no", "branch_id")
        .agg(
            pl.col("article_id").first(),
            pl.col("received").min(),
            expires_on=pl.col("pack_expiry").min(),
            used=pl.len(),
            last_use=pl.col("day").max(),
        )
        .sort("branch_id", "lot_no")
    )
    spoiled = rng.binomial(used["used"].to_numpy(), _SPOILED_SHARE)
    left = rng.poisson(1.5, len(used))
    known = pl.DataFrame(
        [(lot.lot_no, branch_id, packs) for lot in planted for branch_id, packs in lot.packs.items()],
        schema={"lot_no": pl.String, "branch_id": used.schema["branch_id"], "packs": pl.Int64},
        orient="row",
    )
    return used.join(known, on=["lot_no", "branch_id"], how="left", maintain_order="left").with_columns(
        spoiled=pl.when(pl.col("packs").is_null()).then(pl.Series(spoiled)).otherwise(pl.col("packs") - pl.col("used")),
        quantity=pl.coalesce("packs", pl.col("used") + pl.Series(spoiled) + pl.Series(left)),
    )


def _month_ends(chain: Chain) -> pl.DataFrame:
    """Last days of the months of the chain's data: month (since 1970), count_day (since 1970)."""
    first, last = np.datetime64(chain.first_day), np.datetime64(chain.last_day)
    months = np.arange(first.astype("datetime64[M]"), last.astype("datetime64[M]") + 1)
    ends = (months + 1).astype("datetime64[D]").astype(np.int64) - 1
    frame = pl.DataFrame({"month": months.astype(np.int64), "count_day": ends})
    return frame.filter(pl.col("count_day") <= int(last.astype(np.int64)))


def count_stock(piercings: pl.DataFrame, deliveries: pl.DataFrame, chain: Chain, seed: int) -> pl.DataFrame:
    """Count each delivered lot at the ends of the months from its receipt to one month after its last use.

    Columns: branch_id, lot_no, counted_at, on_hand, spoiled, day. All spoiled packs show in a lot's first count.
    """
    use = piercings.select("lot_no", "branch_id", month=pl.Series(month_of(piercings["day"].to_numpy())))
    use = use.group_by("lot_no", "branch_id", "month").agg(used_then=pl.len())
    lot_at_shop = ["branch_id", "lot_no"]
    counts = (
        deliveries.select(*lot_at_shop, "quantity", "spoiled", "received", "last_use")
        .join(_month_ends(chain), how="cross")
        .filter(pl.col("count_day").is_between(pl.col("received"), pl.col("last_use") + 31))
        .join(use, on=[*lot_at_shop, "month"], how="left")
        .sort("count_day", *lot_at_shop)
        .with_columns(
            used=pl.col("used_then").fill_null(0).cum_sum().over(lot_at_shop),
            first=pl.int_range(pl.len()).over(lot_at_shop) == 0,
        )
    )
    rng = stream(seed, "counts")
    lost = pl.Series((rng.random(len(counts)) < _MISCOUNTED_SHARE).astype(np.int64))
    return counts.select(
        *lot_at_shop,
        counted_at=as_time(pl.col("count_day") * MINUTES_PER_DAY + _COUNTED_AT),
        on_hand=(pl.col("quantity") - pl.col("spoiled") - pl.col("used") - lost).clip(0),
        spoiled=pl.when("first").then("spoiled").otherwise(0),
        day=pl.col("count_day"),
    )


def batch_of(product: str, planted: tuple[PlantedBatch, ...]) -> pl.Expr:
    """Batch of the aftercare product in column `product`, sold on the row's day at its shop; empty where none is.

    A delivery to a supply group is sold for a month and named by product, month and group. Parts of a bundle come from
    the batch of the product itself. Needs the columns month, supply_group, branch_id and performed_on.
    """
    sold = pl.col(product).cast(pl.String).str.strip_suffix("-PART")
    batch = pl.format(
        "{}-M{}-{}",
        sold,
        pl.col("month").cast(pl.String).str.zfill(2),
        (pl.col("supply_group") + 1).cast(pl.String).str.zfill(2),
    )
    for special in planted:
        on_shelf = (
            (sold == special.product_id)
            & is_any("branch_id", special.branch_ids)
            & pl.col("performed_on").is_between(special.first_on, special.last_on)
        )
        batch = pl.when(on_shelf).then(pl.lit(special.batch_no)).otherwise(batch)
    return batch
