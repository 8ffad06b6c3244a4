"""The steps of a guided check, on a session whose time and swings are set by hand.

Times and counts are those of `check.steps`, written here by hand; `test_check.py` has whole ones.
"""

from dataclasses import replace
from typing import Any

import pytest
from tests.support.fakelive import FakeLive

from plantigrade.prompted import LiftedFoot, PromptedLift
from plantigrade_gateway.session.check import PUSH_LOST, GuidedCheck
from plantigrade_gateway.session.checkpeople import CheckHooks

LIFTED = PromptedLift(LiftedFoot(3.2, 4.0), LiftedFoot(3.5, 6.0))
LOADED = PromptedLift(LiftedFoot(3.2, 4.0), LiftedFoot(0.0, None))


class Guided:
    """A check, its session, and what it asked of the world."""

    def __init__(self, look: str = "first", held: str = "", no_speed: str | None = None) -> None:
        self.session = FakeLive()
        self.answered: list[tuple[str, str]] = []
        self.asked: list[str | None] = []
        self.refused = no_speed

        def may_not(hold: str | None) -> str | None:
            self.asked.append(hold)
            return self.refused

        hooks = CheckHooks(lambda by, hold: self.answered.append((by, hold)), may_not)
        self.check = GuidedCheck(look, self.session.live, "7 iron", hooks, held)

    def __getitem__(self, key: str) -> Any:
        return self.check.message()[key]

    @property
    def at(self) -> tuple[str, str, int]:
        """Return phase, step and trials taken."""
        return self["phase"], self["step"], self["taken"]

    def do(self, *all_: str, **more: Any) -> str | None:
        said = None
        for do in all_:
            said = self.check.obey(do, more)
        return said

    def wait(self, seconds: float) -> None:
        self.session.pass_s(seconds)
        self.check.advance()

    def skip_to(self, step: str) -> None:
        while self["step"] != step:
            assert self.do("skip") is None

    def run(self, lead_in_s: float = 4.0) -> None:
        """Start, and wait until the trial runs."""
        self.do("start")
        self.wait(lead_in_s)
        assert self["phase"] == "running"

    def lift(self, found: PromptedLift | None) -> None:
        trials = self.session.analysis.trials
        trials[-1] = replace(trials[-1], lift=found)

    def swing(self, n: int = 1, apart_s: float = 12.0, good: str = "") -> None:
        """Swing, each known half a second after it began."""
        for k in range(n):
            self.session.pass_s(apart_s - 0.5)
            if good:
                self.session.swing(is_good={"y": True, "n": False, "?": None}[good[k]])
            else:
                self.session.swing()
            self.wait(0.5)


@pytest.fixture
def asked() -> Guided:
    """A first look whose questions are answered by no."""
    guided = Guided()
    guided.do("answer", group="", by="player")
    guided.session.taken()
    return guided


def at_set(step: str = "smooth", look: str = "first", **more: Any) -> Guided:
    guided = Guided(look, **more)
    guided.do("answer", group="", by="player")
    guided.skip_to(step)
    guided.session.taken()
    return guided


# ---- the questions ----


@pytest.mark.parametrize(("look", "minutes"), [("first", 9), ("speed", 14)])
def test_it_begins_silent_with_the_questions_and_says_how_long_it_takes(look, minutes):
    """By hand, s: 45 + 24 + 96 + 70 + 81 + 105 + 105 = 526; fast 185 and again 105: 816."""
    guided = Guided(look)
    assert guided.session.taken() == ["drill None, silent"]
    assert list(map(str, guided.check.moments)) == ["drill None, silent"]
    assert guided.at == ("questions", "lift", 0)
    assert guided["may"] == ["answer", "skip", "pain", "end"]
    assert (guided["minutes"], guided["look"], guided["on"]) == (minutes, look, True)
    assert [q["group"] for q in guided["questions"]] == [
        "emergency",
        "red flag",
        "red flag",
        "pain",
    ]
    assert guided["by"] == ["player", "guardian"]
    assert (guided["left_s"], guided["line"], guided["advice"]) == (None, "", "")
    assert guided["spoken"] == {"n": 0, "text": ""}


