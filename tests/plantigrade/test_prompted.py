"""What is measured of a stand or a lift that was asked for, and what of it moves the baseline."""

from collections.abc import Iterator

import numpy as np
import pytest

from plantigrade.analyser import Analyser
from plantigrade.block import N_COLUMNS, Column, FloatArray, Foot, PairBlock
from plantigrade.events import Bearing
from plantigrade.limits import Setup, setup_for
from plantigrade.prompted import LiftPrompt, PromptedStand, StandPrompt, airs_of, prompt_for
from plantigrade.zones import eighteen

RATE_HZ = 100.0
BW_N = 800.0
SETUP = setup_for(eighteen(), RATE_HZ, BW_N, Foot.LEFT)


def foot(load_n: FloatArray) -> FloatArray:
    """Half of the load on the heel, a tenth on the midfoot, the rest on the ball, CoP at .45."""
    values = np.zeros((len(load_n), N_COLUMNS))
    values[:, Column.HEEL], values[:, Column.MIDFOOT] = 0.5 * load_n, 0.1 * load_n
    values[:, Column.FOREFOOT] = 0.4 * load_n
    values[:, Column.MOMENT_X], values[:, Column.MOMENT_Y] = 0.5 * load_n, 0.45 * load_n
    return values


def rows(left_n: FloatArray, right_n: FloatArray) -> PairBlock:
    t_s = np.arange(len(left_n)) / RATE_HZ
    return PairBlock(0, t_s, foot(left_n), foot(right_n))


def standing(seconds: float, left: float = 0.5) -> PairBlock:
    n = round(seconds * RATE_HZ)
    return rows(np.full(n, left * BW_N), np.full(n, (1 - left) * BW_N))


def pieces(block: PairBlock, cuts: list[int]) -> Iterator[PairBlock]:
    for start, stop in zip([0, *cuts], [*cuts, len(block)], strict=True):
        yield block.slice(start, stop)


def stood(
    block: PairBlock, start_s: float, end_s: float, setup: Setup = SETUP
) -> PromptedStand | None:
    prompt = StandPrompt(start_s)
    at = int(np.searchsorted(block.t_s, end_s))
    for piece in pieces(block, [at]):
        prompt.push(piece, piece, setup)
        prompt.end(end_s)
    prompt.flush()
    return prompt.result


def test_the_middle_of_a_stand_is_measured():
    """Left carries 45 % but in the first 2.4 and last 2.4 of 20 s, which do not count."""
    n = 2400
    left_n = np.full(n, 0.45 * BW_N)
    left_n[:440] = left_n[1960:] = 0.9 * BW_N
    found = stood(rows(left_n, BW_N - left_n), 2.0, 22.0)
    assert found is not None and found.left is not None and found.right is not None
    assert (found.start_s, found.end_s, found.missing_s) == (4.5, 19.5, 0.0)
    assert found.left_share == pytest.approx(0.45)
    assert found.left.load_n == pytest.approx(360.0)
    assert found.right.midfoot_share == pytest.approx(0.1)
    assert found.left.bearing is Bearing.BEARING


def test_missing_samples_are_told_and_nothing_is_measured_over_them():
    block = standing(24.0)
    block.right[900:907] = np.nan
    found = stood(block, 2.0, 22.0)
    assert found is not None
    assert found.missing_s == pytest.approx(0.07)
    assert (found.left, found.right, found.left_share) == (None, None, None)
    outside = standing(24.0)
    outside.right[220:440] = np.nan
    found = stood(outside, 2.0, 22.0)
    assert found is not None and found.missing_s == 0.0


def test_rows_that_never_come_are_missing():
    late = standing(24.0).slice(600, 2400)
    found = stood(late, 2.0, 22.0)
    assert found is not None and found.left is None
    assert found.missing_s == pytest.approx(1.49)  # 150 rows; one may lie beyond the edge
    broken_off = standing(12.0)
    prompt = StandPrompt(2.0)
    prompt.push(broken_off, broken_off, SETUP)
    prompt.end(22.0)
    assert not prompt.is_done
    prompt.flush()
    assert prompt.result is not None
    assert prompt.result.missing_s == pytest.approx(7.49)


