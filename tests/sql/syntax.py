"""What a query's text holds, from the parser's own tree: tables, parameters, functions, and what is not portable."""

import json
from collections.abc import Iterator
from typing import Any

import duckdb

UNPORTABLE_FUNCTIONS = (
    "timezone",
    "instant",
    "local_day",
    "quantile_cont",
    "try_strptime",
    "len",
    "unnest",
    "struct_pack",
)
UNPORTABLE_PREFIXES = ("list_", "array_")
DIVISIONS = ("/", "//", "%", "divide", "mod", "fdiv", "fmod")


def tree_of(query: str) -> dict[str, Any]:
    """The syntax tree of one SELECT. `ValueError` for anything else."""
    row = duckdb.execute("select json_serialize_sql(?)", [query]).fetchall()
    tree = json.loads(row[0][0])
    if tree["error"] or len(tree["statements"]) != 1:
        raise ValueError(tree.get("error_message", "more than one statement"))
    return tree["statements"][0]


def _nodes(tree: Any) -> Iterator[dict[str, Any]]:
    if isinstance(tree, dict):
        yield tree
    for child in tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ():
        yield from _nodes(child)


def tables_in(query: str) -> set[str]:
    """Tables a query reads, its own common table expressions apart."""
    nodes = list(_nodes(tree_of(query)))
    own = {entry["key"] for node in nodes if "cte_map" in node for entry in node["cte_map"]["map"]}
    return {node["table_name"] for node in nodes if node.get("type") == "BASE_TABLE"} - own


def params_in(query: str) -> set[str]:
    """Named parameters a query uses."""
    return {node["identifier"] for node in _nodes(tree_of(query)) if node.get("class") == "PARAMETER"}


def unportable_in(query: str) -> list[str]:
    """What a query uses that another engine may lack or read otherwise, and divisions that may meet a zero."""
    try:
        nodes = list(_nodes(tree_of(query)))
    except ValueError as error:
        return [str(error)]
    return sorted({found for node in nodes for found in _unportable(node)})


def _unportable(node: dict[str, Any]) -> Iterator[str]:
    if node.get("qualify"):
        yield "QUALIFY"
    if node.get("type") in ("PIVOT", "ARRAY_EXTRACT", "ARRAY_SLICE"):
        yield node["type"]
    if node.get("type") == "JOIN" and node["ref_type"] not in ("REGULAR", "CROSS"):
        yield f"{node['ref_type']} JOIN"
    if node.get("class") == "LAMBDA":
        yield "LAMBDA"
    if node.get("class") == "FUNCTION":
        yield from _unportable_function(node)


def _unportable_function(node: dict[str, Any]) -> Iterator[str]:
    name = node["function_name"]
    if name in UNPORTABLE_FUNCTIONS or name.startswith(UNPORTABLE_PREFIXES):
        yield name
    if name in DIVISIONS:
        divisor = node["arguments"][1]["expression"]
        if divisor.get("function_name") != "nullif":
            yield f"{name} without nullif"
