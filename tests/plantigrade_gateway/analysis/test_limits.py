"""Limits that a session is decided by: each moves its class alone, and a re-analysis keeps them.

The classes are the project's own (no published source); which events change is told from the
numbers that the analysis with default limits gives.
"""

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from plantigrade.events import Bearing, HeelLiftState, Manner, Roll, Stand, Step, Swing
from plantigrade.limits import Limits
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


def analysed(**limits: float) -> Analysis:
    return analyse_record(read_replay(demo_file()), "practice", limits=limits)


@pytest.fixture(scope="module")
def before() -> Analysis:
    return analysed()


def neutral(event: Stand | Step | Swing, what: str) -> object:
    """Return an event without one class, so that everything else can be compared."""
    if isinstance(event, Stand) and what == "bearing":
        feet = {side: getattr(event, side) for side in ("left", "right")}
        return replace(
            event, **{side: replace(foot, bearing=Bearing.NONE) for side, foot in feet.items()}
        )
    if isinstance(event, Step) and what == "roll":
        return replace(event, roll=Roll.UNCLEAR)
    if isinstance(event, Swing) and what == "manner":
        push = replace(event.push, manner=Manner.UNCLEAR, is_good=None)  # what follows from it
        return replace(event, push=push)
    return event


def classes(found: Analysis, what: str) -> list[object]:
    if what == "bearing":
        return [foot.bearing for s in found.stands for foot in (s.left, s.right)]
    if what == "roll":
        return [step.roll for step in found.steps]
    return [swing.push.manner for swing in found.swings]


@pytest.mark.parametrize(
    ("name", "value", "what"),
    [
        ("bearing_full", 0.12, "bearing"),
        ("bearing_broad", 0.08, "bearing"),
        ("stand_quiet_mm", 3.0, "bearing"),
        ("roll_through", 0.2, "roll"),
        ("push_rolled", 0.6, "manner"),
    ],
)
@pytest.mark.slow
def test_a_limit_changes_the_class_it_names_and_nothing_else(before, name, value, what):
    now = analysed(**{name: value})
    assert classes(now, what) != classes(before, what)
    for kind in ("stands", "steps", "swings"):
        old, new = getattr(before, kind), getattr(now, kind)
        assert [neutral(e, what) for e in old] == [neutral(e, what) for e in new]
    assert before.quality is not None and now.quality is not None
    assert now.quality.limits == replace(Limits(), **{name: value})
    assert replace(now.quality, limits=Limits()) == before.quality


def test_which_pushes_and_rolls_change_follows_from_their_numbers(before):
    """A push rolled from 60 % of shift → lead peak on; one sample of 10 ms about it is unclear."""
    now = analysed(push_rolled=0.6)
    seen = set()
    for old, new in zip(before.swings, now.swings, strict=True):
        push = old.push
        if push.transfer_of_shift is None or push.manner in (Manner.HELD, Manner.UNCLEAR):
            continue
        assert old.lead_peak_s is not None and old.shift_s is not None
        beyond_s = (push.transfer_of_shift - 0.6) * (old.lead_peak_s - old.shift_s)
        if abs(beyond_s) > 0.011:
            expected = Manner.ROLLED if beyond_s > 0 else Manner.SKIPPED
            assert new.push.manner is expected
            seen.add((push.manner, expected))
    assert (Manner.ROLLED, Manner.SKIPPED) in seen


def test_the_heel_s_limit_moves_the_heel(before):
    """A heel that unloads passes a larger limit sooner; the limit stands beside it."""
    now = analysed(heel_lift_bw=0.05)
    assert now.quality is not None and before.quality is not None
    seen = 0
    assert now.quality.heel_lift_n == pytest.approx(0.05 * now.quality.body_weight_n)
    for old, new in zip(before.swings, now.swings, strict=True):
        assert new.heel_lift.limit_n == now.quality.heel_lift_n
        if HeelLiftState.LIFTED is old.heel_lift.state is new.heel_lift.state:
            assert old.heel_lift.lift_s is not None and new.heel_lift.lift_s is not None
            assert new.heel_lift.lift_s < old.heel_lift.lift_s
            seen += 1
    assert seen > 10


