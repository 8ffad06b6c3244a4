"""The players' pages, on a store with the beginning of the practice session. All invented."""

import io
import re
import zipfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.door import QUICK, door
from tests.support.pagetext import text_of
from tests.support.practice import store_practice

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.door import password
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.live.audience import Audience

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    path: Path = tmp_path_factory.mktemp("players") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store, 60_000_000_000)  # the stand, and some of the walk
    return path


@pytest.fixture
def iris(register) -> str:
    (key,) = register.names()
    return str(key)


def test_a_player_is_added_found_and_changed(client, register):
    given = {"name": "Mia <Muster>", "handedness": "left", "mass_kg": "61,5", "shoe": "blue"}
    given |= {"left": "0000a001", "right": "0000A002", "is_minor": "yes"}
    refused = client.post("/players", data=given)
    assert "guardian: is missing" in text_of(refused, 422)
    assert 'value="61,5"' in refused.text and "&lt;Muster&gt;" in refused.text
    added = client.post("/players", data=given | {"guardian": "Gus Guardian"})
    assert added.status_code == 303
    key = added.headers["location"].rpartition("/")[2]
    mia = register.profile(key)
    assert (mia.name, mia.handedness, mia.mass_kg) == ("Mia <Muster>", "left", 61.5)
    assert (mia.insoles, mia.is_minor) == (("0000A001", "0000A002"), True)
    page = text_of(client.get(f"/players/{key}"))
    for part in ("Mia <Muster>", "left-handed", "61.5 kg", "blue", "left 0000A001", "Gus Guardian"):
        assert part in page, part
    assert "Mia <Muster>" in text_of(client.get("/players?q=muster"))
    assert "Iris" not in text_of(client.get("/players?q=muster"))
    assert "holds “nobody”" in text_of(client.get("/players?q=nobody"))
    # a checkbox that is not ticked is not sent
    changed = {"name": "Mia", "handedness": "left", "next_check": "2026-03-01"}
    assert client.post(f"/players/{key}", data=changed).status_code == 303
    mia = register.profile(key)
    assert (mia.name, mia.is_minor, mia.mass_kg, mia.insoles) == ("Mia", False, None, None)
    assert "due 2026-03-01" in text_of(client.get("/players?q=mia"))


def test_without_a_day_the_rules_say_when_to_check_again(client, register, iris):
    """28 days after the last visit, by the rules that come with the program."""
    (session,) = register.store.sessions()
    due = session.started.date() + timedelta(days=28)
    assert f"{due}" in text_of(client.get("/players"))
    assert f"Next check {due} by the rules" in text_of(client.get(f"/players/{iris}"))
    key = register.add(name="P-17", handedness="right")
    assert "Next check –" in text_of(client.get(f"/players/{key}"))


def test_the_live_page_is_offered_who_was_here_last_before_all_others(client, register, iris):
    added = [register.add(name=name, handedness="left") for name in ("Bo", "Ada")]
    offered = client.get("/players/choice.json").json()["players"]
    assert [one["id"] for one in offered] == [iris, *added[::-1]]
    assert offered[1]["name"] == "Ada" and offered[1]["last"] is None
    (session,) = register.store.sessions()
    assert offered[0]["last"] == f"{session.started:%Y-%m-%d}"


def test_the_live_page_is_told_of_whom_consent_to_record_lacks(client, register, iris):
    def lack(player_id: str) -> str:
        answer = client.get("/players/choice.json", params={"player": player_id}).json()
        return str(answer["lacks_consent"])

    assert lack(iris).startswith("Consent to record Iris")
    assert "is not noted" in lack(iris) and "need it" in lack(iris)
    register.grant(iris, "record", "player")
    assert lack(iris) == lack("") == lack("00ff") == ""


