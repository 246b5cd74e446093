"""The outbox: a folder beside the store in which every mail lies until it is handed on, and then in its folder `sent`.

What was mailed is told by the files that lie here, not by the store: a second memory could disagree with them, after a
kill between the two or once either is put back from a backup. So a mail taken out of the outbox is written anew by the
next night, if it is still due, and old ones can be cleared out: of weeks but the newest, of incidents that are over.
Mails hold no client and no practitioner, so whoever is forgotten stands in none of them.
"""

import os
from collections.abc import Iterator
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from itertools import takewhile
from pathlib import Path

MAIL = policy.SMTP
"""How mails are written and read: headers in ASCII, and none with a line's end that could begin another."""
TELLS_OF = "Scapha-Tells-Of"
"""The header that names what a mail tells of, so that none is told of twice."""


def outbox_folder(store: Path) -> Path:
    """Where the mails of a store lie."""
    return store.with_name(f"{store.stem}.outbox")


class Outbox:
    """The mails of a store, waiting and sent; names of files begin with the day told of, so that they sort by it."""

    def __init__(self, store: Path) -> None:
        self.folder = outbox_folder(store)
        self._sent = self.folder / "sent"

    def told(self) -> set[str]:
        """What the mails that lie here tell of, sent or not."""
        paths = [*self.waiting(), *self._sent.glob("*.eml")]
        return {name for path in paths for name in str(_head(path).get(TELLS_OF, "")).split()}

    def waiting(self) -> list[Path]:
        """The mails not yet handed on, the oldest first."""
        return sorted(self.folder.glob("*.eml"))

    def put(self, name: str, message: EmailMessage) -> None:
        """Lay a mail into the outbox: whole and on the disk, or not there at all."""
        self._sent.mkdir(mode=0o700, parents=True, exist_ok=True)
        aside = self.folder / ".writing"  # of a run that was killed, if it is there
        try:
            with aside.open("wb") as file:
                file.write(message.as_bytes(policy=MAIL))
                file.flush()
                os.fsync(file.fileno())
            aside.replace(self.folder / f"{name}.eml")
        finally:
            aside.unlink(missing_ok=True)

    def note_sent(self, path: Path) -> None:
        """Move a mail that was handed on."""
        path.replace(self._sent / path.name)


def read(path: Path) -> EmailMessage:
    """A mail as it lies there."""
    return BytesParser(EmailMessage, policy=MAIL).parsebytes(path.read_bytes())


def _head(path: Path) -> EmailMessage:
    """A mail's headers alone, for there may be years of mails."""
    with path.open("rb") as file:
        lines = takewhile(lambda line: line not in (b"\r\n", b"\n"), file)
        return BytesParser(EmailMessage, policy=MAIL).parsebytes(b"".join(lines))


def addresses(message: EmailMessage, header: str) -> Iterator[str]:
    """The bare addresses in a header."""
    found = message[header]
    yield from (address.addr_spec for address in (found.addresses if found else ()))
