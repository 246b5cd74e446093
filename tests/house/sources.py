"""The files of the checkout, and the code in them as syntax trees."""

import ast
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]


@cache
def tracked() -> tuple[Path, ...]:
    """Files that git tracks, or would track if they were added, by their path from the root."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout.decode()
    return tuple(path for name in listed.split("\0") if name and (path := Path(name), (ROOT / path).is_file())[1])


@dataclass(frozen=True)
class Module:
    """A module of the code: its dotted name and its tree."""

    name: str
    tree: ast.Module

    @property
    def unit(self) -> str:
        """What it is part of: `reports`, or a module or folder of `pipeline`."""
        parts = self.name.split(".")
        return parts[0] if parts[0] == "reports" else ".".join(parts[:2])

    @property
    def imports(self) -> set[str]:
        """Full names of what it imports of ours, wherever in it."""
        found: set[str] = set()
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{self.name} imports by a relative path"
                found |= {f"{node.module}.{alias.name}" for alias in node.names}
        return {name for name in found if name.split(".")[0] in ("pipeline", "reports")}

    @property
    def names(self) -> set[str]:
        """Every name and attribute its code uses, dotted as written."""
        return {ast.unparse(node) for node in ast.walk(self.tree) if isinstance(node, ast.Name | ast.Attribute)}


@cache
def modules() -> tuple[Module, ...]:
    """Every module of pipeline and reports."""
    paths = sorted(path for part in ("pipeline", "reports") for path in (ROOT / part).rglob("*.py"))
    return tuple(_module(path) for path in paths)


def _module(path: Path) -> Module:
    parts = path.relative_to(ROOT).with_suffix("").parts
    name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
    return Module(name, ast.parse(path.read_text(encoding="utf-8")))
