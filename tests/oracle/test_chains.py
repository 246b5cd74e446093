"""The invented chains are repeatable, add up, and hit what they are meant to hit."""

from collections import Counter
from functools import cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest

from . import Taken, read_inbox, tables
from .chains import LATER, NOW, second_night, small_exports, write_exports
from .words import Row

SEEDS = range(30)


@cache
def nights(seed: int) -> tuple[Taken, Taken]:
    """Take in a chain's first and second night."""
    rng = Random(seed)
    exports = small_exports(rng)
    with TemporaryDirectory() as folder:
        first, second = Path(folder) / "first", Path(folder) / "second"
        write_exports(first, exports)
        write_exports(second, second_night(rng, exports))
        taken = read_inbox(first, now=NOW, key=b"a key")
        return taken, read_inbox(second, now=LATER, key=b"a key", earlier=taken)


@cache
def first_tables(seed: int) -> dict[str, list[Row]]:
    return tables(nights(seed)[0])


def test_a_seed_tells_the_folder() -> None:
    assert small_exports(Random(7)) == small_exports(Random(7))
    assert small_exports(Random(7)) != small_exports(Random(8))


@pytest.mark.parametrize("seed", SEEDS)
def test_rows_add_up(seed: int) -> None:
    first, second = nights(seed)
    for counts in second.counts.values():
        assert counts.rows == counts.accepted + counts.rejected + counts.duplicate + counts.superseded
    assert {key: second.counts[key] for key in first.counts} == first.counts
    assert all(len(second.versions[table]) >= len(first.versions[table]) for table in first.versions)


@pytest.mark.parametrize("seed", SEEDS)
def test_rates_add_up(seed: int) -> None:
    found = first_tables(seed)
    in_slices: Counter[tuple[str, str, str]] = Counter()
    for row in found["complication_rates"]:
        assert row["events"] <= row["procedures"]
        assert row["attributed"] <= row["events"]
        for name in ("procedures", "events", "reached"):
            in_slices[row["complication"], row["dimension"], name] += row[name]
    for (complication, dimension, name), total in in_slices.items():
        if dimension != "batch":
            assert total == in_slices[complication, "all", name]


def test_the_edges_are_hit() -> None:
    found = [first_tables(seed) for seed in SEEDS]
    rates = [row for one in found for row in one["complication_rates"] if row["dimension"] == "all"]
    assert all(any(row["events"] for row in rates if row["complication"] == kind) for kind in ("infection", "faint"))
    assert any(row["attributed"] for row in rates)
    assert {row["signal"] for one in found for row in one["exposures"]} == {True, False}
    assert {row["currency"] for one in found for row in one["weekly"]} == {None, "EUR", "GBP"}
    assert any(row["complication"] == "stud_out" for one in found for row in one["onsets"])
    assert {row["seen"] > 0 for one in found for row in one["completion"]} == {True, False}
    assert {row["model_ratio"] is None for one in found for row in one["comparison"]} == {True, False}
    assert {row["observed"] > 0 for one in found for row in one["calibration"]} == {True, False}
    assert len({row["gap"] for one in found for row in one["record_gaps"]}) == 11
    reasons = {str(row["reason"])[:16] for one in found for row in one["comparison"]}
    assert {"no piercing is o", "it does not ask ", "its follow-up re", "None"} <= reasons
    rules = {row["rule"] for one in found for row in one["rejected_rows"]}
    assert rules >= {"row.fields", "value.missing", "link.missing", "id.form", "word.allowed", "whole.form"}
    assert rules >= {"decimal.form", "date.form", "time.form", "number.range", "time.future"}
    assert any(rule.startswith("file.") for rule in rules)
