"""What pages ask for, on a session that only notes it: what is done, refused and said."""

from dataclasses import dataclass, field
from typing import Any, cast

import pytest
from tests.support.fakelive import FakeLive

from plantigrade_gateway.check.speedblock import Plan
from plantigrade_gateway.drills.files import Drilling, shelf
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.speedwork import Today
from plantigrade_gateway.session.checkpeople import CheckPeople
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.livecalibration import LiveCalibration
from plantigrade_gateway.sound.output import Silence, Sound

PLAN = Plan(10, 5, 6, 3, 20, 120, 3, 2, frozenset({"pain", "dose"}))
HELD = (
    "No {} on this visit: it was stopped (pain). Where that was a mistake, take it back on the "
    "page Check."
)


@dataclass
class Feed:
    """Stands for what the pages are told."""

    said: list[tuple[str, str]] = field(default_factory=list)
    to_coach: list[str] = field(default_factory=list)
    none: list[str] = field(default_factory=list)
    shown: list[Any] = field(default_factory=list)
    checks: list[dict[str, Any]] = field(default_factory=list)

    def say(self, text: str, level: str = "info", *, coach_only: bool = False) -> None:
        self.said.append((text, level))
        if coach_only:
            self.to_coach.append(text)

    def no_drill(self, feedback: Feedback = Feedback.EVERY) -> None:
        self.none.append(str(feedback))

    def show(self, moment: Any, pipeline: Any) -> None:
        assert pipeline == "pipeline"
        self.shown.append(moment)

    def check(self, message: dict[str, Any]) -> None:
        self.checks.append(message)


class People:
    """Keeps answers and holds, while it can."""

    def __init__(self) -> None:
        self.kept: list[tuple[str, str, str]] = []
        self.of_visit: str | None = None
        self.asked: list[tuple[str | None, str | None, bool]] = []
        self.is_broken = False
        self.taken_back: list[str] = []

    def answered(self, session_id: str, by: str, hold: str) -> None:
        if self.is_broken:
            raise StoreError("the disk is full.")
        self.kept.append((session_id, by, hold))
        self.of_visit = hold

    def hold(self, session_id: str) -> str | None:
        return self.of_visit

    def take_back_hold(self, session_id: str) -> None:
        self.taken_back.append(session_id)
        self.of_visit = ""

    def no_speed(self, player_id: str | None, hold: str | None, *, is_block: bool) -> str | None:
        self.asked.append((player_id, hold, is_block))
        return None

    def answerers(self, player_id: str | None) -> tuple[str, str]:
        return ("guardian", "player")

    def plan(self) -> Plan:
        return PLAN

    def today(self, *about: object) -> Today:
        return Today(0, None)


class Pages:
    """Pages, what they are told, a session and its people."""

    def __init__(self, choice: Choice | None = None) -> None:
        self.feed, self.people, self.session = Feed(), People(), FakeLive()
        sound = Sound(Silence(), "Sound is off.")
        drilling = Drilling(shelf(None), choice)
        self.handler = CommandHandler(
            cast(LiveFeed, self.feed), sound, drilling, cast(CheckPeople, self.people)
        )
        self.steps: list[str] = []
        self.handler.ask_player = self.steps.append

    def ask(self, kind: str, **more: Any) -> list[str]:
        """Ask; return what was done in the session."""
        self.handler.handle({"type": kind, **more}, self.session.live)
        return self.session.taken()

    def check(self, do: str, **more: Any) -> list[str]:
        return self.ask("check", do=do, **more)

    def warned(self) -> list[str]:
        """Return what was said since last asked; all of it warns."""
        said, self.feed.said[:] = list(self.feed.said), []
        assert {level for _, level in said} <= {"warn"}
        return [text for text, _ in said]

    def wait(self, seconds: float) -> None:
        self.session.pass_s(seconds)
        self.handler.advance(self.session.live)


@pytest.fixture
def pages() -> Pages:
    return Pages()


