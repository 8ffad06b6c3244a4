"""Numbers on the desk's pages are those of the analysis of the same bytes, to display rounding.

The pages read a store; beside them the same recording is analysed without one, and its events are
brought to text here, by NumPy, not by the pages' own words.
"""

import html
import re
from collections.abc import Callable, Iterable, Iterator

import numpy as np
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.practice import store_practice

from plantigrade.block import Foot
from plantigrade.events import HeelLiftState, Manner, Swing
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear

NONE = "–"
Table = dict[str, list[str]]


@pytest.fixture(scope="module")
def found() -> Analysis:
    """The recording analysed from its file."""
    return analyse_record(read_replay(demo_file()), "practice")


@pytest.fixture(scope="module")
def get(tmp_path_factory) -> Iterator[Callable[[str], str]]:
    """Give the pages of the same recording in a store."""
    path = tmp_path_factory.mktemp("numbers") / "store.sqlite3"
    with Store.open(path) as store:
        session_id = store_practice(store)
        prepare(store, session_id)
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:

        def page(end: str) -> str:
            answer = client.get(f"/sessions/{session_id}{end}")
            assert answer.status_code == 200
            return answer.text

        yield page


def plain(markup: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", markup))).strip()


def columns(page: str) -> Table:
    """Return a page's first table: its columns by their titles."""
    body = page.split("<table", 1)[1].split("</table>", 1)[0]
    head, rows = body.split("<tbody>", 1)
    titles = [plain(one) for one in re.findall(r"<th\b.*?</th>", head, re.S)]
    cells = [
        [plain(one) for one in re.findall(r"<t[dh]\b.*?</t[dh]>", row, re.S)]
        for row in re.findall(r"<tr\b.*?</tr>", rows, re.S)
    ]
    assert cells and {len(row) for row in cells} == {len(titles)}
    return {title: [row[k] for row in cells] for k, title in enumerate(titles)}


def column(table: Table, begins: str) -> list[str]:
    """Return the one column whose title begins so."""
    (title,) = [one for one in table if one.startswith(begins)]
    return table[title]


def shown(values: Iterable[float | None], digits: int, scale: float = 1.0) -> list[str]:
    return [NONE if v is None else f"{round(scale * v, digits) + 0.0:.{digits}f}" for v in values]


def spread(values: Iterable[float | None], digits: int, scale: float = 1.0) -> str:
    known = scale * np.array([v for v in values if v is not None])
    mean, sd = np.mean(known), np.std(known, ddof=1)
    return f"{mean:.{digits}f} ± {sd:.{digits}f} ({len(known)})"


@pytest.mark.slow
def test_every_swing(get, found):
    table = columns(get("/swings"))
    assert len(found.swings) == 33
    for begins, values, digits, scale in (
        ("load at fore take", [s.push.load_at_fore_take for s in found.swings], 0, 100.0),
        ("lead share range", [s.share_range for s in found.swings], 0, 100.0),
        ("lead peak", [s.lead_peak_bw for s in found.swings], 2, 1.0),
        ("back to trail foot", [s.trail_return_share for s in found.swings], 0, 100.0),
        ("trail peak about", [s.trail_peak_bw for s in found.swings], 2, 1.0),
        ("front to back, both", [s.both_cop_travel for s in found.swings], 0, 100.0),
    ):
        assert column(table, begins) == shown(values, digits, scale), begins
    # a time has its sampling error beside it: the number before it
    rise = [None if s.push.transfer_s is None else s.push.transfer_s for s in found.swings]
    for text, value in zip(column(table, "transfer s"), rise, strict=True):
        if value is None or text.startswith("≤"):
            assert (text == NONE) is (value is None) and (value or 0.0) <= 0.02
        else:
            assert text.split(" ")[0] == f"{value:.2f}"


def test_every_step(get, found):
    table = columns(get("/steps"))
    assert len(found.steps) == 38
    for begins, values, digits, scale in (
        ("stance s", [s.stance_s for s in found.steps], 3, 1.0),
        ("midfoot impulse", [s.midfoot_impulse_share for s in found.steps], 1, 100.0),
        ("heel centre", [s.heel.centre_pct for s in found.steps], 0, 1.0),
        ("loading peak", [s.peak1_n for s in found.steps], 0, 1.0),
        ("push-off peak", [s.peak2_n for s in found.steps], 0, 1.0),
    ):
        assert column(table, begins) == shown(values, digits, scale), begins
    assert column(table, "roll") == [str(s.roll) for s in found.steps]


def test_every_stand(get, found):
    table = columns(get("/stands"))
    assert len(found.stands) > 0
    for begins, values, digits, scale in (
        ("left share of load", [s.left_share for s in found.stands], 0, 100.0),
        ("left midfoot share", [s.left.midfoot_share for s in found.stands], 1, 100.0),
        ("right midfoot share", [s.right.midfoot_share for s in found.stands], 1, 100.0),
        ("left sway RMS, front", [s.left.sway_rms_y_mm for s in found.stands], 1, 1.0),
        ("right sway RMS, across", [s.right.sway_rms_x_mm for s in found.stands], 1, 1.0),
    ):
        assert column(table, begins) == shown(values, digits, scale), begins


def is_rolled(swing: Swing) -> bool:
    return swing.push.manner is Manner.ROLLED


@pytest.mark.parametrize("number", [1, 2, 3])
def test_every_set(get, found, number):
    run = found.sets[number - 1]
    said = plain(get(f"/sets/{number}"))
    rolled = [s for s in run.swings if is_rolled(s)]
    for title, values, digits, scale in (
        ("load tempo ratio", [s.load_tempo for s in run.swings], 1, 1.0),
        ("lead share range %", [s.share_range for s in run.swings], 0, 100.0),
        ("lead peak about × BW", [s.lead_peak_bw for s in run.swings], 2, 1.0),
        ("front to back, both feet % of length", [s.both_cop_travel for s in run.swings], 0, 100.0),
    ):
        assert f"{title} {spread(values, digits, scale)}" in said, title
    if len(rolled) > 1:
        assert spread((s.push.transfer_s for s in rolled), 2) in said
    lifted = sum(s.heel_lift.state is HeelLiftState.LIFTED for s in run.swings)
    assert f"push rolled % {len(rolled)} of {len(run.swings)} " in said
    assert f"lead heel unloaded % {lifted} of {len(run.swings)} " in said


def test_the_session_page(get, found):
    said = plain(get(""))
    left, right = ([s for s in found.steps if s.foot is foot] for foot in Foot)
    stances = " ".join(spread((s.stance_s for s in side), 2) for side in (left, right))
    assert f"stance, s {stances}" in said
    impulses = (spread((s.midfoot_impulse_share for s in side), 1, 100.0) for side in (left, right))
    assert f"midfoot’s share of the impulse, % {' '.join(impulses)}" in said
    for run in found.sets:
        lifted = sum(s.heel_lift.state is HeelLiftState.LIFTED for s in run.swings)
        assert f"{lifted} of {len(run.swings)} " in said
    assert f"about {found.quality.body_weight_n:.0f} N" in said
