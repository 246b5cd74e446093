"""Every module, and every public class and function, says what it is."""

import ast
from collections.abc import Iterator

import pytest

from .sources import Module, modules

Definition = ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef


def public(tree: ast.Module | ast.ClassDef) -> Iterator[Definition]:
    """Public definitions of a module or class, those of its public classes too."""
    for node in tree.body:
        if isinstance(node, Definition) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from public(node)


@pytest.mark.parametrize("module", modules(), ids=lambda module: module.name)
def test_what_is_public_says_what_it_is(module: Module) -> None:
    assert ast.get_docstring(module.tree), module.name
    assert [node.name for node in public(module.tree) if not ast.get_docstring(node)] == []


def test_a_missing_docstring_is_found() -> None:
    tree = ast.parse('def a():\n    "x"\ndef b(): ...\nclass C:\n    "x"\n    def d(self): ...\n    def _e(self): ...')
    assert [node.name for node in public(tree) if not ast.get_docstring(node)] == ["b", "d"]
