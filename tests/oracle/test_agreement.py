"""The pipeline and the second implementation agree on every cell of every table, number for number.

On small hostile chains over two nights, and as of earlier days too; `test_sample` does it on the whole sample.
"""

from datetime import datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from . import as_of_default, read_inbox, tables
from .chains import LATER, NOW, second_night, small_exports, write_exports
from .comparing import differences, pipeline_tables
from .intake import Taken

KEY = b"a key"


def all_differences(taken: Taken, inbox: Path, store: Path, now: datetime, days_back: int | None = None) -> list[str]:
    newest = as_of_default(taken)
    as_of = newest - timedelta(days=days_back) if days_back is not None and newest is not None else None
    ours = pipeline_tables(inbox, store, now=now, key=KEY, as_of=as_of)
    theirs = tables(taken, as_of=as_of)
    return [line for name, rows in theirs.items() for line in differences(name, ours[name], rows)]


@pytest.mark.parametrize("seed", range(7))
def test_small_chains_over_two_nights(seed: int, tmp_path: Path) -> None:
    rng = Random(seed)
    exports = small_exports(rng)
    first, second, store = tmp_path / "first", tmp_path / "second", tmp_path / "scapha.duckdb"
    write_exports(first, exports)
    write_exports(second, second_night(rng, exports))
    taken = read_inbox(first, now=NOW, key=KEY)
    assert all_differences(taken, first, store, NOW) == []
    later = read_inbox(second, now=LATER, key=KEY, earlier=taken)
    assert all_differences(later, second, store, LATER) == []


@pytest.mark.parametrize("seed", range(40, 43))
def test_small_chains_as_known_on_an_earlier_day(seed: int, tmp_path: Path) -> None:
    rng = Random(seed)
    write_exports(tmp_path / "inbox", small_exports(rng))
    taken = read_inbox(tmp_path / "inbox", now=NOW, key=KEY)
    back = rng.randrange(1, 200)
    assert all_differences(taken, tmp_path / "inbox", tmp_path / "scapha.duckdb", NOW, back) == []
