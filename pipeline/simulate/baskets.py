"""What each visit leaves with: aftercare bought, bundled or given, each of a batch, and jewellery."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.simulate.chain import Chain
from pipeline.simulate.draws import choose, is_any, stream
from pipeline.simulate.stories import Stories
from pipeline.simulate.supplies import batch_of, chain_month, supply_groups

# Assumptions; no benchmark of aftercare attach was found.
_ATTACH = 0.475
_GIFTS_AT_PHARMACY, _GIFTS_ELSEWHERE = 0.10, 0.04
_GIFTS = {"SPRAY": 0.5, "WIPES": 0.5}
_BUNDLE_PARTS = {"LOTION-PART": 0.6, "SPRAY-PART": 0.4}
_JEWELLERY = 0.14


def _rates(visits: pl.DataFrame, chain: Chain, stories: Stories) -> pl.DataFrame:
    """Chance of each visit to buy aftercare, to have it in a bundle, and to be given some: attach, bundled, gifts."""
    attach, bundled = pl.lit(_ATTACH), pl.lit(0.0)
    for offer in stories.offers:
        offered = pl.col("performed_on") >= offer.from_on
        if offer.branch_ids:
            offered &= is_any("branch_id", offer.branch_ids)
        attach = pl.when(offered).then(offer.attach).otherwise(attach)
        bundled = pl.when(offered).then(offer.bundled).otherwise(bundled)
    pharmacies = [branch.branch_id for branch in chain.branches if branch.premises == "pharmacy"]
    gifts = pl.when(is_any("branch_id", pharmacies)).then(_GIFTS_AT_PHARMACY).otherwise(_GIFTS_ELSEWHERE)
    return visits.select(attach=attach, bundled=bundled, gifts=gifts)


def _draw(
    rng: np.random.Generator, count: int, chance: NDArray[np.float64] | float, shares: dict[str, float]
) -> pl.Expr:
    """A product for each of `count` visits, by shares, or none where chance says so."""
    return pl.when(pl.Series(rng.random(count) < chance)).then(choose(rng, count, shares))


def product_shares(chain: Chain, category: str) -> dict[str, float]:
    """Each product's part of the paid lines of its category."""
    return {
        product.product_id: product.share
        for product in chain.products
        if product.category == category and product.share
    }


def draw_baskets(visits: pl.DataFrame, chain: Chain, stories: Stories, seed: int) -> pl.DataFrame:
    """What each visit leaves with: the visits and columns paid, gift, part, jewellery (products; empty for none).

    Each aftercare product has its batch beside it: paid_batch, gift_batch, part_batch.
    """
    rng = stream(seed, "baskets")
    count = len(visits)
    rates = _rates(visits, chain, stories)
    products = {
        "paid": _draw(rng, count, rates["attach"].to_numpy(), product_shares(chain, "aftercare")),
        "part": _draw(rng, count, rates["bundled"].to_numpy(), _BUNDLE_PARTS),
        "gift": _draw(rng, count, rates["gifts"].to_numpy(), _GIFTS),
        "jewellery": _draw(rng, count, _JEWELLERY, product_shares(chain, "jewellery")),
    }
    baskets = visits.with_columns(**products, month=pl.Series(chain_month(chain, visits["day"].to_numpy())))
    return baskets.join(supply_groups(chain), on="branch_id", how="left", maintain_order="left").with_columns(
        **{f"{name}_batch": batch_of(name, stories.batches) for name in ("paid", "gift", "part")}
    )


def exposed_to(batch_no: str) -> pl.Expr:
    """Whether a visit left with aftercare of the batch."""
    return pl.any_horizontal(
        (pl.col(f"{name}_batch") == batch_no).fill_null(value=False) for name in ("paid", "gift", "part")
    )
