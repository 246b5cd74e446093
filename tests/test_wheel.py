"""The wheel, installed elsewhere, carries all it needs: it runs a night away from the checkout."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_wheel_runs_a_night_elsewhere(tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    build = [*pip, "wheel", "--no-deps", "--no-build-isolation", "-w", str(tmp_path / "wheel"), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True)
    [wheel] = (tmp_path / "wheel").glob("scapha-*.whl")
    elsewhere, inbox = tmp_path / "elsewhere", tmp_path / "inbox"
    zipfile.ZipFile(wheel).extractall(elsewhere)
    inbox.mkdir()
    (inbox / "procedures.csv").write_text(
        "procedure_id,visit_id,branch_id,performed_at,site\nP1,V1,B1,2026-05-04T10:00,lobe\n", encoding="utf-8"
    )
    environment = os.environ | {"PYTHONPATH": str(elsewhere), "PYTHONWARNINGS": "ignore"}
    code = (
        "import pipeline, sys; from pathlib import Path; from pipeline.store.sqlfiles import SQL_FOLDER;"
        f"assert Path(pipeline.__file__).is_relative_to({str(elsewhere)!r}), pipeline.__file__;"
        f"assert SQL_FOLDER.is_relative_to({str(elsewhere)!r}), SQL_FOLDER;"
        "from pipeline.cli import main; main(['nightly', sys.argv[1], '--quiet'])"
    )
    subprocess.run([sys.executable, "-c", code, str(inbox)], check=True, cwd=tmp_path, env=environment)
    assert (tmp_path / "site" / "branch" / "B1.html").is_file()
