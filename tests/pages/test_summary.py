"""summary.json names the signals that are open, and no others."""

import pytest

from reports.summary import summarise
from support.editions import AS_OF, written


@pytest.mark.parametrize(
    ("state", "is_open"),
    [
        ("new", True),
        ("looked_into", True),
        ("explained", False),
        ("chance", False),
        ("closed", False),
        ("faded", False),
    ],
)
def test_only_open_signals_are_named(state: str, is_open: bool) -> None:
    signal = {
        "signal_id": "S-1", "raised_on": AS_OF, "complication": "infection", "dimension": "lot", "level": "L1",
        "method": "cohort evidence", "state": state, "incident_id": "I-1",
    }  # fmt: skip
    told = summarise(written(results={"signals": [signal]}))["open_signals"]
    assert [row["signal_id"] for row in told] == (["S-1"] if is_open else [])
