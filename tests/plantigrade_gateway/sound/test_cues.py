"""Every event that has a sound gets the right one, and nothing else makes any."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from tests.support.hearing import Samples, unlikeness

from plantigrade.events import Manner, Phase, PhaseKind, Push, Timing
from plantigrade_gateway.sound.cues import CueKind, CueMaker, outcome
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ, Motif, glide, motif

PATH_T_S = tuple(np.arange(0.0, 0.3, 0.01) + 12.0)
PATH_Y = tuple(np.linspace(0.2, 0.8, 30).tolist())

PUSH = Push(
    manner=Manner.ROLLED,
    timing=Timing.WITH_SHIFT,
    heel_leave_s=12.08,
    fore_take_s=12.2,
    transfer_s=0.12,
    transfer_of_shift=0.4,
    load_at_fore_take=0.6,
    travel_from=0.2,
    travel_to=0.8,
    midfoot_over_floor=True,
    toes_over_floor=True,
    medial_share_trail_peak=0.5,
    medial_share_fore_take=0.6,
    cop_x_trail_peak=0.5,
    cop_x_fore_take=0.4,
    path_t_s=PATH_T_S,
    path_y=PATH_Y,
    end_s=12.29,
)


def phase(push: Push) -> Phase:
    return Phase(PhaseKind.PUSH, 12.29, 12.33, push)


E, W, U = Timing.EARLY, Timing.WITH_SHIFT, Timing.UNCLEAR


@pytest.mark.parametrize(
    ("manner", "timing", "kind"),
    [
        (Manner.ROLLED, W, CueKind.ROLLED),
        (Manner.ROLLED, E, CueKind.EARLY),
        (Manner.ROLLED, U, CueKind.UNCLEAR),
        (Manner.SKIPPED, W, CueKind.SKIPPED),
        (Manner.SKIPPED, E, CueKind.SKIPPED_EARLY),
        (Manner.SKIPPED, U, CueKind.SKIPPED),
        (Manner.HELD, W, CueKind.HELD),
        (Manner.HELD, E, CueKind.HELD),
        (Manner.HELD, U, CueKind.HELD),
        (Manner.UNCLEAR, W, CueKind.UNCLEAR),
        (Manner.UNCLEAR, E, CueKind.UNCLEAR),
        (Manner.UNCLEAR, U, CueKind.UNCLEAR),
    ],
)
def test_push_outcome(manner, timing, kind):
    push = replace(PUSH, manner=manner, timing=timing)
    assert outcome(push) is kind
    said = CueMaker().push([phase(push)])[-1]
    assert said.kind is kind
    assert np.array_equal(said.samples, motif(Motif(kind.value)))


@pytest.mark.parametrize(
    ("good", "kind"),
    [(True, CueKind.ROLLED), (None, CueKind.ROLLED), (False, CueKind.MISSED)],
)
def test_a_roll_that_began_at_the_ball_is_no_success(good, kind):
    """Rolled and with the shift, and still not good: it began in front of the limit."""
    push = replace(PUSH, manner=Manner.ROLLED, timing=W, is_good=good)
    assert outcome(push) is kind


OUTCOMES = {
    "rolled, with shift": (Manner.ROLLED, Timing.WITH_SHIFT),
    "rolled, early": (Manner.ROLLED, Timing.EARLY),
    "skipped, with shift": (Manner.SKIPPED, Timing.WITH_SHIFT),
    "skipped, early": (Manner.SKIPPED, Timing.EARLY),
    "held": (Manner.HELD, Timing.UNCLEAR),
    "unclear": (Manner.UNCLEAR, Timing.UNCLEAR),
}


def heard_of(manner: Manner, timing: Timing) -> Samples:
    """Return what is heard of a push without a path: its outcome's sound alone."""
    push = replace(PUSH, manner=manner, timing=timing, path_t_s=(), path_y=())
    (cue,) = CueMaker().push([Phase(PhaseKind.PUSH, 12.29, 12.33, push)])
    return cue.samples


@pytest.mark.parametrize(("one", "two"), list(combinations(OUTCOMES, 2)))
def test_each_outcome_of_a_push_has_a_sound_of_its_own(one, two):
    """By half their energy over 20 ms and a semitone, whatever the transposition (bound ours)."""
    assert unlikeness(heard_of(*OUTCOMES[one]), heard_of(*OUTCOMES[two])) > 0.5


def test_push_is_echoed_and_then_said():
    echo, said = CueMaker().push([phase(PUSH)])
    assert (echo.kind, said.kind) == (CueKind.GLIDE, CueKind.ROLLED)
    assert np.array_equal(echo.samples, glide(PATH_T_S, PATH_Y))
    assert (echo.t_s, echo.decided_s, echo.delay_s) == (12.29, 12.33, 0.0)
    assert (said.t_s, said.decided_s) == (12.29, 12.33)
    echo_s = len(echo.samples) / SAMPLE_RATE_HZ
    assert echo_s < said.delay_s < echo_s + 0.2  # no overlap, no wait worth noticing


