"""Every entry of the published and reference values is used by a test, under its own name."""

import ast
import json
from pathlib import Path

HERE = Path(__file__).parent
ENTRIES = [entry for file in HERE.glob("check_values*.json") for entry in json.loads(file.read_text(encoding="utf-8"))]


def _asked_for() -> set[str]:
    """The names that tests give to `check_value`, or have among the values they go through."""
    trees = (ast.parse(path.read_text(encoding="utf-8")) for path in HERE.glob("test_*.py"))
    nodes = (node for tree in trees for node in ast.walk(tree))
    return {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_no_entry_stands_twice() -> None:
    names = [entry["id"] for entry in ENTRIES]
    assert len(names) == len(set(names))


def test_every_entry_is_tested() -> None:
    assert {entry["id"] for entry in ENTRIES} - _asked_for() == set()


def test_every_entry_says_where_it_is_from_and_how_near_it_must_come() -> None:
    for entry in ENTRIES:
        assert entry["source"], entry["id"]
        assert {"inputs", "expected", "tolerance", "from_memory"} <= set(entry), entry["id"]
