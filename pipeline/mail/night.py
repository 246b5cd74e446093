"""The mail that a night owes: its newest week for the owner, and incidents never mailed for the quality lead.

It is made once the night stands: a mail is no part of it, and one that fails is told as a warning. A week is mailed
once, as known on the first night on which the owner's page tells of it, and only the newest, however many have passed;
incidents that are open and stand in no mail yet go together in one.
"""

import hmac
from datetime import datetime, timedelta
from pathlib import Path

from pipeline.addressees import MailSettings
from pipeline.mail.delivery import deliver
from pipeline.mail.message import as_message
from pipeline.mail.outbox import Outbox
from reports.business import last_complete_week
from reports.edition import Edition
from reports.mail.incidents import incidents_letter
from reports.mail.letter import Letter
from reports.mail.week import week_letter


def mail_night(
    edition: Edition, settings: MailSettings | None, *, store: Path, key: bytes, now: datetime
) -> tuple[str, ...]:
    """Write what is due into the outbox of a store and hand on what waits there; gives warnings.

    `key` is the store's, `now` the present in UTC. To be called by one run at a time, as the store's lock sees to.
    """
    if settings is None:
        return ()
    post = _Post(edition, settings, Outbox(store), key, now)
    try:
        post.write_week()
        post.write_incidents()
    except OSError as error:
        return (f"Mail could not be written to {post.outbox.folder}, and is by the next night: {error.strerror}.",)
    return tuple(deliver(post.outbox, settings))


class _Post:
    """What one night mails."""

    def __init__(self, edition: Edition, settings: MailSettings, outbox: Outbox, key: bytes, now: datetime) -> None:
        self.edition, self.settings, self.outbox, self._key, self._now = edition, settings, outbox, key, now
        self._told = outbox.told()

    def write_week(self) -> None:
        """Write the owner's mail, if there is a whole week and no mail of it."""
        monday = last_complete_week(self.edition)
        if monday is None or not self.settings.owner or f"week-{monday}" in self._told:
            return
        letter = week_letter(self.edition)
        if letter:
            self._write(f"{monday + timedelta(days=6)}.week", letter, self.settings.owner, [f"week-{monday}"])

    def write_incidents(self) -> None:
        """Write the quality lead's mail, if an incident is open that no mail tells of.

        An incident's own name is a digest of what it is about, a practitioner maybe: so a mail names it by a hash that
        only this store's key can give.
        """
        names = {one: f"incident-{self._hash(one)}" for one in self.edition.results["incidents"]["incident_id"]}
        new = {one: name for one, name in names.items() if name not in self._told}
        letter = incidents_letter(self.edition, new) if new and self.settings.quality_lead else None
        if letter:
            tells_of = sorted(new.values())
            name = f"{self.edition.as_of}.incidents-{self._hash(*tells_of)[:8]}"
            self._write(name, letter, self.settings.quality_lead, tells_of)

    def _write(self, name: str, letter: Letter, to: tuple[str, ...], tells_of: list[str]) -> None:
        message = as_message(
            letter,
            self.settings,
            to,
            chain_name=self.edition.chain_name,
            now=self._now,
            identity=self._hash("mail", name),
            tells_of=tells_of,
        )
        self.outbox.put(name, message)

    def _hash(self, *texts: str) -> str:
        return hmac.new(self._key, "\n".join(("mail", *texts)).encode(), "sha256").hexdigest()[:24]
