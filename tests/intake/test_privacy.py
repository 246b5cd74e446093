"""What may not stay: client keys in clear, refused values, and whatever the contract does not name."""

import hashlib
import hmac
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline.contract.tables import TABLES
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.intake.pseudonyms import Pseudonyms
from pipeline.store.database import open_store
from support.exports import KEY, NOW, csv_text, fill, row

CLIENT = "Cordelia-Quillfeather-07700900461"
KEPT = "KEPT-Vespertine-visit-5529"
REFUSED = "Refused Marmaduke 07700 900777"
DROPPED = "Dropped-Thistlewood-call-back"

RAW_TABLES = [f"raw_{table.name}" for table in TABLES]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The path of a store that has taken in rows with every kind of value that may not stay, and one that may."""
    folder = tmp_path_factory.mktemp("private")
    client = {"client_key": CLIENT, "visit_id": KEPT, "notes": DROPPED}
    good = {table: row(table, **client) for table in ("procedures", "follow_ups", "revisits", "sales")}
    bad = [
        row("procedures", **client, procedure_id="P2", site=REFUSED, age_years=REFUSED, performed_at=REFUSED),
        row("procedures", **client, procedure_id=f":{REFUSED}", ear=CLIENT),
    ]
    files = {f"{table}.csv": csv_text([one]) for table, one in good.items()}
    files |= {"procedures_2.csv": csv_text(bad), "sales_2.csv": f"{REFUSED},{CLIENT}\n"}
    files |= {"sales_3.csv": csv_text([good["sales"]]) + f'"{CLIENT},{REFUSED}', "sales_4.csv": ragged(good["sales"])}
    fill(folder / "inbox", files)
    path = folder / "scapha.duckdb"
    with open_store(path, KEY) as con:
        take_in(con, look_into(folder / "inbox"), now=NOW, zone="UTC", key=KEY, progress=lambda _: None)
        con.execute("commit")
        con.execute("checkpoint")
    return path


def ragged(good: dict[str, str]) -> str:
    return csv_text([good]) + f"{CLIENT},{REFUSED}\r\n"


def every_value(store: Path) -> Iterator[str]:
    with duckdb.connect(str(store), read_only=True) as con:
        for (table,) in con.execute("select table_name from duckdb_tables()").fetchall():
            for values in con.execute(f"from {table}").fetchall():
                yield from (str(value) for value in values)


def trace_of(canary: str, text: str) -> bool:
    """Whether any telling part of a canary stands in a text, in any case."""
    return any(part.lower() in text.lower() for part in canary.replace("-", " ").split() if len(part) > 5)


def test_what_may_stay_is_found_by_the_same_search(store: Path) -> None:
    assert any(trace_of(KEPT, value) for value in every_value(store))
    assert b"Vespertine" in store.read_bytes()


@pytest.mark.parametrize("canary", [CLIENT, REFUSED, DROPPED])
def test_no_value_of_the_store_holds_what_may_not_stay(store: Path, canary: str) -> None:
    assert not [value for value in every_value(store) if trace_of(canary, value)]


@pytest.mark.parametrize("canary", [CLIENT, REFUSED, DROPPED])
def test_no_byte_beside_the_store_holds_what_may_not_stay(store: Path, canary: str) -> None:
    files = [path for path in store.parent.iterdir() if path.is_file()]
    assert store in files
    assert not [path.name for path in files if trace_of(canary, path.read_bytes().decode("latin-1"))]


def test_a_client_is_the_same_keyed_hash_in_every_table(store: Path) -> None:
    expected = hmac.new(KEY, CLIENT.encode(), hashlib.sha256).hexdigest()
    with duckdb.connect(str(store), read_only=True) as con:
        for table in ("procedures", "follow_ups", "revisits", "sales"):
            assert con.execute(f"select distinct client_key from raw_{table}").fetchall() == [(expected,)]


def test_the_key_itself_is_not_in_the_store(store: Path) -> None:
    content = store.read_bytes()
    assert KEY not in content
    assert KEY.hex().encode() not in content


def test_refused_values_show_as_shapes(store: Path) -> None:
    with duckdb.connect(str(store), read_only=True) as con:
        shapes = con.execute("select distinct value_shape from rejection where rule = 'word.allowed'").fetchall()
    assert set(shapes) == {("aaaaaaa aaaaaaaaa 99999 999999",), ("aaaaaaaa-aaaaaaaaaaaa-99999999999",)}


def test_a_hash_follows_rfc_4231() -> None:
    # RFC 4231 (Nystrom 2005), section 4.3, test case 2: HMAC-SHA-256.
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert Pseudonyms(b"Jefe").of("what do ya want for nothing?") == expected


def test_client_keys_are_trimmed_before_hashing_and_empty_ones_have_no_hash(tmp_path: Path) -> None:
    rows = [row("sales", line_no=str(at), client_key=key) for at, key in enumerate(["x", "  x\u00a0", "X", " "])]
    fill(tmp_path / "inbox", {"sales.csv": csv_text(rows)})
    with open_store(tmp_path / "scapha.duckdb", KEY) as con:
        take_in(con, look_into(tmp_path / "inbox"), now=NOW, zone="UTC", key=KEY, progress=lambda _: None)
        hashes = [key for (key,) in con.execute("select client_key from raw_sales order by seq").fetchall()]
    assert hashes == [Pseudonyms(KEY).of("x"), Pseudonyms(KEY).of("x"), Pseudonyms(KEY).of("X"), None]
