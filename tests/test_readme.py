"""What README.md and `recordings.md` show is what the commands print.

``python -m tests.support.readme`` renews it.
"""

import os
import subprocess
import sys

import numpy as np
import pytest
from tests.support import readme
from tests.support.practice import store_practice

from plantigrade import Foot
from plantigrade_gateway import open_store
from plantigrade_gateway.report.frames import write_frames
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

# Run after the example, on what it drew: the lines of the two axes.
DRAWN = """
import numpy as np
(line,), (path,) = load.lines, sole.lines
np.savez("drawn.npz", load=line.get_xydata(), path=path.get_xydata())
"""
FROM_STORE = """with open_store() as store:  # another store: its file in the brackets
    frames = store.session("last").frames()
# of a CSV: """


@pytest.mark.slow
def test_the_readme_shows_what_the_demo_prints():
    assert readme.demo() in readme.README.read_text("utf-8")


def test_the_readme_is_read_in_one_go():
    assert len(readme.README.read_text("utf-8").splitlines()) <= 150


def test_the_page_of_recordings_shows_what_analyse_prints(open_data):
    shown = readme.RECORDINGS.read_text("utf-8")
    assert readme.walk(open_data("gaitpdb/GaCo02_01.csv")) in shown


@pytest.mark.parametrize("source", ["store", "csv"])
@pytest.mark.slow
def test_the_python_that_the_readme_shows_draws_the_left_foot(tmp_path, source):
    """It runs as it stands, and with its line for a CSV; drawn are the sums of the zones' loads."""
    store_file = tmp_path / "plantigrade" / "store.sqlite3"
    with Store.open(store_file) as store:
        session_id = store_practice(store, until_ns=10_000_000_000)
        write_frames(tmp_path / "zones.csv", store.batches(session_id))
    code = readme.python_example()
    assert len([line for line in code.splitlines() if line]) <= 11
    if source == "csv":
        assert FROM_STORE in code
        code = code.replace(FROM_STORE, "").replace('"layout.toml"', '"eighteen"')
    done = subprocess.run(
        [sys.executable, "-c", code + DRAWN],
        cwd=tmp_path,
        env={
            **os.environ,
            "XDG_DATA_HOME": str(tmp_path),
            "MPLBACKEND": "Agg",
            "MPLCONFIGDIR": str(tmp_path / "config"),
        },
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "left_foot.png").read_bytes().startswith(b"\x89PNG")
    with open_store(store_file) as reader:
        frames = reader.session().frames()
    newtons = frames.foot(Foot.LEFT).pressure * frames.layout.area_mm2 / 1000.0  # kPa × mm² = mN
    drawn = np.load(tmp_path / "drawn.npz")
    np.testing.assert_allclose(drawn["load"][:, 0], frames.t_s, atol=1e-5)
    np.testing.assert_allclose(drawn["load"][:, 1], newtons.sum(1), rtol=1e-4, atol=0.05)
    loaded = newtons.sum(1) > 51.0
    assert loaded.sum() > 500
    y = (newtons @ frames.layout.y)[loaded] / newtons.sum(1)[loaded]
    np.testing.assert_allclose(drawn["path"][loaded, 1], y, atol=1e-3)
