"""`scapha methods` lists what the library has, for people and as JSON."""

import json

from pipeline.stats.catalogue import catalogue

from .conftest import run


def test_every_method_is_listed_with_all_that_is_said_of_it() -> None:
    result = run("methods", "--json")
    assert result.exit_code == 0
    listed = json.loads(result.stdout)
    assert [method["identifier"] for method in listed] == [method.identifier for method in catalogue()]
    assert set(listed[0]) == {"identifier", "name", "functions", "says", "formula", "source", "checks"}
    assert all(all(method.values()) for method in listed)


def test_people_read_name_formula_and_source() -> None:
    told = run("methods").stdout
    for method in catalogue():
        assert f"{method.name} ({method.identifier})\n" in told
        assert f"  Source: {method.source}\n" in told
