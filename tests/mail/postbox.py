"""A real SMTP server on this machine, and mail as the one who gets it reads it."""

import re
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from html import unescape
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword

from pipeline.addressees import MailSettings
from pipeline.mail.outbox import MAIL

HOST = "127.0.0.1"
USER, PASSWORD = "scapha", "correct horse"


@dataclass
class Postbox:
    """What a server got, whom it refuses, and whether it takes mail only from who knows the password."""

    port: int = 0
    got: list[Envelope] = field(default_factory=list)
    refuses: set[str] = field(default_factory=set)
    asks_for_password: bool = False

    async def handle_RCPT(self, _: Any, session: Any, envelope: Envelope, address: str, *__: Any) -> str:  # noqa: N802
        if self.asks_for_password and not session.authenticated:
            return "530 Who are you?"
        if address in self.refuses:
            return "550 No such\tmailbox."
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _: Any, __: Any, envelope: Envelope) -> str:  # noqa: N802
        self.got.append(envelope)
        return "250 OK"

    @property
    def subjects(self) -> list[str]:
        return [str(read(envelope.content)["Subject"]) for envelope in self.got]


class _Server(Controller):
    """A server on a port that is free: the library's own asks for one by number."""

    def _create_server(self) -> Any:
        listening = socket.create_server((HOST, 0))
        self.port = listening.getsockname()[1]
        return self.loop.create_server(self._factory_invoker, sock=listening, ssl=self.ssl_context)


@contextmanager
def serving(*, tls: ssl.SSLContext | None = None, asks_for_password: bool = False, **options: Any) -> Iterator[Postbox]:
    """A server while it runs; with `tls` it is encrypted from the first byte, further options are its own."""
    box = Postbox(asks_for_password=asks_for_password)
    server = _Server(box, hostname=HOST, ssl_context=tls, authenticator=_check, auth_require_tls=False, **options)
    server.start()
    box.port = server.port
    try:
        yield box
    finally:
        server.stop()


def _check(_: Any, __: Any, ___: Any, ____: Any, told: Any) -> AuthResult:
    return AuthResult(success=told == LoginPassword(USER.encode(), PASSWORD.encode()), handled=False)


def settings(port: int | None = None, **changes: Any) -> MailSettings:
    """Settings of mail from a chain to its owner and quality lead; with a port to a server there, else to none."""
    told: dict[str, Any] = {
        "from": "scapha@chain.example",
        "owner": ["owner@chain.example"],
        "quality_lead": ["lead@chain.example", "deputy@chain.example"],
    }
    server = {"server": HOST, "port": port, "security": "none"} if port else {}
    return MailSettings.model_validate(told | server | changes)


def plain_mail(subject: str, to: str = "owner@chain.example") -> EmailMessage:
    """A short mail, for tests of what happens to it."""
    message = EmailMessage(policy=MAIL)
    message["From"], message["To"], message["Subject"] = "scapha@chain.example", to, subject
    message["Message-ID"] = f"<{subject.replace(' ', '')}@chain.example>"
    message.set_content("Körper\n.\n..\n", cte="quoted-printable")
    return message


def read(content: bytes | str | None) -> EmailMessage:
    """A mail as its reader's program understands it."""
    assert isinstance(content, bytes)
    return message_from_bytes(content, EmailMessage, policy=policy.default)


def mails(folder: Path) -> dict[str, EmailMessage]:
    """The mails of a folder by their names."""
    return {path.name: read(path.read_bytes()) for path in sorted(folder.glob("*.eml"))}


def part(mail: EmailMessage, kind: str) -> str:
    """The one part of a kind that is no attachment, as text."""
    [found] = [one for one in mail.walk() if one.get_content_type() == kind and not one.is_attachment()]
    text: str = found.get_content()
    return text


def attachment(mail: EmailMessage) -> str:
    """The attached file."""
    [found] = mail.iter_attachments()
    text: str = found.get_content()  # type: ignore[attr-defined]
    return text


def everything_in(mail: EmailMessage) -> str:
    """All that a mail holds, head and parts, decoded; pictures as Latin letters."""
    texts = [str(mail)]
    for one in mail.walk():
        texts += [f"{name}: {value}" for name, value in one.items()]
        if not one.is_multipart():
            content = one.get_content()
            texts.append(content if isinstance(content, str) else content.decode("latin-1"))
    return unescape("\n".join(texts))


def words_of(text: str) -> set[str]:
    """The words of a text, with hyphens."""
    return set(re.findall(r"[\w-]+", text))
