"""Whom mail goes to and by which server: the table `[mail]` of the settings."""

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
"""An address as in the HTML standard, with the 64 letters before the @ that SMTP allows (RFC 5321)."""
_ON_THIS_MACHINE = ("localhost", "127.0.0.1", "::1")
_PORTS = {"starttls": 587, "tls": 465, "none": 25}


def _address(text: str) -> str:
    """The address itself where it is plainly one, so that nothing of it can begin another line of a mail's head."""
    if not _ADDRESS.fullmatch(text) or len(text) > 254:
        raise ValueError("must be an address such as owner@example.org, without a name beside it")
    return text


def _plain(text: str) -> str:
    if not text.isascii() or not text.isprintable() or " " in text:
        raise ValueError("must be of letters, digits and marks of ASCII, without spaces")
    return text


Plain = Annotated[str, AfterValidator(_plain)]
Address = Annotated[str, AfterValidator(_address)]


class MailSettings(BaseModel):
    """Mail that a night sends: from and to which addresses, and how it is handed on.

    Without a server it stays in the outbox. The password is never a setting, since settings are kept and shown: it
    stands in a file of its own.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, serialize_by_alias=True)

    sender: Address = Field(alias="from", description="the address that mail comes from")
    owner: tuple[Address, ...] = Field(default=(), strict=False, description="who gets the week")
    quality_lead: tuple[Address, ...] = Field(default=(), strict=False, description="who hears of new incidents")
    server: Plain | None = Field(default=None, min_length=1, max_length=253, description="without it nothing is sent")
    port: int | None = Field(default=None, ge=1, le=65535, description="without it as is usual for the security")
    security: Literal["starttls", "tls", "none"] = Field(default="starttls", description="how the way is encrypted")
    user: Plain | None = Field(default=None, min_length=1, description="whom the server knows us as")
    password_file: str | None = Field(default=None, min_length=1, description="its owner's alone to read")

    @model_validator(mode="after")
    def _fits_together(self) -> "MailSettings":
        if (self.user is None) != (self.password_file is None):
            raise ValueError("must have user and password_file both, or neither")
        if self.user is not None and self.security == "none" and self.server not in _ON_THIS_MACHINE:
            raise ValueError('must not have security = "none" with a password, but for a server on this machine')
        return self

    @property
    def port_used(self) -> int:
        """The port that is set, else the usual one: 587 for STARTTLS, 465 for TLS, 25 for none."""
        return self.port or _PORTS[self.security]
