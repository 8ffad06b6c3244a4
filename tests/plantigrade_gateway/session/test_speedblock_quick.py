"""The parts of a speed block, on a session whose time and swings are set by hand.

Numbers are those of the built-in rule file, written here by hand: common practice, no published
source. `test_speedblock.py` has whole ones.
"""

from typing import Any, cast

import pytest
from tests.support.fakelive import FakeLive

from plantigrade.events import Swing
from plantigrade_gateway.check.speedblock import Plan
from plantigrade_gateway.people.speedwork import Today
from plantigrade_gateway.session.checkpeople import CheckHooks, CheckPeople
from plantigrade_gateway.session.speedblock import SpeedBlock

STOPS = frozenset({"pain", "push-lost", "speed-lost", "rest-not-kept", "dose"})
PLAN = Plan(10, 5, 6, 3, 20, 120, 3, 2, STOPS)
FREE = Today(0, None)
SOON = "Too soon: rest longer before a fast swing. It counts, and is marked."


class People:
    """Knows the plan and the day, and keeps club speeds."""

    def __init__(self, plan: Plan, today: Today) -> None:
        self._plan, self._today = plan, today
        self.speeds: list[tuple[str, int, float]] = []

    def plan(self) -> Plan:
        return self._plan

    def today(self, player_id: str, session_id: str, analysis: object) -> Today:
        assert (player_id, session_id) == ("player", "session")
        return self._today

    def set_speed(self, session_id: str, swing: Swing, m_s: float) -> None:
        self.speeds.append((session_id, swing.first_index, m_s))


class Block:
    """A speed block, its session, and what it asked of the world."""

    def __init__(
        self,
        plan: Plan = PLAN,
        today: Today = FREE,
        held: str = "",
        who: str | None = "player",
    ) -> None:
        self.session = FakeLive(player_id=who)
        self.session.analysis.now_s = 50.0
        self.answered: list[tuple[str, str]] = []
        self.asked: list[str | None] = []
        self.refused: str | None = None

        def may_not(hold: str | None) -> str | None:
            self.asked.append(hold)
            return self.refused

        hooks = CheckHooks(lambda by, hold: self.answered.append((by, hold)), may_not)
        self.people = People(plan, today)
        people = cast(CheckPeople, self.people)
        self.block = SpeedBlock(self.session.live, "driver", hooks, people, held)

    def __getitem__(self, key: str) -> Any:
        return self.block.message()[key]

    @property
    def at(self) -> tuple[str, str, str]:
        return self["phase"], self["step"], self["title"]

    def do(self, do: str, **more: Any) -> str | None:
        return self.block.obey(do, more)

    def wait(self, seconds: float) -> None:
        self.session.pass_s(seconds)
        self.block.advance()

    def swing(self, n: int = 1, apart_s: float = 21.0, good: str = "") -> None:
        """Swing, each known half a second after it began."""
        for k in range(n):
            self.wait(apart_s - 0.5)
            self.session.swing(is_good={"y": True, "n": False, "?": None}[(good or n * "y")[k]])
            self.wait(0.5)

    def rested(self) -> None:
        self.wait(120.0)
        assert self["phase"] == "ready"


def answered(**more: Any) -> Block:
    block = Block(**more)
    block.do("answer", group="", by="player")
    block.session.taken()
    return block


def warm(**more: Any) -> Block:
    """A block whose warm-up is done."""
    block = answered(**more)
    block.do("start")
    block.swing(10, 8.0)
    block.session.taken()
    return block


# ---- the questions ----


def test_it_begins_silent_with_the_questions_and_says_how_long_it_takes():
    """By hand: 3 · 5 · 20 s, 12 s for each of 10 and 6 swings, 3 · 120 s: 852 s are 14 min."""
    block = Block()
    assert block.session.taken() == ["drill None, silent"]
    assert list(map(str, block.block.moments)) == ["drill None, silent"]
    assert block.at == ("questions", "warm_up", "Warm-up")
    assert block["may"] == ["answer", "pain", "end"]
    assert (block["minutes"], block["times"], block["taken"], block["wanted"]) == (14, 3, 0, 10)
    assert (block["look"], block["left_s"], block["advice"]) == ("block", None, "")
    assert [q["group"] for q in block["questions"]] == ["emergency", "red flag", "red flag", "pain"]
    assert block["spoken"] == {"n": 0, "text": ""}


