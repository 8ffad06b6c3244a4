"""What the commands `visit …` hand on and say; who keeps it is the test's own."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

from plantigrade_gateway.cli import visits as commands
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people import visits as kept

KEY = "a" * 32
RESENT = "What was sent on follows with plantigrade reanalyse.\n"


class Visits:
    """Notes what it is told."""

    def __init__(self) -> None:
        self.told: list[tuple[Any, ...]] = []
        self.stands = ""

    def read(self, session_id: str) -> str:
        assert session_id == KEY
        return "read"

    def hold(self, session_id: str) -> str:
        return self.stands

    def __getattr__(self, name: str) -> Any:
        def tell(session_id: str, *what: Any, **more: Any) -> str:
            assert session_id == KEY
            self.told.append((name, *what, *more.items()))
            return "the id"

        return tell


@pytest.fixture
def visits(monkeypatch) -> Visits:
    made = Visits()

    @contextmanager
    def opened(store: Path | None, session: str) -> Iterator[tuple[Visits, str]]:
        assert session == "last"
        yield made, KEY

    monkeypatch.setattr(commands, "opened_visit", opened)
    monkeypatch.setattr(kept, "swing_of", lambda read, number: f"swing {number}")
    monkeypatch.setattr(kept, "set_of", lambda read, number: SimpleNamespace(name=f"run {number}"))
    return made


@pytest.fixture
def visit(visits) -> Callable[..., Result]:
    def run(name: str, *arguments: str, answer: str = "") -> Result:
        return CliRunner().invoke(main, ["visit", name, "last", *arguments], input=answer)

    return run


@pytest.mark.parametrize(
    ("hold", "stands", "said"),
    [
        ((), "", "Noted: no hold.\n"),
        (("--hold", "pain"), "pain", "Noted: stopped, pain.\n"),
        (
            (),
            "pain",
            "Noted: stopped, pain.\nA stop stands for the visit; a mistake: plantigrade visit "
            "take-back.\n",
        ),
    ],
)
def test_what_came_of_the_questions_is_noted(visit, visits, hold, stands, said):
    visits.stands = stands
    done = visit("questions", "--by", "player", *hold)
    assert (done.exit_code, done.output) == (0, said)
    assert visits.told == [("answer", "player", hold[1] if hold else "")]
    assert visit("questions").exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "answer", "is_done"),
    [(("--yes",), "", True), ((), "y\n", True), ((), "n\n", False), ((), "", False)],
)
def test_a_stop_is_taken_back_after_a_question(visit, visits, arguments, answer, is_done):
    done = visit("take-back", *arguments, answer=answer)
    assert ("Taken back; who did and when is kept." in done.output) is is_done
    assert visits.told == [("take_back_hold",)] * is_done
    assert ("does nothing hurt?" in done.output) is not bool(arguments)


def test_conditions_are_noted_as_far_as_they_are_given(visit, visits):
    assert visit("conditions").exit_code == 2 and visits.told == []
    worn = visit("conditions", "--shoe", "flat", "--club", "", "--soft")
    assert worn.output == "Noted.\n"
    assert visits.told == [
        ("set_conditions", ("shoe", "flat"), ("club", ""), ("is_shoe_stiff", False))
    ]
    visits.told.clear()
    visit("conditions", "--changed")
    visit("conditions", "--unchanged", "--footbed", "thin")
    assert visits.told == [
        ("mark_unchanged", ("is_unchanged", False)),
        ("set_conditions", ("footbed", "thin")),
        ("mark_unchanged", ("is_unchanged", True)),
    ]


def test_a_note_is_an_instant_and_a_text_or_is_taken_back(visit, visits):
    for wrong in ((), ("1.5",), ("1.5", "text", "--remove", "x")):
        refused = visit("note", *wrong)
        assert refused.exit_code == 2 and visits.told == []
        assert "note: expected an instant and a text, or --remove" in refused.output
    assert visit("note", "1.5", "looked down").output == "Noted: the id\n"
    assert visit("note", "--remove", "n1").output == "Taken back.\n"
    assert visits.told == [("note", 1.5, "looked down"), ("remove_note", "n1")]


def test_a_set_is_said_otherwise_or_as_the_record_says(visit, visits):
    for wrong in (("2",), ("2", "--undo", "--club", "x"), ("2", "--undo", "--intent", "full")):
        refused = visit("set", *wrong)
        assert refused.exit_code == 2 and visits.told == []
    for given in (("--intent", "full"), ("--club", ""), ("--undo",)):
        assert visit("set", "2", *given).output == f"Set 2: run 2.\n{RESENT}"
    run = SimpleNamespace(name="run 2")
    assert visits.told == [
        ("edit_set", run, "full", None),
        ("edit_set", run, None, ""),
        ("undo_set", run),
    ]


def test_a_swing_is_left_out_for_a_reason_and_counts_again(visit, visits):
    for wrong in ((), ("slipped", "--undo")):
        assert visit("exclude", "3", *wrong).exit_code == 2 and visits.told == []
    assert visit("exclude", "3", "slipped").output == f"Swing 3 counts nowhere.\n{RESENT}"
    assert visit("exclude", "3", "--undo").output == f"Swing 3 counts again.\n{RESENT}"
    assert visits.told == [("exclude", "swing 3", "slipped"), ("include", "swing 3")]


@pytest.mark.parametrize(("seen", "is_blind"), [((), True), (("--seen",), False)])
def test_a_tap_is_blind_unless_the_programs_answer_was_known(visit, visits, seen, is_blind):
    done = visit("tap", "3", "push", "good", *seen)
    assert done.output == "Noted: swing 3, push good.\n"
    assert visits.told == [("tap", "swing 3", "push", "good", ("is_blind", is_blind))]


@pytest.mark.parametrize(
    ("value", "unit", "m_s"),
    [
        ("40", "m/s", 40.0),
        ("100", "mph", 44.704),  # a mile is 1609.344 m (the international yard, 1959)
        ("144", "km/h", 40.0),
    ],
)
def test_a_club_speed_is_noted_in_metres_per_second(visit, visits, value, unit, m_s):
    done = visit("speed", "3", value, "--unit", unit)
    assert done.output == f"Noted: swing 3, {m_s:.1f} m/s.\n"
    ((what, swing, kept_m_s),) = visits.told
    assert (what, swing, kept_m_s) == ("set_speed", "swing 3", pytest.approx(m_s))


def test_a_club_speed_is_taken_back(visit, visits):
    for wrong in ((), ("40", "--undo")):
        assert visit("speed", "3", *wrong).exit_code == 2 and visits.told == []
    assert visit("speed", "3", "--undo").output == "Taken back.\n"
    assert visits.told == [("set_speed", "swing 3", None)]