def test_many_players_have_several_pages(client, register):
    for k in range(100):  # and Iris
        register.add(name=f"Player {k:03d}", handedness="right")
    first, second = (text_of(client.get(f"/players?page={page}")) for page in (1, 2))
    assert "101 players" in first and "page 1 of 2" in first
    assert "Player 098" in first and "Player 099" not in first and "Player 099" in second
    assert "Player 099" in text_of(client.get("/players?page=9"))
    assert "1 player found" in text_of(client.get("/players?q=Player+099&page=2"))


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("name", "", "name: is empty"),
        ("name", "iris INVENTED", "another player is called so"),
        ("handedness", "both", "expected right or left"),
        ("mass_kg", "much", "expected a number of kg"),
        ("mass_kg", "nan", "expected 10 to 300"),
        ("left", "0000A001", "expected the left and the right serial number"),
        ("next_check", "31.3.26", "expected a day as 2026-12-31"),
    ],
)
def test_a_value_that_cannot_be_is_said_and_nothing_is_kept(client, register, field, value, said):
    given = {"name": "P-17", "handedness": "right", field: value}
    assert said in text_of(client.post("/players", data=given), 422)
    assert list(register.names().values()) == ["Iris Invented"]


def test_consent_is_given_until_a_day_and_withdrawn(client, register, iris):
    def say(**form: str):
        return client.post(f"/players/{iris}/consents", data={"what": "speed", **form})

    until = date.today() + timedelta(days=300)
    assert say(by="player", do="give", until=f"{until}").status_code == 303
    assert f"given by the player, {date.today()}, until {until}" in text_of(
        client.get(f"/players/{iris}")
    )
    assert "is past" in text_of(say(by="player", do="give", until="2020-01-31"), 422)
    assert "given by" in text_of(say(by="coach", do="give"), 422)
    assert say(by="player", do="withdraw").status_code == 303
    assert [one.state for one in register.consents(iris, date.today())][2] == "withdrawn"


def test_findings_are_noted_where_they_are_new(client, register, iris):
    form = {"hips": "limit", "hips_text": "turns less to the left", "trunk": "no limit"}
    form |= {"ankles": "not looked", "ankles_text": ""}
    before = len(register.changes(iris))
    for _ in range(2):
        assert client.post(f"/players/{iris}/findings", data=form).status_code == 303
    found = {one.what: (one.state, one.text) for one in register.findings(iris)}
    assert found["hips"] == ("limit", "turns less to the left")
    assert found["trunk"] == ("no limit", "")
    assert len(register.changes(iris)) == before + 3
    assert 'value="turns less to the left"' in client.get(f"/players/{iris}").text
    assert "expected no limit" in text_of(
        client.post(f"/players/{iris}/findings", data={"hips": "bad"}), 422
    )


def test_two_devices_that_note_findings_keep_each_others(client, register, iris):
    def shown() -> dict[str, str]:
        page = client.get(f"/players/{iris}").text
        form = page[page.index('data-part="findings"') :]
        was = re.findall(r'name="was_([a-z_]+)" value="([^"]*)"', form[: form.index("</form>")])
        return dict(was) | {f"was_{key}": text for key, text in was}

    both = shown()
    assert len(both) == 4 * 2 * 2  # hips, trunk, ankles, balance: each a state and a line
    tablet = both | {"hips": "limit", "hips_text": "turns less"}
    for form in (tablet, both | {"trunk": "no limit"}):
        assert client.post(f"/players/{iris}/findings", data=form).status_code == 303
    found = {one.what: (one.state, one.text) for one in register.findings(iris)}
    assert found["hips"] == ("limit", "turns less")
    assert found["trunk"] == ("no limit", "")


def shown_in(client, address: str, begins: str) -> dict[str, str]:
    """Return what a form sends from a place of it on, choices and ticks left out."""
    page = client.get(address).text
    form = page[page.index(begins) :]
    return dict(
        re.findall(r'name="([a-z_ ]+)"[^>]* value="([^"]*)"', form[: form.index("</form>")])
    )