def test_what_cannot_be_done_is_refused_in_a_sentence():
    block = Block()
    assert block.do("start") == "speed block: start is not possible now"
    for by, group in (("coach", ""), ("player", "fear"), (None, "")):
        said = block.do("answer", by=by, group=group)
        assert said == "speed block: expected an answer by player or guardian"
    assert block.answered == []
    assert block.do("club_speed", m_s=40.0) == "speed block: club_speed is not possible now"


@pytest.mark.parametrize(("group", "hold"), [("emergency", "red flag"), ("pain", "pain")])
def test_a_yes_stops_it_and_its_group_is_kept(group, hold):
    block = Block()
    block.do("answer", group=group, by="guardian")
    assert block["phase"] == "stopped" and block["advice"].startswith("Stop here")
    assert block.answered == [("guardian", hold)] and block["may"] == ["take back", "end"]
    held = Block(held="pain")
    assert held["phase"] == "stopped" and "no training on pain" in held["advice"]


# ---- whether it may begin ----


@pytest.mark.parametrize(
    ("more", "refused", "line"),
    [
        ({"who": None}, None, "No speed block: the session is nobody's who is registered. Choose "
         "the player first."),
        ({}, "No fast swings today: invented.", "No fast swings today: invented."),
        ({"today": Today(3, "No more of it.")}, None, "No more of it."),
    ],
)  # fmt: skip
def test_a_block_that_may_not_be_is_refused_with_the_reason(more, refused, line):
    block = answered(**more)
    block.refused = refused
    block.do("start")
    assert (block["phase"], block["line"], block["refused"]) == ("ready", line, True)
    assert block.session.taken() == []


def test_a_push_lost_earlier_in_the_visit_refuses_it():
    block = answered()
    block.session.begin_set("fast", "driver")
    block.session.analysis.now_s += 30.0
    for good in (False, False, False):
        block.session.swing(is_good=good)
        block.session.analysis.now_s += 21.0
    block.session.end_set()
    block.do("start")
    assert block["refused"]
    assert block["line"].startswith("The push was lost: no more fast swings today.")


def test_it_is_asked_before_warm_up_and_fast_blocks_with_what_was_answered():
    block = answered()
    block.do("start")
    assert block.asked == [""]
    block.swing(10, 8.0)
    block.refused = "The consent ended."
    block.do("start")
    assert (block["phase"], block["line"]) == ("ready", "The consent ended.")
    assert block.asked == ["", ""]
    unasked = Block()
    unasked.do("pain")
    assert unasked.asked == []


# ---- its parts ----


def test_ten_warm_up_swings_then_the_first_fast_block():
    block = answered()
    block.do("start")
    assert block.session.taken() == [
        "mark speed block: warm_up",
        "trial warm_up",
        "say Warm up: 10 swings, from smooth to full.",
    ]
    assert block.at == ("running", "warm_up", "Warm-up")
    assert block["may"] == ["pain", "end"]  # a warm-up is whole
    block.swing(9, 8.0)
    assert (block["count"], block["wanted"], block["phase"]) == (9, 10, "running")
    block.swing(1, 8.0)
    assert block.session.taken() == ["end trial", "say Thank you. That was it."]
    assert block.at == ("ready", "fast", "Fast block 1 of 3")
    assert (block["left_s"], block["count"], block["wanted"]) == (None, 0, 5)
    assert block["said"] == "5 fast swings. Rest 20 seconds between them."
    states = [(s["name"], s["state"]) for s in block["steps"]]
    assert states == [("warm_up", "done"), ("fast", "now"), ("closing", "to come")]


def test_five_fast_swings_with_rests_then_two_minutes():
    block = warm()
    block.do("start")
    assert block.session.taken() == [
        "mark speed block: fast",
        "set fast driver",
        "say 5 fast swings. Rest 20 seconds between them.",
    ]
    assert block.at == ("running", "fast", "Fast block 1 of 3")
    assert (block["taken"], block["left_s"]) == (1, None)
    block.swing()
    assert block["left_s"] == 20  # from the swing's beginning, half a second ago
    block.wait(19.4)
    assert block["left_s"] == 0 and block.session.taken() == []
    block.wait(0.2)
    assert (block["left_s"], block.session.taken()) == (None, ["say Next."])
    block.swing(3)
    block.session.taken()
    block.swing()
    assert block.session.taken() == ["say Next.", "end set", "say Rest."]
    assert block.at == ("rest", "fast", "Fast block 2 of 3")
    assert (block["then"], block["left_s"]) == ("Rest.", 120)
    assert block["may"] == ["start", "pain", "end", "club_speed"]
    block.wait(119.4)
    assert block["phase"] == "rest"
    block.wait(0.2)
    assert block["phase"] == "ready" and block.session.taken() == ["say You have rested."]
    assert block["then"] == "" and block["left_s"] is None