def test_what_cannot_be_done_is_refused_in_a_sentence():
    guided = Guided()
    assert guided.do("start") == "check: start is not possible now"
    for by, group in (("coach", ""), ("player", "fear"), (None, "")):
        said = guided.do("answer", by=by, group=group)
        assert said == "check: expected an answer by player or guardian"
    assert guided["phase"] == "questions" and guided.answered == []


@pytest.mark.parametrize(
    ("group", "hold", "advice"),
    [
        ("emergency", "red flag", "Stop here. Call the emergency services."),
        ("red flag", "red flag", "Stop here: no drill today."),
        ("pain", "pain", "Stop here: no training on pain."),
    ],
)
def test_a_yes_stops_it_and_its_group_is_kept(group, hold, advice):
    guided = Guided()
    guided.do("answer", group=group, by="guardian")
    assert guided["phase"] == "stopped" and guided["advice"].startswith(advice)
    assert guided.answered == [("guardian", hold)]
    assert guided["may"] == ["take back", "end"] and guided.check.left == ""
    assert guided.do("start") == "check: start is not possible now"


def test_one_that_is_held_begins_stopped():
    guided = Guided(held="pain")
    assert guided["phase"] == "stopped"
    assert guided["advice"].startswith("Stop here: no training on pain.")


def test_a_no_and_a_skip_go_on_to_the_first_step():
    guided = Guided()
    assert guided.do("answer", group="", by="guardian") is None
    assert guided.at == ("ready", "lift", 0) and guided.answered == [("guardian", "")]
    skipped = Guided()
    skipped.do("skip")
    assert skipped.at == ("ready", "lift", 0) and skipped.answered == []


# ---- a trial ----


def test_a_trial_begins_after_its_lead_in_and_ends_with_what_it_is_for(asked):
    """4 s of lead-in; both feet held in the air; a second until the last results are there."""
    asked.do("start")
    assert asked.at == ("lead in", "lift", 0) and asked["left_s"] == 4
    assert asked["spoken"]["n"] == 1
    assert asked["may"] == ["again", "skip", "pain", "end"]
    asked.wait(3.9)
    assert asked["phase"] == "lead in"
    asked.wait(0.1)
    assert asked["phase"] == "running" and asked["left_s"] == 18
    said = (
        "say Lift your left foot off the ground and hold it for three seconds. Then the right one."
    )
    assert asked.session.taken() == [said, "trial lift"]
    asked.wait(7.0)
    assert asked["left_s"] == 11 and asked["phase"] == "running"
    asked.lift(LOADED)
    asked.wait(1.0)
    assert asked["phase"] == "running"
    asked.lift(LIFTED)
    asked.wait(1.0)
    assert asked["phase"] == "settling" and asked["may"] == ["pain", "end"]
    assert asked.session.taken() == ["end trial", "say Thank you. That was it."]
    asked.wait(0.9)
    assert asked["phase"] == "settling"
    asked.wait(0.1)
    assert asked.at == ("ready", "stand", 0)
    assert asked["line"] == "Lift each foot – done. In the air: left 4 N, right 6 N."
    assert [s["state"] for s in asked["steps"][:3]] == ["done", "now", "to come"]


@pytest.mark.parametrize("foot", [("left", "right"), ("right", "left")])
def test_a_lift_ends_after_18_s_and_is_refused_with_why(asked, foot):
    up, down = foot
    feet = {up: LiftedFoot(3.2, 4.0), down: LiftedFoot(0.0, None)}
    asked.run()
    asked.lift(PromptedLift(feet["left"], feet["right"]))
    asked.wait(17.9)
    assert asked["phase"] == "running" and asked["left_s"] == 0
    asked.wait(0.1)
    asked.wait(1.0)
    assert asked.at == ("ready", "lift", 0) and asked["refused"]
    assert asked["line"].startswith(f"The {down} foot stayed loaded.")
    asked.run()
    assert not asked["refused"] and asked["line"] == ""
    assert [t.number for t in asked.session.analysis.trials] == [1, 2]


def test_a_stand_takes_20_s_and_is_judged_within_3(asked):
    asked.do("skip")
    asked.run()
    assert asked["left_s"] == 20
    asked.wait(19.9)
    assert asked["phase"] == "running"
    asked.wait(0.1)
    assert asked["phase"] == "settling"
    asked.wait(2.9)
    assert asked["phase"] == "settling"
    asked.wait(0.1)
    assert asked.at == ("ready", "stand", 0)
    assert (asked["line"], asked["refused"]) == ("It could not be measured. Stand again.", True)
    assert asked["then"] == "Step off the spot, and on again."
    asked.run()
    asked.wait(6.0)
    asked.do("enough")
    asked.wait(3.0)
    assert asked["line"].startswith("It ended after 6 s.")


