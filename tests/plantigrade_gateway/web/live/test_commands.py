"""What a page asks reaches the gateway cut to what is known, or not at all."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade_gateway.budget import Budget
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.live.audience import Audience, checked, cost

pytestmark = pytest.mark.dear

KINDS = ["ask", "drawn", "drill", "mark", "player", "record", "set", "set_end", "sound", "stop"]
NAMES = {"text", "name", "feedback", "device", "sent_ms", "drawn_ms", "intent", "club", "id"}
json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=6,
)


@pytest.mark.parametrize(
    "message",
    [
        {"type": "ask"},
        {"type": "record"},
        {"type": "stop"},
        {"type": "mark", "text": "new grip – größer"},
        {"type": "drill", "name": "push", "feedback": "every"},
        {"type": "drill", "name": None},
        {"type": "set", "intent": "full", "club": "7 iron"},
        {"type": "set", "intent": "fast", "club": None},
        {"type": "set_end"},
        {"type": "player", "id": "00ff"},
        {"type": "player", "id": None},
        {"type": "sound", "device": False},
        {"type": "drawn", "sent_ms": 1.5, "drawn_ms": 2},
        {"type": "sounds", "on": True},
    ],
)
def test_what_our_page_asks_passes_unchanged(message):
    assert checked(message, Rights.COACH) == message


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in ("ask", "drawn", "sounds")])
def test_a_player_may_only_ask(kind):
    with pytest.raises(InputError, match=f"{kind}: only the coach's page"):
        checked({"type": kind, "text": "x"}, Rights.PLAYER)
    assert checked({"type": "ask"}, Rights.PLAYER) == {"type": "ask"}


def test_nothing_else_comes_along():
    asked = {"type": "mark", "text": "x", "and": "more", "t_s": 1.0}
    assert checked(asked, Rights.COACH) == {"type": "mark", "text": "x"}


def test_a_note_does_not_steer_a_terminal_or_break_the_record():
    text = "a\x1b[2Jb\r\nc\u202ed\ud800e\x00"
    assert checked({"type": "mark", "text": text}, Rights.COACH)["text"] == "a [2Jb c d e"


@pytest.mark.parametrize(
    "message",
    [
        None,
        [],
        "mark",
        {"type": ["mark"]},
        {"type": {}},
        {"type": "viewers", "n": 0},
        {"type": "ready", "port": 1},
        {"type": "mark"},
        {"type": "mark", "text": ""},
        {"type": "mark", "text": "\x00 \x1b"},
        {"type": "mark", "text": "x" * 501},
        {"type": "sound", "device": "yes"},
        {"type": "drill", "name": 3},
        {"type": "set", "intent": None},
        {"type": "set", "intent": "full", "club": ["x"]},
        {"type": "drill", "name": "x" * 101},
        {"type": "drill", "name": "a\nb"},
        {"type": "drawn", "sent_ms": True},
        {"type": "drawn", "sent_ms": float("nan")},
        {"type": "drawn", "drawn_ms": float("-inf")},
    ],
)
def test_what_is_none_of_them_is_refused_in_a_sentence(message):
    with pytest.raises(InputError) as refused:
        checked(message, Rights.COACH)
    assert len(str(refused.value).splitlines()) == 1


@given(
    message=json_values
    | st.fixed_dictionaries(
        {"type": st.sampled_from(KINDS)},
        optional={name: json_values for name in NAMES | {"x"}},
    ),
    rights=st.sampled_from(Rights),
)
def test_whatever_comes_only_known_fields_go_on_as_one_line_of_text(message, rights):
    try:
        found = checked(message, rights)
    except InputError:
        return
    assert found.keys() <= NAMES | {"type"} and found["type"] in KINDS
    line = json.dumps(found, ensure_ascii=False)
    assert "\n" not in line and "\x1b" not in line
    line.encode()


def test_a_page_that_asks_without_end_is_dropped():
    sent: list[dict[str, object]] = []
    audience = Audience(sent.append)
    viewer = audience.join(Rights.PLAYER)
    for _ in range(1000):
        audience.command(viewer, {"type": "ask"})
    assert viewer.gone
    asked = [message for message in sent if message["type"] == "ask"]
    assert 12 <= len(asked) < 100


def test_a_page_that_is_measured_is_not():
    now_s = [0.0]
    budget = Budget(120.0, 60.0, lambda: now_s[0])
    for picture in range(3000):
        now_s[0] = picture / 30.0
        assert budget.take(cost({"type": "drawn"}))
        assert picture % 30 or budget.take(cost({"type": "mark"}))
