"""The audience: who looks is told everything, is never waited for, and may only what it may."""

import asyncio
import json
from typing import Any

import pytest
from tests.support.live_schema import live_messages

from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.live.audience import MAX_WAITING, Audience, Viewer

HELLO = {"type": "hello", "v": 1, "session": {"id": "ab", "recording": True}, "drills": []}


def taken(viewer: Viewer) -> list[dict[str, Any]]:
    """Return what waits for a viewer."""

    async def all_of() -> list[dict[str, Any]]:
        out = []
        while viewer._waiting and (text := await viewer.next()) is not None:
            out.append(json.loads(text))
        return out

    return asyncio.run(all_of())


@pytest.fixture
def sent() -> list[dict[str, object]]:
    return []


@pytest.fixture
def audience(sent: list[dict[str, object]]) -> Audience:
    audience = Audience(sent.append)
    audience.take(json.dumps(HELLO))
    return audience


def test_whose_session_it_is_only_the_coach_is_told(audience):
    audience.take(json.dumps({**HELLO, "player": "00ff", "hand": "The player is …"}))
    (coachs,), (players,) = taken(audience.join(Rights.COACH)), taken(audience.join(Rights.PLAYER))
    assert (coachs["player"], coachs["hand"]) == ("00ff", "The player is …")
    assert not {"player", "hand"} & set(players)


def test_what_the_coach_marked_in_words_only_the_coach_is_told(audience):
    coach, player = audience.join(Rights.COACH), audience.join(Rights.PLAYER)
    note = {"type": "said", "text": "Marked: afraid of the ball", "level": "info", "to": "coach"}
    live_messages().validate(note)
    audience.take(json.dumps(note))
    audience.take('{"type": "said", "text": "Set begun.", "level": "info"}')
    assert [m["text"] for m in taken(coach)[1:]] == [note["text"], "Set begun."]
    assert [m["text"] for m in taken(player)[1:]] == ["Set begun."]


def test_who_comes_late_is_told_what_is_known(audience):
    audience.take('{"type": "link", "feet": {}}')
    audience.take('{"type": "swing", "n": 3}')
    audience.take('{"type": "frame", "t_s": 1.0}')
    (hello,) = taken(audience.join(Rights.PLAYER))
    assert hello["rights"] == "player"
    assert hello["session"] == HELLO["session"]
    assert hello["swing"] == {"type": "swing", "n": 3}
    assert hello["link"] == {"type": "link", "feet": {}}
    assert hello["drill"] is None


def test_who_comes_late_is_told_what_happened_last(audience):
    for n in range(10):
        audience.take(json.dumps({"type": ("step", "stand", "swing", "cue")[n % 4], "n": n}))
    (hello,) = taken(audience.join(Rights.PLAYER))
    recent = hello["recent"]
    assert isinstance(recent, list)
    assert [message["n"] for message in recent] == [1, 2, 4, 5, 6, 8, 9][-6:]
    audience.take(json.dumps({**HELLO, "session": {"id": "cd", "recording": True}}))
    assert taken(audience.join(Rights.COACH))[0]["recent"] == []


@pytest.mark.parametrize(
    ("came", "phase"),
    [
        ([], None),
        (["backswing"], "backswing"),
        (["backswing", "heel_lifted", "shift", "push"], "push"),
        (["shift"], "shift"),
        (["backswing", "cancelled"], None),
        (["backswing", "shift", "push", "swing"], None),
        (["backswing", "swing", "heel_returned"], None),  # late, of the swing that is decided
        (["backswing", "step"], "backswing"),
        (["swing", "backswing"], "backswing"),
        (["backswing", "other session"], None),
    ],
)
def test_who_comes_in_mid_swing_is_told_that_one_is_on_the_way(audience, came, phase):
    for name in came:
        if name == "other session":
            audience.take(json.dumps({**HELLO, "session": {"id": "cd", "recording": True}}))
        elif name in ("swing", "step"):
            audience.take(json.dumps({"type": name, "n": 1}))
        else:
            audience.take(json.dumps({"type": "phase", "kind": name, "t_s": 1.0, "words": name}))
    (hello,) = taken(audience.join(Rights.PLAYER))
    assert (hello["phase"] or {"kind": None})["kind"] == phase


def test_everybody_is_told_what_comes_in_order(audience):
    viewers = [audience.join(Rights.COACH) for _ in range(3)]
    for n in range(5):
        audience.take(json.dumps({"type": "step", "n": n}))
    for viewer in viewers:
        assert [m.get("n") for m in taken(viewer)[1:]] == [0, 1, 2, 3, 4]