def test_a_walk_leads_in_for_30_s_and_ends_by_itself_after_three_minutes(asked):
    asked.skip_to("walk")
    asked.do("start")
    assert asked["left_s"] == 30 and asked["wanted"] == 20
    asked.wait(29.9)
    assert asked["phase"] == "lead in"
    asked.wait(0.1)
    assert asked["phase"] == "running" and asked["left_s"] is None
    asked.wait(179.9)
    assert asked["phase"] == "running"
    asked.session.analysis.steps.append(object())  # one more was seen
    asked.session.analysis.result = lambda: FakeLive().analysis.result()
    asked.wait(0.1)
    assert asked["phase"] == "settling"
    asked.wait(1.9)
    assert asked["phase"] == "settling"
    asked.wait(0.1)
    assert asked.at == ("ready", "walk", 0) and asked["refused"]


def test_six_practice_swings_are_counted_and_taken_at_once(asked):
    asked.skip_to("practice")
    asked.run()
    asked.swing(5)
    assert (asked["phase"], asked["count"], asked["wanted"]) == ("running", 5, 6)
    asked.swing()
    assert asked["phase"] == "settling" and asked["count"] == 0
    asked.check.advance()
    assert asked.at == ("ready", "smooth", 0)
    assert asked["line"] == "Practice swings – done. 6 practice swings of 6."


# ---- again and skip ----


def test_again_takes_back_what_is_under_way_or_was_taken_last(asked):
    asked.do("again")  # there is nothing yet
    assert asked.at == ("ready", "lift", 0) and asked.session.taken() == []
    asked.do("start")
    asked.do("again")
    assert asked.at == ("ready", "lift", 0)
    assert [what for what in asked.session.taken() if not what.startswith("say")] == []
    asked.run()
    asked.do("again")
    assert asked.session.taken()[1:] == ["trial lift", "end trial", "mark check: again"]
    assert asked.at == ("ready", "lift", 0)
    asked.run()
    asked.lift(LIFTED)
    asked.wait(1.0)
    asked.wait(1.0)
    assert asked["step"] == "stand"
    asked.session.taken()
    asked.do("again")
    assert asked.at == ("ready", "lift", 0) and asked["line"] == ""
    assert asked.session.taken() == ["mark check: again"]
    assert [s["state"] for s in asked["steps"][:2]] == ["now", "to come"]


def test_again_after_a_refusal_takes_nothing_back(asked):
    asked.run()
    asked.lift(LOADED)
    asked.do("enough")
    asked.wait(1.0)
    assert asked["refused"]
    asked.session.taken()
    asked.do("again")
    assert (asked["refused"], asked["line"]) == (False, "") and asked.session.taken() == []
    assert asked.at == ("ready", "lift", 0)


def test_again_of_a_step_that_was_skipped_takes_nothing_back(asked):
    asked.do("skip")
    asked.session.taken()
    asked.do("again")
    assert asked.at == ("ready", "lift", 0) and asked.session.taken() == []


def states(guided: Guided) -> list[str]:
    return [step["state"] for step in guided["steps"]]


def test_what_is_asked_for_without_shoes_is_skipped_together(asked):
    asked.do("skip", "skip")
    assert asked["title"] == "Lift each foot, without shoes"
    asked.do("skip")
    assert asked["step"] == "walk"
    assert states(asked) == [*["skipped"] * 5, "now", *["to come"] * 3]


def test_once_a_shoe_was_off_a_foot_is_lifted_again(asked):
    asked.do("skip", "skip")
    asked.run()
    asked.lift(LIFTED)
    asked.wait(1.0)
    asked.wait(1.0)
    assert asked["step"] == "flat"
    asked.do("skip")
    assert asked["title"] == "Lift each foot, shoes on again"
    asked.do("skip")
    assert states(asked)[:6] == ["skipped", "skipped", "done", "skipped", "skipped", "now"]


