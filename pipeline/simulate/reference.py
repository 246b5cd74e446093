"""The exports of reference tables that name who and what a chain is: shops, people, stud models, products."""

from dataclasses import asdict

import polars as pl

from pipeline.contract.columns import Kind
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.simulate.chain import Chain


def export_branches(chain: Chain) -> pl.DataFrame:
    """One row per shop."""
    return pl.DataFrame([asdict(branch) for branch in chain.branches])


def export_practitioners(chain: Chain) -> pl.DataFrame:
    """One row per person, and one per other spelling of a person's code."""
    people = [asdict(person) | {"trained_sites": ";".join(person.trained_sites)} for person in chain.practitioners]
    aliases = [{"practitioner_id": alias.code, "alias_of": alias.practitioner_id} for alias in chain.aliases]
    table = TABLE_BY_NAME["practitioners"]
    dates = {column.name: pl.Date for column in table.columns if column.kind is Kind.DATE}
    schema = {name: dates.get(name, pl.String) for name in table.column_names}
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in people + aliases], schema=schema)


def export_articles(chain: Chain) -> pl.DataFrame:
    """One row per stud model."""
    lengths = pl.col("post_length_mm").cast(pl.Decimal(6, 1))
    return pl.DataFrame([asdict(article) for article in chain.articles]).with_columns(lengths)


def export_products(chain: Chain) -> pl.DataFrame:
    """One row per thing sold."""
    prices = pl.col("list_price").cast(pl.Decimal(12, 2))
    products = pl.DataFrame([asdict(product) for product in chain.products])
    return products.with_columns(prices, pl.col("bundle_of").replace("", None))