def test_a_finding_that_was_noted_elsewhere_meanwhile_is_not_written_over_unseen(
    client, register, iris
):
    here = f"/players/{iris}"

    def found() -> dict[str, tuple[str, str]]:
        return {one.what: (one.state, one.text) for one in register.findings(iris)}

    laptop = shown_in(client, here, 'data-part="findings"')
    choices = {key.removeprefix("was_"): laptop[key] for key in ("was_hips", "was_trunk")}
    laptop |= choices
    tablet = laptop | {"hips": "limit", "hips_text": "turns less"}
    assert client.post(f"{here}/findings", data=tablet).status_code == 303
    typed = laptop | {"hips": "no limit", "trunk": "no limit"}
    refused = client.post(f"{here}/findings", data=typed)
    said = "hips: was found otherwise (limit: turns less) since this page was shown; look at it"
    assert said in text_of(refused, 422)
    assert found() == {"hips": ("limit", "turns less")}
    assert client.post(f"{here}/findings", data=tablet).status_code == 303  # pressed twice
    form = refused.text[refused.text.index('data-part="findings"') :]
    assert 'name="was_hips_text" value="turns less"' in form
    again = typed | {"was_hips": "limit", "was_hips_text": "turns less"}
    assert client.post(f"{here}/findings", data=again).status_code == 303
    assert found() == {"hips": ("no limit", ""), "trunk": ("no limit", "")}


def test_a_consent_that_was_withdrawn_elsewhere_is_not_given_again_unseen(client, register, iris):
    here = f"/players/{iris}"

    def stands() -> tuple[str, str | None]:
        one = register.consents(iris, date.today())[2]
        return one.state, one.by

    def say(form: dict[str, str], **typed: str):
        return client.post(f"{here}/consents", data=form | typed)

    fresh = shown_in(client, here, 'name="what" value="speed"')
    assert fresh["seen"] == ""
    for _ in range(2):  # pressed twice: said once
        assert say(fresh, by="player", do="give").status_code == 303
    assert len([c for c in register.changes(iris) if c.field == "consent:speed"]) == 1
    stale = shown_in(client, here, 'name="what" value="speed"')
    assert say(stale, by="player", do="withdraw").status_code == 303
    refused = say(stale, by="player", do="give", until=f"{date.today() + timedelta(days=9)}")
    said = "consent to train for speed: is withdrawn by the player since this page was shown"
    assert said in text_of(refused, 422)
    assert stands() == ("withdrawn", "player")
    assert (
        say(shown_in(client, here, 'name="what" value="speed"'), by="player", do="give").status_code
        == 303
    )
    assert stands() == ("given", "player")


def test_a_decision_stands_on_the_page_and_in_the_list(client, iris):
    form = {"topic": "push", "answer": "not yet", "cue": "roll <it>", "day": "2026-03-31"}
    form["plan"] = "deliberate"
    assert client.post(f"/players/{iris}/decisions", data=form).status_code == 303
    page = text_of(client.get(f"/players/{iris}"))
    assert re.search(r"push not yet, deliberate roll <it> 2026-03-31", page)
    assert "speed not decided" in page
    assert "not yet" in text_of(client.get("/players"))
    assert "Take it back" in client.get(f"/players/{iris}").text
    back = {"topic": form["topic"], "do": "take back"}
    assert client.post(f"/players/{iris}/decisions", data=back).status_code == 303
    assert "Take it back" not in client.get(f"/players/{iris}").text
    assert client.post(f"/players/{iris}/decisions", data=back).status_code == 422
    assert client.post(f"/players/{iris}/decisions", data=form).status_code == 303
    refused = client.post(f"/players/{iris}/decisions", data=form | {"answer": "perhaps"})
    assert "expected go, not yet or not today" in text_of(refused, 422)


@pytest.mark.parametrize("part", ["", "/sheet"])
def test_what_was_decided_elsewhere_meanwhile_is_not_written_over_unseen(
    client, register, iris, part
):
    """Two tabs, or a tablet and a laptop, that show the same page."""
    at = f"/players/{iris}{part or '/decisions'}"

    def forms() -> dict[str, str]:
        """Return what the page's form of the push sends beside what is typed."""
        page = client.get(f"/players/{iris}{part}").text
        form = page[page.index('name="topic" value="push"') :]
        (seen,) = re.findall(r'name="seen" value="([^"]*)"', form[: form.index("</form>")])
        return {"topic": "push", "seen": seen, "cue": "", "plan": "", "day": "2026-03-31"}

    def standing() -> list[tuple[str, str]]:
        return [(one.answer, one.cue) for one in register.decisions(iris)]

    tablet = laptop = forms()
    not_yet = tablet | {"answer": "not yet"}
    assert client.post(at, data=not_yet).status_code == 303
    said = text_of(client.post(at, data=laptop | {"answer": "go", "cue": "roll"}), 422)
    assert (
        "push: was decided otherwise (not yet) since this page was shown; look at it, and press "
        "again"
    ) in said
    assert standing() == [("not yet", "")]
    assert client.post(at, data=not_yet).status_code == 303  # pressed twice: said once
    assert len([c for c in register.changes(iris) if c.field == "decision:push"]) == 1
    assert client.post(at, data=forms() | {"answer": "go", "cue": "roll"}).status_code == 303
    assert standing() == [("go", "roll")]
    stale = forms()
    back = stale | {"do": "take back"}
    for _ in range(2):
        assert client.post(at, data=back).status_code == 303
    assert standing() == []
    assert "push: was taken back since" in text_of(
        client.post(at, data=stale | {"answer": "not yet"}), 422
    )


