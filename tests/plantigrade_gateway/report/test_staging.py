"""What a killed program left of what it made goes; what another is making stays."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from plantigrade_gateway.report.staging import staging_in

KILLED = """
import os, signal, sys
from pathlib import Path
from plantigrade_gateway.report.staging import staging_in
with staging_in(Path(sys.argv[1])) as folder:
    (folder / "below").mkdir()
    (folder / "below" / "player.json").write_text("Ada Invented")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_what_was_left_by_a_kill_is_removed_by_the_next(tmp_path):
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], check=False)
    assert done.returncode == -signal.SIGKILL
    (left,) = tmp_path.iterdir()
    assert (left / "below" / "player.json").is_file()
    with staging_in(tmp_path) as folder:
        assert list(tmp_path.iterdir()) == [folder]
        assert (
            folder.name.startswith(".plantigrade-making-")
            and folder.stat().st_mode & 0o777 == 0o700
        )
    assert list(tmp_path.iterdir()) == []


def test_what_another_makes_now_and_what_is_no_folder_of_ours_stays(tmp_path):
    elsewhere = tmp_path / "kept"
    elsewhere.mkdir()
    (elsewhere / "file").touch()
    (tmp_path / ".plantigrade-making-abcd0123").symlink_to(elsewhere)
    (tmp_path / ".plantigrade-making-abcd4567").touch()
    for own in (".export-of-mine", ".plantigrade-making-notes", "plantigrade-export-anna"):
        (tmp_path / own).mkdir()
        (tmp_path / own / "file").touch()
    with staging_in(tmp_path) as first:
        (first / "file").touch()
        with staging_in(tmp_path) as second:
            assert {first, second} < set(tmp_path.iterdir())
        assert (first / "file").is_file() and not second.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        *(".export-of-mine", ".plantigrade-making-abcd0123", ".plantigrade-making-abcd4567"),
        *(".plantigrade-making-notes", "kept", "plantigrade-export-anna"),
    ]
    assert len([*tmp_path.glob("*/file")]) == 5, "of the link, too"


def test_what_was_made_may_come_to_lie_where_it_is_meant(tmp_path):
    made: Path = tmp_path / "made"
    with staging_in(tmp_path) as folder:
        (folder / "file").touch()
        os.rename(folder, made)
    assert [path.name for path in made.iterdir()] == ["file"]