def test_skip_in_a_trial_ends_it_without_a_result(asked):
    asked.run()
    asked.session.taken()
    asked.do("skip")
    assert asked.session.taken() == ["end trial"] and asked.at == ("ready", "stand", 0)


# ---- sets ----


def test_a_set_ends_with_the_eighth_swing_that_counts():
    """The first, too soon after one before the set, does not."""
    guided = at_set()
    guided.session.swing()
    guided.run()
    assert guided.session.taken() == ["say Easy.", "set smooth 7 iron"]
    guided.swing(1, 5.0)
    assert guided["count"] == 0
    guided.swing(7)
    assert (guided["count"], guided["wanted"], guided["phase"]) == (7, 8, "running")
    guided.swing()
    assert guided["phase"] == "settling"
    assert guided.session.taken() == ["end set", "say Thank you. That was it."]
    guided.check.advance()
    assert guided.at == ("ready", "full", 0)
    assert guided["line"] == (
        "Smooth swings – done. 8 swings count (1 too soon after the one before)."
    )


def test_a_set_of_too_few_is_withdrawn_and_says_so():
    guided = at_set()
    guided.run()
    guided.swing(5)
    guided.do("enough")
    guided.session.taken()
    guided.wait(2.9)
    assert guided["phase"] == "settling"
    guided.wait(0.1)
    assert guided.at == ("ready", "smooth", 0) and guided["refused"]
    assert guided["line"] == "5 of 6 swings count. Swing on."
    assert guided.session.taken() == ["mark check: set again"]
    guided.run()
    guided.swing(6)
    guided.do("enough")
    guided.wait(3.0)
    assert guided["step"] == "full" and guided["line"] == "Smooth swings – done. 6 swings count."


def test_an_empty_set_says_that_no_swing_was_seen():
    guided = at_set()
    guided.run()
    guided.do("enough")
    guided.wait(3.0)
    assert guided["line"].startswith("No swing was seen.") and guided["refused"]


def test_mixed_answers_are_offered_eight_more_which_count_together():
    guided = at_set()
    guided.run()
    guided.swing(8, good="yynnyynn")
    guided.check.advance()
    assert guided.at == ("offer", "smooth", 0)
    assert guided["line"] == (
        "Cannot tell yet: push. Eight more may tell; skip goes on with these."
    )
    assert guided["may"] == ["more", "skip", "pain", "end"] and not guided["refused"]
    guided.session.taken()
    guided.do("more")
    assert guided["phase"] == "lead in"
    guided.wait(4.0)
    assert guided.session.taken() == ["say Easy.", "set smooth 7 iron"]
    guided.swing(8, 9.0)  # the first alone, after the lead-in, and no more than eight are made
    assert guided["phase"] == "settling"
    guided.check.advance()
    # mixed still, but offered once
    assert guided.at == ("ready", "full", 0)
    assert guided["line"] == (
        "Smooth swings – done. 9 swings count (7 too soon after the one before)."
    )


def test_more_that_count_are_told_together():
    guided = at_set()
    guided.run()
    guided.swing(8, good="yynnyynn")
    guided.check.advance()
    guided.do("more")
    guided.wait(4.0)
    guided.swing(8)
    guided.check.advance()
    assert guided["line"] == "Smooth swings – done. 16 swings count."


def test_skip_at_an_offer_goes_on_with_what_counts():
    guided = at_set()
    guided.run()
    guided.swing(8, good="yynnyynn")
    guided.check.advance()
    guided.session.taken()
    guided.do("skip")
    assert guided.at == ("ready", "full", 0) and guided.session.taken() == []
    assert states(guided)[7] == "done"
    guided.do("again")
    assert guided.at == ("ready", "smooth", 0)
    assert guided["line"] == (
        "The set before is withdrawn: it stays in the record and does not count."
    )
    assert guided.session.taken() == ["mark check: set again"]
    guided.do("skip")
    assert states(guided)[7] == "skipped"


def test_again_withdraws_both_sets_of_a_step():
    guided = at_set()
    guided.run()
    guided.swing(8, good="yynnyynn")
    guided.check.advance()
    guided.do("more")
    guided.wait(4.0)
    guided.swing(8)
    guided.check.advance()
    guided.session.taken()
    guided.do("again")
    assert guided.session.taken() == ["mark check: set again"] * 2
    assert guided.at == ("ready", "smooth", 0)