def test_two_devices_that_change_a_profile_keep_each_others_changes(client, register, iris):
    def shown() -> dict[str, str]:
        """Return what the profile's form on the page sends when nothing is typed."""
        page = client.get(f"/players/{iris}").text
        form = page[page.index('data-part="profile"') :]
        fields = re.findall(r'name="([a-z_]+)"[^>]* value="([^"]*)"', form[: form.index("</form>")])
        assert len(fields) >= 11
        hand = register.profile(iris).handedness
        return {key: text for key, text in fields if key != "is_minor"} | {"handedness": hand}

    tablet = laptop = shown()
    assert client.post(f"/players/{iris}", data=tablet | {"mass_kg": "72"}).status_code == 303
    other = laptop | {"shoe": "Shoe Z", "left": "0000000A", "right": "0000000B"}
    refused = client.post(f"/players/{iris}", data=other | {"right": "0000000A"})
    assert "is given for both feet" in text_of(refused, 422)
    assert f'name="was_mass_kg" value="{laptop["mass_kg"]}"' in refused.text  # not 72
    assert client.post(f"/players/{iris}", data=other).status_code == 303
    now = register.profile(iris)
    assert (now.mass_kg, now.shoe, now.insoles) == (72.0, "Shoe Z", ("0000000A", "0000000B"))
    assert client.post(f"/players/{iris}", data=shown() | {"mass_kg": ""}).status_code == 303
    now = register.profile(iris)
    assert (now.mass_kg, now.shoe) == (None, "Shoe Z")


def test_visits_lead_to_their_sessions(client, register, iris):
    (session,) = register.store.sessions()
    page = client.get(f"/players/{iris}")
    assert f'href="/sessions/{session.session_id}"' in page.text
    assert f"{session.started:%Y-%m-%d %H:%M} 1 check complete" in text_of(page)


def test_a_session_is_given_to_a_player_and_taken_again(client, register, iris):
    store = register.store
    loose = store.create_session("test", analysis_version=ANALYSIS_VERSION)
    page = f"/sessions/{loose}"
    assert "Nobody’s session yet" not in text_of(client.get(page))  # still being recorded
    refused = client.post(f"{page}/player", data={"player": iris})
    assert "still being recorded" in text_of(refused, 409)
    store.end_session(loose, "stop")
    assert "Nobody’s session yet: give it to … Iris Invented" in text_of(client.get(page))
    assert client.post(f"{page}/player", data={"player": iris}).status_code == 303
    assert store.session(loose).player_id == iris
    assert f'href="/players/{iris}"' in client.get(page).text
    bo = register.add(name="Bo", handedness="left")
    assert client.post(f"{page}/player", data={"player": bo}).status_code == 303
    assert store.session(loose).player_id == bo
    assert "What was decided for Bo stays" in text_of(client.get(page))
    assert client.post(f"{page}/player", data={"player": "nobody"}).status_code == 404
    assert client.post("/sessions/nowhere/player", data={"player": bo}).status_code == 404
    assert store.session(loose).player_id == bo


