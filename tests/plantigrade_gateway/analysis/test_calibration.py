"""The guided calibration as a function of a record: how it is cut changes nothing."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from tests.support.posing import GAINS, LAYOUT, LEFT, RIGHT, SENSOR, never, refused, taken

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.fitting import FITTING, Step
from plantigrade.poses import Flaw, Pose
from plantigrade.synth import Mishap, Player, calibration_visit, perform
from plantigrade_gateway.analysis import calibration as guide_module
from plantigrade_gateway.analysis.calibration import TRIES, Guide
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind, exchange_data
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged

pytestmark = pytest.mark.dear

BW_N = Player().weight_n
START_NS = 7_000_000_000


@cache
def entries(
    poses: tuple[Pose, ...] = FITTING,
    mishap: Mishap | None = None,
    repeats: int = 1,
    resets_s: tuple[float, ...] = (),
) -> list[Entry]:
    """A visit as both insoles send it, over links with retries, stalls and drifting clocks."""
    done = perform(Player(), calibration_visit(poses * repeats, mishap=mishap), 100.0, 1)
    read = dict(zip(Foot, SENSOR.read(done, 1), strict=True))
    made = []
    for number, (foot, ppm) in enumerate(((LEFT, 40.0), (RIGHT, -35.0))):
        insole = RecordedInsole(
            foot,
            number,
            default_calibration(LAYOUT, foot),
            drift_ppm=ppm,
            clock_us=90_000_000 * number,
            frames=6,
            link=RadioChannel(loss=0.005),
            resets_s=resets_s,
        )
        duration_s = float(done.t_s[-1]) - 0.5
        n = len(insole.sample_times_s(duration_s))
        made.append(insole.entries(read[foot][:n], duration_s, START_NS, 1))
    return merged(*made)


def guided(
    rows: list[Entry], size: int = 1, poses: tuple[Pose, ...] = FITTING
) -> tuple[Guide, list[Step]]:
    guide = Guide(LAYOUT, never(), BW_N, poses=poses)
    steps: list[Step] = []
    for at in range(0, len(rows), size):
        steps += guide.push(Batch.of(rows[at : at + size]))
    return guide, steps


def test_a_record_of_a_visit_gives_the_calibration():
    guide, steps = guided(entries())
    assert guide.done and guide.refused is None
    assert taken(steps) == list(FITTING)
    for foot, fit in guide.result().items():
        assert fit.calibration.gain * GAINS[foot] == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("size", [7, 10**6])
@pytest.mark.slow
def test_how_a_record_is_cut_changes_nothing(size):
    one, steps = guided(entries())
    other, again = guided(entries(), size)
    assert again == steps
    for foot, fit in one.result().items():
        assert other.result()[foot].calibration.to_json() == fit.calibration.to_json()


def test_cuts_change_nothing_where_it_is_refused_either(monkeypatch):
    monkeypatch.setattr(guide_module, "TRIES", 1)
    poses = (Pose.LIFT_LEFT,)
    rows = entries(poses, Mishap.WRONG_FOOT, 3)
    one, steps = guided(rows, 1, poses)
    other, again = guided(rows, 333, poses)
    assert steps == again and one.refused == other.refused is not None


def test_a_pose_refused_three_times_ends_it():
    poses = (Pose.LIFT_LEFT,)
    guide, steps = guided(entries(poses, Mishap.WRONG_FOOT, 9), 100, poses)
    assert len(refused(steps)) == TRIES
    assert guide.done and guide.refused is steps[-1]
    assert guide.refused is not None and guide.refused.trouble.flaw is Flaw.SWAPPED
    assert guide.push(Batch.of(entries())) == []


def test_tries_are_counted_for_each_pose_anew(monkeypatch):
    """Refused once at each of two poses, of two tries each, it goes on."""
    monkeypatch.setattr(guide_module, "TRIES", 2)
    poses = (Pose.LIFT_LEFT, Pose.LIFT_RIGHT)
    rows = entries((Pose.ON_LEFT,) * 3 + (Pose.LIFT_LEFT,) + (Pose.BOTH,) * 3 + (Pose.LIFT_RIGHT,))
    guide, steps = guided(rows, 100, poses)
    assert len(refused(steps)) == 2 and taken(steps) == list(poses)
    assert guide.done and guide.refused is None


def test_a_restart_of_an_insole_costs_no_more_than_the_pose():
    poses = (Pose.BOTH, Pose.BOTH, Pose.BOTH)
    guide, steps = guided(entries(poses, resets_s=(6.0,)), 50, poses)
    assert taken(steps) == list(poses) and guide.refused is None


def test_exchanges_and_other_entries_do_no_harm():
    rows = entries((Pose.BOTH,))
    ns = rows[0].arrival_ns
    odd = [
        Entry(ns, SESSION, Kind.MARK, b"a note"),
        Entry(ns, 0, Kind.CONNECTED, b"{}"),
        Entry(ns, 0, Kind.EXCHANGE, b"short"),
        Entry(ns, 1, Kind.EXCHANGE, exchange_data(ns - 4_000_000, ns, 90_000_000)),
        Entry(ns, 0, Kind.NOTIFICATION, b"\xff\xff"),
    ]
    guide, _ = guided([*odd, *rows], 5, (Pose.BOTH,))
    assert guide.done and guide.refused is None


def test_two_insoles_of_one_foot_are_refused():
    left = [e for e in entries((Pose.BOTH,)) if e.insole == 0]
    both = [row for e in left for row in (e, replace(e, insole=1))]
    with pytest.raises(InputError, match="both insoles say that they are the left one"):
        guided(both, 10, (Pose.BOTH,))


def test_other_zones_than_the_layout_s_are_refused():
    eight = np.arange(8)
    layout = replace(
        LAYOUT,
        name="eight",
        region=LAYOUT.region[eight],
        x=LAYOUT.x[eight],
        y=LAYOUT.y[eight],
        area_mm2=LAYOUT.area_mm2[eight],
    )
    start = {foot: default_calibration(layout, foot) for foot in Foot}
    guide = Guide(layout, start, BW_N)
    with pytest.raises(InputError, match="sends 18 zones, expected the 8 of layout eight"):
        guide.push(Batch.of(entries((Pose.BOTH,))))