def test_a_new_session_forgets_the_last_swing_and_the_same_one_keeps_it(audience):
    audience.take('{"type": "swing", "n": 3}')
    audience.take(json.dumps({**HELLO, "session": {"id": "ab", "recording": False}}))
    assert taken(audience.join(Rights.COACH))[0]["swing"] == {"type": "swing", "n": 3}
    audience.take(json.dumps({**HELLO, "session": {"id": "cd", "recording": True}}))
    assert taken(audience.join(Rights.COACH))[0]["swing"] is None
    assert audience.session_id == "cd"


def test_a_slow_viewer_misses_pictures_first_and_no_event(audience):
    slow = audience.join(Rights.COACH)
    for n in range(20):
        audience.take(json.dumps({"type": "frame", "n": n}))
        audience.take(json.dumps({"type": "step", "n": n}))
    seen = taken(slow)
    assert [m["n"] for m in seen if m["type"] == "step"] == list(range(20))
    assert [m["n"] for m in seen if m["type"] == "frame"] == [0, 1]
    assert slow.left_out == 18


def test_a_viewer_that_takes_nothing_is_dropped_and_the_others_are_not(audience):
    stalled, good = audience.join(Rights.COACH), audience.join(Rights.COACH)
    for n in range(MAX_WAITING + 5):
        audience.take(json.dumps({"type": "step", "n": n}))
        if n % 50 == 0:
            taken(good)
    assert stalled.gone and asyncio.run(stalled.next()) is None
    assert not good.gone


def test_the_gateway_is_told_how_many_look(audience, sent):
    viewer = audience.join(Rights.COACH)
    audience.join(Rights.PLAYER)
    audience.leave(viewer)
    assert [m["n"] for m in sent if m["type"] == "viewers"] == [1, 2, 1]


def test_the_gateway_is_told_how_many_pages_sound(audience, sent):
    coach, player = audience.join(Rights.COACH), audience.join(Rights.PLAYER)
    for viewer, on in ((coach, True), (player, True), (coach, True), (coach, False)):
        assert audience.command(viewer, {"type": "sounds", "on": on}) is None
    audience.leave(player)
    told = [m["sounding"] for m in sent if m["type"] == "viewers"]
    assert told == [0, 0, 1, 2, 2, 1, 0]
    assert all(m["type"] == "viewers" for m in sent)


def test_a_page_of_stored_sessions_may_sound():
    audience = Audience()
    assert audience.command(audience.join(Rights.COACH), {"type": "sounds", "on": True}) is None


@pytest.mark.parametrize(
    ("rights", "message", "problem"),
    [
        (Rights.COACH, {"type": "mark", "text": "new grip"}, None),
        (Rights.COACH, {"type": "stop"}, None),
        (Rights.COACH, {"type": "mark", "text": " "}, "mark: expected a text of 1 to 500"),
        (Rights.COACH, {"type": "mark", "text": "x" * 501}, "mark: expected a text of 1 to 500"),
        (Rights.COACH, {"type": "mark"}, "mark: expected a text of 1 to 500"),
        (Rights.COACH, {"type": "format"}, "message: expected one of"),
        (Rights.COACH, None, "message: expected one of"),
        (Rights.COACH, [1], "message: expected one of"),
        (Rights.PLAYER, {"type": "ask"}, None),
        (Rights.PLAYER, {"type": "check", "do": "pain"}, None),
        (Rights.PLAYER, {"type": "check", "do": "end"}, "check: only the coach's page can do this"),
        (Rights.PLAYER, {"type": "stop"}, "stop: only the coach's page can do this"),
        (Rights.PLAYER, {"type": "mark", "text": "x"}, "mark: only the coach's page can do this"),
    ],
)
def test_a_viewer_may_what_its_rights_say(audience, sent, rights, message, problem):
    viewer = audience.join(rights)
    sent.clear()
    said = audience.command(viewer, message)
    if problem is None:
        assert said is None and sent == [message]
    else:
        assert said is not None and said.startswith(problem) and sent == []


def test_without_a_gateway_a_command_is_refused_in_a_sentence():
    audience = Audience()
    viewer = audience.join(Rights.COACH)
    said = audience.command(viewer, {"type": "stop"})
    assert said == "no gateway is running here: see plantigrade run"
    assert taken(viewer)[0]["session"] is None


def test_who_comes_late_is_told_where_the_sound_goes_now(audience):
    early = audience.join(Rights.COACH)
    audience.take('{"type": "sound", "said": "off", "device": false, "lost": false}')
    now = {"said": "off", "device": False, "lost": False}
    assert taken(audience.join(Rights.COACH))[0]["sound"] == now
    assert taken(early)[-1] == {"type": "sound", **now}
    later = {"said": "on", "device": True, "lost": False}
    audience.take(json.dumps({**HELLO, "sound": later}))
    assert taken(audience.join(Rights.COACH))[0]["sound"] == later


