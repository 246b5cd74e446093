"""The till: receipts of the visits, refunds, voids, and sales to people who come for a product only."""

from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.simulate.baskets import product_shares
from pipeline.simulate.chain import Chain
from pipeline.simulate.draws import (
    MINUTES_PER_DAY,
    Mask,
    as_day,
    as_time,
    choose,
    day_number,
    is_any,
    stream,
    whole_between,
)
from pipeline.simulate.stories import Stories
from pipeline.simulate.supplies import batch_of, chain_month
from pipeline.simulate.write import dated

# Assumptions.
_REDUCED, _REDUCTION = 0.08, 0.10
_REFUNDED, _REFUND_DAYS = 0.015, (1, 24)
_VOIDED = 0.003
_COUNTER_SALES = 0.10  # sales without a visit, as a share of visits
_VISIT_NOT_LINKED, _CLIENT_NOT_KNOWN = 0.10, 0.02
_KNOWN_AT_COUNTER = 0.3
_COUNTER_DAYS = (3, 40)  # after the visit of the client, if it is one
_NO_RECORDED_AT = 0.02
CURRENCY = "EUR"

_LINE = ("visit", "branch_id", "line_type", "product_id", "quantity", "batch_no", "cents", "minute")


def _price(chain: Chain, stories: Stories) -> pl.Expr:
    """Price in cents of column product_id on the row's day."""
    cents = {product.product_id: round(product.list_price * 100) for product in chain.products}
    price = pl.col("product_id").replace_strict(cents, return_dtype=pl.Int64)
    for change in stories.prices:
        is_later = pl.col("performed_on") >= change.from_on
        dearer = (pl.col("product_id") == change.product_id) & is_later
        price = pl.when(dearer).then(round(change.price * 100)).otherwise(price)
    return price


def _lines_of(baskets: pl.DataFrame, product: str, line_type: str) -> pl.DataFrame:
    """One line for each visit that has the product of a column of the baskets."""
    batch = pl.col(f"{product}_batch") if f"{product}_batch" in baskets.columns else pl.lit(None, pl.String)
    return baskets.filter(pl.col(product).is_not_null()).select(
        "visit",
        "branch_id",
        "minute",
        "performed_on",
        product_id=pl.col(product).cast(pl.String),
        quantity=pl.lit(1, pl.Int64),
        batch_no=batch,
        line_type=pl.lit(line_type),
    )


def _service_lines(baskets: pl.DataFrame) -> pl.DataFrame:
    """The piercing itself, a line for each visit, priced by the hole."""
    service = pl.when(pl.col("part").is_null()).then(pl.lit("PIERCING")).otherwise(pl.lit("CARE-PIERCING"))
    return _lines_of(baskets.with_columns(service=service), "service", "sale").with_columns(quantity=baskets["holes"])


def _visit_lines(baskets: pl.DataFrame, chain: Chain, stories: Stories, rng: np.random.Generator) -> pl.DataFrame:
    """Every line rung up at a visit, as sold."""
    lines = pl.concat(
        [
            _service_lines(baskets),
            _lines_of(baskets, "part", "bundle_part"),
            _lines_of(baskets, "paid", "sale"),
            _lines_of(baskets, "jewellery", "sale"),
            _lines_of(baskets, "gift", "gift"),
        ]
    )
    reduced = pl.Series(rng.random(len(lines)) < _REDUCED) & (pl.col("line_type") == "sale")
    factor = pl.when(pl.col("line_type") == "gift").then(0.0).when(reduced).then(1 - _REDUCTION).otherwise(1.0)
    cents = (_price(chain, stories) * pl.col("quantity") * factor).round().cast(pl.Int64)
    return lines.with_columns(cents=cents).select(_LINE)


