"""Every method of the library, gathered from the modules that hold them."""

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

import pipeline.stats
from pipeline.stats.method import Method


@cache
def catalogue() -> tuple[Method, ...]:
    """All methods, in the order of their identifiers."""
    modules = (import_module(f"pipeline.stats.{module.name}") for module in iter_modules(pipeline.stats.__path__))
    return tuple(sorted((method for module in modules for method in getattr(module, "METHODS", ())), key=_identifier))


def _identifier(method: Method) -> str:
    return method.identifier
