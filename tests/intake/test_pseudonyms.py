"""A column of clients' keys becomes their hashes, each the one its key alone has, however often and in what batches."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contract.columns import BROKEN
from pipeline.intake import pseudonyms
from pipeline.intake.pseudonyms import Pseudonyms

KEY = bytes(range(32))
CELLS = st.one_of(
    st.none(), st.sampled_from(["C1", "C2", f"{BROKEN}a list", BROKEN, "", " C1", "é", "\x00"]), st.text()
)
BATCHES = st.lists(st.lists(CELLS, max_size=8), max_size=5)


def hashed(cell: str | None) -> str | None:
    if cell is None or cell.startswith(BROKEN):
        return cell and BROKEN
    return Pseudonyms(KEY).of(cell)


@given(BATCHES)
def test_batches_of_cells(batches: list[list[str | None]]) -> None:
    of_one_run = Pseudonyms(KEY)
    for cells in batches:
        found = of_one_run.of_all(pl.Series("client_key", cells, dtype=pl.String))
        assert found.name == "client_key"
        assert found.to_list() == [hashed(cell) for cell in cells]


def test_more_clients_than_are_kept_at_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pseudonyms, "_MOST_KNOWN", 3)
    of_one_run = Pseudonyms(KEY)
    for cells in (["C1", "C2"], ["C3", "C1", "C4"], ["C1", None, "C5"], ["C2", "C5", "C6"]):
        assert of_one_run.of_all(pl.Series(cells, dtype=pl.String)).to_list() == [hashed(cell) for cell in cells]
        assert len(of_one_run._hashes) <= 5  # three, and those of the last batch


def test_another_key_gives_other_hashes() -> None:
    cells = pl.Series(["C1"], dtype=pl.String)
    assert Pseudonyms(KEY).of_all(cells).to_list() != Pseudonyms(bytes(32)).of_all(cells).to_list()