@pytest.mark.parametrize(("short", "missing_s"), [(1, 0.0), (2, 0.01)])
def test_one_row_may_lie_beyond_the_edge(short, missing_s):
    """The middle holds 1,500 rows; here its first ones never come."""
    found = stood(standing(24.0).slice(450 + short, 2400), 2.0, 22.0)
    assert found is not None and found.missing_s == pytest.approx(missing_s)


@pytest.mark.parametrize(("end_s", "middle"), [(17.0, (2.0, 17.0)), (122.0, (54.5, 69.5))])
def test_the_shortest_and_the_longest_stand_are_measured(end_s, middle):
    found = stood(standing(124.0), 2.0, end_s)
    assert found is not None and (found.start_s, found.end_s) == middle
    assert found.left_share == pytest.approx(0.5)


def test_a_stand_that_goes_on_for_too_long_is_given_up_without_its_end():
    block, prompt = standing(124.0), StandPrompt(2.0)
    prompt.push(block.slice(0, 12201), block.slice(0, 12201), SETUP)  # up to 122.0 s
    assert not prompt.is_done
    prompt.push(block.slice(12201, 12202), block.slice(12201, 12202), SETUP)
    assert prompt.is_done and prompt.result is None


@pytest.mark.parametrize("ended_first", [True, False])
def test_a_stand_is_measured_with_the_row_at_the_end_of_its_middle(ended_first):
    """The middle of 2 to 22 s ends at 19.5 s, in row 1950."""
    for n, decided in ((1950, False), (1951, True)):
        block, prompt = standing(24.0).slice(0, n), StandPrompt(2.0)
        if ended_first:
            prompt.end(22.0)
        prompt.push(block, block, SETUP)
        prompt.end(22.0)
        assert prompt.is_done is decided
        assert (prompt.result is not None) is decided


def test_where_nobody_stood_there_is_no_share():
    found = stood(rows(np.zeros(2400), np.zeros(2400)), 2.0, 22.0)
    assert found is not None and found.left is not None
    assert found.left_share is None


@pytest.mark.parametrize(("start_s", "end_s"), [(2.0, 16.9), (2.0, 122.1)])
def test_a_stand_too_short_or_too_long_is_not_measured(start_s, end_s):
    assert stood(standing(124.0), start_s, end_s) is None


def test_a_stand_over_changed_settings_is_not_measured():
    block = standing(24.0)
    prompt = StandPrompt(2.0)
    other = setup_for(eighteen(), RATE_HZ, BW_N + 1.0, Foot.LEFT)
    prompt.push(block.slice(0, 1000), block.slice(0, 1000), SETUP)
    prompt.push(block.slice(1000, 2400), block.slice(1000, 2400), other)
    prompt.end(22.0)
    assert prompt.is_done and prompt.result is None


def test_zones_at_full_scale_are_named_where_they_are_often():
    """Of 1,500 samples 2 % are 30: 31 are too many; outside the middle none count."""
    block = standing(24.0)
    prompt = StandPrompt(2.0)
    full = np.zeros((2400, 18), dtype=bool)
    full[1000:1031, 4] = True
    full[1000:1030, 7] = True
    full[0:400, 9] = True
    prompt.note_full_scale(Foot.RIGHT, block.t_s, full)
    prompt.push(block, block, SETUP)
    prompt.end(22.0)
    assert prompt.result is not None
    assert (prompt.result.saturated_left, prompt.result.saturated_right) == ((), (5,))


