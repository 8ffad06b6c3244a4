"""A calibration within a session, as the page of the check leads through it."""

from dataclasses import replace
from itertools import pairwise

import pytest
from tests.support.checkbay import CheckBay, Do, Told
from tests.support.live_schema import live_messages
from tests.support.standing import pair, push_all

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration, default_calibration
from plantigrade.fitting import FITTING
from plantigrade.synth import Mishap, Player, Segment, SensorModel, Stand, calibration_visit
from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import INSOLE_OF, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.livecalibration import Calibrations, LiveCalibration
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.store import calibrations
from plantigrade_gateway.store.insoles import remember
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

pytestmark = pytest.mark.dear

PAIR = [
    KnownInsole(k + 1, foot, "v", f"C0:00:00:00:00:0{k + 1}", 270) for k, foot in enumerate(Foot)
]
SENSOR = SensorModel(gain_left=0.80, gain_right=0.90, lacing_n=15.0, dead_kpa=0.0)
GAINS = {Foot.LEFT: 1 / 0.80, Foot.RIGHT: 1 / 0.90}
POSES = tuple(calibration_visit(FITTING, 9.0).segments)


def begun(
    store: Store, segments: tuple[Segment, ...] = POSES, mass_kg: float | None = 80.0
) -> tuple[CheckBay, list[Calibrations]]:
    for insole in PAIR:
        remember(store, insole)
    bay = CheckBay(store, Told(), Player(), (Do("begin", (*segments, Stand(12.0))),), SENSOR)
    made: list[Calibrations] = []

    def calibrating(live: LiveSession) -> LiveCalibration:
        return LiveCalibration(store, PAIR, SessionSettings(mass_kg=mass_kg), live, made.append)

    bay.handler.calibrating = calibrating
    (press,) = [*bay.presses_s]
    bay.push_until(press - 0.5)
    bay.command(do="begin", look="calibrate")
    return bay, made


@pytest.mark.slow
def test_both_insoles_are_calibrated_and_the_session_goes_on_by_it(store):
    """The insoles read 0.8 and 0.9 of a load: the gains are 1.25 and 1.11, within 3 %."""
    bay, made = begun(store)
    assert bay.check["title"] == "Left foot in the air"
    bay.push_until(1e9)
    assert (bay.check["phase"], bay.check["line"]) == ("done", "Both calibrations are kept.")
    assert {step["state"] for step in bay.check["steps"]} == {"done"}
    for message in bay.page.messages:
        if message["type"] == "check":
            live_messages().validate(message)
    shown = [m for m in bay.page.messages if m["type"] == "check"]
    again = [b for a, b in pairwise(shown) if a["refused"] and a["step"] == b["step"]]
    assert any(not message["refused"] and message["line"] == "" for message in again)
    bay.command(do="end")
    assert bay.handler.check is None
    session_id = bay.live.session_id
    found = bay.close()
    (new,) = made
    for insole in PAIR:
        latest = calibrations.latest(store, insole)
        assert latest is not None
        assert latest.calibration.gain == pytest.approx(GAINS[insole.foot], rel=0.03)
        told = Calibration.from_json(new[INSOLE_OF[insole.foot]])
        assert told.gain == latest.calibration.gain
    assert found.quality is not None
    assert found.quality.left.gain == pytest.approx(GAINS[Foot.LEFT], rel=0.03)
    assert "calibrated" in str(found.quality.right.calibration)
    kinds = [entry.kind for batch in store.batches(session_id) for entry in batch]
    at = kinds.index(Kind.CALIBRATION)
    assert kinds[at : at + 3] == [Kind.CALIBRATION, Kind.CALIBRATION, Kind.SETTINGS]
    assert found.stands[-1].left.load_n + found.stands[-1].right.load_n == pytest.approx(
        Player().weight_n, rel=0.05
    )


@pytest.mark.slow
def test_a_pose_done_badly_three_times_leaves_the_old_calibration(store):
    bad = tuple(calibration_visit(FITTING[:1], 30.0, Mishap.MOVED).segments)
    bay, made = begun(store, bad * 3)
    bay.push_until(1e9)
    assert bay.check["phase"] == "done" and bay.check["refused"]
    assert bay.check["line"].endswith("No calibration was changed.")
    assert made == []
    assert all(calibrations.latest(store, insole) is None for insole in PAIR)
    bay.close()


@pytest.mark.slow
def test_it_needs_a_mass_and_can_be_left(store):
    bay, made = begun(store, mass_kg=None)
    assert bay.handler.check is None
    assert "needs the player's mass" in bay.page.messages[-1]["text"]
    bay.close()
    bay, made = begun(store)
    bay.push_until(bay.live.analysis.now_s + 4.0)
    bay.command(do="end")
    bay.push_until(1e9)
    assert bay.handler.check is None and made == []
    bay.close()


def test_without_insoles_of_its_own_it_says_so(store):
    bay = CheckBay(store, Told(), Player(), (Do("begin"),))
    bay.command(do="begin", look="calibrate")
    assert "no insoles" in bay.page.messages[-1]["text"]
    bay.close()


def test_later_sessions_begin_with_the_new_calibration(store):
    manager = SessionManager(
        SessionSettings(),
        lambda: LiveSession(store, "test", Silence(), print),
        lambda live, found: None,
    )
    new = replace(default_calibration(eighteen(), Foot.LEFT), gain=1.25).to_json().encode()
    manager.recalibrate({0: new})
    push_all(manager, pair(1.0, 0, 2.0))
    manager.close("stop")
    (session,) = store.sessions()
    first = [e for batch in store.batches(session.session_id) for e in batch][:2]
    assert [entry.kind for entry in first] == [Kind.SETTINGS, Kind.CALIBRATION]
    assert first[1].data == new
