"""Whole nights that mail: after the site and never instead of it, and what they leave in the store and say."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline import nightly
from pipeline.cli import main
from support.exports import export, fill
from support.shortened import without_figures

from .postbox import HOST, PASSWORD, USER, mails, serving

SETTINGS = """chain_name = "Corrowmere"
[mail]
from = "scapha@chain.example"
owner = ["owner@chain.example"]
quality_lead = ["lead@chain.example"]
"""
FIRST = {"branches.csv": export("branches", {}), "procedures.csv": export("procedures", {})}
"""A piercing on 3 May 2024, a Friday: its week is not whole."""


def until(day: str) -> dict[str, str]:
    """A piercing of that day, and so all days before it are told of."""
    row = {"procedure_id": f"P{day}", "visit_id": f"V{day}", "performed_at": f"{day}T10:00"}
    return {f"procedures_{day}.csv": export("procedures", row)}


class BreakdownError(Exception):
    """A fault that no one foresaw."""


class Shop:
    """A folder with an inbox whose nights are short and mail."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.outbox = folder / "scapha.outbox"
        fill(folder / "inbox", FIRST | {"scapha.toml": SETTINGS})

    def run(self, command: str, files: dict[str, str] | None = None) -> Result:
        fill(self.folder / "inbox", files or {})
        return CliRunner().invoke(main, [*command.split(), "--json", "--quiet"])

    def night(self, files: dict[str, str] | None = None, more: str = "") -> Result:
        ran = self.run(f"nightly inbox {more}", files)
        assert ran.exit_code == 0, ran.output
        assert json.loads(ran.stdout)["site_changed"] in (True, False)
        return ran

    def send_by(self, port: int, password: str) -> None:
        """Set a server and a password for it."""
        (self.folder / "secret").write_text(password)
        (self.folder / "secret").chmod(0o600)
        server = f'server = "{HOST}"\nport = {port}\nsecurity = "none"\nuser = "{USER}"\npassword_file = "secret"\n'
        fill(self.folder / "inbox", {"scapha.toml": SETTINGS + server})

    @property
    def bytes(self) -> dict[str, bytes]:
        """What the store and its files hold."""
        return {path.name: path.read_bytes() for path in self.folder.glob("scapha.*") if path.is_file()}


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    without_figures(monkeypatch.setattr)
    monkeypatch.setattr(nightly, "build_site", lambda _, folder: (folder / "index.html").write_text("<p>built</p>"))
    monkeypatch.setattr("reports.mail.week.as_one_file", lambda *_: "<p>the edition</p>")
    monkeypatch.chdir(tmp_path)
    return Shop(tmp_path)


@pytest.mark.usefixtures("undrawn")
def test_a_week_is_mailed_by_the_first_night_that_tells_of_it_and_by_no_report(shop: Shop) -> None:
    shop.night()
    assert not shop.outbox.exists()
    shop.night(until("2024-05-19"), "--as-of 2024-05-19")
    assert shop.run("report").exit_code == 0
    assert not shop.outbox.exists()
    shop.night()
    assert list(mails(shop.outbox)) == ["2024-05-19.week.eml"]
    before = shop.bytes | mails_bytes(shop)
    shop.night()
    assert shop.bytes | mails_bytes(shop) == before
    shop.night(until("2024-06-02"))
    assert list(mails(shop.outbox)) == ["2024-05-19.week.eml", "2024-06-02.week.eml"]


def mails_bytes(shop: Shop) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in shop.outbox.rglob("*.eml")}


@pytest.mark.usefixtures("undrawn")
def test_a_night_stands_whose_mail_fails_and_the_next_one_sends_it(shop: Shop) -> None:
    with serving() as box:
        pass
    shop.send_by(box.port, PASSWORD)
    ran = shop.night(until("2024-05-19"))
    assert "Mail waits in" in ran.stderr
    assert f"{HOST}, port {box.port}, did not take it" in ran.stderr
    assert Path("site/index.html").is_file()
    with serving(asks_for_password=True) as box:
        shop.send_by(box.port, "wrong")
        ran = shop.night()
        assert "the server answered 535" in ran.stderr
        assert "wrong" not in ran.output
        shop.send_by(box.port, PASSWORD)
        assert shop.night().stderr == ""
        assert shop.night().stderr == ""
    assert box.subjects == ["Corrowmere: the week 13 to 19 May 2024"]
    assert [path.name for path in shop.outbox.rglob("*.eml")] == ["2024-05-19.week.eml"]
    everything = b"".join([*shop.bytes.values(), *mails_bytes(shop).values()])
    assert b"scapha@chain.example" in everything
    assert PASSWORD.encode() not in everything
    assert PASSWORD not in shop.run("settings --show").output


@pytest.mark.usefixtures("undrawn")
def test_a_night_that_ends_before_its_mail_has_it_sent_by_the_next(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise BreakdownError

    with monkeypatch.context() as patch:
        patch.setattr(nightly, "mail_night", breaks)
        ran = shop.run("nightly inbox", until("2024-05-19"))
    assert isinstance(ran.exception, BreakdownError)
    assert Path("site/index.html").is_file()
    shop.night()
    assert list(mails(shop.outbox)) == ["2024-05-19.week.eml"]
