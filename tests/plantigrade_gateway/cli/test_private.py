"""What the program writes is for its owner alone, whatever the system's usual mode is."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.dear


def program(folder: Path, *arguments: str) -> None:
    command = "import os; os.umask(0o022)\nfrom plantigrade_gateway.cli.main import main; main()"
    environment = {**os.environ, "PLANTIGRADE_LOG_FOLDER": str(folder / "logs")}
    subprocess.run([sys.executable, "-c", command, *arguments], env=environment, check=True)


@pytest.mark.slow
def test_everything_that_is_written_is_its_owners_alone(tmp_path):
    folder = tmp_path / "new"
    store = folder / "store.sqlite3"
    (tmp_path / "there").mkdir()
    program(folder, "--store", str(store), "demo", "--fast", "--wav", str(tmp_path / "a.wav"))
    for where in ("export", "there"):
        program(folder, "--store", str(store), "export", "last", "--to", str(tmp_path / where))
    made = [path for path in tmp_path.rglob("*") if path != tmp_path / "there"]
    names = {path.suffix for path in made}
    assert {".sqlite3", ".csv", ".parquet", ".json", ".wav", ".log"} <= names
    open_ = [p for p in made if stat.S_IMODE(p.stat().st_mode) & (stat.S_IRWXG | stat.S_IRWXO)]
    assert open_ == []
