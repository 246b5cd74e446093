"""What a night owes: each week and each incident once, decided by what lies in the outbox."""

import stat
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from pages.rows import plain_week, together, week
from pipeline.addressees import MailSettings
from pipeline.mail.night import mail_night
from pipeline.mail.outbox import Outbox
from pipeline.places import owner_only
from reports.edition import Edition
from support.editions import AS_OF, written
from support.exports import KEY

from .postbox import mails, serving, settings
from .test_letters import opened, with_incidents

NOW = datetime(2031, 2, 17, 3, 0, tzinfo=UTC)
WEEK = timedelta(weeks=1)

pytestmark = pytest.mark.usefixtures("undrawn", "short_file")


@pytest.fixture
def short_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the attached file be short: these tests are about when there is mail."""
    monkeypatch.setattr("reports.mail.week.as_one_file", lambda *_: "<p>the edition</p>")


class Nights:
    """Nights over editions, with the outbox beside one store."""

    def __init__(self, folder: Path) -> None:
        self.store = folder / "shop.duckdb"
        self.folder = folder / "shop.outbox"

    def mail(self, edition: Edition, told: MailSettings | None, now: datetime = NOW) -> tuple[str, ...]:
        with owner_only():
            return mail_night(edition, told, store=self.store, key=KEY, now=now)

    @property
    def names(self) -> list[str]:
        return sorted(mails(self.folder))


@pytest.fixture
def nights(tmp_path: Path) -> Nights:
    return Nights(tmp_path)


def week_to(last: date) -> Edition:
    """A chain of one branch whose newest whole week ends on a Sunday."""
    monday = last - timedelta(days=6)
    return written(as_of=last, results=together(plain_week(), {"weekly": [week(monday, "B2")]}))


@pytest.mark.parametrize("told", [None, settings(owner=[], quality_lead=[])])
def test_without_addressees_no_mail_is_made(nights: Nights, told: MailSettings | None) -> None:
    assert nights.mail(with_incidents(("lot", "L1")), told) == ()
    assert not nights.folder.exists()


def test_each_week_is_mailed_once_on_its_first_night_and_only_the_newest(nights: Nights) -> None:
    assert nights.mail(week_to(AS_OF), settings()) == ()
    assert nights.names == ["2031-02-16.week.eml"]
    first = (nights.folder / nights.names[0]).read_bytes()
    for later in range(1, 7):
        edition = replace(week_to(AS_OF), as_of=AS_OF + timedelta(days=later))
        assert nights.mail(edition, settings(), NOW + timedelta(days=later)) == ()
    assert nights.names == ["2031-02-16.week.eml"]
    assert (nights.folder / nights.names[0]).read_bytes() == first
    nights.mail(week_to(AS_OF + 3 * WEEK), settings())
    assert nights.names == ["2031-02-16.week.eml", "2031-03-09.week.eml"]
    assert [str(mail["To"]) for mail in mails(nights.folder).values()] == ["owner@chain.example"] * 2


def test_what_was_sent_is_not_written_again_and_two_weeks_are_two_mails(nights: Nights) -> None:
    with serving() as box:
        for last in (AS_OF, AS_OF, AS_OF + WEEK):
            assert nights.mail(week_to(last), settings(box.port)) == ()
    assert box.subjects == ["The week 10 to 16 February 2031", "The week 17 to 23 February 2031"]
    assert nights.names == []


def test_what_a_night_could_not_send_the_next_one_does(nights: Nights) -> None:
    with serving() as box:
        pass
    [warning] = nights.mail(week_to(AS_OF), settings(box.port))
    assert "did not take it" in warning
    with serving() as box:
        assert nights.mail(week_to(AS_OF + WEEK), settings(box.port)) == ()
    assert len(box.got) == 2


def test_a_night_tells_of_all_incidents_that_no_mail_tells_of(nights: Nights) -> None:
    told = settings(owner=[])
    nights.mail(with_incidents(("lot", "L1"), ("practitioner", "W-Ida7")), told)
    nights.mail(with_incidents(("practitioner", "W-Ida7"), ("lot", "L1")), told)
    [first] = mails(nights.folder).values()
    assert first["Subject"] == "Corrowmere: 2 incidents opened"
    assert str(first["To"]) == "lead@chain.example, deputy@chain.example"
    later = replace(with_incidents(("lot", "L1"), ("lot", "L2")), as_of=AS_OF + timedelta(days=3))
    nights.mail(later, told)
    second = mails(nights.folder)[nights.names[1]]
    assert second["Subject"] == "Corrowmere: 1 incident opened"
    assert "Lot L2" in second.as_string()
    assert "Lot L1" not in second.as_string()
    assert [name[:20] for name in nights.names] == ["2031-02-16.incidents", "2031-02-19.incidents"]


def test_no_incident_is_named_so_that_it_could_be_tried(nights: Nights) -> None:
    pair = ("practitioner", "W-Ida7")
    nights.mail(with_incidents(pair), settings(owner=[]))
    [identifier] = [row["incident_id"] for row in opened(pair)]
    [(name, mail)] = mails(nights.folder).items()
    assert identifier.removeprefix("I-") not in name + mail.as_string()
    assert str(mail["Scapha-Tells-Of"]).startswith("incident-")


def test_a_mail_that_was_taken_away_is_written_anew(nights: Nights) -> None:
    nights.mail(week_to(AS_OF), settings())
    (nights.folder / nights.names[0]).unlink()
    nights.mail(week_to(AS_OF), settings(owner=["new@chain.example"]))
    assert [str(mail["To"]) for mail in mails(nights.folder).values()] == ["new@chain.example"]


def test_only_its_owner_can_read_the_outbox(nights: Nights) -> None:
    nights.mail(week_to(AS_OF), settings())
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (nights.folder, *nights.folder.rglob("*"))}
    assert modes == {"shop.outbox": 0o700, "sent": 0o700, "2031-02-16.week.eml": 0o600}


def test_an_outbox_that_cannot_be_written_is_told(nights: Nights) -> None:
    nights.folder.write_text("no folder")
    [warning] = nights.mail(week_to(AS_OF), settings())
    assert "Mail could not be written" in warning
    assert str(nights.folder) in warning


def test_a_mail_is_whole_or_not_there(nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("pipeline.mail.outbox.os.fsync", full)
        [warning] = nights.mail(week_to(AS_OF), settings())
    assert "No space left on device" in warning
    assert [path.name for path in nights.folder.iterdir()] == ["sent"]
    (nights.folder / ".writing").write_text("of a run that was killed")
    assert nights.mail(week_to(AS_OF), settings()) == ()
    assert sorted(path.name for path in nights.folder.iterdir()) == ["2031-02-16.week.eml", "sent"]


def test_an_empty_night_owes_nothing(nights: Nights) -> None:
    nothing = written(as_of=None, data_from=None)
    assert nights.mail(nothing, settings()) == ()
    assert Outbox(nights.store).told() == set()
