"""Club speeds of another device: mapped, matched, shown, joined, undone. Speeds are invented.

Means and standard deviations: Python's `statistics`; a mile an hour is 0.44704 m/s by definition.
"""

import re
import statistics
from pathlib import Path

import pytest
from tests.support.pagetext import text_of
from tests.support.practice import store_practice

from plantigrade.events import Swing
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits, read_session, said_of_session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear

CLOCKS_APART_S = 1000.0
MPH = (88.0, 91.5, 90.0, 95.0)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("speeds") / "store.sqlite3"
    with Store.open(path) as store:
        prepare(store, store_practice(store, 130_000_000_000))
    return path


@pytest.fixture
def session_id(store: Store) -> str:
    return str(store.sessions()[0].session_id)


@pytest.fixture
def page(session_id: str) -> str:
    return f"/sessions/{session_id}/speeds"


@pytest.fixture
def swings(store, session_id) -> tuple[Swing, ...]:
    return read_session(store, session_id).swings


@pytest.fixture
def form(swings) -> dict[str, str]:
    """A file of the first four swings, by a clock of its own, and one row of no swing."""
    times = [swing.lead_peak_s + CLOCKS_APART_S for swing in swings[:4]]
    lines = ["when;Club mph", *(f"{t:.2f};{mph}" for t, mph in zip(times, MPH, strict=True))]
    text = "\n".join([*lines, f"{times[-1] + 500:.2f};70", f"{times[-1] + 501:.2f};none"])
    mapped = {"column": "Club mph", "unit": "mph", "time_column": "when", "how": "time"}
    return {"csv": text, "set": "0", **mapped}


def speeds(store, session_id, swings) -> dict[int, float]:
    notes = said_of_session(store, session_id, swings).swings
    return {place: note.club_speed_m_s for place, note in notes.items() if note.club_speed_m_s}


def printed(answer) -> str:
    found = re.search(r'name="print" value="([0-9a-f]{64})"', answer.text)
    assert found is not None
    return found[1]


def test_a_file_is_mapped_shown_joined_and_undone(store, client, page, session_id, swings, form):
    columns = client.post(page, data={"csv": form["csv"]})
    assert "<option>Club mph</option>" in columns.text and "<option>when</option>" in columns.text
    shown = client.post(page, data=form)
    text = text_of(shown)
    assert "4 speeds match swings: not joined yet" in text
    assert f"differ by -{CLOCKS_APART_S:.1f} s" in text
    assert "No swing for 1 row of the file: line 6" in text
    assert "No club speed in line 7 (none)" in text
    left = ", ".join(str(n) for n in range(5, len(swings) + 1))
    assert left and f"No row for {len(swings) - 4} swing" in text and f": {left}." in text
    assert speeds(store, session_id, swings) == {}  # nothing is joined silently

    joined = client.post(f"{page}/join", data=form | {"print": printed(shown)})
    assert (joined.status_code, joined.headers["location"]) == (303, page)
    m_s = [0.44704 * mph for mph in MPH]
    assert speeds(store, session_id, swings) == pytest.approx(dict(enumerate(m_s)))
    mean, sd = statistics.fmean(m_s), statistics.stdev(m_s)
    told = f"{mean:.1f} ± {sd:.1f} (4)"
    text = text_of(client.get(page))
    assert f"{told} {len(swings)} {max(m_s):.1f}" in text
    assert "4 speeds joined by time, clocks -1000.0 s apart (coach, " in text
    assert "It goes together; it is no cause." in text
    one_set = text_of(client.get(page.replace("/speeds", "/sets/1")))
    assert f"Club speed {told} of {len(swings)}, best {max(m_s):.1f} m/s" in one_set

    (join,) = re.findall(r'name="join" value="([^"]+)"', client.get(page).text)
    assert client.post(f"{page}/undo", data={"join": join}).status_code == 303
    assert speeds(store, session_id, swings) == {}
    assert "No swing has a club speed yet" in text_of(client.get(page))
    assert client.post(f"{page}/undo", data={"join": join}).status_code == 409


def test_by_order_the_first_row_is_of_the_first(store, client, page, session_id, swings, form):
    form |= {"how": "order", "time_column": ""}
    shown = client.post(page, data=form)
    assert "5 speeds match swings" in text_of(shown)
    client.post(f"{page}/join", data=form | {"print": printed(shown)})
    assert speeds(store, session_id, swings)[4] == pytest.approx(70 * 0.44704)


def test_what_was_not_shown_is_not_joined(store, client, page, session_id, swings, form):
    shown = client.post(page, data=form)
    other = form | {"unit": "m/s", "csv": form["csv"].replace("88.0", "33")}
    refused = client.post(f"{page}/join", data=other | {"print": printed(shown)})
    assert refused.status_code == 422
    with Register(store) as register:
        Visits(register).exclude(session_id, swings[0], "slipped")
    late = client.post(f"{page}/join", data=form | {"print": printed(shown)})
    assert "something changed since this was shown" in text_of(late, 422)
    assert speeds(store, session_id, swings) == {}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"unit": ""}, "unit: "),
        ({"unit": "km"}, "expected m/s, mph, km/h"),
        ({"column": "speed"}, "there is none such"),
        ({"time_column": ""}, "by time needs the column of the time"),
        ({"how": "luck"}, "expected time or order"),
        ({"set": "9"}, "this session has"),
        ({"set": "x"}, "expected a number"),
        ({"csv": "a,b"}, "there is none such"),
        ({"csv": " ", "column": ""}, "choose or paste one"),
        ({"unit": "m/s"}, "is it another unit or column?"),
    ],
)
def test_what_cannot_be_read_says_so_and_keeps_the_file(client, page, form, wrong, said):
    text = text_of(client.post(page, data=form | wrong), 422)
    assert said in text
    if "csv" not in wrong:
        assert form["csv"].splitlines()[1] in text  # to be sent again


def test_a_swing_that_is_left_out_stands_on_its_set_and_counts_in_no_mean(
    store, client, page, session_id, swings, form
):
    shown = client.post(page, data=form)
    client.post(f"{page}/join", data=form | {"print": printed(shown)})
    with Register(store) as register:
        Visits(register).exclude(session_id, swings[1], "slipped")
    text = text_of(client.get(page.replace("/speeds", "/sets/1")))
    assert "Swing 2 is left out: slipped (coach, " in text
    mean = statistics.fmean(0.44704 * mph for k, mph in enumerate(MPH) if k != 1)
    assert f"Club speed {mean:.1f} ± " in text and "(3)" in text