def test_after_three_blocks_six_smooth_swings_close():
    block = warm()
    for k in range(3):
        block.do("start")
        block.swing(5)
        block.session.taken() if k < 2 else None
        block.rested()
    assert block.at == ("ready", "closing", "Closing swings")
    assert (block["line"], block["refused"]) == ("Those were all the blocks of today.", False)
    assert block["said"] == "6 smooth swings to close." and block["taken"] == 3
    block.session.taken()
    block.do("start")
    assert block.session.taken() == [
        "mark speed block: closing",
        "set smooth driver",
        "say 6 smooth swings to close.",
    ]
    states = [s["state"] for s in block["steps"]]
    assert states == ["done"] * 4 + ["now"]
    block.swing(6, 12.0, good="yynyy?")
    assert block.session.taken() == [
        "end set",
        "mark speed block: ended, dose",
        "say Thank you. That was all.",
    ]
    assert block.at == ("done", "closing", "Done") and block["may"] == ["pain", "end"]
    assert block["line"] == "4 of 5 closing swings were good pushes."
    assert (block["wanted"], block["left_s"], block["said"]) == (
        0,
        None,
        "Thank you. That was all.",
    )
    assert [s["state"] for s in block["steps"]] == ["done"] * 5


def test_blocks_of_the_same_day_are_counted():
    block = warm(today=Today(2, None))
    assert block.at[2] == "Fast block 3 of 3" and block["taken"] == 2
    block.do("start")
    assert block.at[2] == "Fast block 3 of 3" and block["taken"] == 3
    block.swing(5)
    assert block["title"] == "Closing swings"


def test_enough_ends_a_part_and_the_next_is_told():
    block = warm()
    block.do("start")
    assert block["may"] == ["enough", "pain", "end"]
    block.swing(2)
    block.do("enough")
    assert block.at == ("rest", "fast", "Fast block 2 of 3")


# ---- what stops it ----


@pytest.mark.parametrize(("gap_s", "is_soon"), [(9.5, True), (10.0, False)])
def test_a_fast_swing_sooner_than_half_the_rest_is_said_and_marked_and_counts(gap_s, is_soon):
    block = warm()
    block.do("start")
    block.swing()
    block.session.taken()
    block.swing(1, gap_s)
    said = ["mark speed block: rest-not-kept", f"say {SOON}"] if is_soon else []
    assert block.session.taken() == said
    assert (block["line"], block["refused"]) == ((SOON, True) if is_soon else ("", False))
    assert block["count"] == 2
    block.swing()
    assert (block["line"], block["refused"]) == ("", False)


@pytest.mark.parametrize(("gap_s", "is_soon"), [(59.0, True), (61.0, False)])
def test_before_another_block_half_of_two_minutes_are_rested(gap_s, is_soon):
    block = warm()
    block.do("start")
    block.swing(5)
    block.do("start")
    block.session.taken()
    block.swing(1, gap_s)
    assert ("mark speed block: rest-not-kept" in block.session.taken()) is is_soon
    block.swing(1, 11.0)  # within the block half of 20 s again
    assert "mark speed block: rest-not-kept" not in block.session.taken()


def test_after_the_warm_up_20_s_are_the_rest():
    block = warm()
    block.do("start")
    block.swing(1, 11.0)
    assert block["line"] == ""


def test_a_rule_that_the_file_leaves_out_does_not_act():
    plan = Plan(10, 5, 6, 3, 20, 120, 3, 2, frozenset())
    block = warm(plan=plan)
    block.do("start")
    block.swing(1)
    block.swing(1, 2.0)
    assert block["line"] == ""


