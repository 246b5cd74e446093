"""The catalogue says of every public function of the library what it is, and names only tests that exist."""

import ast
import importlib
import inspect
import pkgutil
from pathlib import Path

import pytest

import pipeline.stats
from pipeline.stats.catalogue import catalogue
from pipeline.stats.method import Method

HERE = Path(__file__).parent
HELPERS = {"arguments", "catalogue", "method"}
MODULES = [module.name for module in pkgutil.iter_modules(pipeline.stats.__path__) if module.name not in HELPERS]


def named_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}


def module_of(name: str) -> list[Method]:
    return list(getattr(importlib.import_module(f"pipeline.stats.{name}"), "METHODS", ()))


def test_identifiers_are_unique_and_in_order() -> None:
    names = [method.identifier for method in catalogue()]
    assert names == sorted(set(names))


@pytest.mark.parametrize("method", catalogue(), ids=lambda method: method.identifier)
def test_a_method_says_all_there_is_to_say(method: Method) -> None:
    assert all((method.name, method.says, method.formula, method.source, method.checks))
    assert method.says.endswith(".")


@pytest.mark.parametrize("method", catalogue(), ids=lambda method: method.identifier)
def test_the_checks_of_a_method_are_tests(method: Method) -> None:
    for check in method.checks:
        file, _, name = check.partition("::")
        assert name in named_in(HERE / f"{file}.py"), check


@pytest.mark.parametrize("name", MODULES)
def test_every_public_function_of_a_module_belongs_to_a_method(name: str) -> None:
    module = importlib.import_module(f"pipeline.stats.{name}")
    public = {
        function
        for function, what in inspect.getmembers(module, inspect.isfunction)
        if what.__module__ == module.__name__ and not function.startswith("_")
    }
    told = {function for method in module_of(name) for function in method.functions}
    assert public - told == set()
    assert {function.partition(".")[0] for function in told} - set(vars(module)) == set()
