"""What a notebook reads is what is exported, and reading leaves a store as it is."""

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as pa_parquet
import pytest
from tests.support.practice import store_practice
from tests.support.sqlite import connected

import plantigrade_gateway
from plantigrade import Foot, LoadReducer, eighteen, total_load
from plantigrade_gateway import open_store, read_zone_csv
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.report.export import export
from plantigrade_gateway.report.frames import write_frames
from plantigrade_gateway.store.store import Store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the first minute of the practice session, and its export beside it."""
    folder = tmp_path_factory.mktemp("reader")
    with Store.open(folder / "store.sqlite3") as store:
        session_id = store_practice(store, until_ns=60_000_000_000)
        export(
            store,
            session_id,
            folder / "out",
            write_frames=lambda path: write_frames(path, store.batches(session_id)),
        )
    return folder


@pytest.fixture
def path(made, tmp_path) -> Path:
    """A copy of it alone in a folder."""
    return Path(shutil.copy(made / "store.sqlite3", tmp_path / "store.sqlite3"))


@pytest.mark.dear
def test_frames_are_those_of_the_export(made, path):
    """Every reading of the file, which numpy reads; a text of 6 digits, so to 6 digits."""
    table = np.genfromtxt(made / "out" / "frames.csv", delimiter=",", skip_header=1)
    with open_store(path) as store:
        frames = store.session("last").frames()
    assert len(frames) == len(table) > 5000
    np.testing.assert_allclose(frames.t_s, table[:, 0], rtol=0, atol=1e-6)
    np.testing.assert_allclose(frames.left, table[:, 1:19], rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(frames.right, table[:, 19:], rtol=1e-5, atol=1e-3)


def test_events_are_those_of_the_export(made, path):
    with open_store(str(path)) as store:
        events = store.session().events()
    tables = events.to_arrow()
    assert set(tables) == {"steps", "swings", "stands"}
    for name, table in tables.items():
        assert table == pa_parquet.read_table(made / "out" / f"{name}.parquet")
    assert len(events.steps) == tables["steps"].num_rows > 20
    assert [s.strike_s for s in events.steps] == tables["steps"]["strike_s"].to_pylist()
    assert [s.left_share for s in events.stands] == tables["stands"]["left_share"].to_pylist()
    assert tables["swings"].num_rows == len(events.swings)


def test_a_session_is_found_by_the_first_digits_of_its_id(path):
    with open_store(path) as store:
        (known,) = store.sessions()
        assert store.session(known.session_id[:6]).info == known
        with pytest.raises(StoreError, match=r"no session in the store .* begins so"):
            store.session("nothing")


def test_reading_changes_no_byte(path):
    before = path.read_bytes()
    with open_store(path) as store:
        store.session().events()
        assert len(store.session().frames()) > 0
        with pytest.raises(StoreError, match="readonly"):
            store._store.put_quality(store.sessions()[0].session_id, {"a": 1})
    assert path.read_bytes() == before


def test_a_missing_store_is_one_sentence_and_is_not_made(tmp_path):
    with pytest.raises(StoreError) as caught:
        open_store(tmp_path / "new" / "store.sqlite3")
    assert str(caught.value) == (
        f"store {tmp_path}/new/store.sqlite3: not found; "
        "record a session first or choose another with --store"
    )
    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_is_not_made_a_store(tmp_path):
    path = tmp_path / "store.sqlite3"
    path.touch()
    with pytest.raises(StoreError, match="is empty"):
        open_store(path)
    assert path.read_bytes() == b""


def test_an_older_store_is_not_brought_to_this_version(path):
    with connected(path) as db:
        db.execute("PRAGMA user_version = 1")
    db.close()
    before = path.read_bytes()
    with open_store(path) as store:
        assert len(store.session().frames()) > 0
    assert path.read_bytes() == before


def test_another_programs_file_is_refused(tmp_path):
    path = tmp_path / "other.sqlite3"
    with connected(path) as db:
        db.execute("CREATE TABLE other (a)")
    db.close()
    with pytest.raises(StoreError, match="another program"):
        open_store(path)


def test_a_csv_comes_as_its_columns(tmp_path):
    """A row of each foot's own: 100 kPa on the left's first zone of 1…, 50 on the right's last."""
    layout = eighteen()
    rows = np.zeros((200, 1 + 2 * layout.n_zones))
    rows[:, 0] = np.arange(200) / 100.0
    rows[:, 1] = 100.0
    rows[:, -1] = 50.0
    names = [f"{side}{k}" for side in "LR" for k in range(1, layout.n_zones + 1)]
    path = tmp_path / "zones.csv"
    np.savetxt(path, rows, "%.6g", ",", header=",".join(["time_s", *names]), comments="")
    frames = read_zone_csv(path)
    np.testing.assert_array_equal(frames.t_s, rows[:, 0])
    np.testing.assert_array_equal(frames.left, rows[:, 1:19])
    np.testing.assert_array_equal(frames.right, rows[:, 19:])
    for foot, zone, kpa in ((Foot.LEFT, 0, 100.0), (Foot.RIGHT, -1, 50.0)):
        load_n = total_load(LoadReducer(frames.layout).reduce(frames.foot(foot)).values)
        np.testing.assert_allclose(load_n, kpa * layout.area_mm2[zone] / 1000.0)  # kPa × mm² = mN
    assert frames.notes == ()


def test_a_csv_says_how_it_was_read(tmp_path):
    """By place, and with a zone that never reads: in a notebook nobody else would tell."""
    rows = np.zeros((200, 37))
    rows[:, 0] = np.arange(200) / 100.0
    path = tmp_path / "zones.csv"
    np.savetxt(path, rows, "%.6g", ",")
    text = "\n".join(line[:-1] for line in path.read_text().splitlines())  # R18 is empty
    path.write_text(text + "\n")
    assert read_zone_csv(path).notes == (
        "no header: read by position as time in seconds, 18 left zones, 18 right zones",
        "right zones without a single reading, taken as 0: 18",
    )


def test_the_public_names_are_offered_before_they_are_used():
    assert {"open_store", "read_zone_csv"} <= set(dir(plantigrade_gateway))


def test_a_missing_csv_is_one_sentence(tmp_path):
    with pytest.raises(InputError, match=r"none\.csv"):
        read_zone_csv(tmp_path / "none.csv")


@pytest.mark.dear
@pytest.mark.slow
def test_importing_the_package_loads_none_of_it():
    code = (
        "import sys, plantigrade_gateway as g; print({'numpy', 'pyarrow'} & set(sys.modules));"
        "g.open_store; print('pyarrow' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["set()", "True"]
    with pytest.raises(AttributeError, match="no attribute 'read_store'"):
        _ = plantigrade_gateway.read_store