def test_a_lost_push_leads_to_a_full_block_and_back_to_fast():
    """Three of the last five are bad; then four of five good ones bring it back."""
    block = warm()
    block.do("start")
    block.session.taken()
    block.swing(3, good="nnn")
    assert block.at == ("rest", "full", "Full block")
    lost = "The push was lost: back to full for one block."
    assert (block["line"], block["refused"]) == (lost, True)
    assert block.session.taken()[-2:] == ["end set", f"say {lost} Rest."]
    assert block["said"] == "5 full swings, none of them fast." and block["wanted"] == 5
    block.rested()
    block.do("start")
    assert "set full driver" in block.session.taken() and block["line"] == ""
    block.swing(1, 2.0)  # a rest is for fast ones
    block.swing(4, good="nyyy")
    assert block.at == ("rest", "fast", "Fast block 2 of 3")


def test_a_push_that_is_not_back_ends_the_fast_swings():
    block = warm()
    block.do("start")
    block.swing(3, good="nnn")
    block.rested()
    block.do("start")
    block.swing(5, good="nnyyy")
    assert block.at == ("rest", "closing", "Closing swings")
    line = "The push is not back: no more fast swings today."
    assert (block["line"], block["refused"]) == (line, True)
    block.rested()
    block.do("start")
    block.swing(6)
    assert "mark speed block: ended, push-lost" in block.session.taken()


def test_lost_club_speed_ends_the_fast_swings():
    """The first block's median is 40 m/s; three in a row below 0.97 of it, 38.8."""
    block = warm()
    block.do("start")
    for k in range(5):
        block.swing()
        assert block.do("club_speed", m_s=40.0) is None
        assert len(block.people.speeds) == k + 1
    assert block.people.speeds[0][0] == "session"
    block.rested()
    block.do("start")
    for m_s, phase in ((39.0, "running"), (38.7, "running"), (38.7, "running"), (38.7, "rest")):
        block.swing()
        block.do("club_speed", m_s=m_s)
        assert block["phase"] == phase
    assert block.at == ("rest", "closing", "Closing swings")
    line = "Tired: the club has lost speed. No more fast swings today."
    assert (block["line"], block["refused"]) == (line, True)


def test_a_speed_noted_in_the_rest_ends_the_block_before():
    block = warm()
    block.do("start")
    for _ in range(5):
        block.swing()
        block.do("club_speed", m_s=40.0)
    block.rested()
    block.do("start")
    for _ in range(2):
        block.swing()
        block.do("club_speed", m_s=38)
    block.swing()
    block.do("enough")
    assert block.at == ("rest", "fast", "Fast block 3 of 3")
    block.do("club_speed", m_s=38)
    assert block.at == ("rest", "closing", "Closing swings")
    # put right afterwards, it is still that of the last swing: the eighth fast one
    block.do("club_speed", m_s=38.5)
    *_, seventh, noted, right = block.people.speeds
    assert (noted[2], right[2]) == (38, 38.5)
    assert noted[1] == right[1] > seventh[1]


@pytest.mark.parametrize("m_s", [None, True, "40"])
def test_what_is_no_speed_is_refused(m_s):
    block = warm()
    block.do("start")
    block.swing()
    said = block.do("club_speed", m_s=m_s)
    assert said == "speed block: expected the club speed of the last fast swing, m/s"
    assert block.people.speeds == []


# ---- the end ----


def test_pain_ends_it_for_the_day():
    block = warm()
    block.do("start")
    block.session.taken()
    block.do("pain")
    assert block.session.taken() == ["end set", "mark speed block: ended, pain"]
    assert block["phase"] == "stopped" and block.answered[-1] == ("player", "pain")
    assert "no training on pain" in block["advice"]


def test_ended_by_the_coach_it_was_left():
    block = warm()
    block.do("start")
    block.session.taken()
    block.do("end")
    assert block.session.taken() == ["end set", "mark speed block: ended, left"]
    assert block["phase"] == "done"
    block.do("end")
    assert block.session.taken() == []
    in_warm_up = answered()
    in_warm_up.do("start")
    in_warm_up.session.taken()
    in_warm_up.do("end")
    assert in_warm_up.session.taken() == ["end trial", "mark speed block: ended, left"]


def test_ended_before_it_began_nothing_is_marked():
    block = answered()
    block.do("end")
    assert block.session.taken() == [] and block["phase"] == "done"
    held = Block(held="pain")
    held.do("end")
    assert held["phase"] == "stopped"