@pytest.mark.parametrize(("first", "zones"), [(450, (5,)), (449, ()), (1920, (5,)), (1921, ())])
def test_samples_at_full_scale_count_from_the_middle_s_first_to_its_last(first, zones):
    """31 samples: of the middle of 4.5 to 19.5 s all of them, or one less."""
    block, prompt = standing(24.0), StandPrompt(2.0)
    full = np.zeros((2400, 18), dtype=bool)
    full[first : first + 31, 4] = True
    for cut in (slice(0, 460), slice(460, 2400)):
        prompt.note_full_scale(Foot.LEFT, block.t_s[cut], full[cut])
    prompt.push(block, block, SETUP)
    prompt.end(22.0)
    assert prompt.result is not None and prompt.result.saturated_left == zones


def lifting(held_s: float, air_n: float = 30.0) -> PairBlock:
    """Stand 2 s, lift the left foot, stand 2 s, lift the right foot, stand 8 s."""
    two, held = np.full(200, 0.5 * BW_N), round(held_s * RATE_HZ)
    up, on = np.full(held, air_n), np.full(held, BW_N)
    last = np.full(800, 0.5 * BW_N)
    left_n = np.concatenate((two, up, two, on, last))
    right_n = np.concatenate((two, on, two, up, last))
    return rows(left_n + air_n * (left_n > air_n), right_n + air_n * (right_n > air_n))


def lifted(block: PairBlock, cuts: list[int]) -> tuple[Analyser, LiftPrompt]:
    analyser, prompt = Analyser(SETUP), LiftPrompt(0.5)
    analyser.prompts = [prompt]
    for piece in pieces(block, cuts):
        analyser.push(piece)
    return analyser, prompt


def test_a_lift_is_measured_and_sets_the_baseline():
    """A laced shoe presses 30 N: it is read in the air, and taken off afterwards."""
    analyser, prompt = lifted(lifting(4.0), [])
    left, right = prompt.result.left, prompt.result.right
    assert (left.held_s, right.held_s) == (4.0, 4.0)
    assert (left.air_n, right.air_n) == (30.0, 30.0)
    assert analyser.baseline(Foot.LEFT).load_n == pytest.approx(30.0)
    assert analyser.baseline(Foot.RIGHT).load_n == pytest.approx(30.0)
    assert analyser.net[-1].left[-1, Column.HEEL] == pytest.approx(0.5 * 0.5 * BW_N)


def test_a_lift_nobody_asked_for_moves_nothing():
    analyser = Analyser(SETUP)
    analyser.push(lifting(4.0))
    assert analyser.baseline(Foot.LEFT).set_s is None


def test_a_foot_that_comes_down_too_soon_or_wavers_is_not_read():
    analyser, prompt = lifted(lifting(2.9), [])
    assert prompt.result.left.held_s == pytest.approx(2.9)
    assert prompt.result.left.air_n is None
    assert analyser.baseline(Foot.LEFT).set_s is None
    wavering = lifting(4.0, 5.0)
    wavering.left[200:600] = foot(60.0 + 50.0 * np.sin(np.arange(400) / 5.0))
    _, prompt = lifted(wavering, [])
    assert prompt.result.left.held_s >= 3.0 and prompt.result.left.air_n is None


@pytest.mark.parametrize(
    ("up_n", "rows_up", "read"),
    [(39.0, 64, True), (41.0, 62, True), (41.0, 64, False)],
)
def test_a_still_foot_reads_one_load_within_a_quarter_of_the_contact_load(up_n, rows_up, read):
    """Contact is 40 N (5 % of 800 N), so the band is 10 N; a quarter of 250 rows may leave it."""
    block = lifting(4.0)
    block.left[250 : 250 + rows_up] = foot(np.full(rows_up, up_n))
    _, prompt = lifted(block, [])
    assert (prompt.result.left.air_n == 30.0) is read


def test_a_lift_counts_within_its_trial_only():
    block, prompt = lifting(4.0), LiftPrompt(3.5)
    prompt.push(block.slice(0, 700), block.slice(0, 700), SETUP)
    prompt.end(10.0)
    prompt.push(block.slice(700, len(block)), block.slice(700, len(block)), SETUP)
    assert prompt.is_done
    # the left foot up to 6 s; the right one from 8 s on, the row at 10 s included
    assert prompt.result.left.held_s == pytest.approx(2.5)
    assert prompt.result.right.held_s == pytest.approx(2.01)


