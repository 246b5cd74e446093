"""The sample exports in the repository are what the simulation makes of the demonstration chain."""

import gzip
import json
from pathlib import Path
from typing import Any

from pipeline.simulate import SimulationReport

KEY = Path(__file__).parent / "corrowmere_answer_key.json"
MOST_BYTES = 10_000_000


def contents(folder: Path) -> dict[str, bytes]:
    """What the files hold, unpacked: compressors of other versions may pack the same rows in other bytes."""
    files = sorted(file for file in folder.rglob("*") if file.is_file())
    packed = {str(file.relative_to(folder)): file.read_bytes() for file in files}
    return {name: gzip.decompress(data) if name.endswith(".gz") else data for name, data in packed.items()}


def test_the_samples_are_the_demonstration_chain(sample_exports: Path, corrowmere: SimulationReport) -> None:
    sample, simulated = contents(sample_exports), contents(corrowmere.directory)
    assert sample.keys() == simulated.keys()
    assert [name for name in sample if sample[name] != simulated[name]] == []


def test_the_samples_are_small(sample_exports: Path) -> None:
    assert 0 < sum(file.stat().st_size for file in sample_exports.rglob("*") if file.is_file()) <= MOST_BYTES


def test_the_kept_answer_key_is_the_samples(corrowmere_key: dict[str, Any]) -> None:
    assert json.loads(KEY.read_text(encoding="utf-8")) == corrowmere_key


def test_paths_come_in_order_of_time(sample_exports: Path) -> None:
    parts = sorted(path.name for path in sample_exports.iterdir())
    assert parts == ["1_history", "2_nights", "3_history"]
    nights = sorted(path.name for path in (sample_exports / "2_nights").iterdir())
    assert nights == [f"2026-05-{day}" for day in range(18, 32)]
