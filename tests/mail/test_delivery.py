"""Mail in the outbox and a real server: on, off, refusing, encrypted or not; nothing is lost."""

import ssl
from pathlib import Path
from typing import Any

import pytest
import trustme

from pipeline.errors import UserError
from pipeline.mail import delivery
from pipeline.mail.delivery import deliver, read_password
from pipeline.mail.outbox import Outbox

from .postbox import HOST, PASSWORD, USER, plain_mail, read, serving, settings


@pytest.fixture
def outbox(tmp_path: Path) -> Outbox:
    """An outbox in which two mails wait."""
    outbox = Outbox(tmp_path / "shop.duckdb")
    outbox.put("2031-02-23.week", plain_mail("second"))
    outbox.put("2031-02-16.week", plain_mail("first"))
    return outbox


def names(outbox: Outbox) -> tuple[list[str], list[str]]:
    """What waits and what was sent."""
    sent = sorted(path.name for path in (outbox.folder / "sent").iterdir())
    return [path.name for path in outbox.waiting()], sent


NONE_SENT = (["2031-02-16.week.eml", "2031-02-23.week.eml"], [])
ALL_SENT = ([], ["2031-02-16.week.eml", "2031-02-23.week.eml"])


def test_what_waits_is_handed_on_the_oldest_first_and_once(outbox: Outbox) -> None:
    with serving() as box:
        assert list(deliver(outbox, settings(box.port))) == []
        assert list(deliver(outbox, settings(box.port))) == []
    assert box.subjects == ["first", "second"]
    assert names(outbox) == ALL_SENT
    [first, _] = box.got
    assert (first.mail_from, first.rcpt_tos) == ("scapha@chain.example", ["owner@chain.example"])
    assert first.content == (outbox.folder / "sent" / "2031-02-16.week.eml").read_bytes()
    assert read(first.content).get_content().splitlines() == ["Körper", ".", ".."]


def test_without_a_server_all_stays_in_the_outbox(outbox: Outbox) -> None:
    assert list(deliver(outbox, settings())) == []
    assert names(outbox) == NONE_SENT


def test_a_server_that_is_off_is_told_and_tried_again(outbox: Outbox) -> None:
    with serving() as box:
        pass
    [warning] = deliver(outbox, settings(box.port))
    assert str(outbox.folder) in warning
    assert f"{HOST}, port {box.port}, did not take it: Connection refused." in warning
    assert names(outbox) == NONE_SENT
    with serving() as box:
        assert list(deliver(outbox, settings(box.port))) == []
    assert box.subjects == ["first", "second"]


def test_a_mail_that_is_refused_keeps_no_other_back(outbox: Outbox) -> None:
    outbox.put("2031-02-20.incidents-1", plain_mail("third", "lead@chain.example"))
    with serving() as box:
        box.refuses = {"owner@chain.example"}
        first, second = deliver(outbox, settings(box.port))
    assert box.subjects == ["third"]
    assert (
        "2031-02-16.week.eml waits for the next night: owner@chain.example: the server answered 550 No such mailb"
        in first
    )
    assert "2031-02-23.week.eml" in second
    assert names(outbox) == (NONE_SENT[0], ["2031-02-20.incidents-1.eml"])


def test_a_mail_that_not_all_get_is_not_sent_again_to_the_others(outbox: Outbox) -> None:
    for path in outbox.waiting():
        path.unlink()
    outbox.put("2031-02-20.incidents-1", plain_mail("third", "lead@chain.example, owner@chain.example"))
    with serving() as box:
        box.refuses = {"lead@chain.example"}
        [warning] = deliver(outbox, settings(box.port))
    assert "was sent, but not to lead@chain.example: the server answered 550 No such mailbox." in warning
    assert box.got[0].rcpt_tos == ["owner@chain.example"]
    assert names(outbox) == ([], ["2031-02-20.incidents-1.eml"])