def test_without_a_session_only_sound_and_drill_can_be_chosen(pages):
    for kind in ("mark", "set", "set_end", "ask", "check"):
        pages.handler.handle({"type": kind, "text": "x", "do": "begin"}, None)
        assert pages.warned() == [f"{kind}: no session is under way."]
    pages.handler.handle({"type": "drill", "name": "push", "feedback": "silent"}, None)
    assert pages.warned() == [] and pages.feed.shown == []
    pages.handler.begin(pages.session.live)
    assert pages.session.taken() == ["drill push, silent"] and pages.feed.none == []


# ---- drills ----


def test_a_drill_is_chosen_with_its_own_feedback_or_the_one_that_is_asked_for(pages):
    own = shelf(None).find("push").feedback
    assert pages.ask("drill", name="push") == [f"drill push, {own}"]
    assert pages.ask("drill", name="push", feedback="silent") == ["drill push, silent"]
    assert pages.feed.none == [] and len(pages.feed.shown) == 2


@pytest.mark.parametrize(
    ("feedback", "told"), [(None, "every"), ("silent", "silent"), ("other", "every")]
)
def test_without_a_drill_each_push_is_told_or_none(pages, feedback, told):
    assert pages.ask("drill", name=None, feedback=feedback) == [f"drill None, {told}"]
    assert pages.feed.none == [told]


def test_an_unknown_drill_or_feedback_is_refused_in_a_sentence(pages):
    assert pages.ask("drill", name="nothing") == []
    (said,) = pages.warned()
    assert "nothing" in said
    assert pages.ask("drill", name="push", feedback="loud") == []
    (said,) = pages.warned()
    assert said.startswith("feedback 'loud': expected one of every, ")


def test_a_choice_begins_with_the_session():
    pages = Pages(Choice(None, Feedback.SILENT))
    pages.handler.begin(pages.session.live)
    assert pages.session.taken() == ["drill None, silent"] and pages.feed.none == ["silent"]
    free = Pages()
    free.handler.begin(free.session.live)
    assert free.session.taken() == [] and free.feed.none == []


# ---- marks and sets ----


def test_a_mark_is_told_to_the_coach_and_one_word_is_a_strike(pages):
    assert pages.ask("mark", text="  new grip ") == ["mark new grip"]
    assert pages.feed.to_coach == ["Marked: new grip"]
    assert pages.feed.said == [("Marked: new grip", "info")]
    assert pages.ask("mark", text=" Strike ") == ["mark Strike", "strike"]
    assert pages.ask("ask") == ["ask"]


def test_sets_begin_and_end(pages):
    assert pages.ask("set", intent="full", club="7 iron") == ["set full 7 iron"]
    assert pages.ask("set_end") == ["end set"]
    assert pages.ask("set", intent="smooth", club=None) == ["set smooth None"]
    assert pages.feed.shown == ["set full 7 iron", "end set", "set smooth None"]
    assert pages.ask("set", intent="wild") == []
    (said,) = pages.warned()
    assert said.startswith("set: intent 'wild': expected one of ") and "smooth" in said


@pytest.mark.parametrize(
    ("wait_s", "club", "ended", "is_new"),
    [
        (2.0, "7 iron", False, False),
        (2.1, "7 iron", False, True),
        (1.0, "driver", False, True),
        (1.0, "7 iron", True, True),
    ],
)
def test_a_set_pressed_again_within_2_s_was_pressed_twice(pages, wait_s, club, ended, is_new):
    pages.ask("set", intent="full", club="7 iron")
    if ended:
        pages.ask("set_end")
    pages.session.pass_s(wait_s)
    assert bool(pages.ask("set", intent="full", club=club)) is is_new


# ---- checks ----


