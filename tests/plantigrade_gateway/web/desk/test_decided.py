"""What each class was decided by, and whether the insoles were calibrated, stands on the pages."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.pagetext import text_of

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.record.settings import with_settings
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear

LIMITS = {"push_rolled": 0.37, "bearing_broad": 0.29}
PAGES = ("", "/stands", "/steps", "/swings", "/swings/1", "/sets/1")


def stored(path: Path, *, calibrated: bool) -> None:
    """Store the practice session decided by `LIMITS`, with or without its calibrations."""
    with Store.open(path) as store:
        session_id = store.create_session("practice", analysis_version=ANALYSIS_VERSION)
        batches = with_settings(read_replay(demo_file()), lambda s: s.with_limits({}, LIMITS))
        for batch in batches:
            kept = [e for e in batch if calibrated or e.kind is not Kind.CALIBRATION]
            for start in range(0, len(kept), 5000):
                store.append(session_id, Batch.of(kept[start : start + 5000]))
        store.end_session(session_id, "end")
        results.reanalyse(store, session_id)
        prepare(store, session_id)


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> Iterator[dict[bool, dict[str, str]]]:
    """Return what each page says, of calibrated insoles and of others."""
    found: dict[bool, dict[str, str]] = {}
    for calibrated in (True, False):
        path = tmp_path_factory.mktemp("desk") / "store.sqlite3"
        stored(path, calibrated=calibrated)
        app = FastAPI()
        app.include_router(desk_router(path))
        with TestClient(app) as client:
            base = re.search(r"/sessions/[0-9a-f]{32}", client.get("/sessions").text)
            assert base is not None
            found[calibrated] = {page: text_of(client.get(base[0] + page)) for page in PAGES}
    yield found


@pytest.mark.parametrize(
    ("page", "shown", "not_shown"),
    [
        ("", ("bearing", "roll", "heel", "push"), ()),
        ("/stands", ("bearing",), ("roll", "heel", "push")),
        ("/steps", ("roll",), ("bearing", "heel", "push")),
        ("/swings", ("heel", "push"), ("bearing", "roll")),
        ("/swings/1", ("heel", "push"), ("bearing", "roll")),
        ("/sets/1", ("heel", "push"), ("bearing", "roll")),
    ],
)
@pytest.mark.slow
def test_the_limits_stand_beside_what_they_decide(pages, page, shown, not_shown):
    """The heel's limit: 3 % of 74 kg × 9.80665 m/s² is 21.8 N."""
    parts = {
        "bearing": "bearing under 29 %, else broad",
        "roll": "through: midfoot impulse 5 % or more",
        "heel": "unloaded: under 22 N (3 % of body weight",
        "push": "rolled: transfer 0.37 or more of shift to lead peak",
    }
    text = pages[True][page]
    for name in shown:
        assert parts[name] in text, name
    for name in not_shown:
        assert parts[name] not in text, name
    assert "push_rolled 0.37 in place of 0.2 shift time" in text
    assert "bearing_broad 0.29 in place of 0.18 foot load" in text


@pytest.mark.parametrize("page", PAGES)
def test_insoles_that_were_never_calibrated_are_never_called_so(pages, page):
    assert "Loads in N and × BW: never calibrated." in pages[False][page]
    assert "readings are calibrated" not in pages[False][page].lower()
    assert "not calibrated" not in pages[True][page]


def test_zone_readings_say_whether_they_are_calibrated(pages):
    assert "Zone readings are calibrated. No baseline" in pages[True]["/swings/1"]
    not_so = "Zone readings are not calibrated (never calibrated). No baseline"
    assert not_so in pages[False]["/swings/1"]