def test_a_session_that_was_given_away_meanwhile_is_not_taken_unseen(client, register, iris):
    store = register.store
    loose = store.create_session("test", analysis_version=ANALYSIS_VERSION)
    store.end_session(loose, "stop")
    bo, cy = (register.add(name=name, handedness="left") for name in ("Bo", "Cy"))
    page = f"/sessions/{loose}"

    def give(form: dict[str, str], player_id: str):
        return client.post(f"{page}/player", data=form | {"player": player_id})

    form = 'aria-label="Whose session it is"'
    stale = shown_in(client, page, form)
    for _ in range(2):  # pressed twice
        assert give(stale, bo).status_code == 303
    refused = give(stale, cy)
    assert "was given to Bo since this page was shown" in text_of(refused, 409)
    assert f'href="{page}"' in refused.text
    assert store.session(loose).player_id == bo
    assert give(shown_in(client, page, form), cy).status_code == 303
    assert store.session(loose).player_id == cy
    assert "was given to Cy" in text_of(give({"seen": bo}, iris), 409)


def test_sessions_are_listed_in_pages_and_searched(client, register, iris):
    """One session is Iris's; 130 of one day in March, a minute apart, are Bo's or nobody's."""
    store = register.store
    bo = register.add(name="Bö Jensen", handedness="left")
    register.anchor(bo)
    begun = datetime(2024, 3, 5, 8, tzinfo=UTC)
    for k in range(130):
        started = begun + timedelta(minutes=k)
        loose = store.create_session(
            "test",
            analysis_version=ANALYSIS_VERSION,
            player_id=bo if k < 30 else None,
            started=started,
        )
    said = ("check: stand 1", "check: stand 2", "check: again", "check: walk 1", "set: full, wood")
    marks = [{"t_s": float(k), "text": text} for k, text in enumerate((*said, "set: full, wood"))]
    store.put_quality(loose, {"marks": marks})
    first, second = (client.get(f"/sessions?page={n}") for n in (1, 2))
    assert "stand × 2, walk full, wood × 2" in text_of(first)
    assert "131 sessions, the latest first" in text_of(first)
    assert (first.text.count("<tr>"), second.text.count("<tr>")) == (101, 32)  # one is the head
    assert "page 1 of 2" in text_of(first) and "Iris Invented" in text_of(first)
    assert "2024-03-05 08:00" in text_of(second) and "Iris Invented" not in text_of(second)
    for asked, count in (("BÖ", 30), ("2024-03-05 08:0", 10), (loose[:8], 1), ("iris", 1)):
        answer = client.get("/sessions", params={"q": asked})
        assert answer.text.count("<tr>") == count + 1, asked
        assert f"{count} session" in text_of(answer)
    assert "No session has “Zoe”" in text_of(client.get("/sessions?q=Zoe"))


def test_a_session_of_the_other_hand_is_warned_of(client, register, iris):
    """The practice session is of a right-handed player (replay_data): its lead foot is the left."""
    (session,) = register.store.sessions()
    page = f"/sessions/{session.session_id}"
    said = "The recording is of a right-handed player, Bo is registered as left-handed"
    assert "-handed player" not in text_of(client.get(page))
    bo = register.add(name="Bo", handedness="left")
    client.post(f"{page}/player", data={"player": bo})
    assert said in text_of(client.get(page))
    assert said in text_of(client.get(f"/players/{bo}/sheet"))
    assert [one.is_other_hand for one in case_of(register, bo).visits] == [True]
    register.edit(bo, handedness="right")
    assert [one.is_other_hand for one in case_of(register, bo).visits] == [False]
    assert "-handed player" not in text_of(client.get(page))
    assert "-handed player" not in text_of(client.get(f"/players/{bo}/sheet"))


def test_a_decision_on_a_visit_that_was_given_away_is_warned_of(client, register, iris):
    """Speed was let go by the feet of somebody else: both players' pages say which it is of."""
    (session,) = register.store.sessions()
    sheet = (session.session_id, RuleBook(register).kept_id())
    register.decide(iris, "speed", "go", date(2026, 3, 2), sheet=sheet)
    said = "Decided on the sheet of a visit that is another player's now: speed."
    pages = (f"/players/{iris}", f"/players/{iris}/sheet")
    assert [said in text_of(client.get(page)) for page in pages] == [False, False]
    bo = register.add(name="Bo", handedness="right")
    client.post(f"/sessions/{session.session_id}/player", data={"player": bo, "seen": iris})
    assert [said in text_of(client.get(page)) for page in pages] == [True, True]
    assert said not in text_of(client.get(f"/players/{bo}"))
    register.take_back(iris, "speed", date(2026, 3, 3))
    assert [said in text_of(client.get(page)) for page in pages] == [False, False]