def _refund_lines(lines: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A later receipt for each paid aftercare line that is brought back."""
    refundable = lines.filter((pl.col("line_type") == "sale") & pl.col("batch_no").is_not_null())
    back = refundable.filter(pl.Series(rng.random(len(refundable)) < _REFUNDED))
    later = whole_between(rng, *_REFUND_DAYS, len(back)) * MINUTES_PER_DAY
    return back.with_columns(
        pl.col("minute") + pl.Series(later),
        -pl.col("quantity"),
        -pl.col("cents"),
        line_type=pl.lit("refund"),
    )


def _later(baskets: pl.DataFrame, days: pl.Series, chain: Chain) -> pl.DataFrame:
    """The same clients some days later, within the days the data cover."""
    moved = baskets.with_columns(
        pl.col("day") + days, pl.col("minute") + days * MINUTES_PER_DAY, performed_on=as_day(pl.col("day") + days)
    ).filter(pl.col("performed_on") <= chain.last_day)
    return moved.with_columns(month=pl.Series(chain_month(chain, moved["day"].to_numpy())))


def _counter_lines(baskets: pl.DataFrame, chain: Chain, stories: Stories, rng: np.random.Generator) -> pl.DataFrame:
    """Sales of one product over the counter, some of them to people who were pierced some weeks before."""
    rows = np.sort(rng.choice(len(baskets), round(_COUNTER_SALES * len(baskets)), replace=False))
    days = pl.Series(whole_between(rng, *_COUNTER_DAYS, len(rows)))
    at = _later(baskets[rows].drop("paid", "paid_batch"), days, chain)
    jewellery = product_shares(chain, "jewellery")
    shares = product_shares(chain, "aftercare") | {name: share / 2 for name, share in jewellery.items()}
    sold = at.with_columns(paid=choose(rng, len(at), shares)).with_columns(paid_batch=batch_of("paid", stories.batches))
    lines = _lines_of(sold, "paid", "sale").with_columns(
        batch_no=pl.when(~is_any("product_id", jewellery)).then("batch_no"), cents=_price(chain, stories)
    )
    return lines.select(_LINE)


def _numbered(lines: pl.DataFrame, letter: str) -> pl.DataFrame:
    """Give the lines of one sort of receipt their sale_id and line_no."""
    number = pl.col("visit_no").cast(pl.String).str.zfill(6)
    return lines.with_columns(
        sale_id=pl.format(f"{{}}-{letter}{{}}", "branch_id", number),
        line_no=pl.int_range(1, pl.len() + 1).over("visit"),
    )


def _void_lines(sales: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A line that takes a whole receipt back the same day, for a few of them."""
    last = sales.group_by("sale_id", maintain_order=True).last()
    return last.filter(pl.Series(rng.random(len(last)) < _VOIDED)).with_columns(
        pl.col("minute") + 4,
        pl.col("line_no") + 1,
        line_type=pl.lit("void"),
        quantity=pl.lit(0, pl.Int64),
        cents=pl.lit(0, pl.Int64),
        batch_no=pl.lit(None, pl.String),
    )


def _unlinked(lines: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Leave out the visit or the client of receipts whose cashier did not enter them."""
    visit = lines["visit"].to_numpy()
    luck = rng.random(visit.max() + 1)[visit]
    is_counter = (lines["letter"] == "W").to_numpy()
    is_refund = (lines["letter"] == "R").to_numpy()
    no_client: Mask = np.where(is_counter, luck > _KNOWN_AT_COUNTER, luck < _CLIENT_NOT_KNOWN)
    no_visit: Mask = is_counter | is_refund | (luck < _CLIENT_NOT_KNOWN + _VISIT_NOT_LINKED)
    return lines.with_columns(
        client_key=pl.when(~pl.Series(no_client)).then("client_key"),
        visit_id=pl.when(~pl.Series(no_visit)).then("visit_id"),
    )


def _receipts(
    baskets: pl.DataFrame, chain: Chain, stories: Stories, rng: np.random.Generator
) -> Iterator[pl.DataFrame]:
    """Lines of each sort of receipt, with its `letter`: S at visits (voids too), R refunds, W over the counter."""
    who = baskets.select("visit", "visit_no", "visit_id", "client_key")
    of_visit = pl.format("{}-S{}", "branch_id", pl.col("visit_no").cast(pl.String).str.zfill(6))
    none = pl.lit(None, pl.String)
    rung = _numbered(_visit_lines(baskets, chain, stories, rng).join(who, on="visit", maintain_order="left"), "S")
    voids = _void_lines(rung, rng)
    back = _numbered(_refund_lines(rung.drop("sale_id", "line_no"), rng), "R")
    counter = _numbered(_counter_lines(baskets, chain, stories, rng).join(who, on="visit", maintain_order="left"), "W")
    for lines, letter, refund_of in (
        (rung, "S", none),
        (voids, "S", none),
        (back, "R", of_visit),
        (counter, "W", none),
    ):
        marked = lines.with_columns(letter=pl.lit(letter), refund_of=refund_of)
        yield marked.select(*_LINE, "sale_id", "line_no", "visit_id", "client_key", "letter", "refund_of")


def export_sales(baskets: pl.DataFrame, chain: Chain, stories: Stories, seed: int) -> pl.DataFrame:
    """The export of the till, with the day each line was recorded (`day`), in order of that."""
    rng = stream(seed, "till")
    sales = _unlinked(pl.concat(_receipts(baskets, chain, stories, rng)), rng)
    written = pl.Series(rng.random(len(sales)) >= _NO_RECORDED_AT)
    rows = sales.with_columns(
        sold_at=as_time("minute"),
        recorded=pl.col("minute") + 2,
        recorded_at=pl.when(written).then(as_time(pl.col("minute") + 2)),
        net_amount=(pl.col("cents") / 100).cast(pl.Decimal(12, 2)),
        currency=pl.lit(CURRENCY),
    )
    return dated(rows, "sales", day_number(chain.last_day))