def test_one_killed_before_it_is_noted_is_sent_again_as_the_same(
    outbox: Outbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    class KilledError(Exception):
        pass

    def killed(*_: object) -> None:
        raise KilledError

    with serving() as box:
        with monkeypatch.context() as patch:
            patch.setattr(Outbox, "note_sent", killed)
            with pytest.raises(KilledError):
                list(deliver(outbox, settings(box.port)))
        list(deliver(outbox, settings(box.port)))
    assert box.subjects == ["first", "first", "second"]
    assert box.got[0].content == box.got[1].content


def test_a_file_that_is_no_mail_of_ours_is_named_and_left(outbox: Outbox) -> None:
    (outbox.folder / "a.eml").write_text("Subject: hello\n\nhello\n")
    with serving() as box:
        [warning] = deliver(outbox, settings(box.port))
    assert "a.eml is no mail of a night" in warning
    assert box.subjects == ["first", "second"]


@pytest.fixture
def password(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text(f"{PASSWORD}\n")
    path.chmod(0o600)
    return path


def test_who_knows_the_password_may_send(outbox: Outbox, password: Path) -> None:
    with serving(asks_for_password=True) as box:
        known = settings(box.port, user=USER, password_file=str(password))
        assert list(deliver(outbox, known)) == []
    assert box.subjects == ["first", "second"]


def test_a_wrong_password_is_told_without_it(outbox: Outbox, password: Path) -> None:
    password.write_text("Tr0ub4dor")
    with serving(asks_for_password=True) as box:
        [warning] = deliver(outbox, settings(box.port, user=USER, password_file=str(password)))
    assert "the server answered 535" in warning
    assert "Tr0ub4dor" not in warning
    assert (box.got, names(outbox)) == ([], NONE_SENT)


@pytest.mark.parametrize(
    ("content", "mode", "said"),
    [
        ("secret\n", 0o640, "Run: chmod 600"),
        ("secret\n", 0o604, "others can read"),
        ("\nsecret\n", 0o600, "must be a password"),
        ("schlüssel\n", 0o600, "in ASCII"),
    ],
)
def test_a_password_that_will_not_do_is_refused(tmp_path: Path, content: str, mode: int, said: str) -> None:
    path = tmp_path / "password"
    path.write_text(content, encoding="utf-8")
    path.chmod(mode)
    with pytest.raises(UserError, match=said) as caught:
        read_password(path)
    assert content.strip() not in str(caught.value)


def test_without_its_password_nothing_is_sent_and_the_file_is_named(outbox: Outbox, tmp_path: Path) -> None:
    with serving() as box:
        [warning] = deliver(outbox, settings(box.port, user=USER, password_file=str(tmp_path / "none")))
    assert f"the password file {tmp_path / 'none'} cannot be read: No such file or directory." in warning
    assert (box.got, names(outbox)) == ([], NONE_SENT)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="module")
def certified(authority: trustme.CA) -> ssl.SSLContext:
    """What a server is encrypted with."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert(HOST).configure_cert(context)
    return context


@pytest.fixture
def trusting(authority: trustme.CA, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let this machine trust the authority that certified the server."""
    authority.cert_pem.write_to_path(str(tmp_path / "authority.pem"))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "authority.pem"))


def encrypted(security: str, context: ssl.SSLContext) -> dict[str, Any]:
    return {"tls": context} if security == "tls" else {"tls_context": context, "require_starttls": True}


@pytest.mark.usefixtures("trusting")
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_goes_encrypted_to_a_server_that_is_trusted(
    outbox: Outbox, certified: ssl.SSLContext, security: str
) -> None:
    with serving(**encrypted(security, certified)) as box:
        assert list(deliver(outbox, settings(box.port, security=security))) == []
    assert box.subjects == ["first", "second"]


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_nothing_goes_to_a_server_that_nobody_vouches_for(
    outbox: Outbox, certified: ssl.SSLContext, security: str
) -> None:
    with serving(**encrypted(security, certified)) as box:
        [warning] = deliver(outbox, settings(box.port, security=security))
    assert "certificate verify failed" in warning
    assert (box.got, names(outbox)) == ([], NONE_SENT)


def test_nothing_goes_in_the_clear_where_the_server_cannot_encrypt(outbox: Outbox, password: Path) -> None:
    with serving(asks_for_password=True) as box:
        told = settings(box.port, security="starttls", user=USER, password_file=str(password))
        [warning] = deliver(outbox, told)
    assert "STARTTLS" in warning
    assert (box.got, names(outbox)) == ([], NONE_SENT)


def test_a_server_that_goes_away_amid_the_mails_has_the_others_sent_later(
    outbox: Outbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "_MOST_SECONDS", 5)
    with serving() as box:
        take = box.handle_DATA

        async def once(server: Any, session: Any, envelope: Any) -> str:
            if box.got:
                server.transport.close()
            return await take(server, session, envelope) if not box.got else "421 Gone."

        box.handle_DATA = once  # type: ignore[method-assign]
        [warning] = deliver(outbox, settings(box.port))
    assert "waits" in warning
    assert names(outbox) == (["2031-02-23.week.eml"], ["2031-02-16.week.eml"])
