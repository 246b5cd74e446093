"""Published and reference values the statistics are held against, each with its source beside it.

`check_values*.json` say of each entry where it is from, whether that was opened or is from memory, and to how many
digits it agrees; `data/` holds the data sets some of them are computed from.
"""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray

HERE = Path(__file__).parent

Entry = dict[str, Any]
Columns = dict[str, NDArray[np.float64]]

untimed = settings(deadline=None)
"""For property tests: how long an example takes says nothing here, and the first also imports slow libraries."""


@pytest.fixture(scope="session")
def check_value() -> Callable[[str], Entry]:
    files = sorted(HERE.glob("check_values*.json"))
    entries = [entry for file in files for entry in json.loads(file.read_text(encoding="utf-8"))]
    return {entry["id"]: entry for entry in entries}.__getitem__


@pytest.fixture(scope="session")
def data_columns() -> Callable[[str], Columns]:
    def read(name: str) -> Columns:
        with (HERE / "data" / name).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        return {column: np.array([float(row[column]) for row in rows]) for column in rows[0]}

    return read
