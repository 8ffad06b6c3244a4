"""The desk's pages and data, on a real store made of the practice session."""

import csv
import io
import json
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from scipy.stats import ttest_ind
from tests.support.door import QUICK, door
from tests.support.pagetext import text_of
from tests.support.practice import practice_copy, store_practice

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.change import Verdict
from plantigrade.events import Manner
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.measures import ROLLED_TRANSFER, SWING_MEASURES
from plantigrade_gateway.analysis.result import MarkedSet, is_good
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.compare import compare_sets
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.desk import preparing
from plantigrade_gateway.web.desk.cache import prepared, read_stretch, read_swings
from plantigrade_gateway.web.desk.reads import DeskStore
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.desk.sets import Line, compared_lines, lines_of
from plantigrade_gateway.web.desk.worker import prepare
from plantigrade_gateway.web.door import password
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.live.audience import Audience

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """The store of the practice session, prepared."""
    path: Path = tmp_path_factory.mktemp("desk") / "store.sqlite3"
    with Store.open(path) as store:
        prepare(store, store_practice(store))
    return path


@pytest.fixture(scope="module")
def client(made) -> Iterator[TestClient]:
    app = FastAPI()
    app.include_router(desk_router(made))
    with TestClient(app) as client:
        yield client


@pytest.fixture(scope="module")
def base(client) -> str:
    found = re.search(r"/sessions/[0-9a-f]{32}", client.get("/sessions").text)
    assert found is not None
    return found[0]


