"""The Nth call that changes the store's or the site's folder, made to fail or to be the last that the process does.

Calls are those that Python makes: opening for writing, writing, making, renaming, linking and removing. What the
database does by itself is out of reach here; see `full_disk`.
"""

import builtins
import errno
import io
import os
import signal
import sys
from collections.abc import Callable
from enum import Enum
from pathlib import Path
from typing import Any

FAULT = "fault: "
"""How the line on stderr begins that tells which call failed."""


class Fault(Enum):
    """What happens at the Nth call."""

    ONCE = "an input/output error once"
    FULL = "no space left from then on"
    KILL = "a kill"


_NEED_SPACE = {"open", "write", "os.mkdir", "os.symlink"}
_CHANGE = {"os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.symlink", "os.link", "os.truncate"}


def failing(folder: Path, nth: int, fault: Fault) -> Callable[[], None]:
    """A function that lets the Nth call in a folder fail, for good, in the process in which it is called."""

    def arm() -> None:
        sys.dont_write_bytecode = True
        calls = _Calls(str(folder), nth, fault)
        sys.addaudithook(calls.on_event)
        builtins.open = io.open = calls.opened

    return arm


class _Calls:
    """Counts calls, and does to them what a fault does."""

    def __init__(self, folder: str, nth: int, fault: Fault) -> None:
        self._folder = folder
        self._nth = nth
        self._fault = fault
        self._n = 0

    def on_event(self, event: str, arguments: tuple[Any, ...]) -> None:
        """An event of the interpreter's audit; an error raised here is the call's."""
        is_open = event == "open" and arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if (is_open or event in _CHANGE) and self._is_ours(event, arguments):
            self.count(event, str(arguments[0]))

    def _is_ours(self, event: str, arguments: tuple[Any, ...]) -> bool:
        if any(isinstance(one, str | os.PathLike) and os.fspath(one).startswith(self._folder) for one in arguments):
            return True
        return event in ("os.remove", "os.rmdir") and arguments[-1] != -1  # named from a folder's descriptor

    def count(self, call: str, name: str) -> None:
        """One more call; `OSError`, or the end, where its turn has come."""
        if self._fault is Fault.FULL and call not in _NEED_SPACE:
            return
        self._n += 1
        is_due = self._n == self._nth
        is_after = self._fault is Fault.FULL and self._n > self._nth
        if is_due:
            os.write(2, f"{FAULT}{call} {Path(name).name}\n".encode())
        if is_due and self._fault is Fault.KILL:
            os.kill(os.getpid(), signal.SIGKILL)
        if is_due or is_after:
            code = errno.ENOSPC if self._fault is Fault.FULL else errno.EIO
            raise OSError(code, os.strerror(code), name)

    def opened(
        self,
        file: Any,
        mode: str = "r",
        buffering: int = -1,
        encoding: str | None = None,
        errors: str | None = None,
        newline: str | None = None,
        closefd: bool = True,
        opener: Any = None,
    ) -> Any:
        """As `open`; writes to a file opened for writing only are counted."""
        if "w" not in mode:
            return _OPEN(file, mode, buffering, encoding, errors, newline, closefd, opener)
        raw = _Counted(file, mode.replace("b", "").replace("t", ""), closefd, opener)
        raw.count = self.count
        buffered = io.BufferedWriter(raw)
        return buffered if "b" in mode else io.TextIOWrapper(buffered, encoding, errors, newline)


_OPEN = io.open


class _Counted(io.FileIO):
    """A file whose writes are counted."""

    count: Callable[[str, str], None]

    def write(self, data: Any) -> int:
        self.count("write", str(self.name))
        return super().write(data)
