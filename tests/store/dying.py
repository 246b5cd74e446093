"""A command that is killed at the Nth call of a function, before that or after; its site is plain.

In the folder `tests`: `python -m store.dying MODULE FUNCTION CALL before|after [ARGUMENT]…`
"""

import importlib
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any


def main(module: str, name: str, call: str, when: str, *arguments: str) -> None:
    """Run `scapha` with arguments, to die on the way."""
    from pipeline import nightly
    from pipeline.cli import main as scapha

    home = importlib.import_module(module)
    nightly.build_site = _build
    setattr(home, name, _dying(getattr(home, name), int(call), is_after=when == "after"))
    scapha(list(arguments))


def _build(_: object, folder: Path) -> None:
    (folder / "index.html").write_text("<p>built</p>")


def _dying(real: Callable[..., Any], call: int, *, is_after: bool) -> Callable[..., Any]:
    calls = 0

    def dying(*given: Any, **named: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls < call:
            return real(*given, **named)
        if is_after:
            real(*given, **named)
        os.kill(os.getpid(), signal.SIGKILL)
        return None

    return dying


if __name__ == "__main__":
    main(*sys.argv[1:])