def test_importing_the_desk_does_not_hold_up_the_live_page():
    """The gateway waits for the web process: it takes in what pages need, and no more."""
    code = (
        "import sys, plantigrade_gateway.web.__main__\n"
        "print(sorted({'scipy', 'bokeh', 'bleak', 'dbus_fast', 'miniaudio'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_list_says_who_when_and_what(client):
    text = text_of(client.get("/sessions"))
    for part in (
        "Iris Invented",
        "stand, walk",
        "smooth; full; fast",
        "8 min 27 s",
        " 38 33 18 of 33 ",
        "practice (invented)",
        "complete",
    ):
        assert part in text, part


def in_the_desk(path: Path, *addresses: str) -> list[str]:
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        return [text_of(client.get(address)) for address in addresses]


def test_the_pages_call_a_player_as_the_register_does_now(made, tmp_path):
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store, Register(store) as register:
        (session,) = store.sessions()
        other = store.create_session("other", analysis_version=ANALYSIS_VERSION)
        store.end_session(other, "stop")
        own, theirs = "/sessions", f"/sessions/{session.session_id}"
        assert "not registered" in in_the_desk(path, own)[0]
        (iris,) = register.names()
        register.edit(iris, name="Iris <Renamed>")
        assign(register, other, register.add(name="P-17", handedness="left"))
        listed, opened = in_the_desk(path, own, theirs)
        assert "Iris <Renamed>" in listed and "P-17" in listed and "not registered" not in listed
        assert ", Iris <Renamed>" in opened  # in its heading; others only among those to choose
        assert ", P-17" not in opened
        delete_player(register, iris)
        (listed,) = in_the_desk(path, own)
        assert "Iris" not in listed and "P-17" in listed


def test_a_players_link_shows_no_name(made, tmp_path, monkeypatch):
    monkeypatch.setattr(password, "HASHER", QUICK)
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store, Register(store) as register:
        key = register.add(name="Ada Nowhere", handedness="left")
        store.create_session("under way", analysis_version=ANALYSIS_VERSION, player_id=key)
        lan = door(store)
        app = Guard(create_app(Audience(), path, lan.access), lan.access)

        def browser(address: str) -> TestClient:
            return TestClient(app, base_url=lan.origin, client=(address, 5), follow_redirects=False)

        coach, player = browser("192.0.2.50"), browser("192.0.2.80")
        assert lan.sign_in(coach).status_code == 303
        assert lan.post(coach, "/links", note="").status_code == 303
        link = re.search(r'href="[^"]*(/p/[^"]+)"', coach.get("/links").text)
        assert link is not None
        with coach:
            assert "Ada Nowhere" in coach.get("/sessions").text
        assert player.get(link[1]).status_code == 200
        session = store.sessions()[-1].session_id
        for address in ("", "/sessions", f"/sessions/{session}", f"/sessions/{session}/swings"):
            for answer in (player.get(link[1] + address), player.get(address or "/")):
                assert "Ada" not in answer.text and "Iris" not in answer.text


def test_good_pushes_of_the_list_are_those_of_the_words(made):
    reads = DeskStore(made)
    (listed,) = reads.sessions().rows
    found = results.read(reads.store, listed.line.session.session_id)
    assert listed.good == sum(map(is_good, found.swings))
    reads.close()


def test_the_time_line_comes_reduced_and_zooms_to_the_samples(client, base, made):
    found = client.get(f"{base}/timeline.json?width=400").json()
    with Store.open(made) as store:
        session = store.sessions()[0]
        kept = prepared(store, session)
        assert kept is not None
        rows = read_stretch(store, session.session_id, kept, *kept.span)
    left = found["sources"]["left"]
    assert len(left["t"]) < 1000 and not found["whole"]
    values = [v for v in left["y"] if v is not None]
    assert max(values) == pytest.approx(np.nanmax(rows.left_bw), abs=1e-5)
    assert min(values) == pytest.approx(np.nanmin(rows.left_bw), abs=1e-5)
    assert len(found["sources"]["swings"]["n"]) == 33
    assert found["sources"]["marks"]["name"][-1].startswith("set: fast")
    assert found["ranges"]["time"] == pytest.approx([1000 * t for t in kept.span])
    assert len(found["sources"]["gaps_left"]["left"]) == 13

    near = client.get(f"{base}/rows.json?start=120&end=121&width=400").json()
    assert near["whole"]
    inside = (rows.t_s >= 120 - 0.0101) & (rows.t_s <= 121 + 0.0101)
    shown = near["sources"]["right"]
    there = [k for k, t in enumerate(shown["t"]) if t is not None]
    np.testing.assert_allclose(
        [shown["t"][k] / 1000 for k in there],
        rows.t_s[inside & ~np.isnan(rows.right_bw)],
        atol=1e-5,
    )
    np.testing.assert_allclose(
        [shown["y"][k] for k in there],
        rows.right_bw[inside & ~np.isnan(rows.right_bw)],
        atol=1e-5,
    )


def test_a_gap_breaks_the_line_however_far_one_stands(client, base):
    found = client.get(f"{base}/timeline.json?width=400").json()["sources"]
    gap = found["gaps_left"]
    for start, end in zip(gap["left"], gap["right"], strict=True):
        line = found["left"]
        before = max(k for k, t in enumerate(line["t"]) if t is not None and t <= start + 1e-6)
        after = min(k for k, t in enumerate(line["t"]) if t is not None and t >= end - 1e-6)
        assert None in line["t"][before:after]


def test_the_table_of_swings_sorts_with_absent_values_last(client, base, made):
    page = client.get(f"{base}/swings?sort=transfer&order=down")
    assert 'aria-sort="descending"' in page.text
    rows = re.findall(r'<th scope="row" class="number"><a href="[^"]*/swings/(\d+)">', page.text)
    with Store.open(made) as store:
        swings = results.read(store, store.sessions()[0].session_id).swings
    values = [swings[int(n) - 1].push.transfer_s for n in rows]
    there = [v for v in values if v is not None]
    assert len(rows) == 33 and there == sorted(there, reverse=True)
    assert values == there + [None] * (33 - len(there))
    in_time = re.findall(r"/swings/(\d+)\">", client.get(f"{base}/swings").text)
    assert in_time == [str(n) for n in range(1, 34)]


def test_tables_say_units_gaps_and_what_they_are_not(client, base):
    session = text_of(client.get(base))
    assert re.search(r"Samples missing left \d+ of \d+, right \d+ of \d+", session)
    assert re.search(r"Gaps left \d+, \d\.\d\d s, longest", session)
    steps = text_of(client.get(f"{base}/steps"))
    assert "38 steps" in steps and "% of stance" in steps and "gap" in steps
    stands = text_of(client.get(f"{base}/stands"))
    assert "One insole's sway is not balance ability" in stands
    swings = text_of(client.get(f"{base}/swings"))
    assert "≤ 0.02" in swings and "± 0.01" in swings and "known to one sample" in swings
    assert "No published normal exists" in swings and "unloading that is seen, not height" in swings
    assert "None" not in steps + stands + swings and "nan" not in steps + stands + swings


def test_one_swing_has_its_moments_its_pictures_and_its_frames(client, base, made):
    with Store.open(made) as store:
        session_id = store.sessions()[0].session_id
        found = results.read(store, session_id)
        kept = read_swings(store, session_id, [2])[2]
    swing = found.swings[2]
    assert swing.lead_peak_s is not None and swing.shift_s is not None
    assert swing.push.travel_from is not None and swing.both_cop_travel is not None
    text = text_of(client.get(f"{base}/swings/3"))
    assert f"Swing 3 of 33: {words.push(swing.push)}" in text
    assert formats.number(swing.lead_peak_bw) + " about × BW" in text
    assert f"transfer {swing.push.transfer_s:.2f} ± 0.01 s" in text
    assert "times are known to one sample, ± 0.01 s" in text
    assert "session time, 3 of 11 in set smooth" in text
    for said in (
        f"push begun at {formats.number(100 * swing.push.travel_from, 0)} % of the foot",
        f"front to back, both feet {formats.number(100 * swing.both_cop_travel, 0)} % of length",
        f"steepest lead rise, 50 ms {formats.number(swing.lead_rise_bw_s, 1)} about BW/s",
    ):
        assert said in text, said
    frames = client.get(f"{base}/swings/3/frames.json").json()
    assert len(frames["t"]) == len(kept.t_s) == len(frames["feet"]["left"]["zones"])
    k = frames["moments"]["lead peak"]
    assert frames["t"][k] == pytest.approx(swing.lead_peak_s - swing.shift_s, abs=0.006)
    np.testing.assert_allclose(frames["feet"]["left"]["zones"][k], kept.left_zones[k], atol=0.051)
    assert sum(frames["feet"]["right"]["regions"][k]) == pytest.approx(
        frames["feet"]["right"]["load"][k], abs=0.003
    )
    chart = client.get(f"{base}/swings/3/chart.json").json()
    assert [m for m in chart["sources"]["moments"]["name"]] == [
        "start",
        "trail peak",
        "shift",
        "lead peak",
        "finish",
    ]
    at = chart["sources"]["moments"]["name"].index("shift")
    assert chart["sources"]["moments"]["t"][at] == 0.0
    sources = chart["sources"]
    assert swing.push.heel_leave_s is not None and swing.push.travel_from is not None
    # the limits of the definitions (design §5): .40 and .15 of the length, .20 of the shift, 3 % BW
    assert sources["levels"]["y"] == pytest.approx([0.40, swing.push.travel_from + 0.15])
    short_s = sources["least"]["right"][0] - sources["least"]["left"][0]
    assert short_s == pytest.approx(0.20 * (swing.lead_peak_s - swing.shift_s))
    assert sources["least"]["left"][0] == pytest.approx(swing.push.heel_leave_s - swing.shift_s)
    assert sources["heel_limit"]["y"] == pytest.approx([0.03])
    assert max(sources["way"]["y"]) == pytest.approx(max(swing.push.path_y), abs=1e-5)
    page = text_of(client.get(f"{base}/swings/3"))
    assert "Rolled: load took" in page and "Early: the forefoot took the load" in page


def test_two_sets_are_laid_side_by_side_from_the_session_page(client, base):
    """As the page's form asks for it: what the set's own page shows beside the other."""
    page = client.get(base).text
    form = page.split(f'action="{base}/sets"')[1].split("</form>")[0]
    assert 'name="first"' in form and 'name="second"' in form
    assert form.count(" selected") == 2 and '<option value="2" selected>' in form
    asked = client.get(f"{base}/sets?first=1&second=2", follow_redirects=False)
    assert asked.headers["location"] == f"{base}/sets/1?other=2#numbers"
    same = client.get(f"{base}/sets?first=1&second=1", follow_redirects=False)
    assert same.headers["location"] == f"{base}/sets/1?other=0#numbers"
    assert client.get(f"{base}/sets?first=99&second=1").status_code == 404


def test_a_set_is_laid_over_itself_at_the_shift(client, base, made):
    with Store.open(made) as store:
        session_id = store.sessions()[0].session_id
        found = results.read(store, session_id)
        run, full = found.sets[:2]
    data = client.get(f"{base}/sets/1/chart.json").json()["sources"]
    assert len(data["share_each"]["ys"]) == len(run.swings) == 11
    zero = data["share_mean"]["t"].index(0.0)
    at_shift = [ys[zero] for ys in data["share_each"]["ys"]]
    assert data["share_mean"]["mean"][zero] == pytest.approx(np.mean(at_shift), abs=1e-4)
    band = data["share_band"]
    low = band["ys"][0][band["xs"][0].index(0.0)]
    assert low == pytest.approx(np.mean(at_shift) - np.std(at_shift, ddof=1), abs=1e-4)
    # every swing reaches over all that is drawn, so that nothing steps where one ends
    assert all(ys[0] is not None and ys[-1] is not None for ys in data["lead_each"]["ys"])
    text = text_of(client.get(f"{base}/sets/1?other=2"))
    assert "Second half less the first" in text
    assert text.count("front to back, both feet % of length") == 2  # halves, and both sets
    assert "mean ± one standard deviation of single swings" in text
    assert "5 of 11 (21–72)" in text and "8 of 12 (39–86)" in text
    starts = [formats.clock(one.start_s, 0) for one in (full, run)]
    assert f"full ({starts[0]}) − smooth ({starts[1]})" in text
    assert "The intervals are this visit's" in text
    assert "One in twenty unchanged measures is marked by chance" in text
    assert "no change" not in text and "MDC" not in text
    alone = text_of(client.get(f"{base}/sets/1"))
    assert "verdict" not in alone and "this visit's" not in alone


def test_sets_of_a_visit_are_compared_by_their_own_spread(made):
    """Against scipy's Welch and statsmodels' Newcombe, straight from the stored swings."""
    from statsmodels.stats.proportion import confint_proportions_2indep

    with Store.open(made) as store:
        found = results.read(store, store.sessions()[0].session_id)
    smooth, full, fast = found.sets
    visit = Visit("a", datetime(2026, 3, 2, tzinfo=UTC), found, {})

    def lines_between(a: MarkedSet, b: MarkedSet) -> dict[str, Line]:
        compared = compared_lines(compare_sets(visit, built_in(), a, b))
        return {line.title + line.unit: line for lines in compared for line in lines}

    lines = lines_between(smooth, fast)
    tempos = [[s.load_tempo for s in run.swings if s.load_tempo] for run in (fast, smooth)]
    welch = ttest_ind(*tempos, equal_var=False)
    ends = welch.confidence_interval(0.95)
    tempo = lines["load temporatio"]
    mean = statistics.mean(tempos[0]) - statistics.mean(tempos[1])
    assert tempo.difference == f"{mean:+.1f} ({ends.low:+.1f} to {ends.high:+.1f})"
    assert tempo.degrees == f"{welch.df:.1f}"
    apart = ends.low > 0.0 or ends.high < 0.0
    assert tempo.verdict == (Verdict.APART if apart else Verdict.TOGETHER)
    alone = lines_of(smooth)
    assert [(line.second, line.difference, line.verdict) for line in alone] == [("",) * 3] * len(
        SWING_MEASURES
    )
    low, high = confint_proportions_2indep(8, 12, 5, 11, method="newcomb")
    share = lines_between(smooth, full)["good push%"]
    assert share.difference == f"+21 ({100 * low:+.0f} to {100 * high:+.0f})"
    assert share.verdict == Verdict.TOGETHER and share.second == "8 of 12 (39–86)"


def test_transfer_is_averaged_over_rolled_pushes_with_their_median(made):
    with Store.open(made) as store:
        found = results.read(store, store.sessions()[0].session_id)
    run = found.sets[0]
    rolled = [s.push.transfer_s or 0.0 for s in run.swings if s.push.manner is Manner.ROLLED]
    assert 0 < len(rolled) < sum(s.push.transfer_s is not None for s in run.swings)
    (line,) = [line for line in lines_of(run) if line.title == ROLLED_TRANSFER][:1]
    mean, sd = statistics.mean(rolled), statistics.stdev(rolled)
    median = statistics.median(rolled)
    assert line.first == f"{mean:.2f} ± {sd:.2f} ({len(rolled)}), median {median:.2f}"


@pytest.mark.parametrize("theme", ["light", "dark", "sun"])
@pytest.mark.parametrize("name", ["timeline", "swing", "set"])
@pytest.mark.slow
def test_charts_hold_no_script_and_nothing_of_anybody(client, name, theme):
    answer = client.get(f"/sessions/charts/{name}.json?theme={theme}&lead=right")
    text = answer.text
    assert answer.status_code == 200 and json.loads(text)["root_id"]
    assert "CustomJS" not in text and "Iris" not in text
    assert "lead (right)" in text and "trail (left)" in text
    assert '"dashed"' in text or "[6]" in text


def test_what_is_not_there_is_said(client, base):
    for address in (
        "/sessions/0123456789abcdef",
        f"{base}/swings/34",
        f"{base}/swings/0",
        f"{base}/sets/9",
        f"{base}/export/passwords.csv",
    ):
        answer = client.get(address)
        assert answer.status_code == 404 and "This cannot be shown" in answer.text, address
    nowhere = client.get(f"{base}/nowhere", headers={"Accept": "text/html"})
    assert nowhere.status_code == 404 and "no page at this address" in nowhere.text
    assert client.get(f"{base}/nowhere").text == "There is no page at this address.\n"
    answer = client.get("/sessions/charts/other.json")
    assert answer.status_code == 404 and "there is none" in answer.json()["problem"]
    strange = client.get("/sessions/%3Cscript%3Ealert(1)%3C%2Fscript%3E".replace("%2F", ""))
    assert strange.status_code == 404 and "<script>alert" not in strange.text


def test_a_store_that_is_not_there_yet_lists_nothing(tmp_path):
    app = FastAPI()
    app.include_router(desk_router(tmp_path / "later.sqlite3"))
    with TestClient(app) as client:
        assert "No session is stored yet" in client.get("/sessions").text
        assert not (tmp_path / "later.sqlite3").exists()
        with Store.open(tmp_path / "later.sqlite3") as store:
            store.create_session("test <b>", analysis_version=1)
            page = client.get("/sessions").text
            assert "recording now" in page and "test &lt;b&gt;" in page
            session_id = store.sessions()[0].session_id
            assert "being recorded" in client.get(f"/sessions/{session_id}").text


def wait_until(is_so, seconds: float = 150.0) -> None:
    until = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < until
        time.sleep(0.1)


@pytest.mark.slow
def test_an_older_session_is_prepared_on_its_first_opening_and_deleted_at_any_time(made, tmp_path):
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store:
        session_id = store.sessions()[0].session_id
        store.database.read("DELETE FROM derived")
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        page = client.get(f"/sessions/{session_id}")
        assert "Being prepared" in page.text and "bokeh" not in page.text
        assert client.get(f"/sessions/{session_id}/timeline.json").status_code == 503
        ready = f"/sessions/{session_id}/prepared.json"
        wait_until(lambda: client.get(ready).json()["ready"])
        assert "Being prepared" not in client.get(f"/sessions/{session_id}").text
        assert client.get(f"/sessions/{session_id}/timeline.json").status_code == 200
        # another program deletes it: nothing of the desk keeps its bytes in the log
        code = (
            "import sys; from pathlib import Path\n"
            "from plantigrade_gateway.store.store import Store\n"
            "with Store.open(Path(sys.argv[1])) as s: s.delete_session(sys.argv[2])"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, str(path), session_id], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        assert client.get(f"/sessions/{session_id}").status_code == 404
        assert client.get(f"/sessions/{session_id}/rows.json?start=0&end=9").status_code == 404
        assert "No session is stored yet" in client.get("/sessions").text


@pytest.mark.parametrize("address", ["swings/3", "sets/1"])
@pytest.mark.slow
def test_an_address_within_a_session_has_it_prepared_and_becomes_its_page(made, tmp_path, address):
    """Also after a re-analysis, which takes away what was prepared."""
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store:
        session_id = store.sessions()[0].session_id
        results.reanalyse(store, session_id)
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        deep = f"/sessions/{session_id}/{address}"
        first = client.get(deep)
        assert first.status_code == 202 and "<h1>Being prepared</h1>" in first.text
        assert f'data-session="{session_id}"' in first.text
        wait_until(lambda: client.get(deep).status_code == 200)
        assert "Being prepared" not in client.get(deep).text
        assert client.get(f"{deep}/chart.json").status_code == 200


@pytest.mark.slow
def test_data_that_are_not_prepared_are_prepared_and_to_be_asked_for_again(made, tmp_path):
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store:
        session_id = store.sessions()[0].session_id
        store.database.read("DELETE FROM derived")
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        for data in ("swings/3/frames.json", "sets/1/chart.json", "rows.json?start=0&end=9"):
            answer = client.get(f"/sessions/{session_id}/{data}")
            assert answer.status_code == 503 and "retry-after" in answer.headers
            assert "is being prepared; ask again" in answer.json()["problem"]
        wait_until(
            lambda: client.get(f"/sessions/{session_id}/swings/3/frames.json").status_code == 200
        )


def test_a_swing_of_a_session_that_is_being_recorded_is_no_error_of_preparing(made, tmp_path):
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store:
        session_id = store.sessions()[0].session_id
        store.database.read("DELETE FROM derived")
        store.database.read("UPDATE sessions SET state = 'open'")
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        answer = client.get(f"/sessions/{session_id}/swings/3")
        assert answer.status_code == 404 and "is still being recorded" in answer.text


@pytest.mark.slow
def test_a_session_that_ends_is_prepared_without_being_asked_for(made, tmp_path, monkeypatch):
    monkeypatch.setattr(preparing, "LOOK_EVERY_S", 0.1)
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store:
        session_id = store.create_session("short", analysis_version=ANALYSIS_VERSION)
        first = next(iter(store.batches(store.sessions()[1].session_id)))
        app = FastAPI()
        app.include_router(desk_router(path))
        with TestClient(app):
            time.sleep(1.0)
            assert prepared(store, store.session(session_id)) is None
            store.append(session_id, first)
            store.end_session(session_id, "stop")
            wait_until(lambda: prepared(store, store.session(session_id)) is not None)


@pytest.mark.slow
def test_a_session_that_cannot_be_prepared_says_why(made, tmp_path):
    path = practice_copy(made, tmp_path)
    with Store.open(path) as store:
        session_id = store.sessions()[0].session_id
        store.database.read("DELETE FROM derived")
        store.database.read(
            "ALTER TABLE derived ADD COLUMN more DEFAULT 1"
            " CONSTRAINT nothing_may_be_prepared CHECK (more <> 1)"
        )
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        client.get(f"/sessions/{session_id}")
        ready = f"/sessions/{session_id}/prepared.json"
        wait_until(lambda: client.get(ready).json()["problem"])
        said = client.get(ready).json()["problem"]
        assert "nothing_may_be_prepared" in said and "Traceback" not in said


def test_the_link_to_the_frames_says_which_gaps_are_filled_in(client, base):
    """Design §9, Gaps: up to 40 ms are bridged; else a reader counts fewer gaps than the page."""
    page = text_of(client.get(base))
    assert "gaps of up to 40 ms are filled in on a straight line, longer ones are empty" in page


@pytest.mark.slow
def test_what_is_exported_is_what_the_command_writes(client, base):
    answer = client.get(f"{base}/export/sets.csv")
    assert answer.status_code == 200
    assert "attachment" in answer.headers["content-disposition"]
    assert "-sets.csv" in answer.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["name"] for row in rows] == ["smooth", "full", "fast"]
    frames = client.get(f"{base}/export/frames.csv")
    assert frames.text.startswith("time_s,L1,") and frames.text.count("\n") > 50_000


