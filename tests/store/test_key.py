"""The key that hashes clients: made once, kept apart, never guessed anew."""

import stat
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.intake.pseudonyms import key_for, make_key, read_key
from pipeline.store.database import key_fingerprint, open_store


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "shop.duckdb"


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    return tmp_path / "scapha.key"


def test_a_new_key_is_256_random_bits_for_its_owner_s_eyes(store: Path, key_file: Path) -> None:
    key = make_key(store)
    assert len(key) == 32
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600
    assert read_key(store) == key
    key_file.unlink()
    assert make_key(store) != key


def test_a_key_is_never_written_over(store: Path, key_file: Path) -> None:
    make_key(store)
    before = key_file.read_bytes()
    with pytest.raises(FileExistsError):
        make_key(store)
    assert key_file.read_bytes() == before


def test_a_key_made_for_a_store_that_comes_about_stays(store: Path) -> None:
    with key_for(store) as key:
        store.write_text("a store")
    assert read_key(store) == key
    with key_for(store) as again:
        assert again == key


def test_a_key_made_for_a_store_that_does_not_come_about_goes(store: Path, key_file: Path) -> None:
    with pytest.raises(ZeroDivisionError), key_for(store):
        assert key_file.exists()
        1 / 0  # noqa: B018
    assert not key_file.exists()


def test_a_key_that_lies_ready_serves_a_new_store_and_stays_though_it_fails(store: Path, key_file: Path) -> None:
    key = make_key(store)
    with pytest.raises(ZeroDivisionError), key_for(store) as used:
        assert used == key
        1 / 0  # noqa: B018
    assert key_file.exists()


def test_no_key_is_made_beside_a_store_that_lost_its_own(store: Path, key_file: Path) -> None:
    store.write_text("a store")
    with pytest.raises(StoreError, match="missing") as caught, key_for(store):
        pass
    assert caught.value.exit_code == 1
    assert str(key_file) in caught.value.problem
    assert not key_file.exists()


@pytest.mark.parametrize("content", [b"", b"\n", b"00" * 31, b"00" * 33, b"zz" * 32, b"\xff" * 64, b"0" * 63])
def test_a_malformed_key_is_refused_and_not_told(store: Path, key_file: Path, content: bytes) -> None:
    key_file.write_bytes(content)
    key_file.chmod(0o600)
    with pytest.raises(StoreError, match="not a key") as caught:
        read_key(store)
    assert caught.value.exit_code == 1
    assert content.decode("latin-1").strip()[:8] not in str(caught.value) or not content.strip()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o601, 0o666])
def test_a_key_that_others_can_reach_is_refused(store: Path, key_file: Path, mode: int) -> None:
    make_key(store)
    key_file.chmod(mode)
    with pytest.raises(StoreError, match="chmod 600"):
        read_key(store)


def test_a_store_refuses_another_s_key(store: Path) -> None:
    with open_store(store, b"a" * 32) as con:
        con.execute("commit")
    before = store.read_bytes()
    with pytest.raises(StoreError, match="not the one") as caught, open_store(store, b"b" * 32):
        pass
    assert caught.value.exit_code == 1
    assert store.read_bytes() == before


def test_a_key_s_fingerprint_tells_keys_apart_and_not_the_key() -> None:
    key = bytes(range(32))
    assert key_fingerprint(key) != key_fingerprint(bytes(32))
    assert key_fingerprint(key) == key_fingerprint(bytes(range(32)))
    assert key_fingerprint(key) not in key.hex()
