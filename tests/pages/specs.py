"""Reading a chart's specification: its marks, and the rows each is drawn from."""

import json
from collections.abc import Iterator
from typing import Any

Spec = dict[str, Any]


def units(spec: Spec) -> Iterator[Spec]:
    """Every single view of a specification, its own data or those of the view around it under `data`."""
    for layer in spec.get("layer", ()):
        yield from units({"data": spec.get("data")} | layer)
    if "mark" in spec:
        yield spec


def marks(spec: Spec, kind: str) -> list[Spec]:
    """The single views drawn with a kind of mark."""
    return [unit for unit in units(spec) if mark_of(unit) == kind]


def mark_of(unit: Spec) -> str:
    mark = unit["mark"]
    return str(mark["type"] if isinstance(mark, dict) else mark)


def rows_of(spec: Spec, unit: Spec) -> list[dict[str, Any]]:
    """The rows a view is drawn from, before its own filters."""
    data = unit["data"]
    found = spec["datasets"][data["name"]] if "name" in data else data["values"]
    rows: list[dict[str, Any]] = json.loads(found)
    return rows


def fields_of(unit: Spec) -> set[str]:
    """The columns a view's encoding names."""
    return {
        channel["field"]
        for channel in unit.get("encoding", {}).values()
        if isinstance(channel, dict) and "field" in channel
    }