@pytest.mark.parametrize("number", ["9" * 20, "9" * 5000, "0", "1000000000", "-1", "1.5", "x", "٣"])
@pytest.mark.parametrize("rest", ["swings/{}", "sets/{}", "swings/{}/chart.json"])
def test_a_number_that_leads_nowhere_is_a_page_that_is_not_there(client, base, rest, number):
    answer = client.get(f"{base}/{rest.format(number)}")
    assert answer.status_code == 404 and len(answer.text) < 5000


@pytest.mark.parametrize(
    "query", ["page=" + "9" * 5000, "page=x" + "x" * 4000, "page=" + "9" * 30, "page=-1", "page="]
)
def test_a_value_that_cannot_be_used_is_told_in_one_short_sentence(client, base, query):
    answer = client.get(f"{base}/steps?{query}")
    if answer.status_code == 422:
        assert answer.text.startswith("page is '") and len(answer.text) < 300
        assert answer.text.count("\n") == 1
    else:
        assert answer.status_code == 200, answer.text


@pytest.mark.parametrize("start", ["nan", "inf", "-1e308", "1e308", "x"])
@pytest.mark.parametrize("width", ["1200", "9" * 30, "-5"])
def test_a_stretch_of_no_time_line_has_no_rows_or_is_refused(client, base, start, width):
    answer = client.get(f"{base}/rows.json?start={start}&end={start}&width={width}")
    assert answer.status_code in (200, 422), answer.text
    assert len(answer.text) < 5000
