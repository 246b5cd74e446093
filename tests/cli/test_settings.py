"""Settings: where they are found, what holds without them, and how faults in them are told."""

from pathlib import Path
from zoneinfo import available_timezones

import duckdb
import pytest
from pydantic import ValidationError

from pipeline.contract.timezones import known_zones
from pipeline.errors import UsageError
from pipeline.settings import Settings, find_settings, read_settings


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "scapha.toml"


def refusal(path: Path, text: str | bytes) -> str:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    with pytest.raises(UsageError) as caught:
        read_settings(path)
    assert caught.value.exit_code == 2
    assert str(path) in caught.value.problem
    assert "\n" not in caught.value.problem
    return caught.value.problem


def test_without_a_file_the_contract_s_defaults_hold() -> None:
    settings = read_settings(None)
    assert settings.timezone == "UTC"
    assert settings.adult_age == 18
    assert settings.allowed_site_groups == ("lobe", "upper_cartilage")


def test_an_empty_file_is_the_same_as_none(path: Path) -> None:
    path.touch()
    assert read_settings(path) == read_settings(None)


def test_what_a_file_sets_holds(path: Path) -> None:
    path.write_text(
        'timezone = "Europe/Oslo"\nadult_age = 16\nallowed_site_groups = ["lobe"]\nchain_name = "Ærø"\n', "utf-8"
    )
    settings = read_settings(path)
    assert (settings.timezone, settings.adult_age) == ("Europe/Oslo", 16)
    assert (settings.allowed_site_groups, settings.chain_name) == (("lobe",), "Ærø")


def test_settings_cannot_be_changed_afterwards() -> None:
    for name in Settings.model_fields:
        with pytest.raises(ValidationError):
            setattr(Settings(), name, None)


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("timezon", "timezone"),
        ("adult-age", "adult_age"),
        ("allowed_sites", "allowed_site_groups"),
        ("chainname", "chain_name"),
    ],
)
def test_an_unknown_setting_is_refused_with_the_nearest_known_one(path: Path, wrong: str, right: str) -> None:
    problem = refusal(path, f'"{wrong}" = 1\n')
    assert wrong in problem
    assert right in problem


def test_a_setting_like_no_other_is_refused_without_a_guess(path: Path) -> None:
    assert "did you mean" not in refusal(path, "xyzzy = 1\n")


def test_every_fault_is_told_at_once(path: Path) -> None:
    problem = refusal(
        path, 'timezone = "Mars/Olympus"\nadult_age = "old"\nallowed_site_groups = ["nose"]\ncolour = 1\n'
    )
    assert all(name in problem for name in ("timezone", "adult_age", "allowed_site_groups", "colour"))


@pytest.mark.parametrize(
    "text",
    [
        'adult_age = "18"',
        "adult_age = true",
        "adult_age = 18.5",
        "adult_age = -1",
        "adult_age = 121",
        "timezone = 1",
        'timezone = ""',
        'timezone = "europe/london"',
        'allowed_site_groups = "lobe"',
        'allowed_site_groups = ["nose"]',
        "allowed_site_groups = [1]",
        "chain_name = 1",
        f'chain_name = "{"x" * 81}"',
        "[settings]\nadult_age = 18",
    ],
)
def test_a_value_of_another_kind_is_refused_by_the_setting_s_name(path: Path, text: str) -> None:
    assert text.replace("[", "").split()[0].rstrip("]") in refusal(path, text)


@pytest.mark.parametrize(
    "text", ["adult_age = ", "adult_age 18", b"chain_name = '\xff'", "adult_age = 1\nadult_age = 2"]
)
def test_what_is_no_toml_is_refused(path: Path, text: str | bytes) -> None:
    assert "TOML" in refusal(path, text)


def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.toml", tmp_path):
        with pytest.raises(UsageError, match="cannot be read"):
            read_settings(path)


def test_the_inbox_s_settings_come_before_the_current_folder_s(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    assert find_settings(inbox) is None
    Path("scapha.toml").touch()
    assert find_settings(inbox) == find_settings(None) == Path("scapha.toml")
    (inbox / "scapha.toml").touch()
    assert find_settings(inbox) == inbox / "scapha.toml"


def test_no_zone_is_accepted_that_the_store_cannot_compute_with() -> None:
    with duckdb.connect() as con:
        computable = {name for (name,) in con.execute("select name from pg_timezone_names()").fetchall()}
    assert known_zones() <= computable
    unknown = available_timezones() - known_zones()
    for zone in unknown:
        with pytest.raises(ValidationError):
            Settings(timezone=zone)
