"""A letter as a message to be sent: text, the same as HTML with its pictures inside, and a file with it.

Whatever is in it is written so that the same letter gives the same bytes but for its date, its parts' borders too.
"""

from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime

from pipeline.addressees import MailSettings
from pipeline.mail.outbox import MAIL, TELLS_OF
from reports.mail.letter import Letter

_MOST_NAME = 80


def as_message(
    letter: Letter,
    settings: MailSettings,
    to: tuple[str, ...],
    *,
    chain_name: str,
    now: datetime,
    identity: str,
    tells_of: list[str],
) -> EmailMessage:
    """The message to some addresses. By its `identity` the receiving side can tell that it has it already.

    `tells_of` names what no later mail is to tell of again.
    """
    message = EmailMessage(policy=MAIL)
    message["From"] = Address(display_name=one_line(chain_name)[:_MOST_NAME], addr_spec=settings.sender)
    message["To"] = [Address(addr_spec=address) for address in to]
    message["Subject"] = one_line(letter.subject)
    message["Date"] = format_datetime(now)
    message["Message-ID"] = f"<{identity}@{settings.sender.partition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # no one's absence is told to a machine (RFC 3834)
    message[TELLS_OF] = " ".join(tells_of)
    message.set_content(letter.text, cte="quoted-printable")
    message.add_alternative(letter.html, subtype="html", cte="quoted-printable")
    *_, html = message.iter_parts()
    for picture in letter.pictures:
        html.add_related(
            picture.png, "image", "png", cid=f"<{picture.content_id}>", disposition="inline", filename="chart.png"
        )
    if letter.pictures:
        html.set_param("type", "text/html")  # what to show of text and pictures together (RFC 2387)
    if letter.attached:
        message.add_attachment(letter.attached.html, subtype="html", filename=letter.attached.name, cte="base64")
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        part.set_boundary(f"=_{number}_{identity}")  # no line of an encoded part begins so
    return message


def one_line(text: str) -> str:
    """A text as a header takes it: what breaks a line, or cannot be printed, becomes a space."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