def run(*arguments: object) -> str:
    done = CliRunner().invoke(main, [str(a) for a in arguments])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture
def settings(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "settings.toml"
        path.write_text(text, "utf-8")
        return path

    return write


@pytest.mark.slow
def test_a_session_keeps_its_limits_when_it_is_analysed_again(tmp_path, settings):
    """Those of the settings file and the command line, not those in force at the re-analysis."""
    store = tmp_path / "store.sqlite3"
    usual = settings("[limits]\nroll_through = 0.2\npush_rolled = 0.3\n")
    order = ("demo", "--fast", "--no-sound", "--settings", usual, "--store", store)
    run(*order, "--limit", "push_rolled=0.6")
    expected = Limits(roll_through=0.2, push_rolled=0.6)
    with Store.open(store, create=False) as opened:
        (session,) = opened.sessions()
        live = results.read(opened, session.session_id)
        again, changed = results.reanalyse(opened, session.session_id)
    assert changed == 0
    assert live.quality is not None and live.quality.limits == expected
    assert again.quality is not None and again.quality.limits == expected
    assert again.swings == live.swings == analysed(**expected.changed()).swings
    shown = json.loads(run("show", "last", "--json", "--store", store))
    assert shown["analysis"]["quality"]["limits"]["push_rolled"] == 0.6


@pytest.fixture
def standing(tmp_path: Path) -> Path:
    """Twelve seconds of standing in the built-in layout: 36 zones at 20 kPa."""
    head = ["time_s", *(f"{side}{k}" for side in "LR" for k in range(1, 19))]
    rows = [f"{t / 100:.2f}," + ",".join(["20"] * 36) for t in range(1200)]
    path = tmp_path / "standing.csv"
    path.write_text("\n".join([",".join(head), *rows]), "utf-8")
    return path


@pytest.mark.parametrize("kind", ["zone CSV", "replay file"])
def test_analyse_takes_limits_from_the_settings_file_and_the_command_line(settings, standing, kind):
    usual = settings("[limits]\npush_rolled = 0.3\nroll_through = 0.2\n")
    file = standing if kind == "zone CSV" else demo_file()
    limits = ("--limit", "push_rolled=0.6", "--limit", "stand_quiet_mm=3")
    found = json.loads(run("analyse", file, "--json", "--settings", usual, *limits))
    expected = Limits(push_rolled=0.6, roll_through=0.2, stand_quiet_mm=3.0)
    assert found["quality"]["limits"] == asdict(expected)


def test_a_zone_csv_is_decided_by_the_limits_given(standing):
    """The midfoot is 2880 of 10 200 mm²: 28.2 % of 204 N, and 31.1 % with 5.76 N more."""
    for limits, expected in (
        ((), "broad"),
        (("--limit", "bearing_broad=0.29"), "unclear"),
        (("--limit", "bearing_broad=0.32"), "bearing"),
    ):
        (stand,) = json.loads(run("analyse", standing, "--json", *limits))["stands"]
        assert (stand["left"]["bearing"], stand["right"]["bearing"]) == (expected, expected)
        assert stand["left"]["midfoot_share"] == pytest.approx(2880 / 10200)


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ("push_roled=0.2", "push_roled is no limit; did you mean push_rolled?"),
        ("roll_skipped=0.1", "limit roll_skipped: is 0.1, expected less than roll_through"),
    ],
)
def test_a_limit_that_cannot_be_used_begins_no_session(tmp_path, limit, said):
    store = tmp_path / "store.sqlite3"
    order = ("demo", "--fast", "--no-sound", "--store", store, "--limit", limit)
    done = CliRunner().invoke(main, [str(a) for a in order])
    assert done.exit_code == 2 and said in done.output
    assert not store.exists()