def test_a_check_begins_once_and_silences(pages):
    assert pages.check("answer") == []
    assert pages.warned() == ["check: none is under way"]
    assert pages.check("begin", look="third") == []
    assert pages.warned() == ["check: look 'third': expected one of first, speed, block"]
    assert pages.check("begin", look="first", club="7 iron") == ["drill None, silent"]
    assert pages.feed.none == ["silent"] and pages.feed.shown == ["drill None, silent"]
    assert pages.feed.checks[-1]["phase"] == "questions"
    assert pages.feed.checks[-1]["by"] == ["guardian", "player"]
    assert pages.steps == ["stand"]
    pages.check("start")
    assert pages.warned() == ["check: start is not possible now"]
    for kind, more in (
        ("drill", {"name": "push"}),
        ("set", {"intent": "full"}),
        ("set_end", {}),
        ("ask", {}),
    ):
        assert pages.ask(kind, **more) == []
        assert pages.warned() == ["A check is under way: end it first."]
    assert pages.ask("mark", text="x") == ["mark x"]


def test_a_refusal_is_told_to_who_may_have_asked(pages):
    """A player asks for outcomes and stops; all else is the coach's, and so is its reason."""
    pages.check("begin", look="first")
    for kind, more in (("drill", {"name": "push"}), ("set", {"intent": "full"}), ("set_end", {})):
        pages.feed.to_coach.clear()
        pages.ask(kind, **more)
        assert pages.feed.to_coach == pages.warned() == ["A check is under way: end it first."]
    pages.feed.to_coach.clear()
    pages.ask("ask")
    assert pages.feed.to_coach == [] and len(pages.warned()) == 1
    pages.check("again")
    assert pages.feed.to_coach == pages.warned() == ["check: again is not possible now"]


def test_pages_are_told_only_what_changed(pages):
    pages.check("begin", look="first")
    told = len(pages.feed.checks)
    pages.wait(0.0)
    assert len(pages.feed.checks) == told
    pages.check("answer", by="player", group="")
    assert len(pages.feed.checks) == told + 1
    assert pages.people.kept == [("session", "player", "")]
    pages.check("start")
    assert pages.steps == ["stand", "lift"]
    pages.wait(4.0)
    assert pages.feed.checks[-1]["phase"] == "running"


def test_the_drill_before_goes_on_after_a_check(pages):
    pages.ask("drill", name="push", feedback="silent")
    pages.check("begin", look="first")
    assert pages.check("end") == ["drill push, silent"]
    assert pages.feed.checks[-1] == {"type": "check", "on": False}
    assert pages.steps == ["stand", ""] and pages.feed.none == ["silent"]
    free = Pages()
    free.check("begin", look="first")
    assert free.check("end") == ["drill None, every"]
    assert free.feed.none == ["silent", "every"] and free.warned() == []


def test_one_that_was_ended_midway_is_taken_up(pages):
    pages.check("take up")
    assert pages.warned() == ["check: none is under way"]
    pages.check("begin", look="first")
    pages.check("answer", by="player", group="")
    pages.check("end")
    assert pages.feed.checks[-1]["left"] == "Lift each foot"
    assert pages.check("take up") == ["drill None, silent"]
    assert pages.feed.checks[-1]["phase"] == "ready"
    pages.check("end")
    pages.check("begin", look="first")  # a new one forgets it
    pages.check("end")
    assert "left" not in pages.feed.checks[-1]


def test_the_end_of_the_session_ends_the_check(pages):
    pages.handler.end()
    assert pages.warned() == []
    pages.check("begin", look="first")
    pages.handler.end()
    assert pages.warned() == ["The check ended with its session, which keeps what was taken."]
    assert pages.handler.check is None and pages.feed.checks[-1] == {"type": "check", "on": False}


def test_a_speed_look_asks_with_what_was_answered_before(pages):
    pages.people.of_visit = ""
    pages.check("begin", look="speed")
    while pages.feed.checks[-1]["step"] != "fast":
        pages.check("skip")
    pages.check("start")
    assert pages.people.asked == [("player", "", False)]


def test_a_speed_block_is_told_to_be_one(pages):
    pages.check("begin", look="block", club="driver")
    pages.check("answer", by="player", group="")
    pages.check("start")
    assert pages.people.asked == [("player", "", True)]
    pages.people.plan = lambda: (_ for _ in ()).throw(InputError("No plan."))
    pages.check("end")
    pages.check("begin", look="block")
    assert pages.warned() == ["No plan."] and pages.handler.check is None