SWING: dict[str, Any] = {
    "type": "swing",
    "n": 3,
    "swing": {"push": {"manner": "rolled"}},
    "words": {"push": "rolled, with shift"},
    "good": True,
    "counts": {"steps": 9, "swings": 3, "good": 2},
}
SCORE = {"good": 2, "tried": 3, "unclear": 0, "streak": 2, "best": 2}
LAST = {
    "verdict": "good",
    "words": "rolled, with shift",
    "line": "Like that",
    "told": True,
    "what": "swing",
    "n": 3,
}
MOVED: dict[str, dict[str, Any]] = {
    "swing": SWING,
    "step": {"type": "step", "n": 9, "words": "rolled through"},
    "stand": {"type": "stand", "words": "8 s, bearing"},
    "cue": {"type": "cue", "kind": "rolled"},
    "tone": {"type": "tone", "points": [[1.0, 440.0, 1.0]]},
    "push": {"type": "phase", "kind": "push", "words": "push rolled"},
    "heel": {"type": "phase", "kind": "heel_lifted", "words": "heel unloaded"},
    "way": {"type": "phase", "kind": "backswing", "words": "backswing"},
}


def told_to(audience: Audience, *messages: dict[str, Any]) -> tuple[list[Any], list[Any]]:
    """Return what the coach's and a player's page are told of messages."""
    coach, player = audience.join(Rights.COACH), audience.join(Rights.PLAYER)
    for message in messages:
        audience.take(json.dumps(message))
    return taken(coach)[1:], taken(player)[1:]


@pytest.mark.parametrize("is_silent", [True, False])
def test_a_players_page_is_told_no_outcome_that_is_to_be_silent(audience, is_silent):
    drill = {"type": "drill", "name": "push", "title": "Push", **SCORE}
    messages = [{**message, "silent": is_silent} for message in MOVED.values()]
    messages.append({**drill, "last": {**LAST, "silent": is_silent}})
    messages.append({"type": "check", "on": True, "line": "Cannot tell yet: push 5 of 8."})
    coachs, players = told_to(audience, *messages)
    assert coachs == messages
    if not is_silent:
        assert players[:-1] == messages[:-1]
        return
    counts = {"steps": 9, "swings": 3, "good": None}
    untold = {"told": False, "verdict": None, "words": None, "line": None, "silent": True}
    none = dict.fromkeys(SCORE)
    assert players == [
        {"type": "swing", "n": 3, "silent": True, "counts": counts},
        {**MOVED["way"], "silent": True},
        {**drill, **none, "last": {"what": "swing", "n": 3, **untold}},
        {"type": "check", "on": True, "line": ""},
    ]


def test_a_players_page_is_told_no_score_of_a_repetition_that_is_left_out(audience):
    """Every second one is told: of the others neither verdict nor count, though all are counted."""
    drill = {"type": "drill", "name": "push", "title": "Push", **SCORE, "feedback": "other"}
    last = {**LAST, "silent": False}
    messages = [{**drill, "last": {**last, "told": is_told}} for is_told in (True, False)]
    coachs, players = told_to(audience, *messages)
    assert coachs == messages
    untold = {"told": False, "verdict": None, "words": None, "line": None, "silent": False}
    none = dict.fromkeys(SCORE)
    assert players == [messages[0], {**drill, **none, "last": {"what": "swing", "n": 3, **untold}}]


def test_a_players_page_that_comes_late_is_told_none_either(audience):
    drill = {"type": "drill", "name": "push", **SCORE, "last": {**LAST, "silent": True}}
    order = ("way", "heel", "push", "step", "stand", "swing")
    for message in [*({**MOVED[name], "silent": True} for name in order), drill]:
        audience.take(json.dumps(message))
    audience.take(json.dumps({**HELLO, "counts": {"steps": 9, "swings": 3, "good": 2}}))
    (coachs,), (players,) = taken(audience.join(Rights.COACH)), taken(audience.join(Rights.PLAYER))
    assert coachs["swing"]["words"] == SWING["words"] and len(coachs["recent"]) == 3
    assert [one["type"] for one in players["recent"]] == ["swing"]
    assert players["counts"] == {"steps": 9, "swings": 3, "good": None}
    for outcome in ("roll", "bearing", "Like that", "unloaded"):
        assert outcome in json.dumps(coachs) or outcome == "unloaded"
        assert outcome not in json.dumps(players)
