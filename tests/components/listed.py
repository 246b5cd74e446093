"""The components that the code has, so that a new one without cases is noticed."""

import inspect
import pkgutil
from importlib import import_module
from types import ModuleType
from typing import Any

from reports import charts, rendering, sections
from reports.charts.drawing import Drawable


def charts_of_the_code() -> set[str]:
    """Functions of `reports.charts` that give a chart."""
    return {name for name, function in _public(charts) if inspect.signature(function).return_annotation == Drawable}


def sections_of_the_code() -> set[str]:
    """Functions of `reports.sections`."""
    return {name for name, _ in _public(sections)}


def macros_of_the_code() -> set[str]:
    """Macros of the pages' parts."""
    return {name for name in vars(parts_module()) if not name.startswith("_")}


def parts_module() -> Any:
    """The macros, to be called."""
    return rendering._environment().get_template("parts.html").module


def _public(package: ModuleType) -> list[tuple[str, Any]]:
    """Public functions of a package's modules, each where it is written."""
    modules = [import_module(f"{package.__name__}.{one.name}") for one in pkgutil.iter_modules(package.__path__)]
    return [
        (name, found)
        for module in modules
        for name, found in vars(module).items()
        if inspect.isfunction(found) and found.__module__ == module.__name__ and not name.startswith("_")
    ]