def test_skip_in_a_set_withdraws_it():
    guided = at_set()
    guided.run()
    guided.swing(3)
    guided.session.taken()
    guided.do("skip")
    assert guided.session.taken() == ["end set", "mark check: set again"]
    assert states(guided)[7] == "skipped"


# ---- fast swings ----


def test_fast_swings_are_made_only_if_they_may():
    guided = at_set("fast", "speed", no_speed="No fast swings today: invented.")
    guided.do("start")
    assert guided.at == ("ready", "fast", 0) and guided["refused"]
    assert guided["line"] == "No fast swings today: invented."
    assert guided.asked == [""] and guided.session.taken() == []
    guided.refused = None
    guided.do("start")
    assert guided["phase"] == "lead in" and not guided["refused"]


def test_nobody_who_was_not_asked_swings_fast():
    guided = Guided("speed")
    guided.skip_to("fast")
    guided.do("start")
    assert guided.asked == [None]


def test_a_lost_push_ends_the_fast_swings_and_the_check_goes_on():
    """Three of the last five; 20 s apart."""
    guided = at_set("fast", "speed")
    guided.run()
    guided.swing(4, 21.0, good="nyny")
    assert guided["phase"] == "running" and guided["count"] == 4
    guided.swing(1, 21.0, good="n")
    assert guided["phase"] == "settling"
    guided.session.taken()
    guided.wait(3.0)
    assert guided.at == ("ready", "again", 0)
    assert guided["line"] == PUSH_LOST
    assert guided.session.taken() == []  # it stands, though five are no whole set
    assert states(guided)[9] == "done"
    guided.do("again")
    guided.do("start")
    assert (guided["line"], guided["refused"]) == (PUSH_LOST, True)


def test_fast_swings_lie_20_s_apart():
    guided = at_set("fast", "speed")
    guided.run()
    guided.swing(1, 21.0)
    guided.swing(1, 19.0)
    assert guided["count"] == 1
    guided.swing(1, 20.0)
    assert guided["count"] == 2


# ---- the end ----


def test_pain_ends_what_is_under_way_and_holds():
    guided = at_set()
    guided.run()
    guided.session.taken()
    guided.do("pain")
    assert guided["phase"] == "stopped" and guided.session.taken() == ["end set"]
    assert guided.answered[-1] == ("player", "pain")
    assert guided.check.left == "Smooth swings"
    assert guided["advice"].startswith("Stop here: no training on pain.")


def test_pain_before_and_after_leaves_no_step():
    guided = Guided()
    guided.do("pain")
    assert guided.check.left == "" and guided["phase"] == "stopped"


def test_what_is_left_midway_is_taken_up_where_it_was(asked):
    asked.do("skip")
    asked.run()
    asked.session.taken()
    asked.do("end")
    assert asked["phase"] == "done" and asked.session.taken() == ["end trial"]
    assert asked.check.left == "Stand in your shoes"
    asked.check.take_up()
    assert asked.at == ("ready", "stand", 0) and asked.check.left == ""
    assert asked.session.taken() == ["drill None, silent"]
    assert states(asked)[:2] == ["skipped", "now"]


@pytest.mark.parametrize("is_running", [True, False])
def test_a_part_of_a_set_is_none_when_it_is_ended(is_running):
    guided = at_set()
    guided.do("start")
    if is_running:
        guided.wait(4.0)
    guided.session.taken()
    guided.do("end")
    assert guided.session.taken() == (["end set", "mark check: set again"] if is_running else [])


def test_ended_before_its_first_step_nothing_is_left():
    guided = Guided()
    guided.do("end")
    assert guided["phase"] == "done" and guided.check.left == ""
    stopped = Guided(held="pain")
    stopped.do("end")
    assert stopped["phase"] == "stopped"


def test_after_its_last_step_it_is_done_and_that_may_be_done_again():
    guided = at_set("full")
    guided.run()
    guided.swing(8)
    guided.check.advance()
    assert guided["phase"] == "done" and guided["may"] == ["again", "pain", "end"]
    assert guided["title"] == "Full swings" and states(guided)[8] == "done"
    guided.do("end")
    assert guided.check.left == ""
    guided.do("again")
    assert guided.at == ("ready", "full", 0)
    assert guided["line"].startswith("The set before is withdrawn")