@pytest.mark.parametrize(("other_n", "held"), [(400.0, True), (399.0, False)])
def test_a_foot_is_held_while_the_other_carries_half_of_the_body(other_n, held):
    block, prompt = rows(np.full(400, 5.0), np.full(400, other_n)), LiftPrompt(0.0)
    prompt.push(block, block, SETUP)
    assert prompt.result.left.held_s == (4.0 if held else 0.0)
    assert prompt.result.left.air_n == (5.0 if held else None)


@pytest.mark.parametrize(("n", "read"), [(299, False), (300, True)])
def test_a_foot_is_read_once_it_was_held_for_three_seconds(n, read):
    """Up to the row that makes them full; what it reads in the first half second is left out."""
    left_n = np.concatenate((np.full(50, 20.0), np.full(n - 50, 5.0)))
    block, prompt = rows(left_n, np.full(n, BW_N)), LiftPrompt(0.0)
    prompt.push(block, block, SETUP)
    assert prompt.result.left.held_s == pytest.approx(n / RATE_HZ)
    assert (prompt.result.left.air_n == 5.0) is read
    assert [air.t_s for air in prompt.airs] == ([2.99] if read else [])
    assert all(air.foot is Foot.LEFT for air in prompt.airs)


def test_rows_kept_for_a_lift_do_not_grow():
    prompt, block = LiftPrompt(0.0), standing(60.0)
    for piece in pieces(block, list(range(50, 6000, 50))):
        prompt.push(piece, piece, SETUP)
    assert prompt._rows is not None
    assert prompt._rows.end - prompt._rows.first <= 300


def test_what_was_found_in_the_air_is_taken_once():
    block, prompt = rows(np.full(400, 5.0), np.full(400, BW_N)), LiftPrompt(0.0)
    prompt.push(block, block, SETUP)
    (air,) = airs_of([StandPrompt(0.0), prompt])
    assert air.foot is Foot.LEFT and airs_of([prompt]) == []


def test_however_the_rows_are_cut_the_results_are_the_same():
    rng = np.random.default_rng(5)
    block = lifting(4.0)
    noise = rng.normal(0.0, 3.0, (2, len(block), 1)) * np.array([1, 1, 1, 0, 0, 0, 0, 0])
    block = PairBlock(0, block.t_s, block.left + noise[0], block.right + noise[1])
    whole, prompt = lifted(block, [])
    for _ in range(8):
        cuts = sorted(rng.choice(np.arange(1, len(block)), 25, replace=False).tolist())
        analyser, other = lifted(block, cuts)
        assert other.result == prompt.result
        assert analyser.baseline(Foot.LEFT) == whole.baseline(Foot.LEFT)
        assert analyser.baseline(Foot.RIGHT) == whole.baseline(Foot.RIGHT)


def test_however_the_rows_are_cut_a_stand_is_the_same():
    rng = np.random.default_rng(6)
    n = 2600
    block = rows(400.0 + rng.normal(0, 4, n), 400.0 + rng.normal(0, 4, n))
    whole = stood(block, 2.0, 22.0)
    for _ in range(8):
        cuts = sorted({*rng.choice(np.arange(1, n), 20).tolist(), 2200})
        prompt = StandPrompt(2.0)
        for piece in pieces(block, cuts):
            prompt.push(piece, piece, SETUP)
            if piece.first + len(piece) == 2200:
                prompt.end(22.0)
        assert prompt.result == whole


def test_only_what_events_do_not_tell_is_measured_here():
    kinds = {step: type(prompt_for(step, 0.0)) for step in ("stand", "flat", "lift", "walk")}
    assert kinds == {
        "stand": StandPrompt,
        "flat": StandPrompt,
        "lift": LiftPrompt,
        "walk": type(None),
    }
