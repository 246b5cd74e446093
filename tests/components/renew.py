"""Write what every component shows into `snapshots`, a file to a component: `python -m components.renew`, in `tests`.

Look at what changed with `git diff`: each change is one that readers meet.
"""

import sys
from pathlib import Path

from .cases import COMPONENTS
from .texts import written

SNAPSHOTS = Path(__file__).parent / "snapshots"


def path_of(name: str, folder: Path = SNAPSHOTS) -> Path:
    """Where a component's snapshot is kept."""
    return folder / f"{name}.txt"


def kept(folder: Path = SNAPSHOTS) -> set[str]:
    """The components that have a snapshot."""
    return {path.relative_to(folder).with_suffix("").as_posix() for path in folder.rglob("*.*")}


def renew(folder: Path = SNAPSHOTS) -> list[str]:
    """Write every snapshot, take away those of no component, and name the components whose own changed."""
    changed = sorted(kept(folder) - set(COMPONENTS))
    for name in changed:
        path_of(name, folder).unlink()
    for name, component in COMPONENTS.items():
        path, text = path_of(name, folder), written(component)
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
            changed.append(name)
    return changed


if __name__ == "__main__":
    for name in renew():
        sys.stdout.write(f"{name}\n")
