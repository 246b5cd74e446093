"""Nights in processes of their own, forked from this one once everything is imported, so that many fit into a minute.

Such a night is the command line's, with the clock told and the key fixed, so that two nights over the same files leave
the same bytes. A kill is as real as that of a program started anew. The process that forks must itself compute nothing
with the libraries: their threads would not come along. So these modules run as programs, not within a test session.
"""

import json
import os
import secrets
import select
import signal
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path
from time import monotonic
from typing import Any
from unittest.mock import patch

from support.forking import import_all


@dataclass(frozen=True)
class Place:
    """A folder with an inbox, a store with its key, and a site."""

    folder: Path

    @property
    def inbox(self) -> Path:
        return self.folder / "inbox"

    @property
    def store(self) -> Path:
        return self.folder / "kept" / "shop.duckdb"

    @property
    def site(self) -> Path:
        return self.folder / "pages" / "site"

    def arguments(self) -> list[str]:
        """The command line of a night here."""
        return ["nightly", str(self.inbox), "--store", str(self.store), "--site", str(self.site)]


def prepare() -> None:
    """Import all that a night needs, and let the end of its phases be told."""
    import_all()
    _tell_the_last_phases()


def _tell_the_last_phases() -> None:
    """Let a night say on stderr when its pages are drawn and when it puts them in place: it does not by itself."""
    from pipeline import nightly, publish

    build_site, put_in_place = vars(nightly)["build_site"], vars(publish)["_put_in_place"]

    def build(*arguments: Any) -> None:
        build_site(*arguments)
        _say("committing")

    def put(*arguments: Any) -> bool:
        _say("putting in place")
        is_changed: bool = put_in_place(*arguments)
        _say("ending")
        return is_changed

    patch.object(nightly, "build_site", build).start()
    patch.object(publish, "_put_in_place", put).start()


def _say(step: str) -> None:
    os.write(2, f"scapha: {step}\n".encode())


@dataclass
class Night:
    """A night that runs in a process of its own: what it has said, when, and how it ended."""

    pid: int
    pipe: int
    started: float
    said: list[tuple[float, str]] = field(default_factory=list)  # seconds since the start, line
    ended: float = 0.0  # seconds since the start
    status: int | None = None  # exit code, or minus the signal that ended it
    _rest: bytes = b""

    def read(self, until: float | None = None) -> str | None:
        """The next line on stderr; None at its end, or where none came by a time of the monotonic clock."""
        while b"\n" not in self._rest:
            wait = None if until is None else max(0.0, until - monotonic())
            if not select.select([self.pipe], [], [], wait)[0]:
                return None
            chunk = os.read(self.pipe, 65536)
            if not chunk:
                return None
            self._rest += chunk
        line, self._rest = self._rest.split(b"\n", 1)
        self.said.append((monotonic() - self.started, line.decode(errors="replace")))
        return self.said[-1][1]

    def kill(self) -> None:
        """Kill the night as it is."""
        os.kill(self.pid, signal.SIGKILL)

    def end(self) -> int:
        """Read to the end and wait; the exit code, or minus the signal."""
        while self.read() is not None:
            pass
        os.close(self.pipe)
        self.ended = monotonic() - self.started
        self.status = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        return self.status

    @property
    def messages(self) -> list[str]:
        """What was said on stderr but for the steps of the progress."""
        return [line for _, line in self.said if not line.startswith(STEPS)]


STEPS = tuple(
    f"scapha: {step}"
    for step in (
        "looking into", "taking in", "counting", "judging", "drawing pages", "committing", "putting in place", "ending"
    )
)  # fmt: skip
"""How the lines begin that tell a night's phases, in their order."""


def start(place: Place, clock: datetime, first: Callable[[], None] | None = None) -> Night:
    """Start a night; `first` is done in its process before it begins."""
    reader, writer = os.pipe()
    began = monotonic()
    pid = os.fork()
    if pid == 0:
        os.close(reader)
        os.dup2(writer, 2)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os._exit(_run(place, clock, first))
    os.close(writer)
    return Night(pid, reader, began)


def run(place: Place, clock: datetime, first: Callable[[], None] | None = None) -> Night:
    """A night run to its end."""
    night = start(place, clock, first)
    night.end()
    return night


def _run(place: Place, clock: datetime, first: Callable[[], None] | None) -> int:
    """A night in this process, as the interpreter would end it."""
    from pipeline.cli import main, nights

    class Told(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> "Told":
            return cls.fromtimestamp(clock.timestamp(), tz)

    patch.object(nights, "datetime", Told).start()
    patch.object(secrets, "token_bytes", lambda size: bytes(range(size))).start()
    try:
        if first:
            first()
        main(place.arguments())
    except SystemExit as ended:
        sys.stdout.flush()
        sys.stderr.flush()
        return int(ended.code or 0)
    except BaseException:
        os.write(2, traceback.format_exc().encode())
        return 1
    return 0


def asked(work: Callable[[], Any]) -> Any:
    """What `work` gives, done in a process of its own; it must be fit for JSON."""
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reader)
        code = 1
        try:
            with os.fdopen(writer, "w") as answer:
                json.dump(work(), answer)
            code = 0
        except BaseException:
            traceback.print_exc()
        os._exit(code)
    os.close(writer)
    with os.fdopen(reader) as answer:
        text = answer.read()
    if os.waitpid(pid, 0)[1]:
        raise RuntimeError("a process of its own failed")
    return json.loads(text)