@pytest.mark.parametrize(
    ("kind", "cue"),
    [
        (PhaseKind.HEEL_LIFTED, CueKind.HEEL_LIFTED),
        (PhaseKind.HEEL_RETURNED, CueKind.HEEL_RETURNED),
    ],
)
def test_heel_ticks(kind, cue):
    (tick,) = CueMaker().push([Phase(kind, 3.0, 3.08)])
    assert (tick.kind, tick.t_s, tick.decided_s, tick.delay_s) == (cue, 3.0, 3.08, 0.0)
    assert np.array_equal(tick.samples, motif(Motif(cue.value)))


def test_a_heel_that_grazes_the_ground_ticks_once_in_a_backswing():
    up, down = PhaseKind.HEEL_LIFTED, PhaseKind.HEEL_RETURNED
    kinds = [PhaseKind.BACKSWING, up, down, up, down, PhaseKind.CANCELLED, PhaseKind.BACKSWING, up]
    ticks = CueMaker().push(Phase(kind, k, k + 0.1) for k, kind in enumerate(kinds))
    assert [(tick.kind, tick.t_s) for tick in ticks] == [
        (CueKind.HEEL_LIFTED, 1),
        (CueKind.HEEL_RETURNED, 2),
        (CueKind.HEEL_RETURNED, 4),
        (CueKind.HEEL_LIFTED, 7),
    ]


@pytest.mark.parametrize("kind", [PhaseKind.BACKSWING, PhaseKind.SHIFT, PhaseKind.CANCELLED])
def test_other_phases_are_silent(kind):
    assert CueMaker().push([Phase(kind, 3.0, 3.08)]) == []


def test_it_is_the_lift_that_is_heard_once_and_not_what_came_before_it():
    maker = CueMaker()
    kinds = [PhaseKind.BACKSWING, PhaseKind.HEEL_RETURNED, *[PhaseKind.HEEL_LIFTED] * 2]
    heard = [[cue.kind for cue in maker.tick(Phase(kind, 1.0, 1.1))] for kind in kinds]
    assert heard == [[], [CueKind.HEEL_RETURNED], [CueKind.HEEL_LIFTED], []]


def test_a_push_phase_without_its_push_is_silent():
    assert CueMaker().push([Phase(PhaseKind.PUSH, 3.0, 3.08)]) == []


@pytest.mark.parametrize(
    ("t_s", "y"), [((), ()), ((12.0,), (0.4,)), ((12.0, 12.01), (0.4, float("nan")))]
)
def test_too_little_path_leaves_the_outcome_alone(t_s, y):
    (said,) = CueMaker().push([phase(replace(PUSH, path_t_s=t_s, path_y=y))])
    assert (said.kind, said.delay_s) == (CueKind.ROLLED, 0.0)


def test_unknown_points_are_left_out_of_the_path():
    y = list(PATH_Y)
    y[7] = float("nan")
    echo, _ = CueMaker().push([phase(replace(PUSH, path_y=tuple(y)))])
    assert np.array_equal(echo.samples, glide(np.delete(PATH_T_S, 7), np.delete(PATH_Y, 7)))


@pytest.mark.parametrize(
    ("fore_take_s", "length_s"), [(12.9, 1.05), (12.01, 0.3), (10.0, 0.3), (None, 1.0)]
)
def test_the_echo_ends_soon_after_the_forefoot_took_the_load(fore_take_s, length_s):
    """A foot that stands on for seconds after its push would drown what there is to hear."""
    t_s = tuple(np.arange(0.0, 9.0, 0.01) + 12.0)
    push = replace(PUSH, path_t_s=t_s, path_y=tuple(np.full(900, 0.5)), fore_take_s=fore_take_s)
    echo, _ = CueMaker().push([phase(push)])
    assert len(echo.samples) / SAMPLE_RATE_HZ == pytest.approx(length_s + 0.06, abs=0.011)


def test_an_echo_is_cut_to_the_longest_glide():
    t_s = tuple(np.arange(0.0, 9.0, 0.01) + 12.0)
    push = replace(PUSH, path_t_s=t_s, path_y=tuple(np.full(900, 0.5)), fore_take_s=19.0)
    echo, _ = CueMaker().push([phase(push)])
    assert len(echo.samples) / SAMPLE_RATE_HZ == pytest.approx(4.06, abs=0.011)


def test_cues_do_not_depend_on_how_events_are_grouped():
    events = [
        Phase(PhaseKind.BACKSWING, 11.0, 11.1),
        Phase(PhaseKind.HEEL_LIFTED, 11.4, 11.5),
        Phase(PhaseKind.CANCELLED, 11.5, 11.6),
        Phase(PhaseKind.HEEL_RETURNED, 12.0, 12.1),
        phase(PUSH),
        phase(replace(PUSH, manner=Manner.HELD)),
    ]
    at_once, maker = CueMaker().push(events), CueMaker()
    singly = [cue for event in events for cue in maker.push([event])]
    assert len(at_once) == len(singly) == 6
    for a, b in zip(at_once, singly, strict=True):
        assert (a.kind, a.t_s, a.decided_s, a.delay_s) == (b.kind, b.t_s, b.decided_s, b.delay_s)
        assert np.array_equal(a.samples, b.samples)