@pytest.mark.slow
def test_the_export_holds_all_of_one_player(client, iris):
    answer = client.get(f"/players/{iris}/export.zip")
    assert answer.status_code == 200
    assert f'filename="player-{iris[:8]}.zip"' in answer.headers["content-disposition"]
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        names = [name.partition("/")[2] for name in packed.namelist()]
        assert b"Iris Invented" in packed.read(f"player-{iris[:8]}/player.json")
    assert {"player.json", "visits.csv"} <= set(names)
    assert any(name.endswith("/swings.csv") for name in names)


def test_a_player_is_deleted_by_typing_the_name_only(client, register, iris):
    page = f"/players/{iris}/delete"
    assert "1 session with everything recorded" in text_of(client.get(page))
    for typed in ("", "Iris"):
        assert "nothing was deleted" in text_of(client.post(page, data={"name": typed}), 422)
    assert list(register.names()) == [iris]
    receipt = text_of(client.post(page, data={"name": " iris invented"}))
    assert f"Deleted: player {iris}" in receipt and "1 session," in receipt
    assert "Iris" not in receipt
    assert register.names() == {} and register.store.sessions() == []
    gone = text_of(client.get(f"/players/{iris}"), 404)
    assert "not in the store (any more)" in gone
    assert "not in the store" in text_of(client.post(page, data={"name": "Iris Invented"}), 404)


@pytest.mark.parametrize("part", ["", "/consents", "/findings", "/decisions", "/delete"])
def test_nothing_is_said_of_a_player_who_is_not_there(client, register, iris, part):
    before = len(register.log.changes())
    answer = client.post(f"/players/nobody{part}", data={"topic": "push", "answer": "go"})
    assert "player nobody: not in the store" in text_of(answer, 404)
    assert len(register.log.changes()) == before


def test_an_overlong_form_is_refused_and_not_repeated(client):
    answer = client.post("/players", data={"name": "x" * 501, "handedness": "right"})
    assert "more than 500 characters" in text_of(answer, 409)
    assert "x" * 100 not in answer.text


def test_without_a_store_the_list_is_empty_and_the_first_player_makes_it(tmp_path):
    path = tmp_path / "store.sqlite3"
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app, follow_redirects=False) as client:
        assert "No player is registered yet" in text_of(client.get("/players"))
        assert not path.exists()
        added = client.post("/players", data={"name": "P-1", "handedness": "right"})
        assert added.status_code == 303
        assert "P-1" in text_of(client.get("/players"))


def test_only_the_signed_in_coach_sees_or_changes_players(path, monkeypatch, register, iris):
    monkeypatch.setattr(password, "HASHER", QUICK)
    lan = door(register.store)
    app = Guard(create_app(Audience(), path, lan.access), lan.access)

    def browser(address: str) -> TestClient:
        return TestClient(app, base_url=lan.origin, client=(address, 5), follow_redirects=False)

    coach, player = browser("192.0.2.50"), browser("192.0.2.80")
    assert lan.sign_in(coach).status_code == 303
    assert lan.post(coach, "/links", note="").status_code == 303
    link = re.search(r'href="[^"]*(/p/[^"]+)"', coach.get("/links").text)
    assert link is not None
    before = len(register.log.changes())
    for address in ("/players", "/players/new", f"/players/{iris}", f"/players/{iris}/export.zip"):
        assert player.get(address).status_code == 401
        assert "Iris" not in player.get(link[1] + address).text
    changes = ("", f"/{iris}", f"/{iris}/decisions", f"/{iris}/consents", f"/{iris}/delete")
    for part in changes:
        assert lan.post(player, f"/players{part}", name="Iris Invented").status_code == 401
        elsewhere = coach.post(f"/players{part}", headers={"origin": "http://evil.example"})
        assert elsewhere.status_code == 403
    assert len(register.log.changes()) == before
    with coach:
        assert "Iris Invented" in coach.get(f"/players/{iris}").text
