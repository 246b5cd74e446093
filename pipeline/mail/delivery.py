"""Delivery: what waits in the outbox is handed to the server of the settings, the oldest first.

A mail is moved only once the server has taken it. A night killed between the two sends it again, under the same
Message-ID, by which the receiving side can tell that it is the same. What fails is told as a warning: the night stands.
"""

import smtplib
import ssl
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from os import fstat
from pathlib import Path

from pipeline.addressees import MailSettings
from pipeline.errors import UserError
from pipeline.mail.outbox import Outbox, addresses, read

_MOST_SECONDS = 30
"""How long the server may take to answer once."""
_MOST_PASSWORD_BYTES = 4096
_OF_ONE_MAIL = (smtplib.SMTPRecipientsRefused, smtplib.SMTPSenderRefused, smtplib.SMTPDataError)
"""Answers that refuse one mail; others may be taken all the same."""


def deliver(outbox: Outbox, settings: MailSettings) -> Iterator[str]:
    """Hand on what waits, and warn of what could not be."""
    if settings.server is None or not outbox.waiting():
        return
    try:
        password = read_password(Path(settings.password_file).expanduser()) if settings.password_file else ""
        with _session(settings, password) as server:
            for path in outbox.waiting():
                yield from _hand_on(server, outbox, path)
    except UserError as error:
        yield f"Mail waits in {outbox.folder}: {error}"
    except OSError as error:  # all that smtplib and ssl raise, too
        if outbox.waiting():  # and no farewell that failed
            server_name = f"{settings.server}, port {settings.port_used}"
            yield f"Mail waits in {outbox.folder} for the next night, as {server_name}, did not take it: {_said(error)}"


def _hand_on(server: smtplib.SMTP, outbox: Outbox, path: Path) -> Iterator[str]:
    message = read(path)
    sender, to = [*addresses(message, "From")], [*addresses(message, "To")]
    if len(sender) != 1 or not to:
        yield f"{path} is no mail of a night. Take it away."
        return
    try:
        refused = server.sendmail(sender[0], to, path.read_bytes())
    except _OF_ONE_MAIL as error:
        yield f"{path} waits for the next night: {_said(error)} Mend the settings and delete it: it is written anew."
        return
    outbox.note_sent(path)
    for address, answer in refused.items():
        yield f"{path.name} was sent, but not to {address}: {_answered(*answer)}"


@contextmanager
def _session(settings: MailSettings, password: str) -> Iterator[smtplib.SMTP]:
    """A session with the server: encrypted as it is set or not begun at all, and logged in where a user is set."""
    host, port, trusted = settings.server or "", settings.port_used, ssl.create_default_context()
    if settings.security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(host, port, timeout=_MOST_SECONDS, context=trusted)
    else:
        server = smtplib.SMTP(host, port, timeout=_MOST_SECONDS)
    with server:
        if settings.security == "starttls":
            server.starttls(context=trusted)
        if settings.user:
            server.login(settings.user, password)
        yield server


def read_password(path: Path) -> str:
    """The password in a file, its first line; `UserError` where it is missing or others than its owner can read it."""
    try:
        with path.open("rb") as file:
            if stat.S_IMODE(fstat(file.fileno()).st_mode) & (stat.S_IRWXG | stat.S_IRWXO):
                raise UserError(f"others can read the password file {path}.", remedy=f"Run: chmod 600 {path}")
            line = file.readline(_MOST_PASSWORD_BYTES).decode("ascii", "replace").rstrip("\r\n")
    except OSError as error:
        raise UserError(f"the password file {path} cannot be read: {error.strerror}.") from None
    if not line or not line.isascii():
        raise UserError(f"the first line of {path} must be a password in ASCII.")
    return line


def _said(error: OSError) -> str:
    """What an error says, in a sentence: the server's own words where it answered."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return " ".join(f"{address}: {_answered(*answer)}" for address, answer in error.recipients.items())
    if isinstance(error, smtplib.SMTPResponseException):
        return _answered(error.smtp_code, error.smtp_error)
    return f"{(error.strerror or str(error) or type(error).__name__).rstrip('.')}."


def _answered(code: int, text: bytes | str) -> str:
    """A server's answer as a sentence on one line."""
    text = text.decode("ascii", "replace") if isinstance(text, bytes) else text
    return f"the server answered {code} {' '.join(text.split()).rstrip('.')}."
