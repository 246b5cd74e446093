"""The settings of mail: what is refused and how it is told, and that no password is ever among them."""

import tomllib
from pathlib import Path

import duckdb
import pytest

from pipeline.addressees import MailSettings
from pipeline.errors import UsageError
from pipeline.settings import Settings, as_toml, read_settings, shown
from pipeline.store.kept import keep_settings, kept_settings

WHOLE = """chain_name = "Corrowmere"
[mail]
from = "scapha@chain.example"
owner = ["owner@chain.example"]
quality_lead = ["lead@chain.example"]
server = "mail.chain.example"
user = "scapha"
password_file = "mail.password"
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "scapha.toml"


def refusal(path: Path, text: str) -> str:
    path.write_text(text, "utf-8")
    with pytest.raises(UsageError) as caught:
        read_settings(path)
    return caught.value.problem


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("ownr = []", "mail.ownr is no setting of mail (did you mean owner?), line 3"),
        ('password = "secret"', "mail.password is no setting of mail (did you mean password_file?), line 3"),
        ('owner = "a@b.example"', "mail.owner must be a list, in square brackets, line 3"),
        ('owner = ["a@b.example", "nobody"]', "mail.owner[2] must be an address such as owner@example.org"),
        ('owner = ["a@b.example\\r\\nBcc: eve@b.example"]', "mail.owner[1] must be an address"),
        ('owner = ["Owner <a@b.example>"]', "mail.owner[1] must be an address"),
        ('owner = ["a@b.example,c@d.example"]', "mail.owner[1] must be an address"),
        ('owner = ["ø@b.example"]', "mail.owner[1] must be an address"),
        ("port = 0", "mail.port must be 1 or more, line 3"),
        ("port = 65536", "mail.port must be 65535 or less, line 3"),
        ('security = "ssl"', "mail.security must be one of 'starttls', 'tls' or 'none', line 3"),
        (
            'server = "mail example"',
            "mail.server must be of letters, digits and marks of ASCII, without spaces",
        ),
        ('user = "scapha"', "mail must have user and password_file both, or neither, line 1"),
        (
            'user = "scapha"\npassword_file = "p"\nsecurity = "none"\nserver = "mail.example"',
            'mail must not have security = "none" with a password, but for a server on this machine, line 1',
        ),
    ],
)
def test_what_cannot_be_is_refused_by_its_name(path: Path, line: str, said: str) -> None:
    problem = refusal(path, f'[mail]\nfrom = "scapha@chain.example"\n{line}\n')
    assert said in problem
    assert "secret" not in problem


def test_mail_must_be_from_someone(path: Path) -> None:
    assert "mail.from is missing" in refusal(path, "[mail]\n")


def test_what_is_set_is_shown_and_survives_toml_and_the_store(path: Path) -> None:
    path.write_text(WHOLE, "utf-8")
    settings = read_settings(path)
    rows = {name: (value, origin) for name, value, origin in shown(settings, path)}
    assert rows["mail.from"] == ('"scapha@chain.example"', f"{path}, line 3")
    assert rows["mail.owner"] == ('["owner@chain.example"]', f"{path}, line 4")
    assert rows["mail.security"] == ('"starttls"', "default")
    assert rows["mail.password_file"] == ('"mail.password"', f"{path}, line 8")
    assert Settings.model_validate(tomllib.loads(as_toml(settings))) == settings
    with duckdb.connect() as con:
        con.execute("create table kept_settings (settings varchar)")
        keep_settings(con, settings)
        assert kept_settings(con) == settings


@pytest.mark.parametrize(("security", "port"), [("starttls", 587), ("tls", 465), ("none", 25)])
def test_the_usual_port_holds_where_none_is_set(security: str, port: int) -> None:
    told = MailSettings.model_validate({"from": "a@b.example", "security": security})
    assert told.port_used == port
    assert MailSettings.model_validate({"from": "a@b.example", "port": 2525}).port_used == 2525