# ---- a stop ----


def test_pain_stops_whatever_goes_on_and_holds_for_the_visit(pages):
    pages.ask("drill", name="push")
    pages.ask("set", intent="full")
    assert pages.check("pain") == ["drill None, silent", "end set"]
    assert pages.people.kept == [("session", "player", "pain")]
    assert pages.feed.checks[-1]["phase"] == "stopped"
    assert pages.ask("set", intent="full") == []
    assert pages.warned() == ["A stop on pain is under way: end it first."]
    pages.check("start")
    assert pages.warned() == ["start is not possible now: it was stopped for pain"]
    assert pages.check("end") == ["drill None, silent"]
    assert pages.warned() == ["No drill goes on after a stop."]
    assert pages.feed.checks[-1] == {"type": "check", "on": False, "hold": "pain"}
    assert pages.ask("drill", name="push") == []
    assert pages.ask("set", intent="fast") == []
    assert pages.warned() == [HELD.format("drill"), HELD.format("fast swings")]
    assert pages.ask("set", intent="smooth") == ["set smooth None"]
    assert pages.ask("drill", name=None) == ["drill None, every"]
    pages.check("begin", look="first")
    assert pages.feed.checks[-1]["phase"] == "stopped"


def test_a_hold_of_the_visit_that_others_put_down_holds_too(pages):
    pages.people.of_visit = "pain"
    assert pages.ask("set", intent="fast") == []
    assert pages.warned() == [HELD.format("fast swings")]


def test_a_stop_that_was_a_mistake_is_taken_back(pages):
    pages.check("take back")
    assert pages.warned() == ["check: there is no stop to take back"]
    pages.check("pain")
    assert pages.check("take back") == ["drill None, every"]
    assert pages.people.taken_back == ["session"]
    assert pages.warned() == ["The stop is taken back as a mistake. No drill is chosen now."]
    assert pages.feed.checks[-1] == {"type": "check", "on": False}
    assert pages.ask("drill", name="push") != []


def test_a_stop_of_speed_work_that_is_taken_back_is_marked(pages):
    pages.check("begin", look="block")
    pages.check("answer", by="player", group="")
    pages.check("start")
    pages.check("pain")
    done = pages.check("take back")
    assert done[0] == "mark speed block: ended, stop taken back"


def test_a_stop_that_cannot_be_kept_is_tried_again_every_5_s(pages):
    pages.people.is_broken = True
    said = "What came of the questions is not kept yet: the disk is full."
    pages.check("pain")
    assert pages.warned() == [said]
    pages.wait(4.9)
    assert pages.warned() == []
    pages.wait(0.1)
    assert pages.warned() == [said]
    pages.check("take back")
    assert pages.warned() == [said, "The stop is not kept yet, and can be taken back once it is."]
    pages.wait(4.9)
    assert pages.warned() == [] and pages.people.kept == []
    pages.people.is_broken = False
    pages.wait(0.1)
    assert pages.people.kept == [("session", "player", "pain")]
    pages.wait(10.0)
    assert len(pages.people.kept) == 1


def test_the_end_of_a_session_forgets_its_hold_but_not_the_choice(pages):
    pages.ask("drill", name="push")
    pages.check("pain")
    pages.handler.end()
    assert pages.warned() == []  # a stop is no check that ended
    pages.people.of_visit = ""
    pages.handler.begin(pages.session.live)
    assert pages.session.taken() == []  # the drill does not come back
    assert pages.ask("set", intent="fast") == ["set fast None"]


# ---- a calibration ----


def test_without_insoles_nothing_is_calibrated(pages):
    pages.check("begin", look="calibrate")
    assert pages.warned() == ["calibrate: there are no insoles here"]

    def refused(live: object) -> LiveCalibration:
        raise InputError("calibrate: needs the player's mass: begin with --mass KG")

    pages.handler.calibrating = refused
    pages.check("begin", look="calibrate")
    assert pages.warned() == ["calibrate: needs the player's mass: begin with --mass KG"]
    assert pages.handler.check is None and pages.feed.none == []
